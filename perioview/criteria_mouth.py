"""The mouth in counts: teeth per stage, the worst of them, mean losses."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from perioview.criteria import NOT_ENOUGH, STAGES, ToothAssessment
from perioview.measurement import Measurement, missing


@dataclass(frozen=True, slots=True)
class MouthSummary:
    """The mouth in counts; a stage belongs to a tooth, never to the patient.

    Parameters
    ----------
    teeth_per_stage : dict of str to int
        Every stage name, and `NOT_ENOUGH`.
    worst : tuple of int
        Teeth of the highest stage, if that is 1 or more.
    mean_attachment_loss_pct, mean_bone_loss_pct : Measurement
        Mean over the teeth measured; the SD is that between teeth.
    absent : dict of str to int
        Teeth missing, unerupted, extracted.
    """

    teeth_per_stage: dict[str, int]
    worst: tuple[int, ...]
    worst_stage: str | None
    mean_attachment_loss_pct: Measurement
    mean_bone_loss_pct: Measurement
    absent: dict[str, int]

    @property
    def sentence(self) -> str:
        """Counts in words, without a stage of the patient."""
        parts = [f"{n} at stage {s}" for s, n in self.teeth_per_stage.items() if n and s in STAGES]
        open_ = {k: v for k, v in self.teeth_per_stage.items() if k not in STAGES and v}
        parts += [f"{n} {'stage 0 or 1' if s == '0-1' else s}" for s, n in open_.items()]
        worst = f"; worst {', '.join(map(str, self.worst))}" if self.worst else ""
        return f"teeth: {', '.join(parts) or 'none examined'}{worst}"


def mouth_summary(assessments: Sequence[ToothAssessment]) -> MouthSummary:
    """Teeth per stage, the worst of them, mean losses; no stage of the patient."""
    absent = {"missing": 0, "unerupted": 0, "extracted": 0}
    counts = dict.fromkeys([*STAGES, "0-1", NOT_ENOUGH], 0)
    for a in assessments:
        if a.status in absent:
            absent[a.status] += 1
        # A tooth that was taken out counts by the stage it had, if it had one.
        gone = a.status in ("missing", "unerupted") or (a.status == "extracted" and not a.stage)
        if not gone and "deciduous" not in a.flags:
            counts[a.stage or NOT_ENOUGH] += 1
    staged = [s for s in STAGES[1:] if counts[s]]
    worst = staged[-1] if staged else None
    return MouthSummary(
        counts,
        tuple(a.tooth for a in assessments if worst and a.stage == worst),
        worst,
        _mean([a.attachment_loss_pct for a in assessments]),
        _mean([a.bone_loss_pct for a in assessments]),
        absent,
    )


def _mean(values: Sequence[Measurement]) -> Measurement:
    known = [m.value for m in values if m.known]
    if not known:
        return missing("%", "not_measured")
    mean = sum(known) / len(known)
    if len(known) == 1:
        return Measurement(mean, math.nan, "%", ("one_tooth",))
    return Measurement(mean, math.sqrt(sum((v - mean) ** 2 for v in known) / (len(known) - 1)), "%")
