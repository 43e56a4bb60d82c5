"""Bring the image up that shows a tooth: its radiograph, or the photo of what is left on it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from perioview.visit import Examination
from perioview_napari.convert import is_perioview_image
from perioview_napari.find_panel import open_marking_panel


def films_of(examination: Examination, number: int) -> list[str]:
    """Names of the radiographs a tooth is marked on, then of those it is said to be on."""
    marked = [r.image.name for r in examination.radiographs if number in r.marks.teeth()]
    said = [
        Path(str(row["file"])).name
        for row in examination.visit.images
        if number in row.get("teeth", ())
    ]
    return [*marked, *said]


def photos_of(examination: Examination, number: int) -> list[str]:
    """Names of the photographs a tooth is outlined on, those taken after cleaning first."""
    photos = sorted(examination.photos, key=lambda p: p.when == "after", reverse=True)
    return [
        p.image.name
        for p in photos
        if p.result is not None and any(t.tooth == number for t in p.result.teeth)
    ]


def show_tooth(viewer: Any, names: Sequence[str], number: int) -> None:
    """Bring up the first image of these names that is open; nothing happens without one.

    A radiograph that can be marked comes with its own marks and the tooth in hand.
    """
    layers = {layer.name: layer for layer in viewer.layers if is_perioview_image(layer)}
    shown = next((layers[name] for name in names if name in layers), None)
    if shown is None:
        return
    panel = open_marking_panel(viewer)
    if panel is not None:
        panel.show_tooth(shown, number)
        return
    for other in layers.values():
        other.visible = other is shown
    viewer.layers.selection.active = shown
