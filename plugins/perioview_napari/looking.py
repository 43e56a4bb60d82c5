"""Takes what was found for a tooth: proposals are shown, and what is asked for next may change."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from perioview.errors import InputRefused
from perioview.marking_round import RoundState
from perioview_napari.finding import Finder
from perioview_napari.session import Session

if TYPE_CHECKING:
    from perioview_napari.marking import Marking


class Looking:
    """Looks for proposals beside the window and shows them on the radiograph of a `Marking`.

    Parameters
    ----------
    marking : Marking
    """

    def __init__(self, marking: Marking) -> None:
        self.marking = marking
        self.finder = Finder()
        self.finder.found.connect(self._found)
        self.close = self.finder.close

    @property
    def waiting(self) -> bool:
        """Whether proposals are still being sought for the radiograph that is shown."""
        session = self.marking.session
        return session is not None and self.finder.seeks(session)

    def look_anew(self, session: Session) -> None:
        """Look again for the proposals of an earlier session, which were never marks."""
        for tooth in dict.fromkeys(_sources(session)):
            self.finder.look(session, tooth)

    def look_after(self, session: Session, before: RoundState) -> None:
        """Look for proposals of the teeth that an action touched."""
        now = session.round.state
        pointed = {p[0] for p in set(now.pointed) ^ set(before.pointed)}
        touched = {m.tooth for m in set(now.marks) ^ set(before.marks)} - {None}
        # What was left out, or needed no marks, may be asked for again and be proposed.
        touched |= {s.step.tooth for s in set(now.skips) ^ set(before.skips)} - {None}
        touched |= set(now.sound) ^ set(before.sound)
        # In view again, or with other roots.
        touched |= {n for n, _ in set(now.roots) - set(before.roots)} & {*_sources(session)}
        for tooth in touched | pointed:
            self.finder.look(session, int(tooth or 0), told=tooth in pointed)

    def _found(self, session: Session, tooth: int, answer: Any) -> None:
        before, found, fault, told = answer
        marking = self.marking
        shown = session is marking.session
        if fault is not None:
            where = "" if shown else f" on {session.image.name}"
            marking.message.emit(f"No proposal for {tooth}{where}: {fault}", True)
        if _asked_about(before, tooth) != _asked_about(session.round.state, tooth):
            # Marks moved meanwhile: a newer request is on its way, if there is anything to find.
            self._show()
            return
        words = marking.words()
        try:
            session.take_proposals(tooth, found)
        except InputRefused as refused:
            marking.message.emit(str(refused), True)
        # Only in answer to a click on a root: else it would hide what an action has said.
        if shown and told and any(p[0] == tooth for p in session.round.state.pointed):
            count = sum(p.mark.tooth == tooth for p in session.proposals)
            said = f"{tooth}: {count} mark{'s' * (count != 1)} proposed."
            none = f"{tooth}: nothing sure enough to propose; place the marks."
            marking.message.emit(said if count else none, not count)
        if shown and marking.words() != words:
            marking.placing.step_changed()
        self._show()

    def _show(self) -> None:
        self.marking.refresh()
        self.marking.changed.emit()


def _sources(session: Session) -> tuple[int, ...]:
    """Return the teeth for which something can be proposed, as far as is known beforehand."""
    state = session.round.state
    carried = (p.mark.tooth or 0 for p in session.carried)
    return (*state.marks.teeth(), *(p[0] for p in state.pointed), *carried)


def _asked_about(state: RoundState, tooth: int) -> tuple[object, ...]:
    pointed = tuple(p for p in state.pointed if p[0] == tooth)
    return state.marks.of(tooth=tooth), pointed, dict(state.roots).get(tooth)
