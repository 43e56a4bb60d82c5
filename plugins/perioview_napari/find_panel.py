"""The marking panel of a viewer: the one that is docked, or a new one."""

from __future__ import annotations

from typing import Any

from perioview_napari.panel import MarkingPanel


def open_marking_panel(viewer: Any) -> MarkingPanel | None:
    """Return the viewer's marking panel, if one is docked."""
    for docked in viewer.window.dock_widgets.values():
        panel = docked if isinstance(docked, MarkingPanel) else docked.findChild(MarkingPanel)
        if panel is not None:
            return panel
    return None


def marking_panel(viewer: Any) -> MarkingPanel:
    """Return the viewer's marking panel; dock one if there is none."""
    panel = open_marking_panel(viewer)
    if panel is None:
        panel = MarkingPanel(viewer)
        viewer.window.add_dock_widget(panel, name="Mark and measure teeth", area="right")
    return panel
