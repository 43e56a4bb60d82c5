"""Opens napari with the marking panel on files or a visit folder."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from perioview.marking_round import teeth_from_text


def open_window(
    paths: Sequence[Path], species: str | None = None, teeth: str = "", *, show: bool = True
) -> Any:
    """Return a napari viewer with the panel docked and these paths open.

    Parameters
    ----------
    paths : sequence of Path
        Radiographs, photographs or a visit folder.
    species : str, optional
        When no file names it.
    teeth : str
        Teeth in view, as typed.
    show : bool
        Whether the window is shown.

    Raises
    ------
    InputRefused
        If a file cannot be read; no window is made then.
    """
    import napari

    from perioview_napari.reader import VISIT_FILE, layers

    # Read first: what is refused must not leave a window behind.
    opened = layers([str(p) for p in paths]) if paths else []
    viewer = napari.Viewer(title="perioview", show=show)
    from perioview_napari.panel import MarkingPanel

    panel = MarkingPanel(viewer)
    marking_dock = viewer.window.add_dock_widget(panel, name="Mark and measure teeth", area="right")
    # napari's own controls eat a fifth of the width; they come back from its Window menu.
    for dock in ("dockLayerControls", "dockLayerList"):
        getattr(viewer.window._qt_viewer, dock).setVisible(False)
    if opened:
        panel.open_layers(opened, species)
    if any((p / VISIT_FILE).is_file() for p in paths):
        # Charting and what is still open, one tab behind the marking.
        from qtpy.QtCore import QTimer

        from perioview_napari.mouth_panel import MouthPanel

        viewer.window.add_dock_widget(
            MouthPanel(viewer), name="Chart and what is open", area="right", tabify=True
        )
        # Qt shows the newest tab once the events of its making have run.
        QTimer.singleShot(0, marking_dock.raise_)
    if teeth and panel.marking.session is not None:
        panel.choose_teeth(teeth_from_text(teeth, panel.marking.session.species))
    return viewer
