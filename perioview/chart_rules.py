"""The chart's limits and vocabulary, read from data rows that name their source."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from perioview.errors import InputRefused

SITES = ("mesiobuccal", "buccal", "distobuccal", "mesiolingual", "lingual", "distolingual")
PASSES = ("before", "after")
STATUSES = ("present", "missing", "unerupted", "extracted", "not_examined")
WITHIN_NORMAL = "probed_within_normal"


@dataclass(frozen=True, slots=True)
class FindingKind:
    """One kind of finding a chart can carry."""

    name: str
    words: str
    source: str
    decide: bool
    unsafe_length: bool = False
    values: tuple[str, ...] = ()


@cache
def data_table(name: str) -> dict[str, Any]:
    """Rows of one of the package's own data files."""
    return tomllib.loads((files("perioview") / "data" / name).read_text("utf-8"))


@cache
def finding_kinds() -> dict[str, FindingKind]:
    """Every known kind of finding, by its name in the chart."""
    return {
        row["name"]: FindingKind(
            name=row["name"],
            words=row["words"],
            source=row["source"],
            decide=row["decide"],
            unsafe_length=row.get("unsafe_length", False),
            values=tuple(row.get("values", ())),
        )
        for row in data_table("chart.toml")["finding"]
    }


def finding_name(finding: str) -> str:
    """Name part of a finding such as ``resorption=4a``."""
    return finding.partition("=")[0].strip()


def needs_decision(finding: str) -> bool:
    """Whether someone has to decide what follows; free text always does."""
    kind = finding_kinds().get(finding_name(finding))
    return kind is None or kind.decide


def normal_depth_mm(species: str, weight_kg: float | None = None) -> float:
    """Greatest probing depth still called normal for an animal of this size.

    Parameters
    ----------
    species : str
        ``dog`` or ``cat``.
    weight_kg : float, optional
        Body weight; without it the species' general value serves.

    Returns
    -------
    float
        In mm; deeper is a pocket beyond normal.

    Raises
    ------
    InputRefused
        If the species has no row.
    """
    table = data_table("chart.toml")
    if species not in ("dog", "cat"):
        raise InputRefused(f"species: {species!r} has no normal depth; give dog or cat")
    if weight_kg is None:
        return float(table["normal_depth_without_weight"][species])
    fitting = [
        row
        for row in table["normal_depth"]
        if row["species"] == species and weight_kg >= row["above_kg"]
    ]
    return float(max(fitting, key=lambda row: row["above_kg"])["mm"])


def probing_sd_mm() -> float:
    """Standard deviation of an attachment level made from depth and margin, in mm."""
    return float(data_table("chart.toml")["probing_sd"]["mm"])


def mobility_index(movement_mm: float, *, axial: bool = False) -> int:
    """Mobility grade of a tooth from its movement.

    Parameters
    ----------
    movement_mm : float
        Greatest movement in any direction other than axial, in mm.
    axial : bool
        Whether it moves along its axis at all.

    Returns
    -------
    int
        0 to 3.

    Raises
    ------
    InputRefused
        If the movement is negative or no number.

    References
    ----------
    .. [1] AVDC Nomenclature Committee, mobility index.
    """
    if not movement_mm >= 0:
        raise InputRefused(f"movement {movement_mm} mm; give a distance of 0 or more.")
    rules = data_table("chart.toml")["mobility"]
    limits = {int(grade): mm for grade, mm in rules["up_to_mm"].items()}
    fitting = [grade for grade, mm in limits.items() if round(movement_mm, 9) <= mm]
    return int(rules["highest"]) if axial or not fitting else min(fitting)
