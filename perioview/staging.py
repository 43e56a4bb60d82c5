"""The radiographic stage of a tooth, by published limits, with how likely each stage is."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from pathlib import Path

from perioview.bone_loss import ROUND, Site
from perioview.errors import InputRefused, reason
from perioview.measurement import Measurement, missing
from perioview.teeth import tooth

STAGES = ("0-1", "2", "3", "4")


@dataclass(frozen=True, slots=True)
class StagingRules:
    """Limits of the radiographic stage; percent of the root, mm, and a share of certainty."""

    early_below_pct: float
    moderate_to_pct: float
    normal_mm: dict[str, float]
    cap_pct: float
    borderline_below: float
    source: str


@dataclass(frozen=True, slots=True)
class ToothStage:
    """What the radiograph says of one tooth: its worst site, stage and how sure.

    `root`, `side` name the site that decides; None with nothing measured.
    """

    tooth: int
    root: str | None
    side: str | None
    bone_loss_pct: Measurement
    radiographic_stage: str | None
    stage_probability: dict[str, float] | None
    borderline: bool | None
    flags: tuple[str, ...]


def _positive(table: dict[str, object], name: str, source: str, high: float) -> float:
    value = table.get(name)
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= high:
        raise InputRefused(f"{source}: {name} is {value!r}; give a number from 0 to {high:g}.")
    return float(value)


@cache
def staging_rules(path: str | None = None) -> StagingRules:
    """Read the limits: the published ones, or a practice's own file of the same form.

    Raises
    ------
    InputRefused
        If the file cannot be read or a limit is missing or out of range.
    """
    source = path or "staging.toml"
    try:
        if path:
            text = Path(path).read_text("utf-8")
        else:
            text = (files("perioview") / "data" / "staging.toml").read_text("utf-8")
        data = tomllib.loads(text)
    except (OSError, ValueError) as error:
        raise InputRefused(
            f"{source}: cannot be read as staging rules ({reason(error)}); "
            "copy perioview's staging.toml."
        ) from error
    try:
        stages, normal = data["stages"], data["normal_distance"]
        certainty = data["certainty"]
    except KeyError as error:
        raise InputRefused(
            f"{source}: section {error} is missing; copy perioview's staging.toml."
        ) from error
    rules = StagingRules(
        _positive(stages, "early_below_pct", source, 100),
        _positive(stages, "moderate_to_pct", source, 100),
        {s: _positive(normal, f"{s}_mm", source, 10) for s in ("dog", "cat")},
        _positive(normal, "cap_pct", source, 100),
        _positive(certainty, "borderline_below", source, 1),
        str(stages.get("source", source)),
    )
    if rules.early_below_pct > rules.moderate_to_pct:
        raise InputRefused(f"{source}: early_below_pct lies above moderate_to_pct; correct one.")
    return rules


def normal_limit_pct(site: Site, species: str, scaled: bool, rules: StagingRules) -> float:
    """Largest percentage that is no more than the normal CEJ-to-crest distance.

    Without a scale the normal distance counts as 0. At a derived reference healthy furcal bone
    ends at the roof of the furcation, so the limit lies there at least.
    """
    limit = 0.0
    if scaled and site.root_length.known:
        limit = min(rules.cap_pct, 100 * rules.normal_mm[species] / site.root_length.value)
    if "reference_derived" in site.flags and not math.isnan(site.furcation_pct):
        limit = max(limit, site.furcation_pct)
    return limit


def stage_from_pct(percent: float, limit: float, rules: StagingRules) -> str:
    """The stage of one percentage, compared after rounding to 1e-9."""
    percent, limit = round(percent, ROUND), round(limit, ROUND)
    if percent <= limit:
        return "0-1"
    if percent < rules.early_below_pct:
        return "2"
    return "3" if percent <= rules.moderate_to_pct else "4"


def stage_probability(percent: Measurement, limit: float, rules: StagingRules) -> dict[str, float]:
    """Normal probability mass over each stage's band, the normal limit held fixed."""
    if percent.sd == 0:
        decided = stage_from_pct(percent.value, limit, rules)
        return {s: float(s == decided) for s in STAGES}

    def below(edge: float) -> float:
        return 0.5 * math.erfc((percent.value - edge) / percent.sd / math.sqrt(2))

    edges = [
        limit,
        max(limit, rules.early_below_pct),
        max(limit, rules.moderate_to_pct),
    ]
    cumulative = [0.0, *(below(e) for e in edges), 1.0]
    return {s: cumulative[i + 1] - cumulative[i] for i, s in enumerate(STAGES)}


def _staged_site(site: Site, species: str, scaled: bool, rules: StagingRules) -> Site:
    """Add the normal limit and the flags that rest on it."""
    if not site.bone_loss_pct.known or tooth(site.tooth, species).deciduous:
        return site
    limit = normal_limit_pct(site, species, scaled, rules)
    flags = list(site.flags)
    if not scaled:
        flags.append("normal_distance_unknown")
    within = stage_from_pct(site.bone_loss_pct.value, limit, rules) == "0-1"
    if within and round(site.bone_loss_pct.value, ROUND) > 0:
        flags.append("within_normal_distance")
    return replace(site, normal_limit_pct=limit, flags=tuple(flags))


def _own_flags(number: int, species: str, of_tooth: Sequence[Site]) -> list[str]:
    flags = []
    if not of_tooth or any(not s.bone_loss_pct.known for s in of_tooth):
        flags.append("incomplete")
    if tooth(number, species).deciduous:
        flags.append("deciduous")
    nominal = tooth(number, species).roots
    if "mesiopalatal" in nominal and any(s.root == "mesial" for s in of_tooth):
        flags.append("mesial_roots_not_separated")
    return flags


def _tooth_stage(
    number: int, of_tooth: Sequence[Site], species: str, scaled: bool, rules: StagingRules
) -> ToothStage:
    own = _own_flags(number, species, of_tooth)
    deciduous = "deciduous" in own
    known = [s for s in of_tooth if s.bone_loss_pct.known]
    if not known:
        return ToothStage(number, None, None, missing("%"), None, None, None, tuple(own))

    def rank(site: Site) -> tuple[int, float]:
        percent = round(site.bone_loss_pct.value, ROUND)
        if deciduous:
            return 0, percent
        return STAGES.index(stage_from_pct(percent, site.normal_limit_pct, rules)), percent

    worst = max(known, key=rank)
    flags = tuple(dict.fromkeys([*worst.flags, *own]))
    percent = worst.bone_loss_pct
    if deciduous:
        return ToothStage(number, worst.root, worst.side, percent, None, None, None, flags)
    stage = STAGES[rank(worst)[0]]
    probability = stage_probability(percent, worst.normal_limit_pct, rules)
    borderline = (
        max(probability.values()) < rules.borderline_below
        or "furcation_not_marked" in worst.flags
        or (stage == "2" and not scaled)
    )
    return ToothStage(
        number, worst.root, worst.side, percent, stage, probability, borderline, flags
    )


def radiographic_stages(
    sites: Sequence[Site],
    species: str,
    *,
    scaled: bool,
    teeth: Sequence[int] = (),
    rules: StagingRules | None = None,
) -> tuple[tuple[Site, ...], tuple[ToothStage, ...]]:
    """Stage every tooth by its worst site.

    Parameters
    ----------
    sites : sequence of Site
        As `bone_loss.sites` returns them.
    species : str
        ``dog`` or ``cat``.
    scaled : bool
        Whether lengths are in mm.
    teeth : sequence of int
        Teeth to show even without a site.
    rules : StagingRules, optional

    Returns
    -------
    sites : tuple of Site
        With the normal limit and its flags filled in.
    teeth : tuple of ToothStage
        In file order.

    References
    ----------
    .. [1] AVDC Nomenclature Committee, "Stages of Periodontal Disease".
    """
    rules = rules or staging_rules()
    staged = tuple(_staged_site(s, species, scaled, rules) for s in sites)
    numbers = dict.fromkeys([*teeth, *(s.tooth for s in staged)])
    stages = tuple(
        _tooth_stage(n, [s for s in staged if s.tooth == n], species, scaled, rules)
        for n in numbers
    )
    return staged, stages
