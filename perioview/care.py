"""Options to consider and cautions, as published guidance with its source and its limits."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from perioview.care_rules import Facts, rule_faults, rule_match
from perioview.chart_rules import data_table
from perioview.criteria import ToothAssessment
from perioview.errors import InputRefused, reason

STANDING = "Published guidance to consider; the clinician and the owner decide."


@dataclass(frozen=True, slots=True)
class Option:
    """Something to consider for a tooth.

    Parameters
    ----------
    name, sentence : str
        What, and what is published about it.
    source, limits : str
        Where it is published, and what it does not know.
    because : tuple of str
        The findings it rests on.
    asks : tuple of str
        What would have to be known before it is chosen.
    """

    tooth: int
    name: str
    sentence: str
    source: str
    limits: str
    because: tuple[str, ...] = ()
    asks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Caution:
    """A warning that belongs to a finding or to what was decided."""

    tooth: int
    key: str
    sentence: str
    source: str


@dataclass(frozen=True, slots=True)
class CareRules:
    """Rows of guidance: the package's own or the practice's."""

    options: tuple[Mapping[str, Any], ...]
    cautions: tuple[Mapping[str, Any], ...]
    source: str = "perioview"


def care_rules(path: str | Path | None = None) -> CareRules:
    """Read the rules: the package's own, or the practice's file in place of them.

    Parameters
    ----------
    path : path, optional
        TOML with ``[[option]]`` and, or, ``[[caution]]``; a kind it leaves out keeps the
        package's rows.

    Raises
    ------
    InputRefused
        One line per fault of the practice's file.
    """
    own = tuple(data_table("options.toml")["option"]), tuple(data_table("cautions.toml")["caution"])
    if path is None:
        return CareRules(*own)
    try:
        data = tomllib.loads(Path(path).read_text("utf-8-sig"))
    except (OSError, ValueError) as error:
        raise InputRefused(
            f"{path}: cannot be read as care rules ({reason(error)}); "
            "copy perioview's options.toml."
        ) from error
    faults = rule_faults(data, str(path))
    if faults:
        raise InputRefused(*faults)
    return CareRules(
        tuple(data.get("option", own[0])), tuple(data.get("caution", own[1])), str(path)
    )


def options(
    assessment: ToothAssessment,
    *,
    species: str,
    weight_kg: float | None = None,
    home_care: bool | None = None,
    rules: CareRules | None = None,
) -> tuple[Option, ...]:
    """Options to consider for one tooth; none for a tooth that cannot be staged by them.

    Parameters
    ----------
    assessment : ToothAssessment
        As `criteria.tooth_stages` returns it.
    species : str
        ``dog`` or ``cat``.
    weight_kg : float, optional
        Body weight.
    home_care : bool, optional
        Whether the owner can clean the teeth at home; None: not asked yet.
    rules : CareRules, optional
        The practice's own.

    Returns
    -------
    tuple of Option
        In the order of the rules, one per name; never an order of what to do.
    """
    if assessment.status in ("missing", "unerupted", "extracted"):
        return ()
    facts = Facts.of(assessment, species, weight_kg, home_care)
    found: dict[str, Option] = {}
    for row in (rules or care_rules()).options:
        match = rule_match(row, facts)
        if match is None:
            continue
        because, asks = match
        earlier = found.get(row["name"])
        if earlier is None:
            found[row["name"]] = Option(
                assessment.tooth,
                row["name"],
                row["sentence"],
                row["source"],
                row["limits"],
                because,
                (*asks, *row.get("ask", ()), *_asks_of_tooth(assessment)),
            )
        else:
            found[row["name"]] = _joined(earlier, row, because, asks)
    return tuple(found.values())


def _joined(
    earlier: Option, row: Mapping[str, Any], because: Sequence[str], asks: Sequence[str]
) -> Option:
    """One option for which several rows speak: every sentence, source and limit once."""

    def joined(one: str, other: str, by: str) -> str:
        return one if other in one else f"{one}{by}{other}"

    return Option(
        earlier.tooth,
        earlier.name,
        joined(earlier.sentence, row["sentence"], " "),
        joined(earlier.source, row["source"], "; "),
        joined(earlier.limits, row["limits"], " "),
        tuple(dict.fromkeys((*earlier.because, *because))),
        tuple(dict.fromkeys((*earlier.asks, *asks, *row.get("ask", ())))),
    )


def _asks_of_tooth(assessment: ToothAssessment) -> tuple[str, ...]:
    asks = list(assessment.missing)
    if assessment.said_by("radiograph") is None:
        asks.append("a measured radiograph")
    if "root_length_unsafe" in assessment.flags:
        asks.append("whether the root's length can be trusted")
    return tuple(asks)


def cautions(
    assessment: ToothAssessment,
    *,
    species: str,
    weight_kg: float | None = None,
    extraction: bool = False,
    rules: CareRules | None = None,
) -> tuple[Caution, ...]:
    """Cautions for one tooth at this moment.

    Parameters
    ----------
    assessment : ToothAssessment
        As `criteria.tooth_stages` returns it.
    species : str
        ``dog`` or ``cat``.
    weight_kg : float, optional
        Body weight. A caution for small animals is also shown when it is not known.
    extraction : bool
        Whether taking the tooth out is decided or being weighed.
    rules : CareRules, optional
        The practice's own.
    """
    facts = Facts.of(assessment, species, weight_kg, None, extraction)
    return tuple(
        Caution(assessment.tooth, row["key"], row["sentence"], row["source"])
        for row in (rules or care_rules()).cautions
        if rule_match(row, facts) is not None
    )
