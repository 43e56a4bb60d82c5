"""Marks that could not be written are written as soon as that is possible again."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING, Any

from qtpy.QtCore import QEvent, QObject, QTimer
from qtpy.QtWidgets import QMessageBox

if TYPE_CHECKING:
    from perioview_napari.marking import Marking

RETRY_MS = 3000


class Saving(QObject):
    """Tries again after a while, when the window is turned to, before a layer or the window closes.

    Parameters
    ----------
    marking : Marking
    """

    def __init__(self, marking: Marking) -> None:
        super().__init__()
        self.marking = marking
        self.window = marking.viewer.window._qt_window
        self.window.installEventFilter(self)
        marking.viewer.layers.events.removed.connect(self._layer_closed)
        self.timer = QTimer(self)
        self.timer.setSingleShot(True)
        self.timer.setInterval(RETRY_MS)
        self.timer.timeout.connect(self.retry)

    def close(self) -> None:
        """Try a last time and let go of the window."""
        self.marking.opened.save_unsaved()
        self.timer.stop()
        with contextlib.suppress(Exception):
            self.marking.viewer.layers.events.removed.disconnect(self._layer_closed)
        with contextlib.suppress(RuntimeError):
            self.window.removeEventFilter(self)

    def _layer_closed(self, event: Any) -> None:
        self.marking.opened.close(event.value)
        self.retry()

    def watch(self) -> None:
        """Try again in a while if something is not on disk."""
        if self.marking.opened.unsaved() and not self.timer.isActive():
            self.timer.start()

    def retry(self) -> None:
        """Try again to write what is not on disk, and say so where that went well."""
        saved = self.marking.opened.save_unsaved()
        self.watch()
        if saved:
            names = ", ".join(s.image.name for s in saved)
            self.marking.message.emit(f"{names}: all marks are saved now.", False)
            self.marking.refresh()
            self.marking.changed.emit()

    def eventFilter(self, watched: QObject | None, event: Any) -> bool:
        """See the window turned to, or about to close."""
        if event.type() == QEvent.Type.WindowActivate:
            self.retry()
        elif event.type() == QEvent.Type.Close and not self.may_close():
            event.ignore()
            return True
        return False

    def may_close(self) -> bool:
        """Try again to write what is not on disk; if some is not, ask whether to close."""
        self.retry()
        unsaved = self.marking.opened.unsaved()
        if not unsaved:
            return True
        told, lost = [], []
        for session in unsaved:
            why, copy = f"{session.marks_path}: {session.file.refused}", session.file.copy.path
            if session.file.conflict and copy is not None:
                told.append(f"{why}; this window's marks are kept in {copy.name}.")
            else:
                told.append(f"{why}.")
                lost.append(session.image.name)
        images = ", ".join(lost)
        asked = f", and lose what is not saved of {images}?" if lost else "? No mark is lost."
        yes, no = QMessageBox.StandardButton.Yes, QMessageBox.StandardButton.No
        text = "\n".join((*told, f"Close all the same{asked}"))
        answer = QMessageBox.question(self.window, "Marks are not saved", text, yes | no, no)
        return bool(answer == yes)
