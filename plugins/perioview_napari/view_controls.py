"""How the radiograph is seen, and whether marks settle on edges; stored positions never change."""

from __future__ import annotations

import math
from collections.abc import Callable

from qtpy.QtCore import Qt
from qtpy.QtWidgets import (
    QCheckBox,
    QDoubleSpinBox,
    QHBoxLayout,
    QLabel,
    QPushButton,
    QSlider,
    QVBoxLayout,
    QWidget,
)

from perioview.snapping import RADIUS_MM


class ViewControls(QWidget):
    """Buttons for the view.

    Parameters
    ----------
    run : callable
        Does what the name of an action stands for, as the keys do.
    """

    def __init__(self, run: Callable[[str], None]) -> None:
        super().__init__()
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(4)
        row = QHBoxLayout()
        for text, action in (
            ("Invert  /", "invert"),
            ("Rotate  F2", "rotate"),
            ("Mirror  F3", "mirror"),
        ):
            button = QPushButton(text)
            button.setFocusPolicy(Qt.FocusPolicy.NoFocus)
            button.clicked.connect(lambda _=False, name=action: run(name))
            row.addWidget(button)
        column.addLayout(row)
        row = QHBoxLayout()
        self.local = self._box("Local contrast  `")
        self.beside = self._box("Side by side  F4")
        row.addWidget(self.local)
        row.addWidget(self.beside)
        column.addLayout(row)
        row = QHBoxLayout()
        self.gamma = QSlider(Qt.Orientation.Horizontal)
        self.gamma.setRange(-20, 20)
        self.gamma.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        row.addWidget(QLabel("Brightness  F5 F6"))
        row.addWidget(self.gamma, 1)
        column.addLayout(row)
        row = QHBoxLayout()
        self.snap = self._box("Settle on edges  F7, within")
        self.snap.setToolTip("A CEJ or crest mark goes to the nearest plausible edge within reach")
        self.reach = QDoubleSpinBox()
        self.reach.setRange(0.1, 2.0)
        self.reach.setSingleStep(0.1)
        self.reach.setDecimals(1)
        self.reach.setSuffix(" mm")
        self.reach.setValue(RADIUS_MM)
        self.reach.setFocusPolicy(Qt.FocusPolicy.ClickFocus)
        row.addWidget(self.snap)
        row.addWidget(self.reach, 1)
        column.addLayout(row)

    def _box(self, words: str) -> QCheckBox:
        box = QCheckBox(words)
        box.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        return box

    @staticmethod
    def gamma_of(value: int) -> float:
        """Return napari's gamma for a place of the slider; 1 in the middle, brighter above."""
        return float(10 ** (-value / 30))

    def show_gamma(self, gamma: float) -> None:
        """Let the slider say how a radiograph is shown, without doing anything."""
        self.gamma.blockSignals(True)
        self.gamma.setValue(round(-30 * math.log10(max(gamma, 1e-6))))
        self.gamma.blockSignals(False)

    def show_local_contrast(self, on: bool) -> None:
        """Let the box say what is shown, without doing anything."""
        self.local.blockSignals(True)
        self.local.setChecked(on)
        self.local.blockSignals(False)
