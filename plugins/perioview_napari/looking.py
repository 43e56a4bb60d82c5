"""Takes what was found for a tooth: proposals are shown, and what is asked for next may change."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from perioview.errors import InputRefused
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
        self.look, self.close = self.finder.look, self.finder.close

    @property
    def waiting(self) -> bool:
        """Whether proposals are still being sought."""
        return self.finder.waiting

    def _found(self, session: Session, tooth: int, answer: Any) -> None:
        before, found, fault = answer
        marking = self.marking
        if fault is not None:
            marking.message.emit(f"No proposal for {tooth}: {fault}", True)
        state = session.round.state
        same = before.marks.of(tooth=tooth) == state.marks.of(tooth=tooth)
        if not same or before.pointed != state.pointed:
            # Marks moved meanwhile: a newer request is on its way, if there is anything to find.
            self._show()
            return
        words = marking.words()
        try:
            session.take_proposals(tooth, found)
        except InputRefused as refused:
            marking.message.emit(str(refused), True)
        if any(p[0] == tooth for p in state.pointed):
            count = len(found)
            said = f"{tooth}: {count} mark{'s' * (count != 1)} proposed."
            none = f"{tooth}: nothing sure enough to propose; place the marks."
            marking.message.emit(said if found else none, not found)
        if session is marking.session:
            if marking.words() != words:
                marking.placing.step_changed()
            self._show()

    def _show(self) -> None:
        self.marking.refresh()
        self.marking.changed.emit()
