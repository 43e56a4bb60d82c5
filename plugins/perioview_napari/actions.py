"""What keys and buttons do to the marking round of the radiograph that is shown."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from perioview.marking_round import SKIP_REASONS, Skip, Step, step_of
from perioview_napari.drawing import site_text
from perioview_napari.marking import Marking
from perioview_napari.proposed import Proposed

LOSS = ("2", "3", "4")
"""Stages that a radiograph tells from no loss."""
NO_SESSION = "Open a radiograph and choose the species first."


class RoundActions:
    """One method per action, named as in `keys.KEYS`.

    Parameters
    ----------
    marking : Marking
    say : callable
        Tells the user a sentence, and whether it is a fault.
    """

    def __init__(self, marking: Marking, say: Callable[[str, bool], None]) -> None:
        self.marking = marking
        self.say = say

    def tooth(self) -> int | None:
        """Return the tooth in hand."""
        session = self.marking.session
        if session is None:
            return None
        cursor = session.round.state.cursor
        if cursor is not None and cursor.tooth is not None:
            return cursor.tooth
        return session.proposals[0].mark.tooth if session.proposals else None

    def _on_tooth(self, action: Callable[[Any, int], object]) -> None:
        session, number = self.marking.session, self.tooth()
        if session is None or number is None:
            self.say("No tooth is asked for: choose teeth, or jump to one (J).", True)
            return
        self.marking.act(lambda: action(session.round, number))

    def _on_round(self, action: Callable[[Any], object], said: str = "") -> None:
        session = self.marking.session
        if session is None:
            self.say(NO_SESSION, True)
            return
        self.marking.act(lambda: action(session.round), said=said)

    def _keep(self, doubtful_too: bool) -> None:
        session, number = self.marking.session, self.tooth()
        if session is None or number is None:
            self.say(NO_SESSION if session is None else "No proposals wait to be kept.", True)
            return
        of_tooth = [p for p in session.proposals if p.mark.tooth == number]
        taken = [p.mark for p in of_tooth if not p.doubtful or (doubtful_too and not p.unseen)]
        left = [p.mark for p in of_tooth if p.mark not in taken]
        if not taken:
            self.say(f"{number}: {_nothing_to_keep(of_tooth)}", True)
            return

        def kept() -> None:
            session.round.accept(taken)
            if left:
                # Not on to the next tooth: what is left would be forgotten there.
                session.round.go_to(step_of(left[0]))

        self.marking.act(kept)

    def keep(self) -> None:
        """Accept the proposals of this tooth that are sure."""
        self._keep(False)

    def keep_doubtful(self) -> None:
        """Accept the doubtful ones of this tooth as well; none whose margin was not seen."""
        self._keep(True)

    def skip(self, reason: str = SKIP_REASONS[0]) -> None:
        """Leave out the mark that is asked for; of a root to be pointed at, its apex."""
        session, step = self.marking.session, self.marking.placing.named()
        if session is None or step is None:
            self.say(NO_SESSION if session is None else "Nothing is asked for.", True)
            return
        state = session.round.state
        if state.mark_at(step) is not None:
            self.say(f"Not left out, it is marked: {step.words}. Remove it first (W).", True)
            return
        if Skip(step, reason) in state.skips:
            self.say(f"Left out already ({reason}): {step.words}.", False)
            return

        def left_out() -> None:
            session.round.go_to(step)
            session.round.skip(reason)

        self.marking.act(left_out)

    def no_loss(self) -> None:
        """Record that this tooth shows no radiographic loss."""
        session, number = self.marking.session, self.tooth()
        if session is not None and number is not None:
            measured = [s for s in session.staged(number)[0] if session.site_stage(s) in LOSS]
            if measured:
                worst = max(measured, key=lambda s: s.bone_loss_pct.value)
                self.say(
                    f"{number}: {site_text(worst)} is measured, and that is loss. Remove its "
                    "marks (W) first, or skip (N) what is left.",
                    True,
                )
                return
        self._on_tooth(lambda r, n: r.no_loss(n))

    def undo(self) -> None:
        """Take the last action back."""
        session = self.marking.session
        if session is not None and not session.round.can_undo:
            self.say("Nothing to undo on this image.", False)
            return
        self._on_round(lambda r: r.undo(), "Taken back. Shift+U does it again.")

    def redo(self) -> None:
        """Do again what was taken back."""
        session = self.marking.session
        if session is not None and not session.round.can_redo:
            self.say("Nothing to redo on this image.", False)
            return
        self._on_round(lambda r: r.redo(), "Done again.")

    def back(self) -> None:
        """Go to the mark before."""
        self._along(-1)

    def forward(self) -> None:
        """Go to the mark after."""
        self._along(1)

    def _along(self, offset: int) -> None:
        if self.marking.session is None:
            self.say(NO_SESSION, True)
        else:
            self.marking.placing.go_along(offset)

    def jump(self, number: int) -> None:
        """Go to a tooth."""
        self._on_round(lambda r: r.go_to_tooth(number))

    def remove(self) -> None:
        """Take away the mark that the words on top name."""
        session, mark = self.marking.session, self.marking.placing.selected()
        if session is None or mark is None:
            self.say("There is no mark here to remove: click one first, or go back (↑).", True)
            return
        self.marking.act(lambda: session.round.remove(mark))

    def roots(self) -> None:
        """Take the tooth's next set of roots."""
        self._on_tooth(lambda r, number: r.next_variant(number))

    def defect(self) -> None:
        """Ask for a defect base at the root and side that is asked for."""
        session, shown = self.marking.session, self.marking.placing.shown()
        if session is None or shown is None or shown.side is None:
            self.say("Go to a root and side first (a crest or CEJ).", True)
            return
        step = Step("defect_base", shown.tooth, shown.root, shown.side)
        self.marking.act(lambda: session.round.ask_for([step]))

    def nudge_up(self) -> None:
        """Move the last mark up."""
        self.marking.placing.nudge(0, -1)

    def nudge_down(self) -> None:
        """Move the last mark down."""
        self.marking.placing.nudge(0, 1)

    def nudge_left(self) -> None:
        """Move the last mark left."""
        self.marking.placing.nudge(-1, 0)

    def nudge_right(self) -> None:
        """Move the last mark right."""
        self.marking.placing.nudge(1, 0)


def _nothing_to_keep(of_tooth: Sequence[Proposed]) -> str:
    if not of_tooth:
        return "no proposals; they come once CEJ and apex are marked, or the root is pointed at."
    if all(p.unseen for p in of_tooth):
        return "the bone margin was not seen; click or drag the crest, or skip it (N)."
    return "only doubtful proposals; look, drag them, or Shift+K."
