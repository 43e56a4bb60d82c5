"""A later radiograph laid on an earlier one, to fade and blink, and where bone has changed."""

from __future__ import annotations

from typing import Any

import numpy as np
from qtpy.QtCore import Qt, QTimer
from qtpy.QtWidgets import QPushButton, QSlider

from perioview_napari.convert import is_perioview_image
from perioview_napari.find_panel import open_marking_panel

LATER = "later, laid on earlier"
CHANGE = "change: blue gain, orange loss"
BLINK_MS = 600


class LaidOver:
    """The two layers of a comparison, and the slider and button that show them.

    Parameters
    ----------
    viewer : napari.Viewer
    """

    def __init__(self, viewer: Any) -> None:
        self.viewer = viewer
        self.timer = QTimer()
        self.timer.setInterval(BLINK_MS)
        self.timer.timeout.connect(self._blink)
        self.fade = QSlider(Qt.Orientation.Horizontal)
        self.fade.setRange(0, 100)
        self.fade.setValue(50)
        self.fade.valueChanged.connect(self._faded)
        self.blink = QPushButton("Blink")
        self.blink.setCheckable(True)
        self.blink.toggled.connect(self._blinking)

    def clear(self) -> None:
        """Take both layers away."""
        for name in (LATER, CHANGE):
            if name in self.viewer.layers:
                self.viewer.layers.remove(name)

    def show(self, earlier: Any, changed: Any, picture: Any) -> None:
        """Lay the later image, and the picture of the change, on the earlier layer."""
        self.clear()
        panel = open_marking_panel(self.viewer)
        if panel is not None and panel.marking.layer is not earlier:
            panel.show_layer(earlier)
        for layer in filter(is_perioview_image, self.viewer.layers):
            layer.visible = layer is earlier
        low, high = np.percentile(changed.later[changed.known], (0.5, 99.5))
        place = {"scale": earlier.scale, "translate": earlier.translate, "units": earlier.units}
        self.viewer.add_image(
            changed.later, name=LATER, colormap="gray",
            contrast_limits=(float(low), float(high)), **place,
        )  # fmt: skip
        self.viewer.add_image(picture, rgb=True, name=CHANGE, visible=False, **place)
        self._faded(self.fade.value())
        if panel is None:
            self.viewer.reset_view()
        else:
            panel.marking.refresh()  # its marks on top of what was added
            panel.marking.seeing.fit()

    def _faded(self, percent: int) -> None:
        if LATER in self.viewer.layers:
            self.viewer.layers[LATER].opacity = percent / 100

    def _blinking(self, on: bool) -> None:
        if on:
            self.timer.start()
            return
        self.timer.stop()
        if LATER in self.viewer.layers:
            self.viewer.layers[LATER].visible = True
        self._faded(self.fade.value())

    def _blink(self) -> None:
        if LATER in self.viewer.layers:
            layer = self.viewer.layers[LATER]
            layer.opacity = 1.0
            layer.visible = not layer.visible
