"""Boxes of a photo: what was changed, where each tooth lies; for work on a part of it only."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Labels = NDArray[np.uint16]
Box = tuple[slice, slice]


def box_of(mask: NDArray[np.bool_]) -> Box | None:
    """Smallest box that holds what is true; None if nothing is."""
    rows, cols = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    if not len(rows):
        return None
    return slice(int(rows[0]), int(rows[-1]) + 1), slice(int(cols[0]), int(cols[-1]) + 1)


def grown(box: Box, by: int, shape: tuple[int, ...]) -> Box:
    """Return the box wider by so many px on all sides, within the picture."""
    rows, cols = (
        slice(max(0, part.start - by), min(size, part.stop + by))
        for part, size in zip(box, shape, strict=True)
    )
    return rows, cols


def around(one: Box, other: Box) -> Box:
    """Smallest box that holds two."""
    rows, cols = (
        slice(min(a.start, b.start), max(a.stop, b.stop)) for a, b in zip(one, other, strict=True)
    )
    return rows, cols


def inside(box: Box, whole: Box) -> Box:
    """Return a box as seen from one that holds it."""
    rows, cols = (
        slice(part.start - of.start, part.stop - of.start)
        for part, of in zip(box, whole, strict=True)
    )
    return rows, cols


@dataclass(frozen=True, slots=True)
class Place:
    """Where a tooth lies.

    Parameters
    ----------
    box : tuple of slice
    middle : tuple of float
        (row, col), px.
    """

    box: Box
    middle: tuple[float, float]


def place_of(labels: Labels, number: int, within: Box) -> Place | None:
    """Find a tooth in a part of the photo; None if it is not there."""
    mask = labels[within] == number
    box = box_of(mask)
    if box is None:
        return None
    top, left = within[0].start, within[1].start
    rows, cols = np.arange(mask.shape[0]), np.arange(mask.shape[1])
    count = mask.sum()
    middle = (
        top + float(mask.sum(axis=1) @ rows / count),
        left + float(mask.sum(axis=0) @ cols / count),
    )
    at = (
        slice(top + box[0].start, top + box[0].stop),
        slice(left + box[1].start, left + box[1].stop),
    )
    return Place(at, middle)


def places_of(labels: Labels) -> dict[int, Place]:
    """Find all teeth of a photo."""
    from scipy.ndimage import find_objects

    found = {}
    for number, box in enumerate(find_objects(labels), start=1):
        if box is not None and (place := place_of(labels, number, box)) is not None:
            found[number] = place
    return found


def numbers_in(labels: NDArray[Any]) -> set[int]:
    """Numbers of the teeth of which some lies in a part of the photo."""
    return {int(n) for n in np.unique(labels) if n}


def given(labels: Labels, number: int, box: Box, mask: NDArray[Any]) -> Labels:
    """Return labels of which a tooth has the pixels of a mask, given in a box, and no others.

    Where another tooth is, that stays.
    """
    made = np.where(labels == number, 0, labels).astype(np.uint16)
    part = made[box]
    part[(mask > 0) & (part == 0)] = number
    return made


def moved_out(labels: Labels, number: int, box: Box, step: int) -> tuple[Box, NDArray[np.bool_]]:
    """Move the edge of a tooth out (positive) or in by so many px of the screen's size.

    Parameters
    ----------
    labels : ndarray of uint16, shape (rows, cols)
    number : int
    box : tuple of slice
        Where the tooth lies.
    step : int

    Returns
    -------
    tuple of slice
        A box that holds what was moved.
    ndarray of bool
        The tooth in it.
    """
    import cv2

    size = max(1, round(labels.shape[1] / 700)) * abs(step)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * size + 1, 2 * size + 1))
    wider = grown(box, size + 1, labels.shape)
    mask = (labels[wider] == number).astype(np.uint8)
    return wider, (cv2.dilate if step > 0 else cv2.erode)(mask, disc) > 0
