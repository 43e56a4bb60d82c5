"""The mouth in one panel: charting by keyboard, the map, and what is open before waking."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from qtpy.QtGui import QKeySequence, QShortcut
from qtpy.QtWidgets import (
    QFileDialog,
    QLabel,
    QLineEdit,
    QPlainTextEdit,
    QPushButton,
    QTabWidget,
    QVBoxLayout,
    QWidget,
)

from perioview.chart import Chart
from perioview.chart_entry import Entry, entered, read_back, started
from perioview.closeout import Gap
from perioview.errors import InputRefused
from perioview.teeth import tooth
from perioview.visit import Examination, Visit
from perioview_napari.convert import is_perioview_image
from perioview_napari.docking import BesideMarking
from perioview_napari.find_panel import open_marking_panel
from perioview_napari.gap_list import MEASURE_AGAIN, NEXT_OPEN, GapList
from perioview_napari.mouth_view import MapTab
from perioview_napari.procedure_list import ProcedureList
from perioview_napari.visits import visit_of_viewer
from perioview_napari.work import in_background

HELP = (
    "n probed, within normal · 323333 six depths · g1 c2 m1 f2 · x missing · / decision · "
    "// done · = agreed by the owner · z undo · < back · Enter next"
)

TABS = {"chart": 0, "radiographs": 2, "photos": 2, "procedure": 3}
"""Where a gap is seen to, by its screen."""


class MouthPanel(BesideMarking):
    """Chart, map and close-out of one visit folder.

    Parameters
    ----------
    napari_viewer : napari.Viewer
    """

    def __init__(self, napari_viewer: Any) -> None:
        super().__init__()
        self.viewer = napari_viewer
        self.folder: Path | None = None
        self.examination: Examination | None = None
        self.entry: Entry | None = None
        self.gaps: tuple[Gap, ...] = ()
        self.worker: Any = None
        self._measured: tuple[tuple[str, int], ...] = ()
        self._build()
        folder = self._of_layers = self._folder_of_layers()
        if folder is not None:
            self.open_visit(folder)

    def _build(self) -> None:
        self.setMinimumWidth(330)
        self.title = QLabel("no visit open")
        self.title.setStyleSheet("font-weight: 600; font-size: 15px")
        self.title.setWordWrap(True)
        opener = QPushButton("Open a visit folder…")
        opener.clicked.connect(self._ask_folder)
        self.at = QLabel("")
        self.at.setStyleSheet(
            "font-size: 18px; font-weight: 600; padding: 6px; background: #10344d; color: white"
        )
        self.at.setWordWrap(True)
        self.line = QLineEdit()
        self.line.setPlaceholderText("call the tooth, then Enter")
        self.line.setStyleSheet("font-size: 18px; padding: 6px")
        self.line.returnPressed.connect(self.take_line)
        self.message = QLabel("")
        self.message.setWordWrap(True)
        self.message.setStyleSheet("font-size: 14px")
        self.help = QLabel(HELP)
        self.help.setWordWrap(True)
        self.help.setStyleSheet("color: #9ad0f5")
        self.charted = QPlainTextEdit()
        self.charted.setReadOnly(True)
        chart = QWidget()
        inside = QVBoxLayout(chart)
        for part in (self.at, self.line, self.message, self.charted, self.help):
            inside.addWidget(part)
        self.map_tab = MapTab(self.go_to_tooth)
        self.map, self.enlarge_map = self.map_tab.map, self.map_tab.enlarge
        self.closing = GapList(self._show_gap, self.measure_again, self.report_of)
        self.next_open = self.closing.next_open
        self.tabs = QTabWidget()
        self.tabs.addTab(chart, "Call out")
        self.tabs.addTab(self.map_tab, "Mouth")
        self.tabs.addTab(self.closing, "Before you wake them")
        self.procedure = ProcedureList(self._steps_changed)
        self.tabs.addTab(self.procedure, "Steps")
        # All four fit beside each other: what is behind an arrow is not found.
        self.tabs.setUsesScrollButtons(False)
        self.tabs.setStyleSheet("QTabBar::tab { padding: 4px 5px; font-size: 12px; }")
        box = QVBoxLayout(self)
        for part in (self.title, opener, self.tabs):
            box.addWidget(part)
        for keys, act in ((NEXT_OPEN, self.next_open), (MEASURE_AGAIN, self.measure_again)):
            QShortcut(QKeySequence(keys), self).activated.connect(act)

    def showEvent(self, event: Any) -> None:
        """Follow the visit in the window, and measure again if marks were placed since."""
        super().showEvent(event)
        folder = self._folder_of_layers()
        if folder is not None and folder != self._of_layers:
            self._of_layers = folder
            self.entry = None
            self.open_visit(folder)
        elif self.examination is not None and self._marks_on_disk() != self._measured:
            self.measure_again()

    def _marks_on_disk(self) -> tuple[tuple[str, int], ...]:
        """Names and times of change of the visit's marks."""
        if self.folder is None:
            return ()
        files = sorted((self.folder / "marks").glob("*.csv"))
        return tuple((f.name, f.stat().st_mtime_ns) for f in files)

    def _folder_of_layers(self) -> Path | None:
        return visit_of_viewer(self.viewer)

    def _ask_folder(self) -> None:
        name = QFileDialog.getExistingDirectory(self, "A visit folder")
        if name:
            self.open_visit(Path(name))

    def open_visit(self, folder: Path) -> None:
        """Measure a visit folder beside the window and show it."""
        from perioview.files.visit_folder import examine

        self.title.setText(f"{folder.name}: measuring…")
        self.folder = folder
        self._measured = self._marks_on_disk()

        def opened(examination: Examination) -> None:
            if folder == self.folder:  # not one that was left for another meanwhile
                self._opened(examination)

        self.worker = in_background(lambda: examine(folder), opened, self.say)

    def measure_again(self) -> None:
        """Measure the visit anew: marks and photos may have changed."""
        if self.folder is not None:
            self.open_visit(self.folder)

    def say(self, text: str) -> None:
        """Show a message or the faults of the last act."""
        self.message.setText(text)
        if self.examination is None:
            self.title.setText(text)

    def _opened(self, examination: Examination) -> None:
        self.examination = examination
        patient = examination.visit.patient
        weight = patient.get("weight_kg")
        at = self.entry.at if self.entry else None
        self.entry = started(
            examination.species,
            examination.chart,
            float(weight) if isinstance(weight, int | float) and weight > 0 else None,
        )
        if at is not None:
            self.entry = replace(self.entry, at=at)
        name = str(patient.get("name", "")).replace("^", ", ")
        self.title.setText(f"{name}  ({patient['id']}), {examination.species}")
        if self.folder is not None:
            self.procedure.show_visit(self.folder, examination.visit)
        self._fill()

    def report_of(self) -> tuple[Path, int] | None:
        """Return the visit the report is made of, and how many points are still open."""
        return None if self.folder is None else (self.folder, len(self.gaps))

    def _steps_changed(self, visit: Visit) -> None:
        if self.examination is not None:
            self.examination = replace(self.examination, visit=visit)
            self._fill()

    def take_line(self) -> None:
        """Take the line that was called out; keep it on disk before going on."""
        from perioview.files.chart_table import write_chart

        if self.entry is None or self.folder is None:
            return
        try:
            answer = entered(self.entry, self.line.text())
            if answer.entry.chart != self.entry.chart:
                write_chart(self.folder / "chart.csv", answer.entry.chart)
        except InputRefused as error:
            self.message.setText(str(error))
            self.line.selectAll()
            return
        self.entry = answer.entry
        self.line.clear()
        self._fill()
        self.message.setText("\n".join((answer.echo, *answer.asked)))

    def _fill(self) -> None:
        from perioview.record.findings import findings

        if self.entry is None or self.examination is None:
            return
        chart: Chart = self.entry.chart
        found = findings(replace(self.examination, chart=chart))
        self.at.setText(f"{self.entry.at}  {tooth(self.entry.at, self.entry.species).words}")
        self.charted.setPlainText(
            "\n".join(read_back(chart, n, self.entry.when) for n in chart.teeth())
        )
        self.map.show_shapes(found.map_shapes)
        self.gaps = found.gaps
        self.tabs.setTabText(2, f"Before you wake them ({len(self.gaps)})")
        self.closing.show_gaps(self.gaps)

    def _show_gap(self, gap: Gap) -> None:
        """Go where a gap is seen to: its film, its tooth, the line to call it out."""
        if gap.tooth is not None:
            self.go_to_tooth(gap.tooth)
        self.tabs.setCurrentIndex(TABS.get(gap.screen, 2))
        for label in (self.message, self.procedure.message):
            label.setText(gap.sentence)

    def go_to_tooth(self, number: int) -> None:
        """Show the tooth's radiograph and put the charting there."""
        if self.entry is None or self.examination is None:
            return
        self.entry = replace(self.entry, at=number)
        self.at.setText(f"{number}  {tooth(number, self.entry.species).words}")
        files = [r.image.name for r in self.examination.radiographs if number in r.marks.teeth()]
        files += [
            Path(str(row["file"])).name
            for row in self.examination.visit.images
            if number in row.get("teeth", ())
        ]
        shown = [la for la in self.viewer.layers if la.name in files]
        if shown:
            self._show_radiograph(shown[0], number)
        self.line.setFocus()

    def _show_radiograph(self, layer: Any, number: int) -> None:
        """Show a radiograph; where it is being marked, with its own marks and the tooth in hand."""
        panel = open_marking_panel(self.viewer)
        if panel is not None:
            panel.show_tooth(layer, number)
            return
        for other in self.viewer.layers:
            if is_perioview_image(other):
                other.visible = other is layer
        self.viewer.layers.selection.active = layer
