"""The mouth in one panel: charting by keyboard, the map, and what is open before waking."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from qtpy.QtCore import QTimer
from qtpy.QtGui import QKeySequence, QShortcut
from qtpy.QtWidgets import (
    QFileDialog,
    QLabel,
    QLineEdit,
    QPlainTextEdit,
    QPushButton,
    QSizePolicy,
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
from perioview_napari.chart_kept import ChartFile, measured_files
from perioview_napari.docking import BesideMarking
from perioview_napari.gap_list import MEASURE_AGAIN, NEXT_OPEN, GapList
from perioview_napari.mouth_view import MapTab
from perioview_napari.procedure_list import ProcedureList
from perioview_napari.tooth_in_view import films_of, photos_of, show_tooth
from perioview_napari.visits import visit_of_viewer
from perioview_napari.work import in_background

HELP = (
    "n probed, within normal · 323333 six depths, * bleeds · d5mb one depth · r recession, "
    "e enlargement (r012000, r2b) · g1 p2 c1 m1 f2b · x missing · u unerupted · q not examined · "
    "/ decision · = agreed by the owner · // done · ' note · z undo · < back · clear · "
    "before, after scaling · Enter next"
)
LOOK_EVERY_MS = 1000

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
        self.measuring = False
        self.refused = ""
        self.chart_file: ChartFile | None = None
        self._measured: tuple[tuple[str, int], ...] = ()
        self._build()
        self._clock = QTimer(self)
        self._clock.timeout.connect(self._look)
        self._clock.start(LOOK_EVERY_MS)
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
        # A long text would ask for a panel twice as wide, at the image's cost.
        policy = QSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        policy.setHeightForWidth(True)
        self.help.setSizePolicy(policy)
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
        self._follow()

    def _look(self) -> None:
        """Coming to the front of its tabs a panel gets no event, so it looks by itself."""
        if not self.visibleRegion().isEmpty():
            self._follow()

    def _follow(self) -> None:
        """Go over to the visit in the window; measure again what was marked or outlined since."""
        folder = self._folder_of_layers()
        if folder is not None and folder != self._of_layers:
            self._of_layers = folder
            self.entry = None
            self.open_visit(folder)
            return
        if self.folder is None or self.examination is None or self.measuring:
            return
        changed = self.chart_file is not None and self.chart_file.changed
        if changed or measured_files(self.folder) != self._measured:
            self.measure_again()

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
        if folder != self.folder:
            self.folder, self.entry, self.examination = folder, None, None
        self.chart_file = ChartFile(folder)
        self._measured = measured_files(folder)
        self.measuring, self.refused = True, ""

        def opened(examination: Examination) -> None:
            if folder == self.folder:  # not one that was left for another meanwhile
                self.measuring = False
                self._opened(examination)

        def refused(text: str) -> None:
            if folder == self.folder:
                self.measuring, self.refused = False, text
                self.title.setText(f"{folder.name}: cannot be read")
                self.say(text)

        self.worker = in_background(lambda: examine(folder, partial=True), opened, refused)

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
        kilos = float(weight) if isinstance(weight, int | float) and weight > 0 else None
        begun = started(examination.species, examination.chart, kilos)
        if self.entry is None or self.entry.species != begun.species:
            self.entry = begun
        elif self.entry.chart == begun.chart:
            # Measured anew, the charting goes on where it stood, pass and undo with it.
            self.entry = replace(self.entry, weight_kg=kilos)
        else:
            # Undo must not bring back what another program has changed since.
            self.entry = replace(begun, at=self.entry.at, when=self.entry.when)
        name = str(patient.get("name", "")).replace("^", ", ")
        self.title.setText(f"{name}  ({patient['id']}), {examination.species}")
        if self.folder is not None:
            self.procedure.show_visit(self.folder, examination.visit)
        self._fill()
        if examination.faults:
            self.message.setText("\n".join(("left out:", *examination.faults)))

    def report_of(self) -> tuple[Path, int] | None:
        """Return the visit the report is made of, and how many points are still open."""
        return None if self.folder is None else (self.folder, len(self.gaps))

    def _steps_changed(self, visit: Visit) -> None:
        if self.examination is not None:
            self.examination = replace(self.examination, visit=visit)
            if self.folder is not None:
                self._measured = measured_files(self.folder)
            self._fill()

    def take_line(self) -> None:
        """Take the line that was called out; keep it on disk before going on."""
        if self.entry is None or self.chart_file is None:
            return
        if self.refused:
            # Written from memory, the chart would take the place of what cannot be read.
            self.message.setText(f"Not taken, mend this first: {self.refused}")
            return
        try:
            answer = entered(self.entry, self.line.text())
            if answer.entry.chart != self.entry.chart:
                self.chart_file.write(answer.entry.chart)
        except InputRefused as error:
            self.message.setText(str(error))
            if self.chart_file.changed:
                self.measure_again()
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
        self._say_where()
        self.charted.setPlainText(
            "\n".join(read_back(chart, n, self.entry.when) for n in chart.teeth())
        )
        self.map.show_shapes(found.map_shapes)
        self.gaps = found.gaps
        self.tabs.setTabText(2, f"Before you wake them ({len(self.gaps)})")
        self.closing.show_gaps(self.gaps)

    def _say_where(self) -> None:
        """The tooth in hand, and the pass when it is not the first."""
        if self.entry is not None:
            later = ", after scaling" if self.entry.when == "after" else ""
            words = tooth(self.entry.at, self.entry.species).words
            self.at.setText(f"{self.entry.at}  {words}{later}")

    def _show_gap(self, gap: Gap) -> None:
        """Go where a gap is seen to: its film, its tooth, the line to call it out."""
        if gap.tooth is not None:
            self.go_to_tooth(gap.tooth, on_photo=gap.screen == "photos")
        self.tabs.setCurrentIndex(TABS.get(gap.screen, 2))
        for label in (self.message, self.procedure.message):
            label.setText(gap.sentence)

    def go_to_tooth(self, number: int, on_photo: bool = False) -> None:
        """Show the tooth's radiograph, or the last photo of it, and put the charting there."""
        if self.entry is None or self.examination is None:
            return
        self.entry = replace(self.entry, at=number)
        self._say_where()
        names = (
            photos_of(self.examination, number) if on_photo else films_of(self.examination, number)
        )
        show_tooth(self.viewer, names, number)
        if not on_photo:
            self.line.setFocus()
