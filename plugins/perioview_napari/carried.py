"""The earlier visit's marks as hollow proposals on the later radiograph, to be moved."""

from __future__ import annotations

from collections.abc import Iterable
from functools import partial
from typing import Any

from perioview.alignment import Alignment
from perioview.bone_loss import default_mark_sd
from perioview.errors import InputRefused
from perioview.marks import Mark
from perioview.progression import carried_marks
from perioview_napari.convert import image_of_layer
from perioview_napari.panel import MarkingPanel
from perioview_napari.proposed import CARRIED, Proposed
from perioview_napari.session import Session

BONE = ("crest", "defect_base")
"""What may have moved since: never kept without a look."""


def carried_proposals(
    marks: Iterable[Mark], alignment: Alignment, mm_per_px: float | None
) -> tuple[Proposed, ...]:
    """Turn carried marks into proposals; teeth do not change, bone may have.

    Parameters
    ----------
    marks : iterable of Mark
        In px of the later image.
    alignment : Alignment
        Its error widens the proposal's SD.
    mm_per_px : float or None
        Of the later image.
    """
    own = default_mark_sd(True)
    found = []
    for mark in marks:
        sd = None
        if mm_per_px is not None and alignment.rms_px == alignment.rms_px:
            sd = (own.of(mark.landmark) ** 2 + (alignment.rms_px * mm_per_px) ** 2 / 2) ** 0.5
        sure = 0.0 if mark.landmark in BONE else 1.0
        kept = Mark(
            mark.landmark, mark.row, mark.col, mark.tooth, mark.root, mark.side, None, "accepted"
        )
        found.append(Proposed(kept, sd, sure, (CARRIED,)))
    return tuple(found)


def carry(panel: MarkingPanel, earlier: Any, later: Any, alignment: Alignment) -> tuple[int, int]:
    """Show the earlier radiograph's marks on the later one as proposals.

    Parameters
    ----------
    panel : MarkingPanel
    earlier, later : Image layer
    alignment : Alignment
        Of the later onto the earlier.

    Returns
    -------
    tuple of int
        Marks carried, and marks that fall outside the later image.

    Raises
    ------
    InputRefused
        If the earlier radiograph has no marks, or the later one's cannot be used.
    """
    image, path = image_of_layer(later)
    _, earlier_path = image_of_layer(earlier)
    before = panel.marking.open_session(earlier, panel.visits.species(earlier_path))
    kept, lost = carried_marks(before.round.marks, alignment, (image.rows, image.cols))
    if not kept:
        raise InputRefused(f"{earlier.name}: has no marks to carry; mark it first.")
    species = panel.visits.species(path) or image.species or before.species
    session = panel.marking.open_session(later, species, panel.visits.teeth(path))
    _take_teeth(session, before)
    session.carry_over(carried_proposals(kept, alignment, session.calibration.col_mm))
    panel.show_layer(later, species)
    return len(kept), len(lost)


def _take_teeth(session: Session, before: Session) -> None:
    """Ask for the earlier radiograph's teeth, each with the roots seen there."""
    roots = dict(before.round.state.roots)
    wanted = [n for n in before.round.marks.teeth() if n in roots]
    session.act(lambda: session.round.choose_teeth([*dict(session.round.state.roots), *wanted]))
    for number in wanted:
        tried: set[tuple[str, ...]] = set()
        while (now := dict(session.round.state.roots)[number]) != roots[
            number
        ] and now not in tried:
            tried.add(now)
            try:
                session.act(partial(session.round.next_variant, number))
            except InputRefused:
                break
    session.act(lambda: session.round.go_to(session.round.state.open_after(None)))
