"""What was done at home between two visits, as the owner tells it.

It stands in the later visit's ``visit.toml``; what is left out was not asked, never "no"::

    [home_care]
    brushing_days_per_week = 5
    barrier_days = [2026-03-12, 2026-03-19]
    account = "eats well, lets the left side be brushed"
"""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass
from typing import Any

from perioview.errors import InputRefused
from perioview.visit import Visit

WEEK = 7


@dataclass(frozen=True, slots=True)
class HomeHistory:
    """Home care between two visits.

    Parameters
    ----------
    since : date or None
        Of the earlier visit.
    until : date or None
        Of the later visit.
    brushing_days_per_week : float or None
        None: not noted.
    barrier_days : tuple of date or None
        Days on which the plaque barrier was put on; None: not noted.
    account : str or None
        The owner's own words.
    """

    since: dt.date | None
    until: dt.date | None
    brushing_days_per_week: float | None
    barrier_days: tuple[dt.date, ...] | None
    account: str | None

    @property
    def weeks(self) -> int | None:
        """Weeks begun between the visits; None for visits in the wrong order."""
        if self.since is None or self.until is None or self.until < self.since:
            return None
        return max(1, math.ceil((self.until - self.since).days / WEEK))

    @property
    def barrier_weeks(self) -> int | None:
        """Weeks in which the barrier was put on at least once."""
        if self.barrier_days is None or self.since is None:
            return None
        weeks = {(day - self.since).days // WEEK for day in self.barrier_days}
        # The day of the later visit ends its last week, it begins none.
        last = None if self.weeks is None else self.weeks - 1
        return len(weeks if last is None else {min(week, last) for week in weeks})

    @property
    def sentences(self) -> tuple[str, ...]:
        """The history in plain words."""
        brushed = self.brushing_days_per_week
        said = [
            "Brushing: not noted."
            if brushed is None
            else f"Brushing: {brushed:g} days a week, by the owner's account."
        ]
        if self.barrier_days is None:
            said.append("Plaque barrier: not noted.")
        elif self.barrier_weeks is None or self.weeks is None:
            said.append(f"Plaque barrier: put on {len(self.barrier_days)} times.")
        else:
            said.append(
                f"Plaque barrier (once a week): in {self.barrier_weeks} of {self.weeks} weeks."
            )
        if self.account:
            said.append(f"Owner: {self.account}")
        return tuple(said)

    def json_object(self) -> dict[str, Any]:
        """The history as plain values."""
        days = self.barrier_days
        return {
            "brushing_days_per_week": self.brushing_days_per_week,
            "barrier_days": None if days is None else [d.isoformat() for d in days],
            "barrier_weeks": self.barrier_weeks,
            "weeks": self.weeks,
            "account": self.account,
            "sentences": list(self.sentences),
        }


def home_history(earlier: Visit, later: Visit) -> HomeHistory | None:
    """Read what the later visit notes of the time since the earlier one.

    Returns
    -------
    HomeHistory or None
        None when there is no table ``home_care``.

    Raises
    ------
    InputRefused
        One line per entry that cannot be.
    """
    table = later.other.get("home_care")
    if table is None:
        return None
    faults: list[str] = []
    if not isinstance(table, dict):
        raise InputRefused(f"visit.toml: home_care is '{table}'; write it as a table [home_care].")
    brushed = table.get("brushing_days_per_week")
    if brushed is not None and (
        isinstance(brushed, bool) or not isinstance(brushed, int | float) or not 0 <= brushed <= 7
    ):
        faults.append(
            f"visit.toml: [home_care] brushing_days_per_week is '{brushed}'; give 0 to 7."
        )
    since, until = visit_day(earlier), visit_day(later)
    days = table.get("barrier_days")
    if days is not None:
        faults += _faults_of(days, since, until)
    if faults:
        raise InputRefused(*faults)
    account = str(table.get("account") or "").strip() or None
    return HomeHistory(
        since,
        until,
        None if brushed is None else float(brushed),
        None if days is None else tuple(sorted(days)),
        account,
    )


def _faults_of(days: Any, since: dt.date | None, until: dt.date | None) -> list[str]:
    rule = "give a list of dates like [2026-03-12, 2026-03-19]"
    if not isinstance(days, list):
        return [f"visit.toml: [home_care] barrier_days is '{days}'; {rule}."]
    faults = []
    for day in days:
        if isinstance(day, dt.datetime) or not isinstance(day, dt.date):
            faults.append(f"visit.toml: [home_care] barrier_days holds '{day}'; {rule}.")
        elif (since and day < since) or (until and day > until):
            faults.append(
                f"visit.toml: [home_care] barrier_days holds {day}, which is not between the "
                f"visits ({since} to {until}); correct it."
            )
    return faults


def visit_day(visit: Visit) -> dt.date | None:
    """Day of a visit; None when it is not dated."""
    date = visit.visit.get("date")
    if isinstance(date, dt.datetime):
        return date.date()
    return date if isinstance(date, dt.date) else None
