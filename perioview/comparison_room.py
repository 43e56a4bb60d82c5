"""Room for labels on a picture: beside the teeth, on none of them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

Rgb = NDArray[np.uint8]

_SOUGHT_PX = 900
"""Size of the grid in which places are sought."""


def label_places(
    regions: NDArray[Any],
    sizes: Mapping[int, tuple[int, int]],
    pad: int,
    pictures: Sequence[Rgb],
) -> tuple[dict[int, tuple[int, int]], int]:
    """Find a place near each tooth where its label covers neither tooth nor label.

    Parameters
    ----------
    regions : ndarray of uint16, shape (rows, cols)
        Triadan numbers.
    sizes : mapping of int to (int, int)
        Rows and columns of each tooth's label.
    pad : int
        Least distance from what is not to be covered, px.
    pictures : sequence of ndarray of uint8, shape (rows, cols, 3)
        What looks like enamel in them is left free where that is possible.

    Returns
    -------
    tuple
        (row, col) of each label's first pixel; and the rows that this takes, more than the
        picture has where it has no room.
    """
    total, last = regions.shape
    step = math.ceil(max(total, last) / _SOUGHT_PX)
    small = _reduced(regions, step)
    # Each by itself: among larger numbers the smallest of teeth would be gone from the grid.
    own = {tooth: _reduced(regions == tooth, step) for tooth in sizes}
    enamel = np.any([_like_enamel(p[::step, ::step]) for p in pictures], axis=0)
    little = {t: (math.ceil(h / step), math.ceil(w / step)) for t, (h, w) in sizes.items()}
    found, rows = _places(small > 0, enamel, own, little, math.ceil(pad / step))
    places = {
        tooth: (top * step, max(0, min(left * step, last - sizes[tooth][1])))
        for tooth, (top, left) in found.items()
    }
    return places, max(total, rows * step if rows > len(small) else 0)


def _reduced(regions: NDArray[Any], step: int) -> NDArray[Any]:
    """Regions in a coarser grid, none of them smaller: any of a tooth takes the whole square."""
    rows, cols = (-(-n // step) for n in regions.shape)
    whole = np.zeros((rows * step, cols * step), regions.dtype)
    whole[: regions.shape[0], : regions.shape[1]] = regions
    return np.asarray(whole.reshape(rows, step, cols, step).max(axis=(1, 3)))


def _like_enamel(picture: Rgb) -> NDArray[np.bool_]:
    """Pixels bright and pale as teeth are, gum and stain are not (rough, our own limits)."""
    most, least = picture.max(axis=2).astype(np.int16), picture.min(axis=2)
    return np.asarray((most > 120) & (most - least < 0.4 * most))


def _places(
    taken: NDArray[np.bool_],
    enamel: NDArray[np.bool_],
    teeth: Mapping[int, NDArray[Any]],
    sizes: Mapping[int, tuple[int, int]],
    pad: int,
) -> tuple[dict[int, tuple[int, int]], int]:
    """Top left of each label where it covers neither tooth nor label, and the rows it takes."""
    while True:
        places = _placed(taken.copy(), enamel, teeth, sizes, pad)
        if len(places) == len(sizes):
            return places, len(taken)
        more = max(height for height, _ in sizes.values()) + 2 * pad
        taken, enamel = (np.pad(mask, ((0, more), (0, 0))) for mask in (taken, enamel))


def _placed(
    taken: NDArray[np.bool_],
    enamel: NDArray[np.bool_],
    teeth: Mapping[int, NDArray[Any]],
    sizes: Mapping[int, tuple[int, int]],
    pad: int,
) -> dict[int, tuple[int, int]]:
    import cv2

    places: dict[int, tuple[int, int]] = {}
    for tooth, (height, width) in sizes.items():
        own = np.zeros(taken.shape, np.uint8)
        own[: len(teeth[tooth])] = teeth[tooth]
        away = cv2.distanceTransform(1 - own, cv2.DIST_L2, 5)
        size = min(height, len(taken)), min(width, taken.shape[1])
        # Along an even edge it comes to lie over the tooth's middle.
        rows, cols = own.nonzero()
        down = np.arange(len(taken)) - rows.mean()
        across = np.arange(taken.shape[1]) - cols.mean()
        middle = np.hypot(down[:, None], across)
        best = _free(taken, enamel, away + 0.2 * middle, size, pad)
        if best is None:
            return places
        places[tooth] = best
        taken[best[0] : best[0] + height, best[1] : best[1] + width] = True
    return places


def _free(
    taken: NDArray[np.bool_],
    enamel: NDArray[np.bool_],
    away: NDArray[Any],
    size: tuple[int, int],
    pad: int,
) -> tuple[int, int] | None:
    """Top left of the free place nearest to a tooth; None where there is none."""
    height, width = size
    rows, cols = taken.shape
    step = max(1, pad)
    tops = np.arange(0, rows - height + 1, step)
    lefts = np.arange(0, cols - width + 1, step)
    if not len(tops) or not len(lefts):
        return None
    # With a rim, so that a label does not touch what it must not cover.
    low, high = np.maximum(tops - pad, 0), np.minimum(tops + height + pad, rows)
    near, far = np.maximum(lefts - pad, 0), np.minimum(lefts + width + pad, cols)
    held, pale = (_inside(mask, low, high, near, far) for mask in (taken, enamel))
    distance = away[np.ix_(tops + height // 2, lefts + width // 2)]
    # A label goes four of its heights farther to leave what may be another tooth free.
    cost = distance + 4 * height * pale / (height * width)
    cost = np.where(held == 0, cost, np.inf)
    row, col = np.unravel_index(int(cost.argmin()), cost.shape)
    return (int(tops[row]), int(lefts[col])) if np.isfinite(cost[row, col]) else None


def _inside(mask: NDArray[np.bool_], low: Any, high: Any, near: Any, far: Any) -> NDArray[Any]:
    """Pixels of a mask in each rectangle of rows ``low:high`` and columns ``near:far``."""
    import cv2

    sums = cv2.integral(mask.astype(np.uint8))
    ends, starts = sums[np.ix_(high, far)], sums[np.ix_(low, near)]
    return np.asarray(ends - sums[np.ix_(low, far)] - sums[np.ix_(high, near)] + starts)
