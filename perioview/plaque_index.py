"""Plaque scores: published bands as rows of data, the index, and reduction between groups."""

from __future__ import annotations

import math
import tomllib
from bisect import bisect_right
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

from perioview.errors import InputRefused
from perioview.measurement import Measurement


@cache
def plaque_rules() -> Mapping[str, Any]:
    """Read the conventions and published bands of `data/plaque.toml`, each with its source."""
    path = resources.files("perioview").joinpath("data/plaque.toml")
    return tomllib.loads(path.read_text(encoding="utf-8"))


def coverage_class(coverage_pct: float) -> int:
    """Class 0 to 4 of the share of a surface that is stained.

    Parameters
    ----------
    coverage_pct : float
        0 to 100, in percent.

    Raises
    ------
    InputRefused
        If it is no percentage.

    References
    ----------
    .. [1] Logan & Boyce 1994, J Vet Dent 11(2):58-63; bands from Lindinger 2016, Table 2.
    """
    if not 0 <= coverage_pct <= 100:
        raise InputRefused(f"Coverage is {coverage_pct} %; give a percentage from 0 to 100.")
    return _class(coverage_pct, plaque_rules()["coverage_class"]["lower_pct"])


def intensity_class(density: float) -> int:
    """Class 0 to 3 (none, light, medium, heavy) of the stain's mean density.

    Parameters
    ----------
    density : float
        Mean optical density of the stained pixels, log10; 0 when nothing is stained.
    """
    return _class(density, plaque_rules()["intensity_class"]["lower_density"])


def _class(value: float, lower: list[float]) -> int:
    value = round(value, 9)
    return 0 if value <= 0 else bisect_right(lower, value)


def half_score(coverage_pct: float, thickness: int) -> int:
    """Score of one half: coverage class times stain intensity class (0 to 12).

    Parameters
    ----------
    coverage_pct : float
        Stained share of that half, in percent.
    thickness : int
        Stain intensity class, 0 to 3.
    """
    if thickness not in (0, 1, 2, 3):
        raise InputRefused(f"Stain intensity class is {thickness}; give 0, 1, 2 or 3.")
    return coverage_class(coverage_pct) * thickness


def turesky_band(
    coverage: float, *, margin_share: float, band_mm: float | None = None
) -> str | None:
    """Turesky band of a surface; "2-3" where a millimetre scale would be needed to tell.

    Parameters
    ----------
    coverage : float
        Stained share of the surface, 0 to 1.
    margin_share : float
        Share of the gingival margin's length that is stained, 0 to 1.
    band_mm : float, optional
        Height of the band at the margin, in mm.

    Returns
    -------
    str or None
        "0", "1", "2", "2-3", "3", "4" or "5"; None for an unknown coverage.

    References
    ----------
    .. [1] Turesky, Gilmore & Glickman 1970, J Periodontol 41:41-43.
    """
    rule = plaque_rules()["turesky"]
    if math.isnan(coverage):
        return None
    if coverage <= 0:
        return "0"
    above = bisect_right(rule["third"], round(coverage, 9) + 1e-9)
    if above:
        return "4" if above == 1 else "5"
    if margin_share < rule["continuous_share"]:
        return "1"
    if band_mm is None:
        return "2-3"
    return "2" if band_mm <= rule["thin_band_mm"] else "3"


def index_teeth(species: str) -> tuple[int, ...]:
    """Teeth that trials of that species score.

    Raises
    ------
    InputRefused
        For a species without a list.
    """
    rows = plaque_rules()["index_teeth"]
    if species not in rows:
        raise InputRefused(f"No index teeth for species '{species}'; give dog or cat.")
    return tuple(rows[species]["teeth"])


def mouth_index(scores: Mapping[int, float], teeth: Iterable[int] | None = None) -> float:
    """Mean of the tooth scores; a missing tooth counts neither way.

    Parameters
    ----------
    scores : mapping of int to float
        Score by tooth; NaN where it could not be scored.
    teeth : iterable of int, optional
        Teeth that count; all that were scored when left out.

    Returns
    -------
    float
        NaN without a scored tooth.
    """
    chosen = scores.keys() if teeth is None else set(teeth) & scores.keys()
    known = [scores[tooth] for tooth in chosen if math.isfinite(scores[tooth])]
    return sum(known) / len(known) if known else math.nan


def mouth_turesky(bands: Iterable[str | None]) -> tuple[float, float]:
    """Mean Turesky band of a mouth: the least and the most it can be.

    Parameters
    ----------
    bands : iterable of str or None
        Of the surfaces scored, as `turesky_band` gives them; "2-3" counts as either.

    Returns
    -------
    tuple of float
        Equal when every band is settled; NaN without a scored surface.

    References
    ----------
    .. [1] Turesky, Gilmore & Glickman 1970, J Periodontol 41:41-43: sum over surfaces scored.
    """
    known = [[int(part) for part in band.split("-")] for band in bands if band is not None]
    if not known:
        return math.nan, math.nan
    low, high = (sum(pick(band) for band in known) / len(known) for pick in (min, max))
    return low, high


@dataclass(frozen=True, slots=True)
class Reduction:
    """How much less plaque one group or visit has than another, with the public trial limits."""

    percent: Measurement
    reaches_mean_limit: bool
    reaches_each_limit: bool
    source: str


def percent_reduction(control: Iterable[float], test: Iterable[float]) -> Reduction:
    """Reduction of the mean score of `test` under that of `control`, in percent.

    Parameters
    ----------
    control, test : iterable of float
        Mouth scores of each group or visit; a single mean each will do (no SD then).

    Returns
    -------
    Reduction
        The SD is first-order, of the two means, groups independent.

    Raises
    ------
    InputRefused
        If a group is empty, holds what is no score, or the control mean is not positive.

    References
    ----------
    .. [1] Veterinary Oral Health Council, trial protocol.
    """
    groups = {"control": tuple(map(float, control)), "test": tuple(map(float, test))}
    faults = [
        f"The {name} group is {list(group)}; give finite scores of 0 or more."
        for name, group in groups.items()
        if not group or not all(math.isfinite(v) and v >= 0 for v in group)
    ]
    if faults:
        raise InputRefused(*faults)
    mean_control, mean_test = (sum(group) / len(group) for group in groups.values())
    if mean_control == 0:
        raise InputRefused("The control group's mean is 0; a reduction from it is undefined.")
    ratio = mean_test / mean_control
    se_control, se_test = (_standard_error(group) for group in groups.values())
    sd = 100 * math.hypot(se_test, ratio * se_control) / mean_control
    rule = plaque_rules()["trial"]
    percent = round(100 * (1 - ratio), 9)
    return Reduction(
        Measurement(percent, sd, "%", () if math.isfinite(sd) else ("sd_unknown",)),
        percent >= rule["mean_reduction_pct"],
        percent >= rule["each_reduction_pct"],
        rule["source"],
    )


def _standard_error(values: tuple[float, ...]) -> float:
    if len(values) < 2:
        return math.nan
    mean = sum(values) / len(values)
    variance = sum((v - mean) ** 2 for v in values) / (len(values) - 1)
    return math.sqrt(variance / len(values))
