"""What was seen awake, and the provisional stage of a tooth kept beside the final one.

It stands in ``visit.toml``::

    [awake]
    symmetry = "normal"
    lymph_nodes = "left mandibular enlarged"
    [awake.stages]
    309 = "2"

A field left out was not looked at; it is never taken as normal.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from perioview.chart_rules import data_table
from perioview.criteria import STAGES, ToothAssessment
from perioview.errors import InputRefused
from perioview.teeth import tooth
from perioview.visit import Visit


@dataclass(frozen=True, slots=True)
class AwakeFinding:
    """One part of the awake examination; `text` is None when it was not looked at."""

    name: str
    words: str
    text: str | None


@dataclass(frozen=True, slots=True)
class Awake:
    """The awake examination of a visit.

    Parameters
    ----------
    findings : tuple of AwakeFinding
        Every part, in the order of examination.
    stages : dict of int to str
        Provisional stage by tooth, ``"0"`` to ``"4"``.
    """

    findings: tuple[AwakeFinding, ...]
    stages: dict[int, str]

    @property
    def not_examined(self) -> tuple[str, ...]:
        """Parts nobody looked at, in words."""
        return tuple(f.words for f in self.findings if f.text is None)


@dataclass(frozen=True, slots=True)
class StagePair:
    """Provisional stage of a tooth beside the one found asleep."""

    tooth: int
    provisional: str | None
    final: str | None

    @property
    def sentence(self) -> str:
        """Both stages in one line."""
        final = "not staged" if self.final is None else f"stage {self.final}"
        return f"{self.tooth}: awake {self.provisional or 'not staged'}, asleep {final}"


def awake_examination(visit: Visit) -> Awake:
    """Read the awake examination of a visit.

    Raises
    ------
    InputRefused
        One line per unknown part, tooth or stage.
    """
    table = visit.other.get("awake", {})
    if not isinstance(table, Mapping):
        raise InputRefused("visit.toml: [awake] must be a table.")
    rows = data_table("awake.toml")["field"]
    names = [row["name"] for row in rows]
    faults = [
        f"visit.toml: [awake] {name!r} is not known; use {', '.join(names)} or stages."
        for name in table
        if name not in (*names, "stages")
    ]
    stages = _stages(table.get("stages", {}), visit.species, faults)
    if faults:
        raise InputRefused(*faults)
    found = tuple(
        AwakeFinding(row["name"], row["words"], _text(table.get(row["name"]))) for row in rows
    )
    return Awake(found, stages)


def _text(value: Any) -> str | None:
    return str(value).strip() or None if value is not None else None


def _stages(table: Any, species: str | None, faults: list[str]) -> dict[int, str]:
    if not isinstance(table, Mapping):
        faults.append("visit.toml: [awake.stages] must be a table of teeth.")
        return {}
    stages: dict[int, str] = {}
    for number, stage in table.items():
        try:
            of = tooth(int(number), species or "dog").number
        except ValueError as error:
            told = error.faults[0] if isinstance(error, InputRefused) else f"'{number}' is no tooth"
            faults.append(f"visit.toml: [awake.stages] {told}")
            continue
        if str(stage) not in STAGES:
            faults.append(
                f"visit.toml: [awake.stages] {number} = {stage!r}; use {', '.join(STAGES)}."
            )
            continue
        stages[of] = str(stage)
    return stages


def stage_pairs(awake: Awake, assessments: Sequence[ToothAssessment]) -> tuple[StagePair, ...]:
    """Provisional beside final, for every tooth that had a provisional stage."""
    final = {a.tooth: a.stage for a in assessments}
    return tuple(StagePair(n, s, final.get(n)) for n, s in awake.stages.items())


def awake_caution() -> str:
    """How far an awake stage can be trusted, with its source."""
    row = data_table("awake.toml")["agreement"]
    return (
        f"A stage seen awake is provisional: it agreed with the one under anaesthesia in "
        f"{row['share_pct']:.0f} % (weighted kappa {row['weighted_kappa']}, n = {row['n']}; "
        f"{row['source']})."
    )
