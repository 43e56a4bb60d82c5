"""Where on the photograph in hand a click lies; side by side it may lie on another one."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from perioview.errors import InputRefused
from perioview_napari.convert import position_from_world


def place_on(photo: Any, world: Sequence[float], photos: Iterable[Any]) -> tuple[float, float]:
    """Return the place of a click on a photo.

    Parameters
    ----------
    photo : Image layer
        The one in hand.
    world : sequence of float
        The click, in napari's world.
    photos : iterable of Image layer
        Those that are open.

    Returns
    -------
    tuple of float
        (row, col), px.

    Raises
    ------
    InputRefused
        If it lies beside the photo; naming the one it lies on, if any.
    """
    if _lies_on(photo, world):
        return position_from_world(photo, world)
    shown = [la for la in photos if la.visible and la is not photo]
    other = next((la.name for la in shown if _lies_on(la, world)), "")
    raise InputRefused(
        f"This click lies on {other}; outlines go to {photo.name} now. PgDown goes to another."
        if other
        else f"This click lies beside {photo.name}; click the middle of a crown."
    )


def _lies_on(photo: Any, world: Sequence[float]) -> bool:
    rows, cols = photo.data.shape[:2]
    row, col = position_from_world(photo, world)
    return bool(-0.5 <= row <= rows - 0.5 and -0.5 <= col <= cols - 0.5)
