"""The table of sites: percentage with SD, millimetres, stage."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from qtpy.QtCore import Qt, QTimer, Signal
from qtpy.QtGui import QColor
from qtpy.QtWidgets import QHeaderView, QTableWidget, QTableWidgetItem

from perioview.bone_loss import Site
from perioview_napari.drawing import STAGE_COLOURS, site_text

COLUMNS = (("tooth", 38), ("root, side", 100), ("loss", 70), ("mm", 72), ("stage", 40))
Key = tuple[int, str, str]


class NumbersTable(QTableWidget):
    """One row per site; a click asks for its crest."""

    chosen = Signal(int, str, str)

    def __init__(self) -> None:
        super().__init__(0, len(COLUMNS))
        self.rows: dict[Key, int] = {}
        self.setHorizontalHeaderLabels([name for name, _ in COLUMNS])
        self.verticalHeader().setVisible(False)
        self.setEditTriggers(QTableWidget.EditTrigger.NoEditTriggers)
        self.setSelectionMode(QTableWidget.SelectionMode.NoSelection)
        for i, (_, width) in enumerate(COLUMNS):
            self.setColumnWidth(i, width)
        # Always there: come and gone, it would change what fits into the column of names.
        self.setVerticalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOn)
        # The longest names, such as mesiopalatal, wrap in what room the numbers leave.
        self.horizontalHeader().setSectionResizeMode(1, QHeaderView.ResizeMode.Stretch)
        self.horizontalHeader().sectionResized.connect(self._resized)
        self.cellClicked.connect(self._clicked)

    def _resized(self, column: int, _before: int, _now: int) -> None:
        if column == 1:
            # Not at once: the column still has its former width.
            QTimer.singleShot(0, self.resizeRowsToContents)

    def _clicked(self, row: int, _column: int) -> None:
        for place, at in self.rows.items():
            if at == row:
                self.chosen.emit(*place)

    def fill(self, sites: Iterable[Site], stage: Callable[[Site], str]) -> None:
        """Show these sites and no others."""
        shown = tuple(sites)
        self.rows = {(s.tooth, s.root, s.side): i for i, s in enumerate(shown)}
        self.setRowCount(len(shown))
        self.update_sites(shown, stage)
        self.resizeRowsToContents()

    def update_sites(self, sites: Iterable[Site], stage: Callable[[Site], str]) -> None:
        """Show these sites anew where they have a row."""
        for site in sites:
            row = self.rows.get((site.tooth, site.root, site.side))
            if row is not None:
                self._fill_row(row, site, stage(site))

    def _fill_row(self, row: int, site: Site, stage: str) -> None:
        loss = site.bone_loss
        texts = (
            str(site.tooth),
            site.side if site.root == "single" else f"{site.root}, {site.side}",
            site_text(site),
            f"{loss.value:.1f} ± {loss.sd:.1f}" if loss.known and loss.unit == "mm" else "",
            stage,
        )
        flags = ", ".join(site.flags).replace("_", " ")
        for column, text in enumerate(texts):
            item = self.item(row, column)
            if item is None:
                item = QTableWidgetItem()
                self.setItem(row, column, item)
            if item.text() != text:
                item.setText(text)
            item.setToolTip(flags)
        self.item(row, len(texts) - 1).setForeground(
            QColor(STAGE_COLOURS.get(stage, STAGE_COLOURS[""]))
        )
