"""Joins one napari viewer with the session of the radiograph it shows: mouse, layers, overlay."""

from __future__ import annotations

import contextlib
import warnings
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from qtpy.QtCore import QObject, QTimer, Signal

from perioview.bone_loss import Site
from perioview.errors import InputRefused
from perioview.marking_round import step_of
from perioview.marks import Mark, Marks
from perioview_napari import drawing
from perioview_napari.convert import (
    MARKS_LAYER,
    image_of_layer,
    is_perioview_image,
    local_contrast,
    points_from_marks,
    points_style,
    position_from_world,
    units,
)
from perioview_napari.orientation import Orientation, camera
from perioview_napari.overlay import Overlay, canvas_affine
from perioview_napari.session import Proposed, Session

GRAB_PX = 12.0
CLICK_PX = 4.0
POINT_PX = 16
FILLED = 0.97


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
    proposed = Signal(object, int, object)

    def __init__(self, viewer: Any, marks_path: Callable[[Path], Path]) -> None:
        super().__init__()
        self.viewer = viewer
        self.marks_path = marks_path
        self.sessions: dict[int, Session] = {}
        self.layer: Any = None
        self.orientation = Orientation()
        self.active = True
        self._closed = False
        self._points: Any = None
        self._numbers: dict[int, tuple[tuple[Site, ...], tuple[Any, ...]]] = {}
        self._parts: dict[int, tuple[tuple[Any, ...], tuple[Any, ...]]] = {}
        self._last: Mark | None = None
        self._pool = ThreadPoolExecutor(1, thread_name_prefix="proposals")
        self._asked = 0
        canvas = viewer.window._qt_viewer.canvas
        self._fitted = True
        self.overlay = Overlay(canvas.native)
        self.overlay.resized.connect(self._fit_again)
        canvas._scene_canvas.events.draw.connect(self._follow_view)
        camera(viewer).events.zoom.connect(self._zoomed)
        viewer.mouse_drag_callbacks.append(self._mouse)
        viewer.mouse_wheel_callbacks.append(self._wheel)
        self.proposed.connect(self._show_proposals)

    def close(self) -> None:
        """Let go of the viewer."""
        self._closed = True
        self._pool.shutdown(wait=True, cancel_futures=True)
        with contextlib.suppress(ValueError):
            self.viewer.mouse_drag_callbacks.remove(self._mouse)
            self.viewer.mouse_wheel_callbacks.remove(self._wheel)
        camera(self.viewer).events.zoom.disconnect(self._zoomed)
        with contextlib.suppress(Exception):
            canvas = self.viewer.window._qt_viewer.canvas
            canvas._scene_canvas.events.draw.disconnect(self._follow_view)
        self.overlay.setParent(None)
        self.overlay.deleteLater()

    # -- radiographs ------------------------------------------------------------------------

    @property
    def session(self) -> Session | None:
        """The session of the radiograph that is shown."""
        return self.sessions.get(id(self.layer)) if self.layer is not None else None

    def image_layers(self) -> list[Any]:
        """Return the layers perioview opened."""
        return [layer for layer in self.viewer.layers if is_perioview_image(layer)]

    def show(self, layer: Any, species: str | None = None, teeth: tuple[int, ...] = ()) -> None:
        """Show one radiograph and go on marking it.

        Raises
        ------
        InputRefused
            If its marks file cannot be used, or the species is not known.
        """
        image, path = image_of_layer(layer)
        self.layer = layer
        for other in self.image_layers():
            other.visible = other is layer
        self._numbers.clear()
        self._parts.clear()
        self._last = None
        try:
            if id(layer) not in self.sessions:
                if species is None and image.species is None:
                    raise InputRefused(f"{image.name}: choose the species; the file names none.")
                self.sessions[id(layer)] = Session(image, self.marks_path(path), species, teeth)
        finally:
            self.rescale()
        session = self.sessions[id(layer)]
        # An earlier session's proposals were never marks; they are found again.
        for tooth in session.round.marks.teeth():
            self._ask_for_proposals(session, tooth)

    def forget(self, layer: Any) -> None:
        """Open the radiograph's marks anew the next time it is shown."""
        self.sessions.pop(id(layer), None)

    def rescale(self) -> None:
        """Give the layers the scale that holds now, and show all anew."""
        if self.session is not None:
            self._scale_layers(self.session)
        self.refresh()
        self.changed.emit()

    def _scale_layers(self, session: Session) -> None:
        scale = session.calibration
        resized = False
        for layer in (self.layer, self._points):
            if layer is not None and tuple(layer.scale) != scale.pitch:
                layer.scale = scale.pitch
                resized = True
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            # napari wants one unit for all layers: those that wait take the shown one's.
            for layer in (*self.image_layers(), self._points):
                if layer is not None:
                    layer.units = units(scale)
        self.viewer.scale_bar.visible = scale.scaled
        if resized:
            self.fit()

    # -- showing ----------------------------------------------------------------------------

    def refresh(self) -> None:
        """Show the session's marks, numbers and words anew."""
        session = self.session
        marks = list(session.round.marks) if session else []
        proposals = list(session.proposals) if session else []
        self._show_points(marks, proposals)
        if session is not None:
            for tooth in (*session.round.marks.teeth(), *self._numbers):
                self._measure(session, tooth, session.round.marks)
        self._draw()

    def _measure(self, session: Session, tooth: int, marks: Marks) -> None:
        of_tooth = Marks(marks.of(tooth=tooth))
        sites, stages = session.staged(tooth, of_tooth)
        self._numbers[tooth] = (sites, stages)
        self._parts[tooth] = drawing.tooth_drawing(
            sites, [session.site_stage(s) for s in sites], of_tooth, session.calibration.pitch
        )

    def numbers(self) -> dict[int, tuple[tuple[Site, ...], tuple[Any, ...]]]:
        """Return sites and stage of every tooth as they stand, a dragged mark included."""
        return self._numbers

    def _show_points(self, marks: list[Mark], proposals: list[Proposed]) -> None:
        positions = points_from_marks([*marks, *(p.mark for p in proposals)])
        style = points_style(marks, proposals)
        if self._points is None or self._points not in self.viewer.layers:
            # A layer takes time to make: not before there is a mark to show.
            if self.layer is None or not len(positions):
                return
            active = self.viewer.layers.selection.active
            self._points = self.viewer.add_points(
                ndim=2,
                name=MARKS_LAYER,
                scale=self.layer.scale,
                units=self.layer.units,
                size=POINT_PX,
                # The default limits thicken the border as soon as they take hold.
                canvas_size_limits=(1, 200),
            )
            self._points.editable = False
            self.viewer.layers.selection.active = active
        points = self._points
        layers = self.viewer.layers
        if layers[-1] is not points:
            # Radiographs opened since lie over it.
            layers.move(layers.index(points), len(layers))
        points.data = positions
        if len(positions):
            points.size = self._point_size()
            points.symbol = style["symbol"]
            points.face_color = style["face_color"]
            points.border_color = style["border_color"]
            points.border_width = style["border_width"]
        points.selected_data = set()

    def _point_size(self) -> float:
        """Return the size in image pixels that is constant on the screen at any zoom."""
        zoom = float(camera(self.viewer).zoom) * float(self.layer.scale[-1])
        return POINT_PX / max(zoom, 1e-9)

    def _zoomed(self, event: Any = None) -> None:
        if self._points is not None and self.layer is not None and len(self._points.data):
            self._points.size = self._point_size()

    def _draw(self) -> None:
        session = self.session
        if session is None:
            self.overlay.drawing = drawing.Drawing(
                banner="" if self.layer is None else "Choose the species"
            )
            self.overlay.update()
            return
        state = session.round.state
        lines = [line for part in self._parts.values() for line in part[0]]
        chips = [chip for part in self._parts.values() for chip in part[1]]
        cursor = state.cursor
        if cursor is not None and cursor.tooth is not None:
            sites = self._numbers.get(cursor.tooth, ((), ()))[0]
            lines += drawing.guide(state, sites, session.calibration.pitch)
        chips += drawing.proposal_chips(session.proposals)
        note = ""
        if cursor is not None:
            waiting = [p for p in session.proposals if p.mark.tooth == cursor.tooth]
            doubtful = sum(p.doubtful for p in waiting)
            if waiting:
                note = f"{len(waiting)} crests proposed: K keeps them"
            if doubtful:
                note += f" ({doubtful} of low confidence: look, drag, or Shift+K)"
        marked = (*session.round.marks, *(p.mark for p in session.proposals))
        self.overlay.drawing = drawing.Drawing(
            tuple(lines),
            tuple(chips),
            tuple((m.row, m.col) for m in marked),
            drawing.banner(session),
            note,
        )
        self.overlay.update()

    def _follow_view(self, event: Any = None) -> None:
        if self.layer is None or self.layer not in self.viewer.layers:
            self.overlay.affine = None
            return
        affine = canvas_affine(self.viewer, self.layer)
        if self.overlay.affine is None or not np.array_equal(affine, self.overlay.affine):
            self.overlay.affine = affine
            self.overlay.update()

    # -- mouse ------------------------------------------------------------------------------

    def _near(self, position: tuple[float, float]) -> Mark | Proposed | None:
        """Return the mark or proposal under the mouse, the nearest within reach."""
        session = self.session
        if session is None:
            return None
        shown: list[Mark | Proposed] = [*session.round.marks, *session.proposals]
        if not shown:
            return None
        places = points_from_marks([s.mark if isinstance(s, Proposed) else s for s in shown])
        affine = canvas_affine(self.viewer, self.layer)
        offsets = (places - position) @ affine[:, :2].T
        distances = np.hypot(*offsets.T)
        nearest = int(distances.argmin())
        return shown[nearest] if distances[nearest] <= GRAB_PX else None

    def _mouse(self, viewer: Any, event: Any) -> Iterator[None]:
        """Drag what lies under the mouse; a click elsewhere places the next mark."""
        session = self.session
        if (
            session is None
            or self._closed
            or not self.active
            or event.button != 1
            or event.modifiers
        ):
            return
        start = np.array(event.pos, dtype=float)
        grabbed = self._near(position_from_world(self.layer, event.position))
        if grabbed is not None:
            event.handled = True
            yield from self._drag(session, grabbed, event, start)
            return
        yield
        while event.type == "mouse_move":
            yield
        if np.abs(np.array(event.pos) - start).max() <= CLICK_PX:
            self.place(*position_from_world(self.layer, event.position))
        else:
            self._fitted = False

    def _drag(
        self, session: Session, grabbed: Mark | Proposed, event: Any, start: Any
    ) -> Iterator[None]:
        mark = grabbed.mark if isinstance(grabbed, Proposed) else grabbed
        shown = [*session.round.marks, *(p.mark for p in session.proposals)]
        index = shown.index(mark)
        grip = np.array((mark.row, mark.col)) - position_from_world(self.layer, event.position)
        moved = False
        yield
        while event.type == "mouse_move":
            event.handled = True
            if moved or np.abs(np.array(event.pos) - start).max() > 1:
                moved = True
                at = grip + position_from_world(self.layer, event.position)
                self._preview(session, mark, index, float(at[0]), float(at[1]))
            yield
        # napari passes on moves at the screen's rate: a quick flick may bring none at all.
        if moved or np.abs(np.array(event.pos) - start).max() > 1:
            at = grip + position_from_world(self.layer, event.position)
            self._drop(session, grabbed, float(at[0]), float(at[1]))
        else:
            self.act(lambda: session.round.go_to(step_of(mark)), changes=False)

    def _preview(self, session: Session, mark: Mark, index: int, row: float, col: float) -> None:
        """Show numbers and lines as they would be with the mark here; nothing is stored yet."""
        moved = replace(mark, row=row, col=col)
        self._points.data[index] = (row, col)
        self._points.refresh(extent=False, thumbnail=False)
        if mark.tooth is not None:
            self._measure(session, mark.tooth, session.round.marks.with_mark(moved))
            self.tooth_changed.emit(mark.tooth)
        self._draw()

    def _drop(self, session: Session, grabbed: Mark | Proposed, row: float, col: float) -> None:
        if isinstance(grabbed, Proposed):
            moved = replace(grabbed.mark, row=row, col=col, how="moved")
            self._last = moved
            self.act(lambda: session.round.accept([moved]))
        else:
            self._last = replace(grabbed, row=row, col=col)
            self.act(lambda: session.round.move(grabbed, row, col))

    # -- actions ----------------------------------------------------------------------------

    def place(self, row: float, col: float) -> None:
        """Place the mark that is asked for."""
        session = self.session
        if session is None:
            self.message.emit("Choose a radiograph and its species first.", True)
            return
        if session.round.state.cursor is None:
            self.message.emit("Nothing is asked for: choose teeth, or jump to one (J).", True)
            return
        step = session.round.state.cursor
        self.act(lambda: session.round.place(row, col))
        self._last = session.round.state.mark_at(step)

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

    def act(self, action: Callable[[], object], *, changes: bool = True) -> bool:
        """Do something to the round, save, show; say in words what was refused."""
        session = self.session
        if session is None:
            return False
        before = session.round.state
        scale = session.calibration
        done = True
        try:
            session.act(action)
            if changes and session.round.state != before:
                self.message.emit(f"Saved {session.marks_path.name}", False)
        except InputRefused as fault:
            self.message.emit(str(fault), True)
            done = False
        if session.calibration != scale:
            self._scale_layers(session)
        self.refresh()
        self.changed.emit()
        touched = {m.tooth for m in set(session.round.marks) ^ set(before.marks)} - {None}
        for tooth in touched:
            self._ask_for_proposals(session, int(tooth or 0))
        return done

    def _ask_for_proposals(self, session: Session, tooth: int) -> None:
        state = session.round.state
        if not any(
            s.landmark == "crest" and s.tooth == tooth and state.open(s) for s in state.steps
        ):
            return
        self._asked += 1
        asked = self._pool.submit(session.propose, tooth)

        def report(done: Future[tuple[Proposed, ...]]) -> None:
            if done.cancelled() or self._closed:
                return
            fault = done.exception()
            found = () if fault is not None else done.result()
            with contextlib.suppress(RuntimeError):
                self.proposed.emit(session, tooth, (state.marks, found, fault))

        asked.add_done_callback(report)

    def _show_proposals(self, session: Session, tooth: int, answer: Any) -> None:
        marks, found, fault = answer
        self._asked -= 1
        if fault is not None:
            self.message.emit(f"No proposal for {tooth}: {fault}", True)
        # Marks moved meanwhile: a newer request is on its way.
        if marks.of(tooth=tooth) != session.round.marks.of(tooth=tooth):
            return
        session.take_proposals(tooth, found)
        if session is self.session:
            self.refresh()

    @property
    def waiting(self) -> bool:
        """Whether proposals are still being sought."""
        return self._asked > 0

    # -- seeing -----------------------------------------------------------------------------

    def orient(self, orientation: Orientation) -> None:
        """Turn or mirror the view."""
        self.orientation = orientation
        orientation.show(self.viewer)
        self.fit()

    def fit(self) -> None:
        """Let the radiograph fill the canvas, and go on doing so until the user zooms or pans."""
        if self.layer is None:
            return
        # Not reset_view: it would make room for the radiographs that wait, too.
        low, high = (
            np.asarray(edge)[list(self.viewer.dims.displayed)] for edge in self.layer.extent.world
        )
        size = self.viewer.window._qt_viewer.canvas.native.size()
        foot = self.overlay.keys_height()
        across = np.array((size.height() - foot, size.width())) / np.maximum(high - low, 1e-9)
        zoom = FILLED * float(across.min())
        down, right = ((low + high) / 2).tolist()
        down += foot / 2 / zoom * (-1 if self.orientation.up else 1)
        seen = camera(self.viewer)
        seen.center = (0.0, down, right)
        seen.zoom = zoom
        self._fitted = True

    def _fit_again(self) -> None:
        # Once napari itself has taken note of the new size.
        QTimer.singleShot(0, self._fit_if_untouched)

    def _fit_if_untouched(self) -> None:
        if not self._closed and self._fitted and self.layer is not None:
            self.fit()

    def _wheel(self, viewer: Any, event: Any) -> None:
        self._fitted = False

    def show_keys(self, on: bool) -> None:
        """Show the strip of keys under the radiograph, or give its room to the radiograph."""
        self.overlay.keys_shown = on
        self.overlay.update()
        self._fit_if_untouched()

    def invert(self) -> None:
        """Show dark what was bright, and back."""
        if self.layer is not None and not self.layer.rgb:
            turned = "gray_r" if self.layer.colormap.name == "gray" else "gray"
            self.layer.colormap = turned

    def gamma(self, factor: float) -> None:
        """Brighten or darken the middle greys."""
        if self.layer is not None:
            self.layer.gamma = float(np.clip(self.layer.gamma * factor, 0.2, 5.0))

    def show_local_contrast(self, on: bool) -> None:
        """Show the radiograph with local contrast, or as it is; marks are not touched."""
        if self.layer is None or self.layer.rgb:
            return
        image, _ = image_of_layer(self.layer)
        kept = self.layer.metadata["perioview"]
        if on and "limits" not in kept:
            kept["limits"] = tuple(self.layer.contrast_limits)
            self.layer.data = local_contrast(image)
            self.layer.contrast_limits_range = (0, 65535)
            self.layer.contrast_limits = (0, 65535)
        elif not on and "limits" in kept:
            self.layer.data = image.pixels
            limits = kept.pop("limits")
            self.layer.contrast_limits_range = limits
            self.layer.contrast_limits = limits
