"""What can be proposed for a tooth on the radiograph of a session; no Qt and no napari."""

from __future__ import annotations

from typing import TYPE_CHECKING

from perioview.marking_round import step_of
from perioview.marks import CONFIDENCE, Mark, Marks
from perioview.proposals import Proposal, crest_proposals
from perioview.proposals_strip import Strip
from perioview_napari.proposed import Proposed

if TYPE_CHECKING:
    from perioview_napari.session import Session


def found_proposals(
    session: Session, tooth: int, kept: dict[tuple[object, ...], Strip]
) -> tuple[Proposed, ...]:
    """Propose CEJs and apex of roots that were pointed at, and crests of roots that have both.

    Parameters
    ----------
    session : Session
    tooth : int
    kept : dict
        What `crest_proposals` read of the image before; added to.
    """
    marks = session.round.marks
    roots = _from_pointing(session, tooth, marks)
    of_tooth = Marks((*marks.of(tooth=tooth), *(p.mark for p in roots)))
    if not of_tooth.of(landmark="apex") or not of_tooth.of(landmark="cej"):
        return roots
    weakest = {
        root: min(p.confidence for p in roots if p.mark.root == root)
        for root in {p.mark.root for p in roots}
    }
    crests = (
        _proposed(p, min(p.confidence, weakest.get(p.root, 1.0)))
        for p in crest_proposals(
            session.image,
            Marks((*marks, *(p.mark for p in roots))),
            session.calibration,
            session.species,
            teeth=(tooth,),
            kept=kept,
        )
    )
    return (*roots, *crests)


def _from_pointing(session: Session, tooth: int, marks: Marks) -> tuple[Proposed, ...]:
    from perioview.proposals_click import root_proposals, tooth_proposals

    state = session.round.state
    places = {root: (row, col) for number, root, row, col in state.pointed if number == tooth}
    roots = dict(state.roots).get(tooth, ())
    known = (session.calibration, session.species, marks)
    if len(places) == 1 and len(roots) > 1:
        # One click may do for the whole tooth.
        asked, place = next(iter(places.items()))
        found = tooth_proposals(session.image, place, tooth, roots, *known, asked=asked)
    else:
        found = tuple(
            p
            for root, place in places.items()
            for p in root_proposals(session.image, place, tooth, root, *known)
        )
    marks_found = (_proposed(p, p.confidence) for p in found)
    return tuple(p for p in marks_found if state.open(step_of(p.mark)))


def _proposed(found: Proposal, confidence: float) -> Proposed:
    """Make a mark of a proposal, to be kept as it is or moved; it carries how sure it was."""
    return Proposed(
        Mark(
            found.landmark,
            found.row,
            found.col,
            found.tooth,
            found.root,
            found.side or None,
            None,
            "accepted",
            extra=((CONFIDENCE, f"{confidence:.2f}"),),
        ),
        found.sd_mm,
        confidence,
        found.flags,
    )
