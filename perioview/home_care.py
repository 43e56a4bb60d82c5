"""What the owner does at home and when the patient is seen again, from what was found and done."""

from __future__ import annotations

import datetime as dt
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from perioview.chart import Chart, is_done, is_extraction
from perioview.errors import InputRefused, reason
from perioview.staging import STAGES


@dataclass(frozen=True, slots=True)
class Advice:
    """One piece of advice in plain words, with where it comes from."""

    title: str
    text: str
    source: str


@dataclass(frozen=True, slots=True)
class Recheck:
    """A window of days in which the patient should be seen, and what for."""

    first: dt.date
    last: dt.date
    text: str


@dataclass(frozen=True, slots=True)
class HomePlan:
    """Advice and rechecks of one visit.

    Parameters
    ----------
    wound_teeth : tuple of int
        Teeth taken out.
    operated : tuple of int
        Teeth left in whose gum was cut or stitched.
    """

    advice: tuple[Advice, ...]
    rechecks: tuple[Recheck, ...]
    wound_teeth: tuple[int, ...]
    operated: tuple[int, ...] = ()


@cache
def home_care_rules(path: str | None = None) -> dict[str, Any]:
    """Read the advice: perioview's, or a practice's own file of the same form.

    Raises
    ------
    InputRefused
        If the file cannot be read or lacks a section.
    """
    source = path or "home_care.toml"
    try:
        if path:
            text = Path(path).read_text("utf-8")
        else:
            text = (files("perioview") / "data" / "home_care.toml").read_text("utf-8")
        data = tomllib.loads(text)
        for row in data.get("deed", ()):
            _ = row["words"], row["text"]
        for row in data["advice"]:
            _ = row["when"], row["title"], row["text"], row["source"]
        _ = data["recheck"]["after_cleaning"]["to_days"], data["recheck"]["later_months"]
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise InputRefused(
            f"{source}: cannot be read as home care rules ({reason(error)}); copy perioview's "
            "home_care.toml."
        ) from error
    return data


def extracted_teeth(chart: Chart) -> tuple[int, ...]:
    """Teeth that were taken out at this visit, by the chart's decisions and deeds."""
    found = [
        r.tooth
        for r in chart
        if (is_extraction(r.decision) and r.done.strip() and is_done(r.done))
        or is_extraction(r.done)
        or (r.status == "extracted" and r.when == "after")
    ]
    return tuple(dict.fromkeys(found))


def operated_teeth(chart: Chart, words: Sequence[str]) -> tuple[int, ...]:
    """Teeth left in at which a deed, or a decision that was carried out, names surgery."""
    out = extracted_teeth(chart)
    found = [
        r.tooth
        for r in chart
        if r.tooth not in out
        and r.done.strip()
        and is_done(r.done)
        and any(w in f"{r.decision} {r.done}".lower() for w in words)
    ]
    return tuple(dict.fromkeys(found))


def _months_later(day: dt.date, months: int) -> dt.date:
    year, month = divmod(day.year * 12 + day.month - 1 + months, 12)
    for last in (day.day, 30, 29, 28):
        try:
            return dt.date(year, month + 1, last)
        except ValueError:
            continue
    raise AssertionError("every month has 28 days")


def home_plan(
    date: dt.date,
    chart: Chart,
    stages: Sequence[str | None],
    rules: dict[str, Any] | None = None,
    *,
    cleaned: bool = True,
) -> HomePlan:
    """Plan the care at home and the rechecks.

    Parameters
    ----------
    date : date
        Of the visit.
    chart : Chart
        Its deeds tell of wounds.
    stages : sequence of str or None
        Of all teeth; the worst sets the later recheck.
    rules : dict, optional
        As `home_care_rules` reads them.
    cleaned : bool
        Whether the teeth were cleaned; without a cleaning or a wound no first recheck is due.
    """
    rules = rules or home_care_rules()
    out = extracted_teeth(chart)
    operated = operated_teeth(chart, rules.get("wound", {}).get("surgery", ()))
    wounds = (*out, *operated)
    skip = "no_wound" if wounds else "wound"
    advice = tuple(
        Advice(
            r["title"],
            r.get("wound_text", r["text"]) if wounds else r["text"],
            r["source"],
        )
        for r in rules["advice"]
        if r["when"] != skip
    )
    first = rules["recheck"]["after_wound" if wounds else "after_cleaning"]
    rechecks = []
    if wounds or cleaned:
        begin, end = (date + dt.timedelta(days=first[k]) for k in ("from_days", "to_days"))
        rechecks.append(Recheck(begin, end, first["text"]))
    order = ("0", "1", *STAGES)
    known = [s for s in stages if s in order]
    if known:
        worst = max(known, key=lambda s: order.index(s or ""))
        months = rules["recheck"]["later_months"][worst]
        day = _months_later(date, months)
        rechecks.append(Recheck(day, day + dt.timedelta(days=14), "A full check of the teeth"))
    return HomePlan(advice, tuple(rechecks), out, operated)
