"""Two visits laid on each other: blink, fade and difference."""

from __future__ import annotations

from typing import Any

import numpy as np
from qtpy.QtCore import Qt, QTimer
from qtpy.QtWidgets import (
    QComboBox,
    QFormLayout,
    QLabel,
    QPushButton,
    QSlider,
    QVBoxLayout,
    QWidget,
)

from perioview.errors import InputRefused
from perioview_napari.convert import image_of_layer, is_perioview_image
from perioview_napari.work import in_background

LATER = "later, laid on earlier"
CHANGE = "change: blue gain, orange loss"
BLINK_MS = 600


class ComparePanel(QWidget):
    """Aligns a later radiograph onto an earlier one and shows what changed.

    Parameters
    ----------
    napari_viewer : napari.Viewer
    """

    def __init__(self, napari_viewer: Any) -> None:
        super().__init__()
        self.viewer = napari_viewer
        self.worker: Any = None
        self.timer = QTimer(self)
        self.timer.setInterval(BLINK_MS)
        self.timer.timeout.connect(self._blink)
        self._build()
        for event in (self.viewer.layers.events.inserted, self.viewer.layers.events.removed):
            event.connect(self.refresh)
        self.refresh()

    def closeEvent(self, event: Any) -> None:
        """Let go of the viewer."""
        self.timer.stop()
        for signal in (self.viewer.layers.events.inserted, self.viewer.layers.events.removed):
            signal.disconnect(self.refresh)
        super().closeEvent(event)

    def _build(self) -> None:
        self.setMinimumWidth(320)
        self.earlier, self.later = QComboBox(), QComboBox()
        form = QFormLayout()
        form.addRow("earlier", self.earlier)
        form.addRow("later", self.later)
        go = QPushButton("Lay the later on the earlier")
        go.clicked.connect(self.align)
        self.fade = QSlider(Qt.Orientation.Horizontal)
        self.fade.setRange(0, 100)
        self.fade.setValue(50)
        self.fade.valueChanged.connect(self._faded)
        self.blink = QPushButton("Blink")
        self.blink.setCheckable(True)
        self.blink.toggled.connect(lambda on: self.timer.start() if on else self.timer.stop())
        self.message = QLabel("Open an earlier and a later radiograph of the same place.")
        self.message.setWordWrap(True)
        box = QVBoxLayout(self)
        box.addLayout(form)
        for part in (go, QLabel("earlier … later"), self.fade, self.blink, self.message):
            box.addWidget(part)
        box.addStretch()

    def refresh(self, event: Any = None) -> None:
        """List the images that perioview opened."""
        names = [
            la.name for la in self.viewer.layers if is_perioview_image(la) and la.name != LATER
        ]
        for i, box in enumerate((self.earlier, self.later)):
            kept = box.currentText()
            box.clear()
            box.addItems(names)
            wanted = names.index(kept) if kept in names else min(i, len(names) - 1)
            box.setCurrentIndex(wanted)

    def say(self, text: str) -> None:
        """Show a message or the faults of the last act."""
        self.message.setText(text)

    def align(self) -> None:
        """Align the two chosen images beside the window."""
        from perioview.alignment import align
        from perioview.comparison import dense_bright
        from perioview.subtraction import difference, difference_picture

        names = self.earlier.currentText(), self.later.currentText()
        if not all(names) or names[0] == names[1]:
            self.say("Choose two different images.")
            return
        layers = [self.viewer.layers[n] for n in names]
        try:
            images = [image_of_layer(la)[0] for la in layers]
        except InputRefused as error:
            self.say(str(error))
            return

        def task() -> tuple[Any, Any, Any]:
            first, second = (dense_bright(i) for i in images)
            found = align(second, first, names=(names[1], names[0]))
            changed = difference(second, first, found)
            return found, changed, difference_picture(changed, first)

        self.say("aligning…")
        self.worker = in_background(task, lambda got: self._show(layers[0], *got), self.say)

    def _show(self, earlier: Any, found: Any, changed: Any, picture: Any) -> None:
        for name in (LATER, CHANGE):
            if name in self.viewer.layers:
                self.viewer.layers.remove(name)
        for layer in self.viewer.layers:
            layer.visible = layer is earlier
        low, high = np.percentile(changed.later[changed.known], (0.5, 99.5))
        self.viewer.add_image(
            changed.later, name=LATER, scale=earlier.scale, colormap="gray",
            contrast_limits=(float(low), float(high)),
        )  # fmt: skip
        self.viewer.add_image(picture, rgb=True, name=CHANGE, scale=earlier.scale, visible=False)
        self._faded(self.fade.value())
        self.viewer.reset_view()
        area = changed.known.sum() or 1
        self.say(
            "\n".join(
                (
                    f"aligned within {found.rms_px:.2f} px, {found.matches} matches",
                    f"significant gain {100 * changed.gain.sum() / area:.2f} %, "
                    f"loss {100 * changed.loss.sum() / area:.2f} % of the shared area",
                    f"'{CHANGE}' shows where.",
                    *found.warnings,
                )
            )
        )

    def _faded(self, percent: int) -> None:
        if LATER in self.viewer.layers:
            self.viewer.layers[LATER].opacity = percent / 100

    def _blink(self) -> None:
        if LATER in self.viewer.layers:
            layer = self.viewer.layers[LATER]
            layer.opacity = 1.0
            layer.visible = not layer.visible
