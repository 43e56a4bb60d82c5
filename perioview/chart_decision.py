"""Decision and deed: what was decided, what the owner agreed to, what was done, what proves it.

The chart's own columns hold the decision, the deed and a note. Who agreed, and the film that was
taken afterwards, stand in two further columns of the file, `AGREED` and `FILM_AFTER`.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable
from dataclasses import dataclass, replace

from perioview.chart import Chart, ChartRow, is_done, is_extraction
from perioview.errors import InputRefused

_TIME = re.compile(r", \d{4}-\d\d-\d\dT[\d:+.-]+$")
AGREED = "agreed_by"
FILM_AFTER = "film_after"


@dataclass(frozen=True, slots=True)
class Course:
    """One tooth from decision to proof.

    Parameters
    ----------
    agreed, done, film_after : str
        Empty where nothing is recorded.
    """

    tooth: int
    decision: str
    agreed: str
    done: str
    film_after: str
    extracted: bool


def with_decision(chart: Chart, tooth: int, decision: str) -> Chart:
    """Chart in which this is decided for a tooth; an earlier deed no longer counts as done.

    Raises
    ------
    InputRefused
        If the decision is empty.
    """
    text = decision.strip()
    if not text:
        raise InputRefused(f"{tooth}: nothing is decided; say what, or monitor.")
    row = _own(chart, tooth)
    return chart.with_row(
        replace(row, decision=text, done="" if text != row.decision else row.done)
    )


def with_agreement(
    chart: Chart, tooth: int, by: str, at: dt.datetime, how: str = "in person"
) -> Chart:
    """Chart in which the owner agreed to what was decided: who, when, by phone or in person.

    Raises
    ------
    InputRefused
        If nobody is named or nothing was decided.
    """
    row = _own(chart, tooth)
    if not by.strip():
        raise InputRefused(f"{tooth}: nobody is named; say who agreed.")
    if not row.decision:
        raise InputRefused(f"{tooth}: nothing is decided yet; decide before asking the owner.")
    told = f"{by.strip()}, {how.strip()}, {at.isoformat(timespec='minutes')}"
    return _with_columns(chart, AGREED).with_row(row.with_extra(AGREED, told))


def with_deed(chart: Chart, tooth: int, done: str, at: dt.datetime, film_after: str = "") -> Chart:
    """Chart in which the decision was carried out.

    After an extraction the tooth's row of the pass after scaling says ``extracted``, and
    `film_after` names the film of the visit that proves it.

    Raises
    ------
    InputRefused
        If nothing was decided or the deed is not named.
    """
    row = _own(chart, tooth)
    if not row.decision:
        raise InputRefused(f"{tooth}: nothing is decided yet; decide before doing.")
    if not is_done(done):
        raise InputRefused(f"{tooth}: '{done}' is no deed; say what was done.")
    told = f"{done.strip()}, {at.isoformat(timespec='minutes')}"
    chart = with_extraction(chart.with_row(replace(row, done=told)), tooth)
    return with_film_after(chart, tooth, film_after) if film_after else chart


def with_extraction(chart: Chart, tooth: int, before: Chart | None = None) -> Chart:
    """Chart in which a tooth that was taken out by what is recorded as done is extracted.

    Parameters
    ----------
    chart : Chart
    tooth : int
    before : Chart, optional
        As it was before the last line. What had been recorded as an extraction there, and is
        not any more, was a slip: the tooth stands again.
    """
    after = chart.row(tooth, "", "after")
    if _taken_out(chart, tooth):
        return chart.with_row(replace(after or ChartRow(tooth, when="after"), status="extracted"))
    if before is None or not _taken_out(before, tooth) or after is None:
        return chart
    if after.status != "extracted":
        return chart
    stands = replace(after, status="")
    if stands == ChartRow(tooth, when="after"):
        return replace(chart, rows=tuple(r for r in chart.rows if r is not after))
    return chart.with_row(stands)


def _taken_out(chart: Chart, tooth: int) -> bool:
    """Whether a deed took the tooth out, decided in the same pass or in the other."""
    rows = chart.of(tooth)
    decided = "; ".join(row.decision for row in rows if row.decision)
    return any(_took_out(row, row.decision or decided) for row in rows)


def _took_out(row: ChartRow, decision: str) -> bool:
    # with_deed puts the time of day behind what was done.
    done = _TIME.sub("", row.done)
    if not done.strip() or not is_done(done):
        return False
    return is_extraction(done) or (is_extraction(decision) and not _other_deed(done))


def with_film_after(chart: Chart, tooth: int, file: str) -> Chart:
    """Chart that names the film taken after the tooth came out."""
    row = _own(chart, tooth).with_extra(FILM_AFTER, file)
    return _with_columns(chart, FILM_AFTER).with_row(row)


def courses(chart: Chart, teeth: Iterable[int] | None = None) -> tuple[Course, ...]:
    """Every tooth for which something was decided or done, in the chart's order."""
    found = []
    for number in chart.teeth() if teeth is None else teeth:
        rows = [r for r in chart.of(number) if r.decision or r.done]
        if rows or chart.status(number) == "extracted":
            found.append(_course(chart, number, rows))
    return tuple(found)


def _course(chart: Chart, number: int, rows: list[ChartRow]) -> Course:
    every = chart.of(number)

    def joined(values: Iterable[str]) -> str:
        return "; ".join(dict.fromkeys(v for v in values if v))

    return Course(
        number,
        joined(r.decision for r in rows),
        joined(r.extra_value(AGREED) for r in every),
        joined(r.done for r in rows if is_done(r.done)),
        joined(r.extra_value(FILM_AFTER) for r in every),
        chart.status(number) == "extracted",
    )


def _other_deed(done: str) -> bool:
    """Whether the deed names something else than 'done' for a tooth meant to come out."""
    return done.strip().lower().rstrip(".") not in ("done", "yes", "y", "true", "1", "ok")


def _own(chart: Chart, tooth: int) -> ChartRow:
    return chart.row(tooth) or ChartRow(tooth)


def _with_columns(chart: Chart, *names: str) -> Chart:
    return replace(chart, columns=tuple(dict.fromkeys((*chart.columns, *names))))
