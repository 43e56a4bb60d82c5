"""How far the gum drew back from a tooth between two photographs, from its outlines."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from perioview.alignment import SWAP, Alignment
from perioview.measurement import Measurement, missing
from perioview.plaque_gum import Gum, gum_side

TURNS = {"up": 0, "right": 1, "down": 2, "left": 3}
"""Quarter turns that bring the gum to the top."""
EDGE = 0.15
"""Share of a tooth's width left out at either side: outlines round off there."""
OUTLINE_SD = 0.01
"""Repeatability of an outline's gum side as a share of the crown's height; our guess, since no
study of it was found."""


def gum_line_changes(
    earlier: NDArray[np.uint16],
    later: NDArray[np.uint16],
    alignment: Alignment,
    gum: Gum = None,
) -> dict[int, Measurement]:
    """Compare the gum side of every tooth that both photographs have outlined.

    Parameters
    ----------
    earlier, later : ndarray of uint16, shape (rows, cols)
        Tooth regions, each drawn on its own photo.
    alignment : Alignment
        Of the later photo onto the earlier.
    gum : str or mapping of int to str, optional
        ``up``, ``down``, ``left`` or ``right`` in the earlier photo; by the jaw if not given.

    Returns
    -------
    dict of int to Measurement
        By tooth, in per cent of its height in the earlier photo; positive: the gum drew back, more
        of the tooth shows. The SD holds alignment, the outline's unevenness and `OUTLINE_SD` of
        either outline.
    """
    import cv2

    size = (earlier.shape[1], earlier.shape[0])
    onto = cv2.warpPerspective(
        later, SWAP @ alignment.transform @ SWAP, size, flags=cv2.INTER_NEAREST
    )
    found = {}
    for tooth in np.intersect1d(earlier[earlier > 0], onto[onto > 0]):
        side = gum_side(int(tooth), gum)
        turned = [np.rot90(grid == tooth, TURNS[side]) for grid in (earlier, onto)]
        found[int(tooth)] = _change(turned[0], turned[1], alignment.rms_px)
    return found


def _change(before: Any, after: Any, rms_px: float) -> Measurement:
    """Compare the upper edge of two masks, column by column."""
    shared = np.flatnonzero(before.any(axis=0) & after.any(axis=0))
    trim = int(EDGE * len(shared))
    columns = shared[trim : len(shared) - trim]
    if len(columns) < 8:
        return missing("%", "not_shown")
    tops = [mask[:, columns].argmax(axis=0) for mask in (before, after)]
    # A tooth cut by the photo's edge there shows no gum line.
    if min(int(t.min()) for t in tops) == 0:
        return missing("%", "outside")
    apart = (tops[0] - tops[1]).astype(float)
    height = float(np.median(before[:, columns].sum(axis=0)))
    moved = float(np.median(apart))
    uneven = float(1.4826 * np.median(np.abs(apart - moved)))
    aligned = 0.0 if math.isnan(rms_px) else rms_px / math.sqrt(2)
    sd = math.hypot(aligned / height, uneven / height, math.sqrt(2) * OUTLINE_SD)
    return Measurement(100 * moved / height, 100 * sd, "%")
