"""The report's table of the chart: what was probed, seen and decided at every tooth.

Who agreed and what was done stand with the decisions, on pages of their own.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from perioview.chart import Chart, ChartRow
from perioview.chart_rules import SITES, WITHIN_NORMAL
from perioview.chart_spoken import SITE_KEYS
from perioview.record.pages import grid, heading, text

_HEAD = ("tooth", "depth mm", "margin mm", "bleeds", "G", "P", "C", "F", "M", "found",
         "decided, noted")  # fmt: skip
_WIDTHS = (20, 24, 24, 14, 7, 7, 7, 14, 7, 32, 34)
_KEYS = {site: key for key, site in SITE_KEYS.items()}


def chart_pages(pdf: Any, chart: Chart | None) -> None:
    """Write the chart, one line a tooth and pass; nothing without any row.

    Parameters
    ----------
    pdf : FPDF
        As `pages.document` makes it.
    chart : Chart or None
    """
    rows = [] if chart is None else list(chart_lines(chart))
    if not rows:
        return
    heading(pdf, "Chart", room=40)
    grid(pdf, _HEAD, rows, _WIDTHS)
    text(
        pdf,
        "Depths and margins: mesial, middle, distal of the buccal side / of the lingual side; "
        "- not measured. Margin from the CEJ: + recession, - gum coronal to it. G gingivitis, "
        "P plaque, C calculus, F furcation, M mobility. Blank: not recorded, not zero.",
        7,
    )


def chart_lines(chart: Chart) -> Iterator[tuple[str, ...]]:
    """Cells of each line: a tooth in one pass, or all teeth of which the same is said.

    Parameters
    ----------
    chart : Chart
    """
    lines: dict[tuple[str, tuple[str, ...]], list[int]] = {}
    for number in chart.teeth():
        for when in ("before", "after"):
            rows = {row.site: row for row in chart.of(number, when)}
            if rows:
                lines.setdefault((when, _cells(number, rows)), []).append(number)
    for (when, cells), numbers in lines.items():
        yield _runs(numbers) + (" after" if when == "after" else ""), *cells


def _runs(numbers: list[int]) -> str:
    """Numbers as runs: 104, 106-109."""
    runs: list[list[int]] = []
    for number in sorted(numbers):
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return ", ".join(f"{r[0]}-{r[-1]}" if len(r) > 2 else ", ".join(map(str, r)) for r in runs)


def _cells(number: int, rows: dict[str, ChartRow]) -> tuple[str, ...]:
    own = rows.get("", ChartRow(number))
    sites = {site: rows[site] for site in SITES if site in rows}
    bleeding = [_KEYS.get(site, site) for site, row in rows.items() if site and row.bleeding]
    bleeding = bleeding or ["yes"] * bool(own.bleeding)
    furcation = [
        f"{row.furcation} {_KEYS.get(site, site)}".strip()
        for site, row in rows.items()
        if row.furcation is not None
    ]
    found = [] if own.status in ("", "present") else [own.status.replace("_", " ")]
    found += [
        "probed, within normal" if f == WITHIN_NORMAL else f.replace("_", " ").replace("=", " ")
        for f in own.findings
    ]
    return (
        _six(sites, "probing_depth_mm"),
        _six(sites, "margin_mm"),
        " ".join(bleeding),
        *(
            "" if value is None else str(value)
            for value in (own.gingivitis_index, own.plaque_index, own.calculus_index)
        ),
        ", ".join(furcation),
        "" if own.mobility is None else str(own.mobility),
        "; ".join(found),
        "; ".join(part for part in (own.decision, own.note) if part),
    )


def _six(sites: dict[str, ChartRow], field: str) -> str:
    """Values at the six sites as they are called out; empty when none was measured."""
    values = [getattr(sites[s], field) if s in sites else None for s in SITES]
    if all(v is None for v in values):
        return ""
    said = ["-" if v is None else f"{v:g}" for v in values]
    return f"{' '.join(said[:3])} / {' '.join(said[3:])}"
