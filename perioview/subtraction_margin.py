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
    steepness : float
        Sum of squares of what 1 px of movement changes in the profile and nothing else could.
    """

    by: float
    misfit: float
    rival: float
    noise: float
    bone: float
    steepness: float


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


class LaterProfile:
    """The later profile explained by the earlier one with its margin moved.

    Not moved, the earlier profile explains itself without a remainder: else any other place that
    happened to fit its margin's shape better would be read as a movement. A margin is no ideal
    step; what the step leaves of the earlier profile coronal of it goes with the margin where it
    is as coarse as the margin's own blur, and stays where it is finer: other bone, grain.
    """

    def __init__(
        self,
        old: Margin,
        profiles: tuple[Profile, Profile],
        along: Profile,
        px_per_mm: float,
        most_mm: float,
    ) -> None:
        from scipy.ndimage import gaussian_filter1d

        earlier, later = profiles
        from_margin = along - old.at
        rising = _rising(from_margin, old.blur)
        soft = (old.soft + old.slope * from_margin) * (1 - rising)
        # The bone alone, as it would go on coronally had it not ended.
        inside = rising > 0.5
        bone = np.where(inside, (earlier - soft) / np.maximum(rising, 0.5), 0.0)
        first = int(np.flatnonzero(inside)[0])
        bone[:first] = bone[first : first + 4].mean()
        used = (from_margin >= -BEFORE_MM * px_per_mm) & (
            from_margin <= (most_mm + BEYOND_MM) * px_per_mm
        )
        self.along, self.later, self.bone = from_margin[used], later[used], bone[used]
        shape = (earlier - soft - rising * bone)[used]
        self.goes = gaussian_filter1d(shape, old.blur, mode="nearest")
        self.stays = shape - self.goes
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

    def _drawn(self, by: float) -> tuple[Profile, Any]:
        """The earlier profile with its margin moved by so much, and what may differ besides."""
        apical = self.along - by
        rising, depth = _rising(apical, self.old.blur), apical / self.px_per_mm
        drawn = (self.old.soft + self.old.slope * apical) * (1 - rising) + rising * self.bone
        drawn += np.interp(apical, self.along, self.goes) + self.stays
        thinned = rising * np.exp(-np.maximum(depth, 0) / THINNED_MM)
        return drawn, np.column_stack([1 - rising, (1 - rising) * depth, rising, thinned])

    def _weight(self, left: Profile) -> Any:
        return 1 / (1 + (left / self.scale) ** 2) ** 2

    def misfit(self, by: float) -> tuple[float, Any, Profile]:
        """Misfit with the margin moved by so much: in all, coefficients, and what is left."""
        drawn, design = self._drawn(by)
        wanted = self.later - drawn
        found, left, weight = np.zeros(4), wanted, np.ones(len(wanted))
        for _ in range(6):
            weighted = design * weight[:, None]
            found = np.linalg.solve(weighted.T @ design + self.prior, weighted.T @ wanted)
            left = wanted - design @ found
            weight = self._weight(left)
        share = (left / self.scale) ** 2
        total = float((share / (1 + share)).sum() + found @ self.prior @ found / self.scale**2)
        return total, found, left

    def steepness(self, by: float, found: Any, left: Profile) -> float:
        """Sum of squares of what 1 px of movement changes and no other coefficient could."""
        ahead, behind = (d + c @ found for d, c in map(self._drawn, (by + 0.5, by - 0.5)))
        step, design = ahead - behind, self._drawn(by)[1]
        weighted = design * self._weight(left)[:, None]
        alike = np.linalg.solve(weighted.T @ design + self.prior, weighted.T @ step)
        return float(self._weight(left) @ (step * (step - design @ alike)))
