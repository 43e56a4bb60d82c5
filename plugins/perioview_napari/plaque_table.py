"""Plaque of each tooth as a table, and the gist of it in words."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from qtpy.QtWidgets import QTableWidget, QTableWidgetItem

COLUMNS = ("tooth", "plaque %", "gum half", "crown half", "notes")
HALVES = ("gingival_half_pct", "coronal_half_pct")


def plaque_table() -> QTableWidget:
    """Return the table, empty."""
    table = QTableWidget(0, len(COLUMNS))
    table.setHorizontalHeaderLabels(COLUMNS)
    table.verticalHeader().setVisible(False)
    table.horizontalHeader().setStretchLastSection(True)
    table.resizeColumnsToContents()
    return table


def fill_table(table: QTableWidget, teeth: Sequence[Mapping[str, Any]]) -> None:
    """Write a row per tooth."""
    table.setColumnCount(len(COLUMNS))
    table.setHorizontalHeaderLabels(COLUMNS)
    table.setRowCount(len(teeth))
    for i, t in enumerate(teeth):
        cells = (
            str(t["tooth"]),
            with_sd(t["coverage_pct"], t["coverage_pct_sd"]),
            *(with_sd(t[k], t[f"{k}_sd"]) for k in HALVES),
            ", ".join(f.replace("_", " ") for f in t["flags"]),
        )
        for j, cell in enumerate(cells):
            table.setItem(i, j, QTableWidgetItem(cell))
    table.horizontalHeader().setStretchLastSection(True)
    for column in range(len(COLUMNS) - 1):
        table.resizeColumnToContents(column)
    table.resizeRowsToContents()


def result_words(result: Any, doubtful: Iterable[int]) -> str:
    """Say how much is covered, which outlines nobody looked at, and what to doubt."""
    mouth = result.json_object()["mouth"]["coverage_pct"]
    said = [] if mouth is None else [f"All outlined teeth: {mouth:.0f} % covered."]
    if unseen := ", ".join(map(str, doubtful)):
        said.append(f"Outlines not looked at: {unseen}.")
    # The two standing sentences are beside the table and in the report.
    said += [w.replace("state it with --gum", "choose it above") for w in result.warnings[2:]]
    return " ".join(said)


def with_sd(value: float | None, sd: float | None) -> str:
    """Say a number with its SD; a question mark where the SD is not known, never 0."""
    if value is None:
        return "-"
    if sd is None:
        return f"{value:.0f} ± ?"
    return f"{value:.0f} ± {sd:.0f}" if sd >= 0.95 else f"{value:.0f} ± {sd:.1f}"
