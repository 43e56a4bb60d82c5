"""What a click places: the mark that is asked for, or a root that is pointed at."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from perioview.marking_round import Step, step_of
from perioview.marks import Mark
from perioview_napari import asking
from perioview_napari.overlay import canvas_affine
from perioview_napari.saying import BACK
from perioview_napari.session import Session

if TYPE_CHECKING:
    from perioview_napari.marking import Marking

LOOK_S = 0.4
"""A click this soon after the next step changed by itself was meant for the one before."""


class Placing:
    """Places, points and nudges on the radiograph of a `Marking`.

    Parameters
    ----------
    marking : Marking
    """

    def __init__(self, marking: Marking) -> None:
        self.marking = marking
        self.say: Callable[[str, bool], None] = marking.message.emit
        self.snapping = False
        self.pointing = False
        self._last: Mark | None = None
        self._clicked: tuple[Step, Step | None] | None = None  # and what was asked for instead
        self._moved_on = -LOOK_S

    def forget(self) -> None:
        """Another radiograph is shown: no mark was placed or clicked last."""
        self._last = self._clicked = None
        self._moved_on = -LOOK_S

    def step_changed(self) -> None:
        """What comes next changed by itself just now."""
        self._moved_on = time.monotonic()

    def settled(self, step: Step, row: float, col: float) -> tuple[float, float]:
        """Return the nearest plausible edge, if snapping is on and there is one."""
        session = self.marking.session
        if session is None or not self.snapping:
            return row, col
        place = session.settled(step, row, col)
        if place is None:
            self.say("No edge within reach: the mark stays where it was put.", False)
        return place or (row, col)

    def remember(self, step: Step) -> None:
        """Let the nudge keys move the mark of this step as it is now, and no other."""
        session = self.marking.session
        self._last = None if session is None else session.round.state.mark_at(step)

    def selected(self) -> Mark | None:
        """Return the mark the words on top name, if that is no open step."""
        session, step = self.marking.session, self.shown()
        return session.round.state.mark_at(step) if session and step else None

    def shown(self) -> Step | None:
        """Return the mark the words on top name; None where they ask to point at a root."""
        return None if self.root_to_point_at() is not None else self.asked()

    def named(self) -> Step | None:
        """Return the mark the words on top are about: of a root to be pointed at, its apex."""
        session = self.marking.session
        return None if session is None else asking.named(session, self.pointing)

    @property
    def asks(self) -> bool:
        """Whether a click adds something: a mark, or a place on a root."""
        session, step = self.marking.session, self.asked()
        open_step = session and step and session.round.state.mark_at(step) is None
        return bool(open_step) or self.root_to_point_at() is not None

    def go_to(self, step: Step) -> None:
        """Ask for this step now, whatever else could be asked for."""
        session = self.marking.session
        if session is not None:
            self.marking.act(lambda: session.round.go_to(step), changes=False)

    def go_along(self, offset: int) -> None:
        """Go to the mark before or after the one the words on top name."""
        session = self.marking.session
        step = None if session is None else asking.step_along(session, self.pointing, offset)
        if session is None or step is None:
            return
        waits = asking.waits_for_pointing(session, step, self.pointing)
        if self.marking.act(lambda: session.round.go_to(step), changes=waits):
            self.say("", False)

    def select(self, step: Step, row: float, col: float) -> None:
        """Go to the mark or proposal that was clicked; clicked again, what was asked for is there.

        Roots lie over each other: two marks may belong to one place.
        """
        session, asked = self.marking.session, self.shown()
        clicked, instead = self._clicked or (None, None)
        if session is None:
            return
        if asked != step:
            instead = asked if self.asks else None
            self.go_to(step)
            self.step_changed()
            self._clicked = step, instead
            if instead is not None:
                self.say(f"Only selected. Click it again to place there: {instead.words}.", False)
            return
        free = instead is not None and session.round.state.open(instead)
        if instead and free and clicked == step and not self._too_soon():
            self.go_to(instead)
            self.place(row, col)
        elif self._proposed(session, step):
            self.say(f"Only proposed: {step.words}. Keep it (K, Shift+K), or drag it.", False)

    def _too_soon(self) -> bool:
        """Whether a click was meant for what was asked for before; says so."""
        soon = time.monotonic() - self._moved_on < LOOK_S
        if soon:
            self.say("What comes next has just changed: look, then click again.", True)
        return soon

    def place(self, row: float, col: float) -> None:
        """Place the mark that is asked for."""
        session = self.marking.session
        if session is None:
            self.say("Choose a radiograph and its species first.", True)
            return
        step = self.asked()
        if step is None:
            self.say("Nothing is asked for: choose teeth, or jump to one (J).", True)
            return
        image = session.image
        if not (-0.5 <= row <= image.rows - 0.5 and -0.5 <= col <= image.cols - 0.5):
            self.say("That is beside the radiograph: click on it.", True)
            return
        if self._too_soon():
            return
        if self.pointing and self.marking.waiting:
            self.say(f"{step.tooth}: still looking for its marks; a moment.", True)
            return
        root = self.root_to_point_at()
        if root is not None and step.tooth is not None:
            self._point_at(session, step.tooth, root, row, col)
            return
        clicked, self._clicked = self._clicked, None
        there = not session.round.state.open(step) or self._proposed(session, step)
        if clicked is not None and clicked[0] == step and there:
            self.say(f"Only selected so far: {step.words}. Drag it, or click once more.", True)
            return
        moves = session.round.state.mark_at(step) is not None
        row, col = self.settled(step, row, col)

        def placed() -> None:
            session.round.go_to(step)
            session.round.place(row, col)

        self.marking.act(placed, said=f"Moved: {step.words}. {BACK}" if moves else "")
        self.remember(step)

    @staticmethod
    def _proposed(session: Session, step: Step) -> bool:
        return any(step_of(p.mark) == step for p in session.proposals)

    def asked(self) -> Step | None:
        """Return the mark the next click places: where roots were pointed at, none proposed."""
        return (
            None
            if self.marking.session is None
            else asking.asked(self.marking.session, self.pointing)
        )

    def root_to_point_at(self) -> str | None:
        """Return the root the next click points at; None when it places a mark."""
        if not self.pointing or self.marking.session is None:
            return None
        return asking.root_to_point_at(self.marking.session)

    def _point_at(self, session: Session, tooth: int, root: str, row: float, col: float) -> None:
        self.marking.act(
            lambda: session.round.point_at(tooth, root, row, col),
            said=f"{tooth}, {root} root: looking for CEJ, apex and crests.",
        )

    def point(self, on: bool) -> None:
        """Let clicks point at whole roots, or place one mark each."""
        self.pointing = on
        session = self.marking.session
        if session is not None:
            session.chosen = None
        cursor = session.round.state.cursor if session is not None else None
        if on and session is not None and cursor is not None and cursor.tooth is not None:
            number = cursor.tooth
            self.marking.act(lambda: session.round.forget_pointing(number))
        self.marking.refresh()
        self.marking.changed.emit()

    def nudge(self, right: float, down: float) -> None:
        """Move the selected mark, else the last, by half a pixel toward a side of the screen."""
        session = self.marking.session
        if session is None:
            return
        # The last mark only as it was left: not if it was moved back, removed or replaced since.
        mark = self.selected() or next((m for m in session.round.marks if m == self._last), None)
        if mark is None:
            self.say("There is no mark to nudge: click one first, or go back (↑).", True)
            return
        affine = canvas_affine(self.marking.viewer, self.marking.layer)
        row, col = np.linalg.solve(affine[:, :2], (0.5 * right, 0.5 * down))
        step = step_of(mark)
        self.marking.act(
            lambda: session.round.move(mark, mark.row + row, mark.col + col),
            said=f"Nudged: {step.words}. {BACK}",
        )
        self.remember(step)
