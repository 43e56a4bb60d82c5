"""The chart in codes: one group of a report per line of the chart (PS3.16 TID 1501), and back."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from pydicom.dataset import Dataset

from perioview.chart import Chart, ChartRow
from perioview.record.codes import private_code
from perioview.record.content_items import code_of, finding_of, named, number_of, place_of
from perioview.record.report_builder import ReportBuilder

SITE, TOOTH = "chart_site", "chart_tooth"
# Concept of each number: field of `ChartRow` and unit.
_NUMBERS = {
    "probing_depth_mm": ("probing_depth_mm", "mm"),
    "margin_mm": ("margin_mm", "mm"),
    "gingivitis_index": ("gingivitis_index", "1"),
    "plaque_index": ("plaque_index", "1"),
    "calculus_index": ("calculus_index", "1"),
    "furcation_index": ("furcation", "1"),
    "mobility_index": ("mobility", "1"),
}


def add_chart(builder: ReportBuilder, chart: Chart) -> None:
    """Add every line of a chart; a blank stays absent, for it was not measured.

    Parameters
    ----------
    builder : ReportBuilder
        Of a visit.
    chart : Chart
    """
    for row in chart:
        said = builder.said("probing_site", f"site_{row.site}" if row.site else None)
        said += builder.said("when", row.when)
        said += builder.said("status", row.status)
        if row.bleeding is not None:
            said += builder.said("bleeding", str(row.bleeding).lower())
        numbers = [
            builder.number(concept, float(value), unit)
            for concept, (field, unit) in _NUMBERS.items()
            if (value := getattr(row, field)) is not None
        ]
        builder.add_group(
            SITE if row.site else TOOTH,
            f"chart {row.tooth} {row.site or 'tooth'} {row.when}",
            where=(row.tooth, None, None),
            measurements=numbers,
            said=said,
            texts=[(private_code(concept), text) for concept, text in _texts(row)],
        )


def _texts(row: ChartRow) -> list[tuple[str, str]]:
    found = [("finding", text) for text in row.findings]
    found += [("decision", row.decision), ("done", row.done), ("note", row.note)]
    found += [("extra", f"{name}={text}") for name, text in row.extra if text]
    return [pair for pair in found if pair[1]]


def chart_from_groups(groups: Iterable[Sequence[Dataset]], columns: Sequence[str]) -> Chart | None:
    """Chart as a report holds it; None where it holds none.

    Parameters
    ----------
    groups : iterable of sequence of Dataset
        Measurement groups of the report.
    columns : sequence of str
        Extra columns of the chart.

    Returns
    -------
    Chart or None
        Equal to the one that was put in.
    """
    of_chart = (list(g) for g in groups)
    rows = [_row(g, columns) for g in of_chart if finding_of(g) in (SITE, TOOTH)]
    return Chart(tuple(rows), tuple(columns)) if rows else None


def _row(group: list[Dataset], columns: Sequence[str]) -> ChartRow:
    def code(concept: str) -> str:
        return next((code_of(item) for item in named(group, concept)), "")

    def words(concept: str) -> list[str]:
        return [str(item.TextValue) for item in named(group, concept)]

    def number(concept: str) -> float | None:
        held = next((number_of(item) for item in named(group, concept)), None)
        return held[0] if held else None

    def whole(concept: str) -> int | None:
        value = number(concept)
        return None if value is None else int(value)

    extra = dict.fromkeys(columns, "")
    for text in words("extra"):
        # The longest column that fits: a column's name may hold an equals sign itself.
        name = max((c for c in columns if text.startswith(f"{c}=")), key=len, default="")
        if name:
            extra[name] = text[len(name) + 1 :]
    return ChartRow(
        tooth=place_of(group)[0] or 0,
        site=code("probing_site").removeprefix("site_"),
        when=code("when") or "before",
        probing_depth_mm=number("probing_depth_mm"),
        margin_mm=number("margin_mm"),
        bleeding={"true": True, "false": False}.get(code("bleeding")),
        gingivitis_index=whole("gingivitis_index"),
        plaque_index=whole("plaque_index"),
        calculus_index=whole("calculus_index"),
        furcation=whole("furcation_index"),
        mobility=whole("mobility_index"),
        status=code("status"),
        findings=tuple(words("finding")),
        decision=next(iter(words("decision")), ""),
        done=next(iter(words("done")), ""),
        note=next(iter(words("note")), ""),
        extra=tuple(extra.items()),
    )
