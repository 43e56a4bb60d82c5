"""The chart file (CSV): read with every fault named, written whole or not at all."""

from __future__ import annotations

import csv
import io
import math
from pathlib import Path

from perioview.chart import Chart, ChartRow
from perioview.chart_checks import chart_faults, row_faults
from perioview.chart_rules import PASSES
from perioview.errors import InputRefused
from perioview.files.atomic import write_atomically
from perioview.files.tables import csv_rows
from perioview.teeth import check_species

COLUMNS = (
    "tooth",
    "site",
    "pass",
    "probing_depth_mm",
    "margin_mm",
    "bleeding",
    "gingivitis_index",
    "plaque_index",
    "calculus_index",
    "furcation",
    "mobility",
    "status",
    "finding",
    "decision",
    "done",
    "note",
)
_YES = ("yes", "true", "1", "y")
_NO = ("no", "false", "0", "n")
# On an upper tooth the inner side is palatal; the chart's columns call it lingual throughout.
_SITE_WORDS = {
    "palatal": "lingual",
    "mesiopalatal": "mesiolingual",
    "distopalatal": "distolingual",
}


def _number(text: str, column: str, where: str, faults: list[str]) -> float | None:
    if not text:
        return None
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value) or "_" in text:
        hint = "use a decimal point" if "," in text else "give a number or leave it blank"
        faults.append(f"{where}: {column} '{text}' is no finite number; {hint}.")
        return None
    return value


def _index(text: str, column: str, where: str, faults: list[str]) -> int | None:
    value = _number(text, column, where, faults)
    if value is None:
        return None
    if value != int(value):
        faults.append(f"{where}: {column} '{text}' is no whole number; give 0 to 3.")
        return None
    return int(value)


def _bleeding(text: str, where: str, faults: list[str]) -> bool | None:
    said = text.lower()
    if said and said not in _YES + _NO:
        faults.append(f"{where}: bleeding '{text}' is not known; use yes, no or leave it blank.")
    return True if said in _YES else False if said in _NO else None


def _row(cells: dict[str, str], where: str, faults: list[str]) -> ChartRow | None:
    if not (cells["tooth"].isascii() and cells["tooth"].isdigit()):
        faults.append(
            f"{where}: tooth '{cells['tooth']}' is no tooth; use a modified Triadan number."
        )
        return None
    site = cells["site"].lower()
    return ChartRow(
        tooth=int(cells["tooth"]),
        site=_SITE_WORDS.get(site, site),
        when=cells["pass"].lower() or PASSES[0],
        probing_depth_mm=_number(cells["probing_depth_mm"], "probing_depth_mm", where, faults),
        margin_mm=_number(cells["margin_mm"], "margin_mm", where, faults),
        bleeding=_bleeding(cells["bleeding"], where, faults),
        gingivitis_index=_index(cells["gingivitis_index"], "gingivitis_index", where, faults),
        plaque_index=_index(cells["plaque_index"], "plaque_index", where, faults),
        calculus_index=_index(cells["calculus_index"], "calculus_index", where, faults),
        furcation=_index(cells["furcation"], "furcation", where, faults),
        mobility=_index(cells["mobility"], "mobility", where, faults),
        status=cells["status"].lower(),
        findings=tuple(f.strip() for f in cells["finding"].split(";") if f.strip()),
        decision=cells["decision"],
        done=cells["done"],
        note=cells["note"],
        extra=tuple((k, v) for k, v in cells.items() if k not in COLUMNS and k),
    )


def read_chart(path: str | Path, species: str) -> Chart:
    """Read a visit's chart; a blank stays unmeasured.

    Parameters
    ----------
    path : path
        CSV in UTF-8 with the columns `COLUMNS`; others are kept. A blank pass means before.
    species : str
        ``dog`` or ``cat``.

    Returns
    -------
    Chart
        Rows in the file's order.

    Raises
    ------
    InputRefused
        With one line for every fault of the file.
    """
    path = Path(path)
    check_species(species)
    header, table = csv_rows(path, COLUMNS)
    faults: list[str] = []
    rows: list[ChartRow] = []
    seen: dict[tuple[int, str, str], int] = {}
    for line, cells in table:
        where = f"{path}: line {line}"
        row = _row(cells, where, faults)
        if row is None:
            continue
        faults += [f"{where}: {fault}" for fault in row_faults(row, species)]
        if row.key in seen:
            faults.append(
                f"{where}: {row.tooth} {row.site or 'tooth'} {row.when} is there already on line "
                f"{seen[row.key]}; keep one."
            )
        else:
            seen[row.key] = line
            rows.append(row)
    chart = Chart(tuple(rows), tuple(h for h in header if h and h not in COLUMNS))
    faults += [f"{path}: {fault}" for fault in chart_faults(chart, species)]
    if faults:
        raise InputRefused(*faults)
    return chart


def _text(value: float | int | None) -> str:
    return "" if value is None else f"{value:g}" if value == round(value, 4) else repr(value)


def chart_text(chart: Chart) -> str:
    """Chart as the text of its file."""
    known = [*chart.columns, *(k for r in chart for k, _ in r.extra)]
    extra = list(dict.fromkeys(known))
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([*COLUMNS, *extra])
    for row in chart:
        kept = dict(row.extra)
        writer.writerow(
            [
                row.tooth,
                row.site,
                row.when,
                _text(row.probing_depth_mm),
                _text(row.margin_mm),
                "" if row.bleeding is None else "yes" if row.bleeding else "no",
                _text(row.gingivitis_index),
                _text(row.plaque_index),
                _text(row.calculus_index),
                _text(row.furcation),
                _text(row.mobility),
                row.status,
                "; ".join(row.findings),
                row.decision,
                row.done,
                row.note,
                *(kept.get(name, "") for name in extra),
            ]
        )
    return out.getvalue()


def write_chart(path: str | Path, chart: Chart) -> None:
    """Write a chart whole or not at all.

    Raises
    ------
    InputRefused
        If the folder cannot be written; the file that was there stays.
    """
    write_atomically(Path(path), chart_text(chart).encode())
