"""The bone margin in a grey profile beside a root: where it steps up, and where it went."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Profile = NDArray[np.float64]

WIDTHS = (1.5, 2.5, 4.0, 6.0)
"""Blur of a margin that is tried, one SD in px: sharpness of the film and the margin's slope."""
OUTLIER = 0.12
"""Misfit, as a share of the step, from which a sample counts for less: gum, struts, neighbours."""
BEFORE_MM = 0.45
"""Soft tissue looked at coronal of the margin; the gum's own edge lies farther away."""
BEYOND_MM = 0.4
"""Bone asked for apical of the last place a margin is sought at."""
THINNED, THINNED_MM = 0.5, 1.5
"""How much thinner, as a share of the step, bone may have become at a margin that moved (one SD),
and over which depth that fades: a margin is a wedge, and the wedge moves with it."""


@dataclass(frozen=True, slots=True)
class Margin:
    """A step from soft tissue to bone in a profile.

    Parameters
    ----------
    at : float
        Where along the profile, px.
    blur : float
        One SD of its transition, px.
    height : float
        Grey levels from soft tissue to bone.
    soft, slope : float
        Level of soft tissue at the margin, and its slope per px coronal of it.
    noise : float
        Spread of the profile about the fit.
    """

    at: float
    blur: float
    height: float
    soft: float
    slope: float
    noise: float


@dataclass(frozen=True, slots=True)
class Moved:
    """Where the margin of one profile lies in a later one.

    Parameters
    ----------
    by : float
        px along the profile; positive is apical.
    misfit, rival : float
        Misfit at the best place and at the next best that lies apart from it, per sample.
    noise : float
        Spread of the later profile about the fit, grey levels.
    bone : float
        Height of the step at the new place, as a share of the old one.
    """

    by: float
    misfit: float
    rival: float
    noise: float
    bone: float


def _rising(along: Profile, blur: float) -> Profile:
    from scipy.special import ndtr

    return np.asarray(ndtr(along / blur))


def _step_fit(profile: Profile, along: Profile, blur: float) -> tuple[Any, Profile]:
    """Fit a blurred step with a straight slope on either side; coefficients and what is left."""
    design = np.column_stack(
        [
            np.ones_like(along),
            np.minimum(along, 0),
            np.maximum(along, 0),
            _rising(along, blur),
        ]
    )
    found, *_ = np.linalg.lstsq(design, profile, rcond=None)
    return found, profile - design @ found


def margin(profile: Profile, along: Profile, seek_px: float, reach_px: float) -> Margin | None:
    """Find the clearest step up within `seek_px` of 0; None when nothing rises there.

    Parameters
    ----------
    profile, along : ndarray of float, shape (n,)
        Grey levels, and where they were read, in px.
    seek_px : float
        How far from 0 the margin may lie.
    reach_px : float
        How far on either side of it the profile is fitted.
    """
    from scipy.optimize import least_squares

    best, most = None, 0.0
    for at in np.arange(-seek_px, seek_px + 0.5):
        near = np.abs(along - at) <= reach_px
        part = profile[near]
        if len(part) < reach_px or not np.isfinite(part).all():
            continue
        # A mark is seldom a whole seek away from what it marks.
        likely = math.exp(-((at / seek_px) ** 2))
        for blur in (b for b in WIDTHS if b <= reach_px / 4 + 0.5):
            found, left = _step_fit(part, along[near] - at, blur)
            height = float(found[3])
            # Wide steps and steep slopes can cancel each other: no step rises beyond the profile.
            if not 0 < height < 1.3 * float(np.ptp(part)):
                continue
            spread = math.hypot(float(np.std(left)), 0.02 * height, 1e-9)
            if likely * height**1.5 / spread > most:
                best, most = (float(at), blur), likely * height**1.5 / spread
    if best is None:
        return None
    near = np.abs(along - best[0]) <= reach_px
    part, where = profile[near], along[near]

    def left_over(guess: Any) -> Any:
        return _step_fit(part, where - guess[0], math.exp(guess[1]))[1]

    low, high = (best[0] - 3, math.log(0.8)), (best[0] + 3, math.log(max(2.0, reach_px / 4 + 1)))
    refined = least_squares(left_over, (best[0], math.log(best[1])), bounds=(low, high)).x
    at, blur = float(refined[0]), math.exp(float(refined[1]))
    found, left = _step_fit(part, where - at, blur)
    return Margin(at, blur, float(found[3]), float(found[0]), float(found[1]), float(np.std(left)))


class _Later:
    """The later profile explained by the earlier one with its margin moved."""

    def __init__(
        self,
        old: Margin,
        profiles: tuple[Profile, Profile],
        along: Profile,
        px_per_mm: float,
        most_mm: float,
    ) -> None:
        earlier, later = profiles
        from_margin = along - old.at
        rising = _rising(from_margin, old.blur)
        soft = old.soft + old.slope * np.minimum(from_margin, 0)
        # The bone alone, as it would go on coronally had it not ended.
        inside = rising > 0.5
        bone = np.where(inside, (earlier - soft * (1 - rising)) / np.maximum(rising, 0.5), 0.0)
        first = int(np.flatnonzero(inside)[0])
        bone[:first] = bone[first : first + 4].mean()
        used = (from_margin >= -BEFORE_MM * px_per_mm) & (
            from_margin <= (most_mm + BEYOND_MM) * px_per_mm
        )
        self.along, self.later, self.bone = from_margin[used], later[used], bone[used]
        self.old, self.px_per_mm = old, px_per_mm
        self.scale = OUTLIER * old.height
        step = old.height
        self.prior = np.diag(
            [
                1e-12,
                (self.scale / (1.5 * step)) ** 2,
                (self.scale / (0.08 * step)) ** 2,
                (self.scale / (THINNED * step)) ** 2,
            ]
        )

    def misfit(self, by: float) -> tuple[float, Any, Profile]:
        """Misfit with the margin moved by so much: in all, coefficients, and what is left."""
        rising = _rising(self.along - by, self.old.blur)
        depth = (self.along - by) / self.px_per_mm
        design = np.column_stack(
            [
                1 - rising,
                (1 - rising) * depth,
                rising,
                rising * np.exp(-np.maximum(depth, 0) / THINNED_MM),
            ]
        )
        wanted = self.later - rising * self.bone
        weight: Any = np.ones(len(wanted))
        found = np.zeros(4)
        left: Any = wanted
        for _ in range(6):
            weighted = design * weight[:, None]
            found = np.linalg.solve(weighted.T @ design + self.prior, weighted.T @ wanted)
            left = wanted - design @ found
            weight = 1 / (1 + (left / self.scale) ** 2) ** 2
        share = (left / self.scale) ** 2
        total = float((share / (1 + share)).sum() + found @ self.prior @ found / self.scale**2)
        return total, found, left


def moved_margin(
    old: Margin,
    profiles: tuple[Profile, Profile],
    along: Profile,
    px_per_mm: float,
    span_mm: tuple[float, float],
) -> Moved:
    """Find where an earlier profile's margin lies in the later one.

    Coronal of its new place the later profile is soft tissue, a straight line of any level;
    apical of it, the earlier profile's own bone, perhaps thinner near the margin. Bone texture is
    thus predicted, not averaged away, and soft tissue that went with the bone does no harm.

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
    explained = _Later(old, profiles, along, px_per_mm, span_mm[1])
    places = np.arange(span_mm[0] * px_per_mm, span_mm[1] * px_per_mm + 0.5)
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
    height = float(explained.bone[beside] + found[2] + found[3] - found[0])
    return Moved(
        by,
        total / count,
        float(rivals.min()) / count if len(rivals) else math.inf,
        float(1.4826 * np.median(np.abs(left[inner]))),
        height / old.height,
    )
