"""The course of a patient's teeth over time: one small plot per tooth, as SVG."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from html import escape
from typing import Any

from perioview.record.course import Course, site_courses

_WIDTH, _HEIGHT, _LEFT, _TOP, _ACROSS = 230, 130, 34, 36, 3
# Solid, dashed and dotted tell roots and sides apart without colour.
_DASHES = ("", "5 3", "1 3", "7 3 1 3", "3 3", "9 3")
_QUANTITIES = {
    "bone_loss_pct": "bone loss, % of root",
    "coverage_pct": "plaque, % of crown",
    "probing_depth_mm": "probing, deepest, mm",
}
# Highest value of the axis; ticks are quarters of it.
_HIGHEST = {"probing_depth_mm": 12}

Point = tuple[dt.date, float, float]


def courses(rows: Iterable[dict[str, Any]]) -> dict[tuple[int, str], dict[str, list[Point]]]:
    """Sort measurements into lines to draw.

    Parameters
    ----------
    rows : iterable of dict
        As `history.history` gives them.

    Returns
    -------
    dict
        By (tooth, quantity), then by root and side: (date, percent, SD), oldest first.
    """
    found: dict[tuple[int, str], dict[str, list[Point]]] = {}
    for row in rows:
        if row["quantity"] not in _QUANTITIES or row["tooth"] is None or row["date"] is None:
            continue
        line = " ".join(part for part in (row["root"], row["side"]) if part)
        line = line or ("crown" if row["quantity"] == "coverage_pct" else "tooth")
        line = "left by the cleaning" if row.get("when") == "after" else line
        place = found.setdefault((int(row["tooth"]), row["quantity"]), {})
        day = dt.date.fromisoformat(row["date"])
        place.setdefault(line, []).append((day, float(row["value"]), float(row["sd"] or 0)))
    return {
        key: {line: sorted(points) for line, points in lines.items()}
        for key, lines in sorted(found.items())
    }


def trend_svg(rows: Iterable[dict[str, Any]]) -> str:
    """Draw every tooth's course with bars of one SD.

    Parameters
    ----------
    rows : iterable of dict
        As `history.history` gives them.

    Returns
    -------
    str
        SVG; percent upward from 0 to 100 (probing: 0 to 12 mm), dates to the right, the same for
        all teeth; under each title the stage at every visit and what can be said of the rate.
    """
    rows = list(rows)
    drawn = courses(rows)
    verdicts = _verdicts(rows)
    days = [day for lines in drawn.values() for points in lines.values() for day, _, _ in points]
    first, last = (min(days), max(days)) if days else (dt.date.min, dt.date.min)
    across, down = _ACROSS, -(-max(len(drawn), 1) // _ACROSS)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" font-family="sans-serif" font-size="9" '
        f'viewBox="0 0 {across * (_WIDTH + 20)} {down * (_HEIGHT + 90)}">'
        '<rect width="100%" height="100%" fill="white"/>'
    ]
    for index, ((tooth, quantity), lines) in enumerate(drawn.items()):
        x, y = index % across * (_WIDTH + 20), index // across * (_HEIGHT + 90)
        parts.append(f'<g transform="translate({x} {y})">')
        title = f"{tooth}: {_QUANTITIES[quantity]}"
        verdict = verdicts.get((tooth, quantity), "")
        parts += _panel((title, verdict), lines, (first, last), _HIGHEST.get(quantity, 100))
        parts.append("</g>")
    return "".join([*parts, "</svg>\n"])


def _verdicts(rows: list[dict[str, Any]]) -> dict[tuple[int, str], str]:
    """Say of each tooth in a few words how fast its worst site goes, and its stages."""
    found: dict[tuple[int, str], list[Course]] = {}
    for course in site_courses(rows):
        found.setdefault((course.tooth, course.quantity), []).append(course)
    return {place: _verdict(mine) for place, mine in found.items()}


def _verdict(mine: list[Course]) -> str:
    by_day = {day: stage for c in mine for day, stage in zip(c.days, c.stages, strict=True)}
    staged = [stage for _, stage in sorted(by_day.items()) if stage]
    stages = ""
    if mine[0].quantity == "bone_loss_pct" and staged:
        stages = f"stage {', '.join(staged)}; "
    changed = [c.rate for c in mine if c.rate.low > 0 or c.rate.high < 0]
    if not changed:
        return f"{stages}nothing can be said yet"
    rate = max(changed, key=lambda r: abs(r.per_year.value))
    unit = rate.per_year.unit.removesuffix("/a").replace("%", "points")
    return f"{stages}{rate.per_year.value:+.1f} {unit} a year ({rate.low:+.1f} to {rate.high:+.1f})"


def _panel(
    words: tuple[str, str],
    lines: dict[str, list[Point]],
    span_days: tuple[dt.date, dt.date],
    highest: float,
) -> Iterable[str]:
    (title, verdict), (first, last) = words, span_days
    span = max((last - first).days, 1)

    def at(day: dt.date, value: float) -> tuple[float, float]:
        # A patient seen once has its point in the middle.
        share = (day - first).days / span if last > first else 0.5
        x = _LEFT + 8 + share * (_WIDTH - _LEFT - 16)
        return round(x, 2), round(
            _TOP + (highest - min(max(value, 0), highest)) / highest * _HEIGHT, 2
        )

    yield f'<text x="{_LEFT}" y="14" font-size="11" font-weight="bold">{escape(title)}</text>'
    yield f'<text x="{_LEFT}" y="26" font-size="8">{escape(verdict)}</text>'
    for tick in (highest * k / 4 for k in range(5)):
        y = at(first, tick)[1]
        yield f'<path d="M{_LEFT} {y}H{_WIDTH}" stroke="#ccc"/>'
        yield f'<text x="{_LEFT - 4}" y="{y + 3}" text-anchor="end">{tick:g}</text>'
    below = _TOP + _HEIGHT + 12
    yield f'<text x="{_LEFT}" y="{below}">{first.isoformat()}</text>'
    if last > first:
        yield f'<text x="{_WIDTH}" y="{below}" text-anchor="end">{last.isoformat()}</text>'
    for number, (name, points) in enumerate(lines.items()):
        dash = f'stroke-dasharray="{_DASHES[number % len(_DASHES)]}"'
        places = [at(day, value) for day, value, _ in points]
        path = " ".join(f"{x},{y}" for x, y in places)
        yield f'<polyline points="{path}" fill="none" stroke="black" {dash}/>'
        for (x, y), (day, value, sd) in zip(places, points, strict=True):
            yield f'<circle cx="{x}" cy="{y}" r="2"/>'
            high, low = at(day, value + sd)[1], at(day, value - sd)[1]
            yield f'<path d="M{x} {high}V{low}" stroke="black" stroke-width="0.6"/>'
        left, foot = _LEFT + 112 * (number // 4), below + 12 + 9 * (number % 4)
        yield f'<path d="M{left} {foot - 3}h16" stroke="black" {dash}/>'
        yield f'<text x="{left + 20}" y="{foot}">{escape(name)}</text>'
