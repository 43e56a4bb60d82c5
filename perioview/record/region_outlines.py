"""Tooth regions as closed outlines along pixel edges, and back: nothing is rounded.

An outline runs through corners of pixels. A region may take several: parts that lie apart, and
holes. A pixel belongs to the region when an odd number of its outlines surround it.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

Corners = tuple[tuple[int, int], ...]
Mask = NDArray[np.bool_]


def outlines(mask: Mask, most: int) -> list[Corners]:
    """Outlines of a region.

    Parameters
    ----------
    mask : ndarray of bool, shape (rows, cols)
    most : int
        Corners that one outline may have; a region with a longer one is cut in two.

    Returns
    -------
    list of tuple
        (row, col) of pixel corners, the first pixel's own being (0, 0); none for no region.
    """
    rows = np.flatnonzero(mask.any(axis=1))
    if not len(rows):
        return []
    found = _traced(mask)
    if all(len(corners) <= most for corners in found):
        return found
    middle = (int(rows[0]) + int(rows[-1]) + 1) // 2
    lower = np.arange(mask.shape[0])[:, None] >= middle
    return [*outlines(mask & ~lower, most), *outlines(mask & lower, most)]


def filled(found: Iterable[Corners], rows: int, cols: int) -> Mask:
    """The region that outlines surround.

    Parameters
    ----------
    found : iterable of tuple
        As `outlines` returns them.
    rows, cols : int
        Size of the image in px.

    Returns
    -------
    ndarray of bool, shape (rows, cols)
    """
    crossed = np.zeros((rows, cols + 1), bool)
    for corners in found:
        for (row, col), (to, other) in zip(corners, (*corners[1:], corners[0]), strict=True):
            if col == other:
                crossed[min(row, to) : max(row, to), col] ^= True
    return np.asarray(np.logical_xor.accumulate(crossed, axis=1)[:, :-1])


def _traced(mask: Mask) -> list[Corners]:
    """Follow the edges of a region, inside on the right, until each closes."""
    held = np.pad(mask, 1)
    inside = held[1:-1, 1:-1]
    # Where a pixel has no neighbour of the region: start of that edge, and the way it runs.
    sides = (
        (inside & ~held[:-2, 1:-1], (0, 0), (0, 1)),
        (inside & ~held[1:-1, 2:], (0, 1), (1, 0)),
        (inside & ~held[2:, 1:-1], (1, 1), (0, -1)),
        (inside & ~held[1:-1, :-2], (1, 0), (-1, 0)),
    )
    leaving: dict[tuple[int, int], list[tuple[int, int]]] = {}
    for bare, start, way in sides:
        for row, col in np.argwhere(bare).tolist():
            leaving.setdefault((row + start[0], col + start[1]), []).append(way)
    found = []
    for first in sorted(leaving):
        while leaving.get(first):
            found.append(_closed(leaving, first))
    return found


def _closed(
    leaving: dict[tuple[int, int], list[tuple[int, int]]], first: tuple[int, int]
) -> Corners:
    corners, at, before = [], first, (0, 0)
    while True:
        way = leaving[at].pop()
        if way != before:
            corners.append(at)
        before, at = way, (at[0] + way[0], at[1] + way[1])
        if at == first:
            return tuple(corners)
