"""What is still open before the animal wakes: a list, one key to the next point, the report."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from qtpy.QtCore import Qt
from qtpy.QtWidgets import QLabel, QListWidget, QListWidgetItem, QPushButton, QVBoxLayout, QWidget

from perioview.closeout import Gap, next_gap
from perioview_napari.report_button import ReportButton

# None of the marking panel's, which lies in the same window: two of one key and neither works.
NEXT_OPEN, MEASURE_AGAIN = "F8", "F9"


class GapList(QWidget):
    """Lists the gaps of a visit and goes from one to the next.

    Parameters
    ----------
    go_to : callable
        Called with the gap that is to be seen to.
    renew : callable
        Measures the visit again.
    visit : callable
        Returns the visit folder and the number of open points, for the report.
    """

    def __init__(
        self,
        go_to: Callable[[Gap], None],
        renew: Callable[[], None],
        visit: Callable[[], tuple[Path, int] | None],
    ) -> None:
        super().__init__()
        self.go_to = go_to
        self.gaps: tuple[Gap, ...] = ()
        self.gap: Gap | None = None
        self.title = QLabel("")
        self.title.setStyleSheet("font-size: 18px; font-weight: 600")
        self.list = QListWidget()
        self.list.setWordWrap(True)
        self.list.setStyleSheet("font-size: 14px")
        self.list.itemActivated.connect(self._activated)
        self.list.itemClicked.connect(self._activated)
        following = QPushButton(f"Next open point  {NEXT_OPEN}")
        following.clicked.connect(self.next_open)
        again = QPushButton(f"Measure the visit again  {MEASURE_AGAIN}")
        again.clicked.connect(lambda _=False: renew())
        self.report = ReportButton(visit)
        inside = QVBoxLayout(self)
        for part in (self.title, self.list, following, again, self.report):
            inside.addWidget(part)

    def show_gaps(self, gaps: tuple[Gap, ...]) -> None:
        """List these gaps and no others."""
        self.gaps = gaps
        self.title.setText(f"{len(gaps)} still open" if gaps else "Nothing is open.")
        self.list.clear()
        for gap in gaps:
            item = QListWidgetItem(gap.sentence)
            item.setData(Qt.ItemDataRole.UserRole, gap)
            self.list.addItem(item)

    def _activated(self, item: QListWidgetItem) -> None:
        self.gap = item.data(Qt.ItemDataRole.UserRole)
        if self.gap is not None:
            self.go_to(self.gap)

    def next_open(self) -> None:
        """Jump to the next open point."""
        self.gap = next_gap(self.gaps, self.gap)
        if self.gap is not None:
            self.list.setCurrentRow(self.gaps.index(self.gap))
            self.go_to(self.gap)
