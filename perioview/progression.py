"""What changed between visits, and whether it is more than one observer's repeat would show."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from perioview.alignment import Alignment
from perioview.bone_loss import Site
from perioview.marks import Mark, Marks
from perioview.measurement import Measurement, missing

Z95 = 1.96
"""Two-sided 5 % of a normal distribution, as the comparison's definition has it."""
YEAR_DAYS = 365.25
SHORT_DAYS = 90
"""Visits nearer than this are told as a change, not as a year's rate; our convention."""
TOO_FEW = "Nothing can be said yet: it takes two visits on different days."

NO_ERROR_BARS = "Nothing can be said yet: fewer than two visits state an error above 0."


@dataclass(frozen=True, slots=True)
class SiteChange:
    """Later minus earlier at one side of one root; positive is more loss.

    Parameters
    ----------
    tooth, root, side
        Which.
    pct : Measurement
        Change of bone loss, in points of per cent of the root.
    mm : Measurement
        Change of bone loss in mm; NaN where projection differs too much for it.
    detectable : bool or None
        Whether the change in per cent exceeds 1.96 of its SD; None without a percentage.
    flags : tuple of str
        ``geometry_differs``: the root's own length changed more than its marks explain;
        ``reference_differs``: measured from a CEJ mark at one visit, from the CEJ line or along
        another axis at the other; ``bone_level_differs``: to a defect's base at one visit only.
    """

    tooth: int
    root: str
    side: str
    pct: Measurement
    mm: Measurement
    detectable: bool | None
    flags: tuple[str, ...] = ()


def change(earlier: Measurement, later: Measurement) -> Measurement:
    """Later minus earlier, both visits' errors in quadrature; NaN if either is missing."""
    if not (earlier.known and later.known) or earlier.unit != later.unit:
        return missing(later.unit, *dict.fromkeys(earlier.flags + later.flags))
    return Measurement(later.value - earlier.value, math.hypot(earlier.sd, later.sd), later.unit)


def detectable(changed: Measurement) -> bool | None:
    """Whether a change exceeds 1.96 of its standard deviation; None if it is not known."""
    if not changed.known:
        return None
    return round(abs(changed.value) - Z95 * changed.sd, 9) > 0


def site_changes(
    earlier: Iterable[Site], later: Iterable[Site], *, px_ratio: float = 1.0
) -> tuple[SiteChange, ...]:
    """Compare the sites that both visits share, in the order of the later one.

    Parameters
    ----------
    earlier, later : iterable of Site
        Each as `perioview.bone_loss.sites` gives them.
    px_ratio : float
        Pixels of the earlier image to one of the later, for lengths without a scale.

    Returns
    -------
    tuple of SiteChange
    """
    before = {(s.tooth, s.root, s.side): s for s in earlier}
    return tuple(
        _site_change(before[key], site, px_ratio)
        for site in later
        if (key := (site.tooth, site.root, site.side)) in before
    )


_REFERENCE = frozenset({"reference_derived", "axis_from_one_cej"})


def _to_base(site: Site) -> bool:
    """Whether the bone level is a defect's base rather than the crest."""
    return site.infrabony.known or "no_crest" in site.flags


def _site_change(before: Site, after: Site, px_ratio: float) -> SiteChange:
    pct = change(before.bone_loss_pct, after.bone_loss_pct)
    mm = change(before.bone_loss, after.bone_loss)
    if mm.unit != "mm":
        mm = missing("mm", "no_scale")
    flags: tuple[str, ...] = ()
    length = after.root_length
    if length.unit == "px":
        length = Measurement(length.value * px_ratio, length.sd * px_ratio, "px", length.flags)
    if detectable(change(before.root_length, length)):
        flags = ("geometry_differs",)
        mm = missing("mm", "geometry_differs")
    if before.bone_loss.known and after.bone_loss.known:
        if _REFERENCE & {*before.flags} != _REFERENCE & {*after.flags}:
            flags += ("reference_differs",)
        if _to_base(before) != _to_base(after):
            flags += ("bone_level_differs",)
    return SiteChange(after.tooth, after.root, after.side, pct, mm, detectable(pct), flags)


def carried_marks(
    marks: Marks, alignment: Alignment, shape: tuple[int, int]
) -> tuple[tuple[Mark, ...], tuple[Mark, ...]]:
    """Carry the earlier visit's marks to the later image, as proposals to be moved.

    Parameters
    ----------
    marks : Marks
        Of the earlier image.
    alignment : Alignment
        Of the later image onto the earlier.
    shape : tuple of int
        Rows and columns of the later image.

    Returns
    -------
    tuple of (tuple of Mark, tuple of Mark)
        Those that land inside the later image, at their new place, and those that do not, at
        their old one. Ruler marks stay behind: the ruler moved.
    """
    wanted = [m for m in marks if m.landmark != "ruler"]
    if not wanted:
        return (), ()
    landed = alignment.later_from_earlier([(m.row, m.col) for m in wanted])
    inside = [-0.5 <= r <= shape[0] - 0.5 and -0.5 <= c <= shape[1] - 0.5 for r, c in landed]
    moved = [
        replace(m, row=float(r), col=float(c), how="placed")
        for m, (r, c) in zip(wanted, landed, strict=True)
    ]
    kept = tuple(m for m, ok in zip(moved, inside, strict=True) if ok)
    return kept, tuple(m for m, ok in zip(wanted, inside, strict=True) if not ok)


@dataclass(frozen=True, slots=True)
class Progression:
    """Change per year over all visits, and what can be said of it.

    Parameters
    ----------
    per_year : Measurement
        Slope, in the quantity's unit per year.
    low, high : float
        95 % interval of the slope.
    visits : int
        Visits it rests on.
    sentence : str
        The finding in plain words.
    """

    per_year: Measurement
    low: float
    high: float
    visits: int
    sentence: str


def progression(
    dates: Sequence[dt.date], values: Sequence[Measurement], what: str = "Bone loss"
) -> Progression:
    """Fit a straight line over the visits, each weighted by its own uncertainty.

    Parameters
    ----------
    dates : sequence of date
    values : sequence of Measurement
        One per date, in one unit; missing ones are passed over.
    what : str
        What the sentence speaks of.

    Returns
    -------
    Progression
        When the visits scatter more than their SDs explain, the interval widens with them
        (Birge ratio, Student's t; of three visits only when the scatter is beyond 1 chance in
        20), so that real ups and downs are not taken for precision.

    Raises
    ------
    ValueError
        If the lists differ in length or the units differ.
    """
    if len(dates) != len(values):
        raise ValueError(f"{len(dates)} dates for {len(values)} values; give one each.")
    units = {v.unit for v in values}
    if len(units) > 1:
        raise ValueError(f"units {', '.join(sorted(units))} cannot be put on one line.")
    unit = f"{next(iter(units), '%')}/a"
    used = [(d, v) for d, v in zip(dates, values, strict=True) if v.known and v.sd > 0]
    if len({d for d, _ in used}) < 2:
        told = TOO_FEW
        if len({d for d, v in zip(dates, values, strict=True) if v.known}) > 1:
            told = NO_ERROR_BARS
        return Progression(missing(unit, "too_few_visits"), math.nan, math.nan, len(used), told)
    slope, sd, factor = _weighted_slope(used)
    low, high = slope - factor * sd, slope + factor * sd
    per_year = Measurement(slope, sd, unit)
    days = (max(d for d, _ in used) - min(d for d, _ in used)).days
    sentence = _sentence(per_year, (low, high), (len(used), days), what)
    return Progression(per_year, low, high, len(used), sentence)


def rate_of_change(change: Measurement, days: int, what: str = "Bone loss") -> Progression:
    """Change between two visits as a rate, when its SD is known better than the visits' own.

    Parameters
    ----------
    change : Measurement
        Later minus earlier.
    days : int
        Between the visits.
    what : str
        What the sentence speaks of.
    """
    unit = f"{change.unit}/a"
    if days <= 0 or not change.known:
        return Progression(missing(unit, "too_few_visits"), math.nan, math.nan, 0, TOO_FEW)
    years = days / YEAR_DAYS
    per_year = Measurement(change.value / years, change.sd / years, unit)
    low, high = (per_year.value + k * Z95 * per_year.sd for k in (-1, 1))
    return Progression(per_year, low, high, 2, _sentence(per_year, (low, high), (2, days), what))


def _weighted_slope(used: list[tuple[dt.date, Measurement]]) -> tuple[float, float, float]:
    """Slope per year, its SD, and the factor that makes a 95 % interval of it."""
    years = np.array([(d - used[0][0]).days / YEAR_DAYS for d, _ in used])
    level = np.array([v.value for _, v in used])
    weight = 1 / np.array([v.sd for _, v in used]) ** 2
    middle = float((weight * years).sum() / weight.sum())
    spread = float((weight * (years - middle) ** 2).sum())
    slope = float((weight * (years - middle) * level).sum() / spread)
    sd, factor, free = 1 / math.sqrt(spread), Z95, len(used) - 2
    if free >= 1:
        mean = float((weight * level).sum() / weight.sum())
        left = level - mean - slope * (years - middle)
        birge = math.sqrt(float((weight * left**2).sum()) / free)
        # A single degree of freedom makes t so wide that chance alone must not bring it in.
        if birge > (1 if free >= 2 else Z95):
            from scipy.stats import t

            sd, factor = sd * birge, float(t.ppf(0.975, free))
    return slope, sd, factor


def _sentence(
    per_year: Measurement, interval: tuple[float, float], rest: tuple[int, int], what: str
) -> str:
    unit = per_year.unit.removesuffix("/a")
    points = "points" if unit == "%" else unit
    (low, high), (visits, days) = interval, rest
    value, during = per_year.value, "a year"
    told = f"{visits} visits over {days} days"
    if days < SHORT_DAYS:
        # A year's rate from a few days would be a figure that nobody will ever see.
        share = days / YEAR_DAYS
        value, low, high = value * share, low * share, high * share
        during, told = f"in {days} days", f"{visits} visits"
    told = f"95 % interval {low:+.1f} to {high:+.1f}, {told}"
    if low > 0:
        return f"{what} grew by {value:.1f} {points} {during} ({told})."
    if high < 0:
        return f"{what} fell by {-value:.1f} {points} {during} ({told})."
    return f"Nothing can be said yet: the change is within what repeated marking shows ({told})."
