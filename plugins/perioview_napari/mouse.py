"""What the mouse does to the marks: a click places, a drag moves, whichever layer is active."""

from __future__ import annotations

from collections.abc import Generator, Iterator
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from perioview.marking_round import step_of
from perioview.marks import Mark
from perioview_napari.convert import points_from_marks, position_from_world
from perioview_napari.overlay import canvas_affine
from perioview_napari.proposed import Proposed
from perioview_napari.session import Session

if TYPE_CHECKING:
    from perioview_napari.marking import Marking

GRAB_PX = 12.0
"""A drag that begins this near to a mark moves it."""
CORE_PX = 4.0
"""A click this near to a mark selects it even while another mark is asked for."""
CLICK_PX = 4.0
"""What moves the mouse no farther is a click: a hand is never quite still."""
CHANGED = "Nothing was done: the image, its view or its marks changed while the button was held."


class Mouse:
    """Left button on the canvas of a `Marking`; others stay napari's."""

    def __init__(self, marking: Marking) -> None:
        self.marking = marking
        marking.viewer.mouse_drag_callbacks.append(self._pressed)

    def close(self) -> None:
        """Let go of the viewer."""
        if self._pressed in self.marking.viewer.mouse_drag_callbacks:
            self.marking.viewer.mouse_drag_callbacks.remove(self._pressed)

    def near(self, position: tuple[float, float]) -> tuple[Mark | Proposed | None, float]:
        """Return the nearest mark or proposal within reach of the mouse, and how many px off."""
        session = self.marking.session
        shown = [] if session is None else _shown(session)
        if not shown:
            return None, np.inf
        places = points_from_marks([_mark(s) for s in shown])
        affine = canvas_affine(self.marking.viewer, self.marking.layer)
        offsets = (places - position) @ affine[:, :2].T
        distances = np.hypot(*offsets.T)
        nearest = int(distances.argmin())
        reached = shown[nearest] if distances[nearest] <= GRAB_PX else None
        return reached, float(distances[nearest])

    def _pressed(self, viewer: Any, event: Any) -> Iterator[None]:
        """Drag what lies under the mouse; a click places the next mark, or selects one."""
        marking = self.marking
        if not marking.active or event.button != 1 or event.modifiers:
            return
        layer = marking.layer
        if marking.session is None or layer is None:
            return
        # Keys work while the button is held: another image may be shown when it is let go.
        before = self._situation()
        start, world = np.array(event.pos, dtype=float), event.position
        place = position_from_world(layer, world)
        grabbed, px = self.near(place)
        if grabbed is not None:
            if (yield from self._drag(grabbed, event, start, place)):
                return
        else:
            yield
            while event.type == "mouse_move":
                yield
            if _moved(event, start):
                marking.seeing.touched()
                return
        if self._situation() != before:
            marking.message.emit(CHANGED, True)
            return
        if grabbed is not None and px <= (CORE_PX if marking.placing.asks else GRAB_PX):
            self._select(grabbed, place)
            return
        under = marking.seeing.layer_at(world)
        if under is not None and under is not layer:
            marking.chosen.emit(under)
            return
        marking.place(*place)

    def _situation(self) -> tuple[object, ...]:
        """Return all that must be the same at the end of a click or drag as at its beginning."""
        session, seeing = self.marking.session, self.marking.seeing
        state = None if session is None else session.round.state
        return self.marking.active, seeing.layer, session, state, seeing.beside, seeing.orientation

    def _drag(
        self, grabbed: Mark | Proposed, event: Any, start: Any, place: tuple[float, float]
    ) -> Generator[None, None, bool]:
        """Drag until the button is let go; return whether that was more than a click."""
        marking, mark, before = self.marking, _mark(grabbed), self._situation()
        session, layer = marking.session, marking.layer
        assert session is not None
        grip = np.array((mark.row, mark.col)) - place
        event.handled = True
        dragged = False
        yield
        while event.type == "mouse_move":
            event.handled = True
            dragged = dragged or _moved(event, start)
            shown = _shown(session)
            if dragged and self._situation() == before and grabbed in shown:
                at = grip + position_from_world(layer, event.position)
                marking.preview(mark, shown.index(grabbed), float(at[0]), float(at[1]))
            yield
        # napari passes on moves at the screen's rate: a quick flick may bring none at all.
        if not dragged and not _moved(event, start):
            return False
        if self._situation() == before and grabbed in _shown(session):
            at = grip + position_from_world(layer, event.position)
            self._drop(session, grabbed, float(at[0]), float(at[1]))
        else:
            marking.refresh()
            marking.changed.emit()
            marking.message.emit(CHANGED, True)
        return True

    def _select(self, grabbed: Mark | Proposed, place: tuple[float, float]) -> None:
        marking = self.marking
        if isinstance(grabbed, Proposed) and grabbed.unseen:
            # Nothing to accept here: a click says where the margin is, as anywhere else.
            marking.placing.go_to(step_of(grabbed.mark))
            marking.place(*place)
        else:
            marking.placing.select(step_of(_mark(grabbed)), *place)

    def _drop(self, session: Session, grabbed: Mark | Proposed, row: float, col: float) -> None:
        marking, step = self.marking, step_of(_mark(grabbed))
        row, col = marking.placing.settled(step, row, col)

        def dropped() -> None:
            if isinstance(grabbed, Proposed):
                session.round.accept([replace(grabbed.mark, row=row, col=col, how="moved")])
                return
            if marking.placing.selected() is not None:
                # Of two marks in hand, the one selected before is not meant any more.
                session.round.go_to(step)
            session.round.move(grabbed, row, col)

        marking.act(dropped)
        marking.placing.remember(step)


def _mark(grabbed: Mark | Proposed) -> Mark:
    return grabbed.mark if isinstance(grabbed, Proposed) else grabbed


def _shown(session: Session) -> list[Mark | Proposed]:
    """Return marks and proposals in the order of the points that show them."""
    return [*session.round.marks, *session.proposals]


def _moved(event: Any, start: Any) -> bool:
    return bool(np.abs(np.array(event.pos) - start).max() > CLICK_PX)
