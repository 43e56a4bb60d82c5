"""How well an observer repeats marks and measurements: the error bars' own source."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from perioview.bone_loss import sites
from perioview.calibration import Calibration
from perioview.marks import LANDMARKS, Key, Marks, key

Z95 = 1.96


@dataclass(frozen=True, slots=True)
class LandmarkSd:
    """Repeatability of one kind of landmark, one SD of one mark along either axis.

    Parameters
    ----------
    landmark : str
    n : int
        Marks that were repeated.
    sd_px : float
        In column pixels.
    sd_mm : float
        NaN without a scale.
    low_px, high_px : float
        95 % interval of `sd_px`.
    """

    landmark: str
    n: int
    sd_px: float
    sd_mm: float
    low_px: float
    high_px: float


def landmark_sds(
    repeats: Sequence[Marks], pitch: tuple[float, float], *, scaled: bool
) -> tuple[LandmarkSd, ...]:
    """Pool, for each kind of landmark, the scatter of its repeated marks about their means.

    Parameters
    ----------
    repeats : sequence of Marks
        Markings of one image, at least two.
    pitch : tuple of float
        Row and column pitch: mm with a scale, else (row over column, 1).
    scaled : bool
        Whether `pitch` is in mm.

    Returns
    -------
    tuple of LandmarkSd
        In the usual order of landmarks; those never repeated are left out. Rulers too: their
        scatter is given in pixels as well, but they lie on an object, not on the tooth.
    """
    places: dict[Key, list[tuple[float, float]]] = {}
    for marks in repeats:
        for mark in marks:
            places.setdefault(key(mark), []).append((mark.row * pitch[0], mark.col * pitch[1]))
    kind = {key(mark): mark.landmark for marks in repeats for mark in marks}
    found = []
    for landmark in LANDMARKS:
        groups = [np.array(at) for k, at in places.items() if kind[k] == landmark and len(at) > 1]
        if groups:
            found.append(_pooled(landmark, groups, pitch[1], scaled))
    return tuple(found)


def _pooled(
    landmark: str, groups: list[NDArray[np.float64]], col_pitch: float, scaled: bool
) -> LandmarkSd:
    from scipy.stats import chi2

    squares = sum(float(((g - g.mean(axis=0)) ** 2).sum()) for g in groups)
    free = 2 * sum(len(g) - 1 for g in groups)
    sd = math.sqrt(squares / free)
    low, high = (math.sqrt(free / float(chi2.ppf(p, free))) for p in (0.975, 0.025))
    px = sd / col_pitch
    return LandmarkSd(landmark, len(groups), px, sd if scaled else math.nan, low * px, high * px)


def dahlberg(first: ArrayLike, second: ArrayLike) -> float:
    """Error of one measurement from pairs of repeats: sqrt(sum of d squared / 2n).

    References
    ----------
    .. [1] Dahlberg 1940, Statistical Methods for Medical and Biological Students.
    """
    apart = np.asarray(first, dtype=float) - np.asarray(second, dtype=float)
    return float(np.sqrt((apart**2).sum() / (2 * apart.size)))


def within_sd(table: ArrayLike) -> float:
    """Standard deviation of repeats of the same subject, pooled over subjects.

    Parameters
    ----------
    table : array_like of float, shape (subjects, repeats)
        NaN where a repeat is missing.

    References
    ----------
    .. [1] Bland and Altman 1996, Statistics notes: measurement error, BMJ 313:744.
    """
    values = np.asarray(table, dtype=float)
    count = np.isfinite(values).sum(axis=1)
    rows = values[count > 1]
    if not len(rows):
        return math.nan
    left = rows - np.nanmean(rows, axis=1, keepdims=True)
    return float(np.sqrt(np.nansum(left**2) / (count[count > 1] - 1).sum()))


def smallest_detectable_change(sd: float) -> float:
    """Change between two single measurements that repeats exceed 1 time in 20: 2.77 SD."""
    return Z95 * math.sqrt(2) * sd


@dataclass(frozen=True, slots=True)
class Agreement:
    """A coefficient of agreement with its 95 % interval; NaN where undefined."""

    value: float
    low: float
    high: float


def _mean_squares(values: NDArray[np.float64]) -> tuple[float, float, float, float]:
    """Two-way analysis of variance: between subjects, between raters, residual, within."""
    n, k = values.shape
    grand = values.mean()
    rows = k * float(((values.mean(axis=1) - grand) ** 2).sum())
    cols = n * float(((values.mean(axis=0) - grand) ** 2).sum())
    total = float(((values - grand) ** 2).sum())
    error = max(total - rows - cols, 0.0)
    free = (n - 1) * (k - 1)
    return rows / (n - 1), cols / (k - 1), error / free, (total - rows) / (n * (k - 1))


def icc(table: ArrayLike) -> Agreement:
    """Intraclass correlation for absolute agreement of single measurements, ICC(2,1).

    Two-way random effects: subjects and repeats (or observers) are samples of many.

    Parameters
    ----------
    table : array_like of float, shape (subjects, repeats)
        Rows with a missing value are left out.

    References
    ----------
    .. [1] Shrout and Fleiss 1979, Psychological Bulletin 86:420-428.
    .. [2] McGraw and Wong 1996, Psychological Methods 1:30-46, for the interval, ICC(A,1).
    """
    values = np.asarray(table, dtype=float)
    values = values[np.isfinite(values).all(axis=1)]
    n, k = values.shape
    if n < 2 or k < 2:
        return Agreement(math.nan, math.nan, math.nan)
    rows, cols, error, _ = _mean_squares(values)
    below = rows + (k - 1) * error + k * (cols - error) / n
    if below <= 1e-12 * max(1.0, float(np.abs(values).max())) ** 2:
        return Agreement(math.nan, math.nan, math.nan)
    value = (rows - error) / below
    if error <= 1e-12 * rows and cols <= 1e-12 * rows:
        return Agreement(value, value, value)
    low, high = _icc_interval(value, (rows, cols, error), n, k)
    return Agreement(value, low, high)


def _icc_interval(
    value: float, squares: tuple[float, float, float], n: int, k: int
) -> tuple[float, float]:
    from scipy.stats import f

    rows, cols, error = squares
    if error <= 0 or value >= 1:
        return math.nan, math.nan
    a = k * value / (n * (1 - value))
    b = 1 + k * value * (n - 1) / (n * (1 - value))
    free = (a * cols + b * error) ** 2 / (
        (a * cols) ** 2 / (k - 1) + (b * error) ** 2 / ((n - 1) * (k - 1))
    )
    upper, lower = float(f.ppf(0.975, n - 1, free)), float(f.ppf(0.975, free, n - 1))
    rest = k * cols + (k * n - k - n) * error
    low = n * (rows - upper * error) / (upper * rest + n * rows)
    high = n * (lower * rows - error) / (rest + n * lower * rows)
    return low, high


@dataclass(frozen=True, slots=True)
class Limits:
    """Mean difference and the limits that hold 95 % of the differences."""

    bias: float
    low: float
    high: float


def limits_of_agreement(first: ArrayLike, second: ArrayLike) -> Limits:
    """Bias and 95 % limits of agreement, second minus first.

    References
    ----------
    .. [1] Bland and Altman 1986, Lancet 327:307-310.
    """
    apart = np.asarray(second, dtype=float) - np.asarray(first, dtype=float)
    apart = apart[np.isfinite(apart)]
    if len(apart) < 2:
        return Limits(math.nan, math.nan, math.nan)
    bias, sd = float(apart.mean()), float(apart.std(ddof=1))
    return Limits(bias, bias - Z95 * sd, bias + Z95 * sd)


@dataclass(frozen=True, slots=True)
class Repeatability:
    """What repeated marking of one image says of bone loss in per cent.

    Parameters
    ----------
    n, repeats : int
        Sites measured at least twice, and markings.
    dahlberg, within_sd, smallest_detectable_change : float
        In points of per cent of the root.
    icc : Agreement
        ICC(2,1) over the sites measured every time.
    limits : Limits
        Each later marking minus the first.
    """

    n: int
    repeats: int
    dahlberg: float
    within_sd: float
    smallest_detectable_change: float
    icc: Agreement
    limits: Limits


def repeatability(markings: Sequence[Mapping[object, float]]) -> Repeatability:
    """Judge repeated measurements of the same sites.

    Parameters
    ----------
    markings : sequence of mapping
        One per marking, from any key of a site to its bone loss in per cent; NaN or absent
        where it was not measured.

    Returns
    -------
    Repeatability
        NaN where there are too few sites. Dahlberg's error takes all pairs of repeats.
    """
    keys = list(dict.fromkeys(k for one in markings for k in one))
    table = np.array([[one.get(k, math.nan) for one in markings] for k in keys], dtype=float)
    table = table.reshape(len(keys), len(markings))
    table = table[np.isfinite(table).sum(axis=1) > 1]
    if not len(table):
        nothing = math.nan
        none = Agreement(nothing, nothing, nothing)
        return Repeatability(
            0, len(markings), nothing, nothing, nothing, none, Limits(nothing, nothing, nothing)
        )
    left, right = (table[:, i] for i in np.triu_indices(table.shape[1], 1))
    both = np.isfinite(left) & np.isfinite(right)
    sd = within_sd(table)
    later = table[:, 1:]
    first = np.repeat(table[:, :1], later.shape[1], axis=1)
    return Repeatability(
        n=len(table),
        repeats=len(markings),
        dahlberg=dahlberg(left[both], right[both]),
        within_sd=sd,
        smallest_detectable_change=smallest_detectable_change(sd),
        icc=icc(table),
        limits=limits_of_agreement(first.ravel(), later.ravel()),
    )


@dataclass(frozen=True, slots=True)
class Repeats:
    """Repeated markings of one image, judged.

    Parameters
    ----------
    landmarks : tuple of LandmarkSd
    sites : tuple of dict
        One per marking, bone loss in per cent by (tooth, root, side).
    judged : Repeatability
    """

    landmarks: tuple[LandmarkSd, ...]
    sites: tuple[dict[object, float], ...]
    judged: Repeatability


def judged_repeats(repeats: Sequence[Marks], scale: Calibration) -> Repeats:
    """Judge repeated markings of one image: of the marks, and of the bone loss they give.

    Parameters
    ----------
    repeats : sequence of Marks
        At least two.
    scale : Calibration
    """
    measured: tuple[dict[object, float], ...] = tuple(
        {
            (s.tooth, s.root, s.side): s.bone_loss_pct.value
            for s in sites(marks, scale)
            if s.bone_loss_pct.known
        }
        for marks in repeats
    )
    landmarks = landmark_sds(repeats, scale.pitch, scaled=scale.scaled)
    return Repeats(landmarks, measured, repeatability(measured))
