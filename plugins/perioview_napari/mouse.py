"""What the mouse does to the marks: a click places, a drag moves, whichever layer is active."""

from __future__ import annotations

from collections.abc import Iterator
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
CLICK_PX = 4.0


class Mouse:
    """Left button on the canvas of a `Marking`; others stay napari's."""

    def __init__(self, marking: Marking) -> None:
        self.marking = marking
        marking.viewer.mouse_drag_callbacks.append(self._pressed)

    def close(self) -> None:
        """Let go of the viewer."""
        if self._pressed in self.marking.viewer.mouse_drag_callbacks:
            self.marking.viewer.mouse_drag_callbacks.remove(self._pressed)

    def near(self, position: tuple[float, float]) -> Mark | Proposed | None:
        """Return the mark or proposal under the mouse, the nearest within reach."""
        session = self.marking.session
        if session is None:
            return None
        shown: list[Mark | Proposed] = list(session.round.marks)
        shown += session.proposals
        if not shown:
            return None
        places = points_from_marks([s.mark if isinstance(s, Proposed) else s for s in shown])
        affine = canvas_affine(self.marking.viewer, self.marking.layer)
        offsets = (places - position) @ affine[:, :2].T
        distances = np.hypot(*offsets.T)
        nearest = int(distances.argmin())
        return shown[nearest] if distances[nearest] <= GRAB_PX else None

    def _pressed(self, viewer: Any, event: Any) -> Iterator[None]:
        """Drag what lies under the mouse; a click elsewhere places the next mark."""
        marking = self.marking
        if not marking.active or event.button != 1 or event.modifiers:
            return
        session, layer = marking.session, marking.layer
        if session is None or layer is None:
            return
        start = np.array(event.pos, dtype=float)
        grabbed = self.near(position_from_world(layer, event.position))
        if grabbed is not None:
            event.handled = True
            yield from self._drag(session, grabbed, event, start)
            return
        yield
        while event.type == "mouse_move":
            yield
        if np.abs(np.array(event.pos) - start).max() > CLICK_PX:
            marking.seeing.touched()
            return
        under = marking.seeing.layer_at(event.position)
        if under is not None and under is not layer:
            marking.chosen.emit(under)
            return
        marking.place(*position_from_world(layer, event.position))

    def _drag(
        self, session: Session, grabbed: Mark | Proposed, event: Any, start: Any
    ) -> Iterator[None]:
        marking = self.marking
        mark = grabbed.mark if isinstance(grabbed, Proposed) else grabbed
        shown = [*session.round.marks, *(p.mark for p in session.proposals)]
        index = shown.index(mark)
        grip = np.array((mark.row, mark.col)) - position_from_world(marking.layer, event.position)
        moved = False
        yield
        while event.type == "mouse_move":
            event.handled = True
            if moved or np.abs(np.array(event.pos) - start).max() > 1:
                moved = True
                at = grip + position_from_world(marking.layer, event.position)
                marking.preview(mark, index, float(at[0]), float(at[1]))
            yield
        # napari passes on moves at the screen's rate: a quick flick may bring none at all.
        if moved or np.abs(np.array(event.pos) - start).max() > 1:
            at = grip + position_from_world(marking.layer, event.position)
            self._drop(session, grabbed, float(at[0]), float(at[1]))
        else:
            marking.act(lambda: session.round.go_to(step_of(mark)), changes=False)
            if isinstance(grabbed, Proposed) and grabbed.unseen:
                # Nothing to accept here: a click says where the margin is, as anywhere else.
                marking.place(*position_from_world(marking.layer, event.position))

    def _drop(self, session: Session, grabbed: Mark | Proposed, row: float, col: float) -> None:
        marking = self.marking
        row, col = marking.placing.settled(step_of(_mark(grabbed)), row, col)
        if isinstance(grabbed, Proposed):
            moved = replace(grabbed.mark, row=row, col=col, how="moved")
            marking.placing.remember(moved)
            marking.act(lambda: session.round.accept([moved]))
        else:
            marking.placing.remember(replace(grabbed, row=row, col=col))
            marking.act(lambda: session.round.move(grabbed, row, col))


def _mark(grabbed: Mark | Proposed) -> Mark:
    return grabbed.mark if isinstance(grabbed, Proposed) else grabbed
