"""Joins one napari viewer with the session of the radiograph it shows: mouse, layers, overlay."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from qtpy.QtCore import QObject, Signal

from perioview.errors import InputRefused
from perioview.marks import Mark
from perioview_napari import asking, keys, session_words
from perioview_napari.looking import Looking
from perioview_napari.marks_layer import MarksLayer
from perioview_napari.mouse import Mouse
from perioview_napari.overlay import Overlay, canvas_affine
from perioview_napari.picture import Numbers, Picture
from perioview_napari.placing import LOOK_S, Placing
from perioview_napari.saying import BACK, change_words
from perioview_napari.scale_controls import scale_gist
from perioview_napari.seeing import Seeing
from perioview_napari.session import Session
from perioview_napari.session_saving import Saving
from perioview_napari.sessions import Sessions

__all__ = ["LOOK_S", "Marking"]
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
        self.opened = Sessions(marks_path)
        self.sessions = self.opened.by_layer
        self.scale_of, self.open_session = self.opened.scale_of, self.opened.open
        self.forget = self.opened.forget
        self.active = True
        self.photo = False
        self.photo_words = PHOTO_WORDS
        self.unusable = ""
        self.placing = Placing(self)
        self.place, self.point = self.placing.place, self.placing.point
        self.asked, self.root_to_point_at = self.placing.asked, self.placing.root_to_point_at
        canvas = viewer.window._qt_viewer.canvas
        self.overlay = Overlay(canvas.native)
        self.seeing = Seeing(viewer, self.overlay, self.scale_of)
        self.picture = Picture(self.seeing, self.sessions)
        self.points = MarksLayer(viewer)
        self.mouse = Mouse(self)
        canvas._scene_canvas.events.draw.connect(self._follow_view)
        self.looking = Looking(self)
        self.saving = Saving(self)

    def close(self) -> None:
        """Let go of the viewer."""
        self.seeing.closed = True
        self.saving.close()
        self.looking.close()
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
            If its marks file cannot be used, or the species is not known; where marks cannot be
            saved, though the radiograph is shown.
        """
        changed, self.layer = layer is not self.layer, layer
        self.photo = photo
        if layer in self.viewer.layers:
            # napari's status line and tools speak of the active layer.
            self.viewer.layers.selection.active = layer
            # Its key 2 would let a drag move the radiograph under its marks.
            layer.editable = False
        self.picture.clear()
        self.placing.forget()
        self.unusable = ""
        try:
            session = None if photo else self.open_session(layer, species, teeth)
        except InputRefused as fault:
            self.unusable = session_words.unusable_words(self, fault, layer, species)
            raise
        finally:
            self.rescale()
            if changed and not self.seeing.beside:
                # Another size, another place: what was zoomed to before is not there.
                self.seeing.fit()
        if session is None:
            return
        # An earlier session's proposals were never marks; they are found again.
        self.looking.look_anew(session)
        if session.file.refused:
            raise InputRefused(session_words.cannot_be_saved(session))

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
        self.saving.watch()
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

    def words(self) -> str:
        """Say what comes next, and what is not saved."""
        return session_words.words(self)

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
        asking.follow(session, before, by_hand=not changes)
        self.looking.look_after(session, before)
        if session.calibration != scale:
            self.rescale()
        else:
            self.refresh()
            self.changed.emit()
        return done

    @property
    def waiting(self) -> bool:
        """Whether proposals are still being sought for the radiograph that is shown."""
        return self.looking.waiting
