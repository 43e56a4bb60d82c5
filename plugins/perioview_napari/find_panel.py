"""Panels of a viewer: the one that is docked, or a new one."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, TypeVar

from perioview_napari.panel import MarkingPanel

if TYPE_CHECKING:
    from perioview_napari.plaque_panel import PlaquePanel

Panel = TypeVar("Panel")


def _docked(viewer: Any, kind: type[Panel]) -> Panel | None:
    for docked in viewer.window.dock_widgets.values():
        panel = docked if isinstance(docked, kind) else docked.findChild(kind)
        if panel is not None:
            return panel
    return None


def open_marking_panel(viewer: Any) -> MarkingPanel | None:
    """Return the viewer's marking panel, if one is docked."""
    return _docked(viewer, MarkingPanel)


def marking_panel(viewer: Any) -> MarkingPanel:
    """Return the viewer's marking panel; dock one if there is none."""
    panel = open_marking_panel(viewer)
    if panel is None:
        panel = MarkingPanel(viewer)
        viewer.window.add_dock_widget(panel, name="Mark and measure teeth", area="right")
    return panel


def docked_plaque_panel(viewer: Any) -> PlaquePanel | None:
    """Return the viewer's plaque panel, if one is docked."""
    from perioview_napari.plaque_panel import PlaquePanel

    return _docked(viewer, PlaquePanel)


def open_plaque_panel(viewer: Any) -> PlaquePanel:
    """Return the viewer's plaque panel, in front of the others; dock one if there is none."""
    from perioview_napari.plaque_panel import PlaquePanel

    panel = docked_plaque_panel(viewer)
    if panel is None:
        panel = PlaquePanel(viewer)
        viewer.window.add_dock_widget(panel, name="Plaque on a photograph", area="right")
    else:
        panel.join_tabs()
        panel.show_photo()
    return panel
