"""Where a tool's panel lies: one tab beside the marking, never below it and off the screen."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from qtpy.QtCore import QEvent, QTimer
from qtpy.QtWidgets import QDockWidget, QMainWindow, QWidget

if TYPE_CHECKING:
    from perioview_napari.session import Session


def dock_of(widget: QWidget) -> QDockWidget | None:
    """Return the dock a widget lies in, if it is docked."""
    parent: Any = widget.parent()
    while parent is not None and not isinstance(parent, QDockWidget):
        parent = parent.parent()
    return parent


def close_earlier(viewer: Any) -> list[Session]:
    """Close the marking panel that is docked, hidden too, and return what it could not save."""
    from perioview_napari.find_panel import open_marking_panel

    panel = open_marking_panel(viewer)
    if panel is None:
        return []
    panel.release()
    dock = dock_of(panel)
    if dock is not None:
        viewer.window.remove_dock_widget(dock)
    return panel.marking.opened.unsaved()


def unsaved_beside(widget: QWidget, folder: Path) -> list[Session]:
    """Return what the marking panel beside a tool could not save of a visit, tried once more."""
    from perioview_napari.find_panel import open_marking_panel

    within: Any = widget
    while within is not None and not isinstance(within, BesideMarking):
        within = within.parent()
    panel = None if within is None else open_marking_panel(within.viewer)
    if panel is None:
        return []
    panel.marking.saving.retry()
    held = panel.marking.opened.unsaved()
    return [s for s in held if s.marks_path.is_relative_to(folder.resolve())]


class Docked(QWidget):
    """A panel that hears of its dock being closed, which only drops what lies in it."""

    def changeEvent(self, event: Any) -> None:
        """See the panel dropped; `dock_closed` is called once the window has let go of the dock."""
        if event.type() == QEvent.Type.ParentChange and self.parent() is None:
            QTimer.singleShot(0, self.dock_closed)
        super().changeEvent(event)

    def dock_closed(self) -> None:
        """Let go of what the panel holds."""
        raise NotImplementedError


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
