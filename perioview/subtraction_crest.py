"""How far the crest moved, read directly from an aligned pair."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from perioview.alignment import Alignment
from perioview.measurement import Measurement, missing
from perioview.subtraction import Difference

WIDE_PX = 24
GAP_PX = 3
SEEK_PX = 14
LEVEL_PX = 12
OFF_PX = 4
GRAIN_PX = 6
CONTROLS = 400
FAR_PX = 120
# Share of the step by which the two ends of a strip may differ where nothing changed.
UNEVEN = 0.3
Point = tuple[float, float]


def crest_change(
    found: Difference,
    earlier: NDArray[Any],
    alignment: Alignment,
    crest: Point,
    apical: Point,
    away: Point,
    *,
    wide_px: int = WIDE_PX,
    seed: int = 0,
) -> Measurement:
    """Distance the crest moved toward the apex, from what bone vanished between two visits.

    The strip beside the root loses, along its length, bone's level for soft tissue's: the
    missing grey divided by that step is the length lost. Far more sensitive than two marks,
    but of the crest's sharp margin only.

    Parameters
    ----------
    found : Difference
        Of the aligned pair.
    earlier : ndarray, shape (rows, cols)
        The earlier image, dense bright.
    alignment : Alignment
        What is left of its error counts fully toward the SD.
    crest : (row, col)
        Mark of the crest in the earlier image, px.
    apical, away : (row, col)
        Unit vectors along the root toward its apex, and across, away from the root.
    wide_px : int
        Width of the strip beside the root.
    seed : int
        Of the unchanged strips that the noise is measured on.

    Returns
    -------
    Measurement
        In px of the earlier image along `apical`; positive is loss. NaN with the flag
        ``no_step`` when no crest margin stands out, ``outside`` when not both images show it,
        ``beyond_strip`` when the change runs on farther than can be read.

    References
    ----------
    .. [1] Hildebolt et al. 2009, Oral Surg Oral Med Oral Pathol 108(3):e96-107: least
       significant change 0.49 mm by marking, 0.06 mm by subtraction.
    """
    along, across = (np.asarray(v, dtype=float) for v in (apical, away))
    step, height, level_sd = _step(earlier, np.asarray(crest), along, across, wide_px)
    if not np.isfinite(step):
        return missing("px", "outside")
    if height < 3 * max(level_sd, 1e-9):
        return missing("px", "no_step")
    at = np.asarray(crest) + step * along
    moved, reach = math.nan, 14
    for _ in range(5):
        lost, uneven = _lost(found, at, along, across, wide_px, reach)
        if not math.isfinite(lost):
            return missing("px", "outside")
        moved = lost / height
        wanted = int(min(FAR_PX, max(14, 2 * abs(moved) + 8)))
        # Unlike ends: the change runs on beyond the strip, so there is no zero to reckon from.
        if abs(uneven) > UNEVEN * height:
            wanted = min(FAR_PX, 2 * reach)
        if wanted <= reach:
            break
        reach = wanted
    if abs(uneven) > UNEVEN * height:
        return missing("px", "beyond_strip")
    noise = _control_sd(found, at, along, across, (wide_px, reach), seed) / height
    align = 0.0 if math.isnan(alignment.rms_px) else alignment.rms_px / math.sqrt(2)
    return Measurement(moved, math.hypot(noise, align, moved * level_sd / height), "px")


def _strip(
    image: Any, at: Any, along: Any, across: Any, wide_px: int, reach: int
) -> NDArray[np.float64]:
    """Read a strip, lanes by column; shape (2 reach + 1, wide_px)."""
    import cv2

    s = np.arange(-reach, reach + 1)[:, None, None]
    t = GAP_PX + np.arange(wide_px)[None, :, None]
    spots = at + s * along + t * across
    read = cv2.remap(
        image.astype(np.float32),
        np.ascontiguousarray(spots[..., 1], dtype=np.float32),
        np.ascontiguousarray(spots[..., 0], dtype=np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=math.nan,
    )
    return np.asarray(read, dtype=float)


def _step(
    earlier: Any, crest: Any, along: Any, across: Any, wide_px: int
) -> tuple[float, float, float]:
    """Find the margin near the mark: its offset along the root, height and the height's SD."""
    reach = SEEK_PX + LEVEL_PX + OFF_PX
    strip = _strip(earlier, crest, along, across, wide_px, reach)
    profile = strip.mean(axis=1)
    if not np.isfinite(profile).all():
        return math.nan, math.nan, math.nan
    spots = np.arange(-SEEK_PX, SEEK_PX + 1)
    rise = np.array(
        [
            profile[reach + s : reach + s + LEVEL_PX].mean()
            - profile[reach + s - LEVEL_PX : reach + s].mean()
            for s in spots
        ]
    )
    margin = int(spots[int(rise.argmax())])
    # The margin slopes across the strip: take the two levels a little away from it.
    bone = strip[reach + margin + OFF_PX :][:LEVEL_PX].mean(axis=0)
    soft = strip[: reach + margin - OFF_PX][-LEVEL_PX:].mean(axis=0)
    height, sd = float((bone - soft).mean()), float((bone - soft).std())
    return float(margin), height, sd / math.sqrt(wide_px / GRAIN_PX)


def _lost(
    found: Difference, at: Any, along: Any, across: Any, wide_px: int, reach: int
) -> tuple[float, float]:
    """Grey lost along the strip, mean of its lanes, and by how much its ends differ.

    The strip's far ends set the zero.
    """
    ends = 12
    strip = _strip(found.change, at, along, across, wide_px, reach + ends)
    known = _strip(found.known.astype(np.float32), at, along, across, wide_px, reach + ends)
    if not np.isfinite(strip).all() or known.min() < 1:
        return math.nan, math.nan
    profile = strip.mean(axis=1)
    near, far = profile[:ends], profile[-ends:]
    zero = np.median(np.concatenate([near, far]))
    uneven = float(np.median(near) - np.median(far))
    return float(-(profile[ends:-ends] - zero).sum()), uneven


def _control_sd(
    found: Difference, at: Any, along: Any, across: Any, size: tuple[int, int], seed: int
) -> float:
    """Spread of the same reading on strips near by where nothing is expected to have changed."""
    rng = np.random.default_rng(seed)
    rows, cols = found.change.shape
    far = max(250.0, 0.2 * max(rows, cols))
    read = []
    for shift in rng.uniform(-far, far, (CONTROLS, 2)):
        if np.hypot(*shift) < 2 * size[1] + size[0]:
            continue
        spot = at + shift
        if not (0 <= spot[0] < rows and 0 <= spot[1] < cols):
            continue
        lost, _ = _lost(found, spot, along, across, *size)
        if math.isfinite(lost):
            read.append(lost)
    if len(read) < 20:
        return math.inf
    return float(1.4826 * np.median(np.abs(np.array(read) - np.median(read))))
