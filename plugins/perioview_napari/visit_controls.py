"""Two buttons that open a visit: a new one, or one that is there."""

from __future__ import annotations

from pathlib import Path

from qtpy.QtCore import Signal
from qtpy.QtWidgets import QFileDialog, QHBoxLayout, QWidget

from perioview.errors import InputRefused
from perioview_napari.round_buttons import plain_button


class VisitControls(QWidget):
    """Asks for a visit folder; `chosen` says which, `refused` why there is none."""

    chosen = Signal(object)
    refused = Signal(str)

    def __init__(self) -> None:
        super().__init__()
        row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        row.addWidget(plain_button("New visit…", self._new))
        row.addWidget(plain_button("Open visit…", self._open))

    def _new(self) -> None:
        from perioview_napari.visit_dialog import new_visit_dialog

        try:
            folder = new_visit_dialog(self)
        except InputRefused as fault:
            self.refused.emit(str(fault))
            return
        if folder is not None:
            self.chosen.emit(folder)

    def _open(self) -> None:
        chosen = QFileDialog.getExistingDirectory(self, "Open a visit folder")
        if chosen:
            self.chosen.emit(Path(chosen))
