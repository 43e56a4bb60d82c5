"""Two visits laid on each other: blink, fade, difference, and what changed at each site."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from qtpy.QtCore import Qt
from qtpy.QtGui import QFontDatabase
from qtpy.QtWidgets import (
    QComboBox,
    QFileDialog,
    QFormLayout,
    QHBoxLayout,
    QLabel,
    QPushButton,
    QScrollArea,
)

from perioview.alignment import Alignment
from perioview.comparison import Comparison, Marked
from perioview.errors import InputRefused
from perioview_napari.convert import image_of_layer, is_perioview_image
from perioview_napari.docking import BesideMarking
from perioview_napari.earlier_visit import open_beside
from perioview_napari.find_panel import marking_panel, open_marking_panel
from perioview_napari.laid_over import CHANGE, LATER, LaidOver
from perioview_napari.point_pairs import PointPairs
from perioview_napari.sections import narrow, scrolled
from perioview_napari.work import in_background

LEAST_PAIRS = 3


class ComparePanel(BesideMarking):
    """Aligns a later radiograph onto an earlier one and shows what changed.

    Parameters
    ----------
    napari_viewer : napari.Viewer
    """

    def __init__(self, napari_viewer: Any) -> None:
        super().__init__()
        self.viewer = napari_viewer
        self.worker: Any = None
        self._asked = 0
        self.pairs: PointPairs | None = None
        self.alignment: tuple[Any, Any, Alignment] | None = None
        self._closed = False
        self._build()
        for event in (self.viewer.layers.events.inserted, self.viewer.layers.events.removed):
            event.connect(self.refresh)
        self.refresh()

    def closeEvent(self, event: Any) -> None:
        """Let go of the viewer."""
        self.laid.timer.stop()
        if not self._closed:
            self._closed = True
            self.point.setChecked(False)
            for signal in (self.viewer.layers.events.inserted, self.viewer.layers.events.removed):
                signal.disconnect(self.refresh)
        super().closeEvent(event)

    # -- building -------------------------------------------------------------------------------

    def _build(self) -> None:
        self.setMinimumWidth(330)
        self.earlier, self.later = narrow(QComboBox()), narrow(QComboBox())
        opener = QPushButton("Open an earlier visit beside this one…")
        opener.clicked.connect(self._ask_folder)
        form = QFormLayout()
        form.addRow(opener)
        form.addRow("earlier", self.earlier)
        form.addRow("later", self.later)
        self.go = QPushButton("Lay the later on the earlier")
        self.go.clicked.connect(self.align)
        self.point = QPushButton("Click matching points")
        self.point.setCheckable(True)
        self.point.toggled.connect(self._pointing)
        self.undo = QPushButton("Take the last point back")
        self.undo.setEnabled(False)
        self.undo.clicked.connect(lambda: self.pairs.undo() if self.pairs else None)
        row = QHBoxLayout()
        for button in (self.point, self.undo):
            row.addWidget(button)
        self.laid = LaidOver(self.viewer)
        self.fade, self.blink = self.laid.fade, self.laid.blink
        self.carry = QPushButton("Carry the earlier marks to the later")
        self.carry.setEnabled(False)
        self.carry.clicked.connect(self.carry_marks)
        self.message = QLabel(
            "Open an earlier and a later radiograph of the same place, then lay one on the other."
        )
        self.message.setWordWrap(True)
        self.table = QLabel("")
        self.table.setFont(QFontDatabase.systemFont(QFontDatabase.SystemFont.FixedFont))
        self.table.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        area = QScrollArea()
        area.setWidget(self.table)
        area.setWidgetResizable(True)
        self.table.setAlignment(Qt.AlignmentFlag.AlignTop)
        box = scrolled(self)
        box.addLayout(form)
        box.addWidget(self.go)
        box.addLayout(row)
        for part in (QLabel("earlier … later"), self.fade, self.blink, self.carry, self.message):
            box.addWidget(part)
        box.addWidget(area, 1)

    def _ask_folder(self) -> None:
        chosen = QFileDialog.getExistingDirectory(self, "The folder of an earlier visit")
        if chosen:
            self.open_earlier(Path(chosen))

    def open_earlier(self, folder: Path) -> None:
        """Open a visit's radiographs beside those that are open, named with its date."""
        own = [la.name for la in self.viewer.layers if is_perioview_image(la)]
        try:
            date, names = open_beside(self.viewer, folder)
        except InputRefused as fault:
            self.say(str(fault))
            return
        self.say(f"{len(names)} images of {date} opened; choose which belong together.")
        # The same file name is the same view, as a rule.
        for plain, name in names:
            if plain in own:
                self.earlier.setCurrentText(name)
                self.later.setCurrentText(plain)
                return

    def refresh(self, event: Any = None) -> None:
        """List the images that perioview opened."""
        names = [
            la.name for la in self.viewer.layers if is_perioview_image(la) and la.name != LATER
        ]
        for i, box in enumerate((self.earlier, self.later)):
            kept = box.currentText()
            box.clear()
            box.addItems(names)
            wanted = names.index(kept) if kept in names else min(i, len(names) - 1)
            box.setCurrentIndex(wanted)

    def say(self, text: str) -> None:
        """Show a message or the faults of the last act."""
        self.message.setText(text)

    def _chosen(self) -> tuple[Any, Any] | None:
        """Return the two layers that are chosen; say so when they are not two."""
        names = self.earlier.currentText(), self.later.currentText()
        if not all(names) or self.earlier.currentIndex() == self.later.currentIndex():
            self.say("Choose two different images.")
            return None
        layers = [la for la in self.viewer.layers if is_perioview_image(la) and la.name != LATER]
        return layers[self.earlier.currentIndex()], layers[self.later.currentIndex()]

    # -- points by hand -------------------------------------------------------------------------

    def _pointing(self, on: bool) -> None:
        """Lay the two images side by side for clicks, or put them back."""
        if self.pairs is not None:
            self.pairs.close()
            self.pairs = None
        self.undo.setEnabled(on)
        panel = open_marking_panel(self.viewer)
        if panel is not None:
            panel.set_marking(panel.marks_on.isChecked() and not on)
            panel.marking.overlay.setVisible(not on)
        if not on:
            if panel is not None:
                panel.marking.rescale()
                panel.marking.seeing.fit()
            self.say("Points left. 'Lay the later on the earlier' finds its own.")
            return
        chosen = self._chosen()
        if chosen is None:
            self.point.setChecked(False)
            return
        self.laid.clear()
        self.pairs = PointPairs(self.viewer, *chosen, self._pointed)
        self._pointed()

    def _pointed(self) -> None:
        if self.pairs is not None:
            self.say(self.pairs.words)

    # -- aligning -------------------------------------------------------------------------------

    def align(self) -> None:
        """Align the two chosen images beside the window, by the clicked points if there are any."""
        from perioview.comparison import compared
        from perioview.subtraction import difference_picture

        chosen = self._chosen()
        if chosen is None:
            return
        points = None
        if self.pairs is not None:
            points = self.pairs.pairs
            if len(points) < LEAST_PAIRS:
                self.say(f"{len(points)} pairs; click at least {LEAST_PAIRS}. {self.pairs.words}")
                return
        try:
            earlier, later = (self._marked(la) for la in chosen)
        except InputRefused as error:
            self.say(str(error))
            return

        def task() -> tuple[Comparison, Any]:
            from perioview.comparison import dense_bright

            found = compared(earlier, later, points=points)
            return found, difference_picture(found.difference, dense_bright(earlier.image))

        self.say("aligning…")
        self.carry.setEnabled(False)
        self._asked += 1
        asked = self._asked

        def if_latest(act: Callable[[Any], None]) -> Callable[[Any], None]:
            # An answer about images chosen before must not be read as one about these.
            return lambda answer: act(answer) if asked == self._asked else None

        self.worker = in_background(
            task, if_latest(lambda got: self._show(chosen, *got)), if_latest(self.say)
        )

    def _marked(self, layer: Any) -> Marked:
        """Take the marks of a layer, as far as they are known."""
        image, path = image_of_layer(layer)
        panel = open_marking_panel(self.viewer)
        species = None if panel is None else panel.visits.species(path) or image.species
        if panel is None or species is None or image.colour:
            return Marked(image)
        session = panel.marking.open_session(layer, species)
        return Marked(image, session.round.marks, session.calibration, session.mark_sd)

    def _show(self, layers: tuple[Any, Any], found: Comparison, picture: Any) -> None:
        from perioview.comparison_object import radiographs_object
        from perioview.comparison_table import short_table

        self.point.setChecked(False)
        self.alignment = (*layers, found.alignment)
        self.laid.show(layers[0], found.difference, picture)
        self.carry.setEnabled(True)
        changed = found.difference
        area = changed.known.sum() or 1
        self.say(
            "\n".join(
                (
                    f"aligned within {found.alignment.rms_px:.2f} px, "
                    f"{found.alignment.matches} matches",
                    f"significant gain {100 * changed.gain.sum() / area:.2f} %, "
                    f"loss {100 * changed.loss.sum() / area:.2f} % of the shared area",
                    f"'{CHANGE}' shows where.",
                    *found.warnings[1:],
                )
            )
        )
        self.table.setText("\n".join(short_table(radiographs_object(found))))

    def carry_marks(self) -> None:
        """Show the earlier marks on the later radiograph as hollow proposals."""
        from perioview_napari.carried import carry

        if self.alignment is None:
            return
        earlier, later, alignment = self.alignment
        if later not in self.viewer.layers or earlier not in self.viewer.layers:
            self.say("One of the two images was closed; open it and align again.")
            return
        self.blink.setChecked(False)
        try:
            kept, lost = carry(marking_panel(self.viewer), earlier, later, alignment)
        except InputRefused as fault:
            self.say(str(fault))
            return
        self.laid.clear()
        outside = f" {lost} fall outside the later image." if lost else ""
        self.say(
            f"{kept} marks carried as proposals.{outside} K keeps CEJ, apex and furcation of a "
            "tooth; drag each crest to where it is now (or Shift+K where it has not moved)."
        )
