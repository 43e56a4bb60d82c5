"""Where a tool's panel lies: one tab beside the marking, never below it and off the screen."""

from __future__ import annotations

from typing import Any

from qtpy.QtCore import QTimer
from qtpy.QtWidgets import QDockWidget, QMainWindow, QWidget


def dock_of(widget: QWidget) -> QDockWidget | None:
    """Return the dock a widget lies in, if it is docked."""
    parent: Any = widget.parent()
    while parent is not None and not isinstance(parent, QDockWidget):
        parent = parent.parent()
    return parent


class BesideMarking(QWidget):
    """A panel that joins the marking panel's tabs when it is first shown.

    napari would stack it below; two panels are higher than a small screen, and the window
    would grow beyond it.
    """

    viewer: Any
    _placed = False

    def showEvent(self, event: Any) -> None:
        """Ask for the place once napari has docked the panel."""
        super().showEvent(event)
        if not self._placed:
            self._placed = True
            QTimer.singleShot(0, self.join_tabs)

    def join_tabs(self) -> None:
        """Lie in one row of tabs with the marking panel, in front of it."""
        from perioview_napari.find_panel import open_marking_panel

        own, panel = dock_of(self), open_marking_panel(self.viewer)
        other = None if panel is None else dock_of(panel)
        if own is None or other is None or own is other:
            return
        window = other.parent()
        assert isinstance(window, QMainWindow)
        size = window.size()
        if own not in window.tabifiedDockWidgets(other):
            window.tabifyDockWidget(other, own)
            # What the stacked panels had pushed it to.
            window.resize(size)
        own.raise_()
