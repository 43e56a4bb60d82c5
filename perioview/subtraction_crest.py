"""How far the crest moved, read directly from an aligned pair."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from perioview.alignment import Alignment
from perioview.measurement import Measurement, missing
from perioview.subtraction import Difference
from perioview.subtraction_margin import (
    BEFORE_MM,
    BEYOND_MM,
    LaterProfile,
    Margin,
    Moved,
    Profile,
    margin,
)

PX_PER_MM = 40.0
WIDE_MM = 0.4
GAP_PX = 3
SEEK_MM = 0.5
FIT_MM = 0.45
SPAN_MM = (-1.0, 3.3)
"""Movements sought; what lies at either end is withheld, since there may be more beyond."""
GRAIN_PX = 3.0
"""Over how many px along the strip noise is one and the same."""
GROWING = 0.03
"""Error that grows with the movement itself, from the design pairs of two generators."""
SETTLED_MM = 2.0
"""Length of bone apical of the margin that tells how well the images lie on each other there."""
LEAST_MM = 0.01
"""Never surer than this: the margin's shape, and depths that no one map lays on each other (the
two-layer jaws err by that much where all else says 0.005)."""
UNKNOWN_RMS_PX = 4.0
"""Error of an alignment by hand that its own points cannot tell, a guess on the safe side."""
Point = tuple[float, float]


def crest_change(
    found: Difference,
    earlier: NDArray[Any],
    alignment: Alignment,
    crest: Point,
    apical: Point,
    away: Point,
    *,
    px_per_mm: float = PX_PER_MM,
) -> Measurement:
    """Distance the bone margin beside a root moved toward the apex between two visits.

    Beside the root the margin is a step from soft tissue up to bone. It is located in the earlier
    image near its mark, and sought in the later one, whose bone apical of it is the earlier
    image's own. Far more sensitive than two marks, but of the margin that shows only.

    Parameters
    ----------
    found : Difference
        Of the aligned pair.
    earlier : ndarray, shape (rows, cols)
        The earlier image, dense bright.
    alignment : Alignment
        What is left of its error, near the margin as far as bone there tells, counts toward the SD.
    crest : (row, col)
        Mark of the crest in the earlier image, px.
    apical, away : (row, col)
        Unit vectors along the root toward its apex, and across, away from the root.
    px_per_mm : float
        Sets how wide and how far to look; need not be exact.

    Returns
    -------
    Measurement
        In px of the earlier image along `apical`; positive is loss. NaN with the flag
        ``no_step`` when no margin stands out, ``outside`` when not both images show it,
        ``beyond_strip`` at the ends of what is sought, ``unclear`` when the later image fits a
        margin badly or at two places.

    References
    ----------
    .. [1] Hildebolt et al. 2009, Oral Surg Oral Med Oral Pathol 108(3):e96-107: least
       significant change 0.49 mm by marking, 0.06 mm by subtraction.
    """
    along, profiles = _profiles(found, earlier, (crest, apical, away), px_per_mm)
    seek, fit = SEEK_MM * px_per_mm, max(8.0, FIT_MM * px_per_mm)
    near = np.abs(along) <= seek + fit
    if not near.any() or not np.isfinite(profiles[:, near]).all():
        return missing("px", "outside")
    old = margin(profiles[0], along, seek, fit)
    if old is None or old.height < 3 * max(old.noise, found.noise_sd / 2, 1e-9):
        return missing("px", "no_step")
    span = _span(old, profiles, along, px_per_mm)
    if span is None:
        return missing("px", "outside")
    known = np.isfinite(profiles).all(axis=0)
    there = moved_margin(
        old, (profiles[0, known], profiles[1, known]), along[known], px_per_mm, span
    )
    ends = (span[0] + 0.1, span[1] - 0.1)
    if not ends[0] < there.by / px_per_mm < ends[1]:
        return missing("px", "beyond_strip")
    if _unclear(there):
        return missing("px", "unclear")
    apart = _apart(profiles[:, known], along[known], old.at + there.by + 3 * old.blur, px_per_mm)
    return Measurement(there.by, _sd(old, there, alignment, (apart, LEAST_MM * px_per_mm)), "px")


def moved_margin(
    old: Margin,
    profiles: tuple[Profile, Profile],
    along: Profile,
    px_per_mm: float,
    span_mm: tuple[float, float],
) -> Moved:
    """Find where an earlier profile's margin lies in the later one.

    Coronal of its new place the later profile is the margin's own flank on soft tissue of any
    level and slope; apical of it, the earlier profile's own bone, perhaps thinner near the margin.
    Bone texture is thus predicted, and soft tissue that went with the bone does no harm.

    Parameters
    ----------
    old : Margin
        Of the earlier profile.
    profiles : tuple of ndarray, shape (n,)
        Earlier and later, grey levels matched.
    along : ndarray of float, shape (n,)
        Where they were read, px.
    px_per_mm : float
    span_mm : tuple of float
        Least and largest movement sought.
    """
    explained = LaterProfile(old, profiles, along, px_per_mm, span_mm[1])
    # Whole px: 'not moved' is among them.
    places = np.arange(math.ceil(span_mm[0] * px_per_mm), span_mm[1] * px_per_mm + 0.5)
    cost = np.array([explained.misfit(float(by))[0] for by in places])
    by = float(places[int(cost.argmin())])
    fine = by + np.linspace(-1, 1, 9)
    near = np.array([explained.misfit(float(b))[0] for b in fine])
    k = int(near.argmin())
    by = float(fine[k])
    if 0 < k < len(fine) - 1:
        bend = near[k - 1] - 2 * near[k] + near[k + 1]
        by += 0.125 * float((near[k - 1] - near[k + 1]) / bend) if bend > 0 else 0.0
    total, found, left = explained.misfit(by)
    inner = np.abs(explained.along - by) <= 20
    apart = np.abs(places - by) > max(6.0, 3 * old.blur)
    dips = np.zeros(len(cost), bool)
    dips[1:-1] = (cost[1:-1] < cost[:-2]) & (cost[1:-1] <= cost[2:])
    rivals = cost[dips & apart]
    count = len(explained.along)
    beside = np.argmin(np.abs(explained.along - by - 2 * old.blur))
    height = float(explained.bone[beside] + found[2] + found[3] - found[0]) - old.soft
    return Moved(
        by,
        total / count,
        float(rivals.min()) / count if len(rivals) else math.inf,
        float(1.4826 * np.median(np.abs(left[inner]))),
        height / old.height,
        explained.steepness(by, found, left),
    )


def _unclear(there: Moved) -> bool:
    """Whether the later profile fits badly, shows no step there, or fits elsewhere as well."""
    return there.bone < 0.2 or there.misfit > 0.6 or there.rival < 1.15 * there.misfit


def _profiles(
    found: Difference, earlier: NDArray[Any], place: tuple[Point, Point, Point], px_per_mm: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Read both images along the strip beside the root, mean of its lanes; NaN where unknown."""
    import cv2

    crest, apical, away = (np.asarray(v, dtype=float) for v in place)
    first = -(SEEK_MM - SPAN_MM[0] + BEFORE_MM) * px_per_mm
    last = (SEEK_MM + SPAN_MM[1] + BEYOND_MM) * px_per_mm
    along = np.arange(math.floor(first), math.ceil(last) + 1, dtype=float)
    lanes = GAP_PX + np.arange(min(40, max(6, round(WIDE_MM * px_per_mm))), dtype=float)
    spots = crest + along[:, None, None] * apical + lanes[None, :, None] * away
    down, across = (np.ascontiguousarray(spots[..., k], dtype=np.float32) for k in (0, 1))

    def read(image: Any) -> NDArray[np.float64]:
        drawn = cv2.remap(
            image.astype(np.float32),
            across,
            down,
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=math.nan,
        )
        return np.asarray(drawn, dtype=float)

    shown = np.nan_to_num(read(found.known)).min(axis=1) >= 1
    both = np.array([read(image).mean(axis=1) for image in (earlier, found.later)])
    return along, np.where(shown, both, math.nan)


def _span(
    old: Margin, profiles: NDArray[np.float64], along: NDArray[np.float64], px_per_mm: float
) -> tuple[float, float] | None:
    """Movements that the known part of the strip can tell, in mm; None when too short."""
    known = np.isfinite(profiles).all(axis=0)
    unknown = along[~known] - old.at
    before = unknown[unknown < 0].max(initial=-math.inf) / px_per_mm
    beyond = unknown[unknown > 0].min(initial=math.inf) / px_per_mm
    low, high = max(SPAN_MM[0], before + BEFORE_MM / 2), min(SPAN_MM[1], beyond - BEYOND_MM)
    return (low, high) if low < -0.1 and high > 0.3 else None


def _apart(
    profiles: NDArray[np.float64], along: NDArray[np.float64], start: float, px_per_mm: float
) -> float:
    """Error of the alignment here, px along the root, from the bone that did not change.

    The shift that best explains what differs in the bone apical of the margin, and the SD of that
    shift; infinite where there is too little bone to tell.
    """
    part = (along >= start) & (along <= start + SETTLED_MM * px_per_mm)
    if part.sum() < 12:
        return math.inf
    earlier, later = profiles[:, part]
    steep = np.gradient(earlier)
    place = np.linspace(-1, 1, len(steep))
    design = np.column_stack([steep, np.ones_like(place), place])
    found, *_ = np.linalg.lstsq(design, earlier - later, rcond=None)
    left = earlier - later - design @ found
    spread = 1.4826 * float(np.median(np.abs(left)))
    energy = float(((steep - steep.mean()) ** 2).sum())
    if energy <= 0:
        return math.inf
    return math.hypot(float(found[0]), spread * math.sqrt(GRAIN_PX / energy))


def _sd(
    old: Margin, there: Moved, alignment: Alignment, apart_and_least: tuple[float, float]
) -> float:
    """Noise of the step's place, alignment, and what grows with the movement; px."""
    # Where level and slope of soft tissue could do the same, a long flank tells little of place.
    noise = there.noise * math.sqrt(GRAIN_PX / max(there.steepness, 1e-9 * old.height**2))
    rms = UNKNOWN_RMS_PX if math.isnan(alignment.rms_px) else alignment.rms_px
    apart, least = apart_and_least
    return math.hypot(noise, min(rms / math.sqrt(2), apart), GROWING * there.by, least)
