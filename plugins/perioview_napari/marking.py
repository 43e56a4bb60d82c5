"""Joins one napari viewer with the session of the radiograph it shows: mouse, layers, overlay."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from qtpy.QtCore import QObject, Signal

from perioview.calibration import Calibration, calibration
from perioview.errors import InputRefused
from perioview.marking_round import Step, step_of
from perioview.marks import Mark
from perioview_napari import asking, keys
from perioview_napari.convert import image_of_layer
from perioview_napari.finding import Finder
from perioview_napari.marks_layer import MarksLayer
from perioview_napari.mouse import Mouse
from perioview_napari.overlay import Overlay, canvas_affine
from perioview_napari.picture import Numbers, Picture
from perioview_napari.saying import BACK, change_words
from perioview_napari.scale_controls import scale_gist
from perioview_napari.seeing import Seeing
from perioview_napari.session import Session

LOOK_S = 0.4
"""A click this soon after the next step changed by itself was meant for the one before."""
PHOTO_WORDS = "A photograph: F11 measures plaque on it"


class Marking(QObject):
    """The marking of a viewer's radiographs; the marks themselves live in each `Session`.

    Parameters
    ----------
    viewer : napari.Viewer
    marks_path : callable
        Returns the marks file of an image file.
    """

    changed = Signal()
    tooth_changed = Signal(int)
    message = Signal(str, bool)
    chosen = Signal(object)

    def __init__(self, viewer: Any, marks_path: Callable[[Path], Path]) -> None:
        super().__init__()
        self.viewer = viewer
        self.marks_path = marks_path
        self.sessions: dict[int, Session] = {}
        self.active = True
        self.snapping = False
        self.pointing = False
        self.photo = False
        self.photo_words = PHOTO_WORDS
        self._last: Mark | None = None
        self._moved_on = -LOOK_S
        canvas = viewer.window._qt_viewer.canvas
        self.overlay = Overlay(canvas.native)
        self.seeing = Seeing(viewer, self.overlay, self.scale_of)
        self.picture = Picture(self.seeing, self.sessions)
        self.points = MarksLayer(viewer)
        self.mouse = Mouse(self)
        canvas._scene_canvas.events.draw.connect(self._follow_view)
        self.finder = Finder()
        self.finder.found.connect(self._show_proposals)

    def close(self) -> None:
        """Let go of the viewer."""
        self.seeing.closed = True
        self.finder.close()
        self.mouse.close()
        self.points.close()
        with contextlib.suppress(Exception):
            self.viewer.mouse_wheel_callbacks.remove(self.seeing.touched)
        with contextlib.suppress(Exception):
            canvas = self.viewer.window._qt_viewer.canvas
            canvas._scene_canvas.events.draw.disconnect(self._follow_view)
        self.overlay.setParent(None)
        self.overlay.deleteLater()

    # -- radiographs ----------------------------------------------------------------------------

    @property
    def layer(self) -> Any:
        """The image layer of the radiograph being marked, or None."""
        return self.seeing.layer

    @layer.setter
    def layer(self, layer: Any) -> None:
        self.seeing.layer = layer

    @property
    def session(self) -> Session | None:
        """The session of the radiograph that is shown."""
        if self.layer is None or self.photo:
            return None
        return self.sessions.get(id(self.layer))

    def image_layers(self) -> list[Any]:
        """Return the layers perioview opened."""
        return self.seeing.image_layers()

    def scale_of(self, layer: Any) -> Calibration:
        """Return the scale that holds for a radiograph: its session's, else its file's."""
        session = self.sessions.get(id(layer))
        return session.calibration if session else calibration(image_of_layer(layer)[0])

    def open_session(
        self, layer: Any, species: str | None = None, teeth: tuple[int, ...] = ()
    ) -> Session:
        """Return the session of a radiograph, made when it is first asked for.

        Raises
        ------
        InputRefused
            If its marks file cannot be used, or the species is not known.
        """
        image, path = image_of_layer(layer)
        if id(layer) not in self.sessions:
            if species is None and image.species is None:
                raise InputRefused(f"{image.name}: choose the species; the file names none.")
            self.sessions[id(layer)] = Session(image, self.marks_path(path), species, teeth)
        return self.sessions[id(layer)]

    def show(
        self,
        layer: Any,
        species: str | None = None,
        teeth: tuple[int, ...] = (),
        *,
        photo: bool = False,
    ) -> None:
        """Show one radiograph and go on marking it; a photograph is shown and not marked.

        Raises
        ------
        InputRefused
            If its marks file cannot be used, or the species is not known.
        """
        changed, self.layer = layer is not self.layer, layer
        self.photo = photo
        if layer in self.viewer.layers:
            # napari's status line and tools speak of the active layer.
            self.viewer.layers.selection.active = layer
            # Its key 2 would let a drag move the radiograph under its marks.
            layer.editable = False
        self.picture.clear()
        self._last = None
        try:
            session = None if photo else self.open_session(layer, species, teeth)
        finally:
            self.rescale()
            if changed and not self.seeing.beside:
                # Another size, another place: what was zoomed to before is not there.
                self.seeing.fit()
        if session is None:
            return
        # An earlier session's proposals were never marks; they are found again.
        pointed = (p[0] for p in session.round.state.pointed)
        for tooth in dict.fromkeys((*session.round.marks.teeth(), *pointed)):
            self.finder.look(session, tooth)

    def forget(self, layer: Any) -> None:
        """Open the radiograph's marks anew the next time it is shown."""
        self.sessions.pop(id(layer), None)

    def show_beside(self, on: bool) -> None:
        """Show all radiographs in a row, or the one being marked alone."""
        self.seeing.beside = on
        self.rescale()
        self.seeing.fit()

    def rescale(self) -> None:
        """Give the layers the scale that holds now, and show all anew."""
        changed = self.seeing.arrange()
        self.points.lie_on(self.layer)
        if changed:
            self.seeing.fit()
        self.refresh()
        self.changed.emit()

    # -- showing --------------------------------------------------------------------------------

    def refresh(self) -> None:
        """Show the session's marks, numbers and words anew."""
        session = self.session
        marks = list(session.round.marks) if session else []
        proposals = list(session.proposals) if session else []
        self.points.show(marks, proposals)
        if session is not None:
            teeth = (*session.round.marks.teeth(), *self.picture.numbers)
            self.picture.measure(session, dict.fromkeys(teeth), session.round.marks)
        self._draw()

    def numbers(self) -> Numbers:
        """Return sites and stage of every tooth as they stand, a dragged mark included."""
        return self.picture.numbers

    @property
    def state(self) -> str:
        """What is shown, as in `keys`: with it go the keys that work."""
        if self.layer is None or not self.active:
            return keys.NOTHING
        if self.photo:
            return keys.PHOTO
        ready = self.session is not None and self.session.round.state.roots
        return keys.MARKING if ready else keys.UNREADY

    def _draw(self) -> None:
        if self.overlay.keys.state != self.state:
            self.overlay.keys.state = self.state
            self.seeing.fit_if_untouched()
        self.overlay.drawing = self.picture.drawn(self.session, self.words())
        self.overlay.update()

    def _follow_view(self, event: Any = None) -> None:
        if self.layer is None or self.layer not in self.viewer.layers:
            self.overlay.affine = None
            return
        affine = canvas_affine(self.viewer, self.layer)
        if self.overlay.affine is None or not np.array_equal(affine, self.overlay.affine):
            self.overlay.affine = affine
            self.overlay.update()
            self.seeing.draw_again()

    def preview(self, mark: Mark, index: int, row: float, col: float) -> None:
        """Show numbers and lines as they would be with the mark here; nothing is stored yet."""
        session = self.session
        if session is None:
            return
        self.points.put(index, row, col)
        if mark.tooth is not None:
            moved = replace(mark, row=row, col=col)
            self.picture.measure(session, [mark.tooth], session.round.marks.with_mark(moved))
            self.tooth_changed.emit(mark.tooth)
        self._draw()

    # -- actions --------------------------------------------------------------------------------

    def settled(self, step: Step, row: float, col: float) -> tuple[float, float]:
        """Return the nearest plausible edge, if snapping is on and there is one."""
        session = self.session
        if session is None or not self.snapping:
            return row, col
        place = session.settled(step, row, col)
        if place is None:
            self.message.emit("No edge within reach: the mark stays where it was put.", False)
        return place or (row, col)

    def remember(self, mark: Mark) -> None:
        """Let the nudge keys move this mark."""
        self._last = mark

    def place(self, row: float, col: float) -> None:
        """Place the mark that is asked for."""
        session = self.session
        if session is None:
            self.message.emit("Choose a radiograph and its species first.", True)
            return
        step = self.asked()
        if step is None:
            self.message.emit("Nothing is asked for: choose teeth, or jump to one (J).", True)
            return
        image = session.image
        if not (-0.5 <= row <= image.rows - 0.5 and -0.5 <= col <= image.cols - 0.5):
            self.message.emit("That is beside the radiograph: click on it.", True)
            return
        if time.monotonic() - self._moved_on < LOOK_S:
            self.message.emit("What comes next has just changed: look, then click again.", True)
            return
        if self.pointing and self.waiting:
            self.message.emit(f"{step.tooth}: still looking for its marks; a moment.", True)
            return
        root = self.root_to_point_at()
        if root is not None and step.tooth is not None:
            self._point_at(session, step.tooth, root, row, col)
            return
        row, col = self.settled(step, row, col)

        def placed() -> None:
            session.round.go_to(step)
            session.round.place(row, col)

        self.act(placed)
        self._last = session.round.state.mark_at(step)

    def asked(self) -> Step | None:
        """Return the mark the next click places: where roots were pointed at, none proposed."""
        return None if self.session is None else asking.asked(self.session, self.pointing)

    def root_to_point_at(self) -> str | None:
        """Return the root the next click points at; None when it places a mark."""
        if not self.pointing or self.session is None:
            return None
        return asking.root_to_point_at(self.session)

    def _point_at(self, session: Session, tooth: int, root: str, row: float, col: float) -> None:
        if self.act(lambda: session.round.point_at(tooth, root, row, col)):
            self.message.emit(f"{tooth}, {root} root: looking for CEJ, apex and crests.", False)

    def point(self, on: bool) -> None:
        """Let clicks point at whole roots, or place one mark each."""
        self.pointing = on
        session = self.session
        cursor = session.round.state.cursor if session is not None else None
        if on and session is not None and cursor is not None and cursor.tooth is not None:
            number = cursor.tooth
            self.act(lambda: session.round.forget_pointing(number))
        self.refresh()
        self.changed.emit()

    def words(self) -> str:
        """Say what comes next."""
        if self.layer is None:
            return "Open a visit (below), or drag radiographs into this window"
        if not self.active:
            return "Marking is off. Tick 'Marking on' to go on"
        if self.photo:
            return self.photo_words
        if self.session is None:
            return "Choose the species: dog or cat"
        words = asking.words(self.session, self.pointing, len(self.image_layers()) > 1)
        if self.pointing and self.waiting:
            return f"Looking for marks, a moment. {words}"
        return words

    def nudge(self, right: float, down: float) -> None:
        """Move the last mark by half a pixel of the screen, toward a side of the screen."""
        session = self.session
        if session is None or self._last is None:
            return
        mark = session.round.state.mark_at(step_of(self._last))
        if mark is None:
            return
        affine = canvas_affine(self.viewer, self.layer)
        row, col = np.linalg.solve(affine[:, :2], (0.5 * right, 0.5 * down))
        self.act(lambda: session.round.move(mark, mark.row + row, mark.col + col))

    def act(self, action: Callable[[], object], *, changes: bool = True, said: str = "") -> bool:
        """Do something to the round, save, show; say in words what it did or what was refused."""
        session = self.session
        if session is None:
            return False
        before = session.round.state
        scale = session.calibration
        done = True
        try:
            session.act(action)
            if changes and session.round.state != before:
                words = said or change_words(before, session.round.state)
                if session.calibration != scale:
                    words = f"Scale now: {scale_gist(session.calibration)}. {said or BACK}"
                self.message.emit(words, False)
        except InputRefused as fault:
            self.message.emit(str(fault), True)
            done = False
        touched = {m.tooth for m in set(session.round.marks) ^ set(before.marks)} - {None}
        touched |= {p[0] for p in set(session.round.state.pointed) ^ set(before.pointed)}
        for tooth in touched:
            self.finder.look(session, int(tooth or 0))
        if session.calibration != scale:
            self.rescale()
        else:
            self.refresh()
            self.changed.emit()
        return done

    # -- proposals ------------------------------------------------------------------------------

    def _show_proposals(self, session: Session, tooth: int, answer: Any) -> None:
        before, found, fault = answer
        if fault is not None:
            self.message.emit(f"No proposal for {tooth}: {fault}", True)
        state = session.round.state
        same = before.marks.of(tooth=tooth) == state.marks.of(tooth=tooth)
        if not same or before.pointed != state.pointed:
            # Marks moved meanwhile: a newer request is on its way, if there is anything to find.
            self.refresh()
            self.changed.emit()
            return
        words = self.words()
        try:
            session.take_proposals(tooth, found)
        except InputRefused as refused:
            self.message.emit(str(refused), True)
        if any(p[0] == tooth for p in state.pointed):
            count = len(found)
            said = f"{tooth}: {count} mark{'s' * (count != 1)} proposed."
            none = f"{tooth}: nothing sure enough to propose; place the marks."
            self.message.emit(said if found else none, not found)
        if session is self.session:
            if self.words() != words:
                self._moved_on = time.monotonic()
            self.refresh()
            self.changed.emit()

    @property
    def waiting(self) -> bool:
        """Whether proposals are still being sought."""
        return self.finder.waiting
