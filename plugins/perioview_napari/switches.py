"""The two switches of the marking: whether clicks mark, and whether they point at whole roots."""

from __future__ import annotations

from qtpy.QtCore import Qt
from qtpy.QtWidgets import QCheckBox, QHBoxLayout, QWidget


class Switches(QWidget):
    """Two boxes side by side that leave the keyboard to the radiograph."""

    def __init__(self) -> None:
        super().__init__()
        self.marks_on = QCheckBox("Marking on")
        self.marks_on.setToolTip("On: clicks place marks, keys work. Off: both are napari's own")
        self.marks_on.setChecked(True)
        self.point_on = QCheckBox("Point at whole roots  .")
        self.point_on.setToolTip(
            "One click midway along a root: its CEJ, apex and crests are proposed"
        )
        row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        for box in (self.marks_on, self.point_on):
            box.setFocusPolicy(Qt.FocusPolicy.NoFocus)
            row.addWidget(box)
