"""What cleaning left: the photo in view against an outlined one of before, as map and table."""

from __future__ import annotations

from typing import Any

import numpy as np
from qtpy.QtWidgets import QTableWidget, QTableWidgetItem

from perioview.comparison_object import photos_object
from perioview.comparison_photos import PhotoComparison, compared_photos
from perioview.comparison_table import coverage_of, places_of
from perioview.image import Image
from perioview.plaque_reduction import less_or_more

STAYS = "what stays"
COLUMNS = ("tooth", "before %", "after %", "go back to")


def compared_with(
    before: Image,
    after: Image,
    regions: Any,
    *,
    dye: str,
    gum: str | None,
    later_gum: str | None,
    cards: tuple[Any, Any],
    later_regions: Any = None,
) -> tuple[PhotoComparison, Any]:
    """Compare two photos; the result and its map over the later one. Touches no widget."""
    from perioview.comparison_map import go_back_picture

    found = compared_photos(
        before, after, regions, dye=dye, gum=gum, later_gum=later_gum, cards=cards,
        later_regions=later_regions,
    )  # fmt: skip
    return found, go_back_picture(np.asarray(after.pixels), found)


def fill_table(table: QTableWidget, found: PhotoComparison) -> None:
    """Write a row per tooth."""
    teeth = photos_object(found)["teeth"]
    table.setColumnCount(len(COLUMNS))
    table.setHorizontalHeaderLabels(COLUMNS)
    table.setRowCount(len(teeth))
    for row, tooth in enumerate(teeth):
        cells = (
            str(tooth["tooth"]),
            *(coverage_of(tooth, when) for when in ("before", "after")),
            places_of(tooth),
        )
        for column, cell in enumerate(cells):
            table.setItem(row, column, QTableWidgetItem(cell))
    table.horizontalHeader().setStretchLastSection(True)
    for column in range(len(COLUMNS) - 1):
        table.resizeColumnToContents(column)
    table.resizeRowsToContents()


def in_words(found: PhotoComparison) -> str:
    """How much less there is, and what to doubt."""
    written = photos_object(found)
    less = written["reduction"]
    said = [] if less is None else [
        f"{less_or_more(less['coverage']['reduction_pct'])} plaque than before "
        f"(index {less_or_more(less['index']['reduction_pct'])})."
    ]  # fmt: skip
    # The two standing sentences are beside the table and in the report.
    standing = found.before.warnings[:2]
    return " ".join([*said, *(w for w in written["warnings"] if w not in standing)])
