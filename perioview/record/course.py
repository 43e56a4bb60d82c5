"""How fast each site changes over all visits in the record, and what can be said of it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from perioview.measurement import Measurement
from perioview.progression import Progression, progression

WORDS = {
    "bone_loss_pct": "Bone loss",
    "probing_depth_mm": "Probing depth",
    "coverage_pct": "Plaque",
}
PROBING_SD_MM = 0.5
"""Readings are held to repeat within a millimetre (common practice, no source); one SD of that."""


@dataclass(frozen=True, slots=True)
class Course:
    """One quantity at one place over all visits.

    Parameters
    ----------
    tooth : int
    root, side : str or None
        None for what belongs to the tooth.
    quantity : str
        As history names it.
    days : tuple of date
    values : tuple of Measurement
        One a day.
    stages : tuple of str or None
        Stage of the tooth on each day.
    rate : Progression
    """

    tooth: int
    root: str | None
    side: str | None
    quantity: str
    days: tuple[dt.date, ...]
    values: tuple[Measurement, ...]
    stages: tuple[str | None, ...]
    rate: Progression

    @property
    def place(self) -> str:
        """Tooth, root and side in words."""
        return " ".join(str(part) for part in (self.tooth, self.root, self.side) if part)

    def json_object(self) -> dict[str, Any]:
        """The course's rate as plain values."""
        rate = self.rate
        known = rate.per_year.known
        return {
            "tooth": self.tooth,
            "root": self.root,
            "side": self.side,
            "quantity": self.quantity,
            "per_year": rate.per_year.value if known else None,
            "per_year_sd": rate.per_year.sd if known else None,
            "low": rate.low if known else None,
            "high": rate.high if known else None,
            "unit": rate.per_year.unit,
            "visits": rate.visits,
            "sentence": rate.sentence,
        }


def site_courses(rows: Iterable[dict[str, Any]]) -> tuple[Course, ...]:
    """Follow bone loss, probing depth and plaque of every site over the record's visits.

    Parameters
    ----------
    rows : iterable of dict
        As `perioview.record.history.history` gives them.

    Returns
    -------
    tuple of Course
        By quantity, tooth and place. Of several values on one day the largest counts: the more
        covered side, the deepest pocket. Plaque that a cleaning left is no part of it, nor are
        photos in which no dye was seen.
    """
    held: dict[tuple[str, int, str, str], dict[dt.date, dict[str, Any]]] = {}
    for row in rows:
        if row["quantity"] not in WORDS or row["tooth"] is None or row["date"] is None:
            continue
        if row.get("when") == "after" or "no_dye" in row.get("flags", ()):
            continue
        place = (row["quantity"], int(row["tooth"]), row["root"] or "", row["side"] or "")
        day = dt.date.fromisoformat(row["date"])
        known = held.setdefault(place, {}).get(day)
        if known is None or float(row["value"]) > float(known["value"]):
            held[place][day] = row
    order = {name: n for n, name in enumerate(WORDS)}
    return tuple(
        _course(place, dict(sorted(by_day.items())))
        for place, by_day in sorted(held.items(), key=lambda item: (order[item[0][0]], item[0]))
    )


def _course(place: tuple[str, int, str, str], by_day: dict[dt.date, dict[str, Any]]) -> Course:
    quantity, tooth, root, side = place
    values = tuple(Measurement(float(r["value"]), _sd(r), str(r["unit"])) for r in by_day.values())
    days = tuple(by_day)
    rate = progression(days, values, WORDS[quantity])
    stages = tuple(r.get("stage") for r in by_day.values())
    return Course(tooth, root or None, side or None, quantity, days, values, stages, rate)


def _sd(row: dict[str, Any]) -> float:
    if row["sd"] is not None:
        return float(row["sd"])
    return PROBING_SD_MM if row["quantity"] == "probing_depth_mm" else 0.0


def course_table(rows: Iterable[dict[str, Any]]) -> Iterator[str]:
    """Lines for a person: every site that changed, and how many of which nothing can be said.

    Parameters
    ----------
    rows : iterable of dict
        As `perioview.record.history.history` gives them.

    Yields
    ------
    str
    """
    found = site_courses(rows)
    for quantity, words in WORDS.items():
        mine = [c for c in found if c.quantity == quantity]
        if not mine:
            continue
        yield ""
        yield f"{words} over the visits"
        changed = [c for c in mine if c.rate.low > 0 or c.rate.high < 0]
        for course in changed:
            yield f"  {course.place:<28}{course.rate.sentence}"
        rest = [c for c in mine if c not in changed]
        if rest:
            visits = max(c.rate.visits for c in rest)
            why = (
                "it takes two visits on different days"
                if visits < 2
                else "the change is within what repeating it shows"
            )
            named = "all" if not changed else "the other"
            yield f"  {named} {len(rest)} sites: nothing can be said yet, {why}."
