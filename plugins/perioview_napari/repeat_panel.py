"""An observer marks one radiograph again and again, blind; the scatter becomes a profile."""

from __future__ import annotations

from typing import Any

from qtpy.QtCore import Qt
from qtpy.QtWidgets import (
    QComboBox,
    QFormLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QPushButton,
    QSpinBox,
)

from perioview.errors import InputRefused
from perioview.marks import Marks
from perioview.repeat_marking import (
    LEAST_PASSES,
    RepeatFiles,
    begin_pass,
    passes_done,
    repeat_files,
)
from perioview_napari.convert import image_of_layer, is_perioview_image
from perioview_napari.docking import BesideMarking
from perioview_napari.find_panel import marking_panel
from perioview_napari.proposed import Proposed
from perioview_napari.repeat_result import ResultView
from perioview_napari.sections import narrow, scrolled
from perioview_napari.session import Session

PASSES = 3
HINT = (
    "Mark the same radiograph several times, best on different days. What was marked before and "
    "all proposals are hidden; the passes are kept apart from the visit's own marks."
)


class BlindSession(Session):
    """One pass: an empty marking with its own file, and no proposals."""

    def propose(self, tooth: int) -> tuple[Proposed, ...]:
        """Propose nothing: the observer must not be led."""
        return ()


class RepeatPanel(BesideMarking):
    """Guides repeated marking and shows how well the observer repeats.

    Parameters
    ----------
    napari_viewer : napari.Viewer
    """

    def __init__(self, napari_viewer: Any) -> None:
        super().__init__()
        self.viewer = napari_viewer
        self.panel = marking_panel(napari_viewer)
        self.layer: Any = None
        self.files: RepeatFiles | None = None
        self.number = 0
        self.earlier = Marks()
        self.species = "dog"
        self._closed = False
        self._build()
        for event in (self.viewer.layers.events.inserted, self.viewer.layers.events.removed):
            event.connect(self.refresh)
        self.panel.marking.changed.connect(self._marked)
        self.refresh()

    def closeEvent(self, event: Any) -> None:
        """Show the visit's own marks again and let go of the viewer."""
        if not self._closed:
            self._closed = True
            self.leave()
            self.panel.marking.changed.disconnect(self._marked)
            for signal in (self.viewer.layers.events.inserted, self.viewer.layers.events.removed):
                signal.disconnect(self.refresh)
        super().closeEvent(event)

    # -- building -------------------------------------------------------------------------------

    def _build(self) -> None:
        self.setMinimumWidth(330)
        self.observer = QLineEdit()
        self.observer.setPlaceholderText("who marks, such as AB")
        self.images = narrow(QComboBox())
        self.passes = QSpinBox()
        self.passes.setRange(LEAST_PASSES, 20)
        self.passes.setValue(PASSES)
        form = QFormLayout()
        form.addRow("observer", self.observer)
        form.addRow("radiograph", self.images)
        form.addRow("passes", self.passes)
        self.go = QPushButton("Begin, or go on")
        self.go.clicked.connect(self.begin)
        self.stop = QPushButton("Leave; go on later")
        self.stop.clicked.connect(self.leave)
        self.stop.setEnabled(False)
        row = QHBoxLayout()
        for button in (self.go, self.stop):
            button.setFocusPolicy(Qt.FocusPolicy.NoFocus)
            row.addWidget(button)
        self.message = QLabel(HINT)
        self.message.setWordWrap(True)
        self.result = ResultView(self.say)
        self.table, self.picture = self.result.table, self.result.picture
        self.larger, self.show_result = self.result.larger, self.result.show_result
        box = scrolled(self)
        box.addLayout(form)
        box.addLayout(row)
        box.addWidget(self.message)
        box.addWidget(self.result, 1)

    def refresh(self, event: Any = None) -> None:
        """List the radiographs that perioview opened."""
        names = [la.name for la in self.viewer.layers if is_perioview_image(la)]
        kept = self.images.currentText()
        self.images.clear()
        self.images.addItems(names)
        if kept in names:
            self.images.setCurrentText(kept)

    def say(self, text: str) -> None:
        """Show what to do, or what was refused."""
        self.message.setText(text)

    # -- the session ----------------------------------------------------------------------------

    def begin(self) -> None:
        """Begin the next pass, or show the result when all are done."""
        if self.panel.released:
            self.say("The marking panel was closed. Close this panel too, and open it again.")
            return
        if self.files is None and not self._chosen():
            return
        try:
            self._go_on()
        except InputRefused as fault:
            self.say(str(fault))

    def _chosen(self) -> bool:
        """Take observer and radiograph as they are chosen; say what is missing."""
        layer = next(
            (la for la in self.viewer.layers if la.name == self.images.currentText()), None
        )
        if layer is None:
            self.say("Open a radiograph first.")
            return False
        _, path = image_of_layer(layer)
        try:
            files = repeat_files(path, self.observer.text())
            session = self.panel.marking.open_session(layer, self.panel.visits.species(path))
        except InputRefused as fault:
            self.say(str(fault))
            return False
        self.layer, self.files = layer, files
        self.earlier, self.species = session.round.marks, session.species
        return True

    def _go_on(self) -> None:
        done = self._done()
        if len(done) >= self.passes.value():
            self._finish(done)
            return
        files = self._files()
        image, _ = image_of_layer(self.layer)
        self.number = len(done) + 1
        try:
            path = begin_pass(files, self.number, self.earlier, self.species)
            session = BlindSession(image, path, self.species)
        except InputRefused:
            self._forget()
            raise
        self.panel.point_on.setChecked(False)
        self.panel.marking.sessions[id(self.layer)] = session
        self.panel.show_layer(self.layer)
        for part in (self.observer, self.images):
            part.setEnabled(False)
        self.stop.setEnabled(True)
        self.go.setEnabled(False)
        self._marked()

    def _files(self) -> RepeatFiles:
        if self.files is None:
            raise InputRefused("Choose observer and radiograph first.")
        return self.files

    def _done(self) -> tuple[Marks, ...]:
        image, _ = image_of_layer(self.layer)
        return passes_done(self._files(), self.species, (image.rows, image.cols))

    def _marked(self) -> None:
        """After every mark: say how far the pass is, and let the next begin when it is done."""
        session = self.panel.marking.sessions.get(id(self.layer)) if self.files else None
        if not isinstance(session, BlindSession):
            return
        steps = session.round.state.steps
        open_steps = [s for s in steps if session.round.state.open(s)]
        wanted = self.passes.value()
        if open_steps:
            self.go.setEnabled(False)
            self.say(
                f"Pass {self.number} of {wanted}: {len(open_steps)} marks to go. Click each as you "
                "would for the first time; skip (N) only what cannot be seen."
            )
            return
        self.go.setEnabled(True)
        last = self.number >= wanted
        self.say(
            f"Pass {self.number} of {wanted} is done. "
            + ("'Begin, or go on' shows the result." if last else "'Begin, or go on' hides it.")
        )

    def leave(self) -> None:
        """Show the visit's own marks again; a pass that was begun is kept and gone on with."""
        if self.files is None:
            return
        self._forget()
        self.say("Left. The passes are kept; begin again to go on.")

    def _forget(self) -> None:
        layer, self.files = self.layer, None
        self.panel.marking.forget(layer)
        if layer in self.viewer.layers:
            self.panel.show_layer(layer)
        for part in (self.observer, self.images, self.go):
            part.setEnabled(True)
        self.stop.setEnabled(False)

    # -- the result -----------------------------------------------------------------------------

    def _finish(self, done: tuple[Marks, ...]) -> None:
        from perioview.calibration import calibration

        files = self._files()
        image, _ = image_of_layer(self.layer)
        scale = calibration(image, self.earlier)
        self._forget()
        self.show_result(files, done, scale)
