"""Conditions of the care rules: which are known, and whether a tooth meets them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from perioview.chart_rules import finding_kinds, finding_name
from perioview.criteria import ToothAssessment
from perioview.teeth import is_upper

QUANTITIES = ("pocket_mm", "loss_pct", "furcation", "mobility")
_ENDINGS = ("_min", "_above", "_max")
_LISTS = ("stage", "species", "positions", "finding_value")
_PLAIN: dict[str, type | tuple[type, ...]] = {
    "home_care": bool,
    "extraction": bool,
    "finding_unsafe_length": bool,
    "finding": str,
    "jaw": str,
    "below_kg": (int, float),
}
_TEXTS = {
    "option": ("name", "sentence", "limits", "source"),
    "caution": ("key", "sentence", "source"),
}


@dataclass(frozen=True, slots=True)
class Facts:
    """What the rules may ask of a tooth and its animal; None: not recorded."""

    tooth: int
    stage: str | None
    species: str
    weight_kg: float | None
    home_care: bool | None
    extraction: bool
    findings: tuple[str, ...]
    quantities: Mapping[str, float | None]

    @classmethod
    def of(
        cls,
        assessment: ToothAssessment,
        species: str,
        weight_kg: float | None,
        home_care: bool | None,
        extraction: bool = False,
    ) -> Facts:
        """Facts of an assessed tooth; of two losses in percent the worse counts."""
        losses = [
            m.value for m in (assessment.attachment_loss_pct, assessment.bone_loss_pct) if m.known
        ]
        return cls(
            assessment.tooth,
            assessment.stage,
            species,
            weight_kg,
            home_care,
            extraction,
            assessment.findings,
            {
                "pocket_mm": assessment.deepest_pocket_mm,
                "loss_pct": max(losses, default=None),
                "furcation": assessment.furcation,
                "mobility": assessment.mobility,
            },
        )

    def value(self, finding: str) -> str | None:
        """Value of a finding, empty if it has none; None if it was not found."""
        for said in self.findings:
            if finding_name(said) == finding:
                return said.partition("=")[2].strip()
        return None


def rule_match(
    row: Mapping[str, Any], facts: Facts
) -> tuple[tuple[str, ...], tuple[str, ...]] | None:
    """Why a row applies and what it asks for; None when it does not apply."""
    if row.get("without_finding") and facts.value(row["without_finding"]) is not None:
        return None
    because: list[str] = []
    asks: list[str] = []
    for name, wanted in row["when"].items():
        verdict = _condition(name, wanted, facts, row["when"], because)
        if verdict is False:
            return None
        if verdict is None:
            asks.append(_words(name))
    return tuple(because), tuple(asks)


def _words(condition: str) -> str:
    for ending in _ENDINGS:
        condition = condition.removesuffix(ending)
    return {"below_kg": "body weight", "pocket_mm": "pocket depth"}.get(
        condition, condition.replace("_", " ")
    )


def _condition(
    name: str, wanted: Any, facts: Facts, when: Mapping[str, Any], because: list[str]
) -> bool | None:
    """Whether one condition holds; None when it cannot be told and has to be asked."""
    if name.endswith(_ENDINGS):
        return _limit(name, float(wanted), facts, because)
    if name == "stage":
        because.append(f"stage {facts.stage}")
        return bool(facts.stage in wanted)
    if name == "home_care":
        return None if facts.home_care is None else facts.home_care is bool(wanted)
    if name == "species":
        return bool(facts.species in wanted)
    if name == "extraction":
        return facts.extraction is bool(wanted)
    if name == "positions":
        return bool(facts.tooth % 100 in wanted)
    if name == "jaw":
        return bool(is_upper(facts.tooth) == (wanted == "upper"))
    if name == "below_kg":
        return None if facts.weight_kg is None else facts.weight_kg < float(wanted)
    return _finding(name, wanted, facts, when, because)


def _finding(
    name: str, wanted: Any, facts: Facts, when: Mapping[str, Any], because: list[str]
) -> bool:
    kinds = finding_kinds()
    if name == "finding_unsafe_length":
        unsafe = [f for f in map(finding_name, facts.findings) if f in kinds]
        return any(kinds[f].unsafe_length for f in unsafe) is bool(wanted)
    if name == "finding_value":
        return bool(facts.value(when["finding"]) in wanted)
    value = facts.value(wanted)
    if value is not None:
        because.append(f"{kinds[wanted].words if wanted in kinds else wanted} {value}".strip())
    return value is not None


def _limit(name: str, limit: float, facts: Facts, because: list[str]) -> bool | None:
    quantity, _, ending = name.rpartition("_")
    value = facts.quantities[quantity]
    if value is None or math.isnan(value):
        return None if ending == "max" else False
    value = round(value, 9)
    holds = (
        value <= limit
        if ending == "max"
        else value >= limit
        if ending == "min"
        else (value > limit)
    )
    if holds and ending != "max":
        unit = {"pocket_mm": " mm", "loss_pct": " %"}.get(quantity, "")
        what = {"pocket_mm": "pocket", "loss_pct": "loss of root support"}.get(quantity, quantity)
        because.append(f"{what} {value:.3g}{unit}")
    return holds


def rule_faults(data: Mapping[str, Any], path: str) -> list[str]:
    """What is wrong with a practice's rules, one line per fault."""
    faults = [
        f"{path}: '{k}' is not known; use [[option]] and [[caution]]."
        for k in data
        if k not in _TEXTS
    ]
    if not any(k in data for k in _TEXTS):
        faults.append(f"{path}: neither [[option]] nor [[caution]] in it; copy options.toml.")
    for kind, texts in _TEXTS.items():
        rows = data.get(kind, [])
        if not isinstance(rows, list):
            faults.append(f"{path}: [[{kind}]] must be a list of tables.")
            continue
        for number, row in enumerate(rows, 1):
            faults += _row_faults(row, texts, f"{path}: {kind} {number}")
    return faults


def _row_faults(row: Any, texts: tuple[str, ...], where: str) -> list[str]:
    if not isinstance(row, dict):
        return [f"{where} is no table; copy one from perioview's file."]
    faults = [
        f"{where}: {name} is missing; every rule names its {name}."
        for name in texts
        if not (isinstance(row.get(name), str) and row[name].strip())
    ]
    when = row.get("when")
    if not isinstance(when, dict) or not when:
        return [*faults, f"{where}: when is missing; say for which teeth the rule is."]
    faults += [f for name, wanted in when.items() if (f := _when_fault(name, wanted, where))]
    if "finding_value" in when and "finding" not in when:
        faults.append(f"{where}: finding_value without finding; name the finding.")
    return faults


def _when_fault(name: str, wanted: Any, where: str) -> str | None:
    quantity, _, ending = name.rpartition("_")
    if quantity in QUANTITIES and f"_{ending}" in _ENDINGS:
        number = isinstance(wanted, int | float) and not isinstance(wanted, bool)
        return None if number else f"{where}: {name} is {wanted!r}; give a number."
    if name in _LISTS:
        return None if isinstance(wanted, list) else f"{where}: {name} is no list; write [ ... ]."
    if name not in _PLAIN:
        return f"{where}: condition '{name}' is not known; see the head of options.toml."
    return None if isinstance(wanted, _PLAIN[name]) else f"{where}: {name} cannot be {wanted!r}."
