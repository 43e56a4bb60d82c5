"""A layer that keeps the window alive where layers are taken away and only pictures stay."""

from __future__ import annotations

from typing import Any

from napari.layers import Points

STILL_DRAWN = "(keeps the window drawing)"


def keep_drawn(viewer: Any, photo: Any) -> None:
    """Have an empty layer of points lie under a photo from now on; it shows nothing.

    Seen with vispy on Mesa, and not understood: once outlines, numbers or a card are removed and
    all that is left to draw are pictures, the next frame but one ends the process, whatever was
    removed. Where anything else is drawn with them, as the marks on a radiograph, it does not.
    This must be visible for it, and must be there before anything is removed.

    Parameters
    ----------
    viewer : napari.Viewer
    photo : Image layer
        napari wants one unit for all layers.
    """
    if STILL_DRAWN in viewer.layers:
        viewer.layers[STILL_DRAWN].visible = True
        return
    active = viewer.layers.selection.active
    layer = Points(
        ndim=2, name=STILL_DRAWN, scale=photo.scale, translate=photo.translate, units=photo.units
    )
    layer.editable = False
    viewer.layers.insert(0, layer)
    viewer.layers.selection.active = active
