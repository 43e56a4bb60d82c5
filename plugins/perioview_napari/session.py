"""One radiograph being marked: its image, scale, marks, numbers and file; no Qt and no napari."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from pathlib import Path

from perioview.bone_loss import MarkSd, Site, sites
from perioview.calibration import Calibration, calibration
from perioview.errors import InputRefused
from perioview.files.tables import check_rulers
from perioview.image import Image
from perioview.marking_round import (
    MarkingRound,
    RoundState,
    Step,
    round_text,
    step_of,
)
from perioview.marks import Mark, Marks, check_marks
from perioview.proposals_strip import Strip
from perioview.root_direction import root_direction
from perioview.snapping import RADIUS_MM, settled
from perioview.staging import ToothStage, radiographic_stages, stage_from_pct, staging_rules
from perioview.teeth import SPECIES, has_tooth
from perioview_napari.proposed import Proposed, with_proposals
from perioview_napari.session_file import SessionFile
from perioview_napari.session_proposals import found_proposals


class Session:
    """The marking of one radiograph, saved after every change.

    Parameters
    ----------
    image : Image
    marks_path : Path
        The marks file; read if it is there.
    species : str
        ``dog`` or ``cat``; None takes the image's own.
    teeth : iterable of int
        Teeth in view, as far as they are known.

    Raises
    ------
    InputRefused
        If the species is not known or the marks file cannot be used.
    """

    def __init__(
        self,
        image: Image,
        marks_path: Path,
        species: str | None = None,
        teeth: Iterable[int] = (),
    ) -> None:
        self.image = image
        self.file = SessionFile(marks_path)
        self.closed = False
        """Whether nothing shows it any more: what is still found for it is not kept."""
        self.species = species or image.species or SPECIES[0]
        self.mm_per_px: float | None = None
        self.mark_sd: MarkSd | None = None
        self.snap_mm = RADIUS_MM
        self.chosen: Step | None = None
        """The step the user went to by hand: asked for while the round stands at it."""
        self._direction: tuple[tuple[Mark, Mark] | None, int] = (None, 0)
        self._strips: dict[tuple[object, ...], Strip] = {}
        state, kept = self.file.read(self.species, image)
        self.round = MarkingRound(self.species, state)
        # Teeth once chosen here stand; what the visit says is for the first time only.
        first = not self.round_path.exists()
        wanted = [*dict(self.round.state.roots), *(teeth if first else ())]
        if wanted or self.round.marks.teeth():
            cursor = self.round.state.cursor
            # Teeth chosen while the species was another one may be none of this.
            self.round.choose_teeth(n for n in wanted if has_tooth(n, self.species))
            if cursor in self.round.state.steps:
                self.round.go_to(cursor)
            self.round = MarkingRound(self.species, self.round.state)
        # Marks of an earlier visit; kept when accepted, in case that is taken back.
        self.carried = tuple(p for p in kept if p.carried)
        self.proposals = self._open(kept)
        self.calibration: Calibration = self._calibration()

    @property
    def marks_path(self) -> Path:
        """The marks file."""
        return self.file.path

    @property
    def round_path(self) -> Path:
        """File beside the marks for what a marks file has no place for."""
        return self.file.round_path

    def _open(self, proposals: Iterable[Proposed]) -> tuple[Proposed, ...]:
        """Return those whose tooth is in view with its root, and neither marked nor left out."""
        state = self.round.state
        steps = ((step_of(p.mark), p) for p in proposals)
        return tuple(p for step, p in steps if state.in_view(step) and state.open(step))

    def _calibration(self) -> Calibration:
        try:
            return calibration(self.image, self.round.marks, self.mm_per_px)
        except InputRefused:
            return calibration(self.image, None, self.mm_per_px)

    def check(self, marks: Marks) -> None:
        """Refuse marks that would make the file unreadable.

        Raises
        ------
        InputRefused
            With one line per fault.
        """
        check_marks(marks, self.species, self.image.rows, self.image.cols, self.marks_path.name)
        check_rulers(marks, self.marks_path.name)

    def settle(self, previous: RoundState) -> None:
        """After a change: check it, take the scale anew and save; a refused change is undone.

        Raises
        ------
        InputRefused
            If the marks cannot stand so, or cannot be written.
        """
        try:
            self.check(self.round.marks)
        except InputRefused:
            self.round.withdraw()
            self.round.go_to(previous.cursor)
            raise
        if previous.marks.rulers() != self.round.marks.rulers():
            self.calibration = self._calibration()
        self.proposals = self._open(self.proposals)
        self.save()

    def save(self, *, only_round: bool = False) -> None:
        """Write what is not on disk, marks and round each whole or not at all.

        Raises
        ------
        InputRefused
            If the folder cannot be written.
        """
        found = tuple(p for p in self.proposals if not p.carried)
        text = with_proposals(round_text(self.round.state), (*self.carried, *found))
        self.file.write(self.round.marks, text, only_round=only_round)

    def use_scale(self, mm_per_px: float | None) -> None:
        """Take a given column spacing instead of rulers and file; None goes back to those."""
        self.mm_per_px = mm_per_px
        self.calibration = self._calibration()

    def sites(self, tooth: int | None = None, marks: Marks | None = None) -> tuple[Site, ...]:
        """Return bone loss at each site, of one tooth or of all."""
        chosen = self.round.marks if marks is None else marks
        if tooth is not None:
            chosen = Marks(chosen.of(tooth=tooth))
        chosen = Marks(tuple(m for m in chosen if m.landmark != "ruler"))
        return sites(chosen, self.calibration, self.mark_sd)

    def staged(
        self, tooth: int | None = None, marks: Marks | None = None
    ) -> tuple[tuple[Site, ...], tuple[ToothStage, ...]]:
        """Return the sites of one tooth or of all, and the stage of each tooth."""
        return radiographic_stages(
            self.sites(tooth, marks), self.species, scaled=self.calibration.scaled
        )

    def site_stage(self, site: Site) -> str:
        """Return the radiographic stage one site alone would mean; empty without one."""
        percent = site.bone_loss_pct
        if not percent.known or math.isnan(site.normal_limit_pct):
            return ""
        return stage_from_pct(percent.value, site.normal_limit_pct, staging_rules())

    def settled(self, step: Step, row: float, col: float) -> tuple[float, float] | None:
        """Return the nearest plausible edge for the mark of a step; None if there is none."""
        found = () if step.tooth is None else self.sites(step.tooth)
        axis = next((s.axis for s in found if s.root == step.root and s.axis), None)
        return settled(
            self.image,
            (row, col),
            step.landmark,
            self.calibration,
            radius_mm=self.snap_mm,
            axis=axis,
        )

    def root_direction(self, first: Mark, second: Mark) -> int:
        """Return on which side of two CEJ marks the roots lie, as `root_direction` tells it."""
        if self._direction[0] != (first, second):
            places = (first.row, first.col), (second.row, second.col)
            found = root_direction(self.image, *places, self.calibration)
            self._direction = (first, second), found
        return self._direction[1]

    # -- proposals ------------------------------------------------------------------------------

    def propose(self, tooth: int) -> tuple[Proposed, ...]:
        """Propose marks of one tooth that are neither marked nor left out; may take long.

        Marks of an earlier visit first; else CEJs and apex of roots that were pointed at, and the
        crests of every root that then has both. A crest is no surer than the marks it was sought
        from.
        """
        carried = self._open(p for p in self.carried if p.mark.tooth == tooth)
        taken = {step_of(p.mark) for p in carried}
        return (
            *carried,
            *(
                p
                for p in found_proposals(self, tooth, self._strips)
                if step_of(p.mark) not in taken
            ),
        )

    def take_proposals(self, tooth: int, found: Iterable[Proposed]) -> None:
        """Show these proposals for a tooth in place of earlier ones, as far as they are open.

        Raises
        ------
        InputRefused
            If the folder cannot be written: they are shown all the same; where it could not be
            before, they wait for the next mark.
        """
        if self.closed:
            # Another session may have the file by now.
            return
        others = tuple(p for p in self.proposals if p.mark.tooth != tooth)
        before, self.proposals = self.proposals, others + self._open(found)
        if self.proposals != before and not self.file.refused:
            self.save(only_round=True)

    def carry_over(self, found: Iterable[Proposed]) -> None:
        """Propose marks of an earlier visit, before anything found here; kept on disk.

        Raises
        ------
        InputRefused
            If the folder cannot be written.
        """
        self.carried = tuple(found)
        mine = self._open(self.carried)
        taken = {step_of(p.mark) for p in mine}
        others = (p for p in self.proposals if not p.carried and step_of(p.mark) not in taken)
        self.proposals = (*mine, *others)
        self.save(only_round=True)

    def act(self, action: Callable[[], object]) -> None:
        """Do something to the round, then check, rescale and save.

        Raises
        ------
        InputRefused
            If the change cannot stand (it is undone) or cannot be written (it is kept).
        """
        previous = self.round.state
        action()
        if self.round.state != previous:
            self.settle(previous)
        elif self.file.waits:
            self.save()
