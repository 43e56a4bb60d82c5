"""Stage of each tooth from every criterion; the worst decides and is named."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from perioview.bone_loss import Site
from perioview.chart import Chart
from perioview.chart_rules import normal_depth_mm
from perioview.criteria_combined import (
    combined_stage,
    disagreements,
    is_borderline,
    stage_probability,
)
from perioview.criteria_evidence import Evidence, evidence_of_tooth
from perioview.measurement import Measurement, missing
from perioview.staging import ToothStage
from perioview.teeth import teeth, tooth

STAGES = ("0", "1", "2", "3", "4")
NOT_ENOUGH = "not enough to stage"


@dataclass(frozen=True, slots=True)
class ToothAssessment:
    """What all criteria together say of one tooth.

    Parameters
    ----------
    tooth : int
        Modified Triadan number.
    status : str
        Latest status said in the chart; empty when nothing was said.
    stage : str or None
        ``"0"`` to ``"4"``; ``"0-1"`` when only gingivitis is unknown; None: not enough to stage.
    at_least : str or None
        Lowest stage the findings allow; None when nothing is known.
    decided_by : tuple of str
        Criteria that reach the stage.
    evidence : tuple of Evidence
        What each criterion says, those that say nothing left out.
    stage_probability : dict of str to float, or None
        Over the same names as `stage`; None when not staged or a criterion has no number.
    borderline : bool or None
        Whether another stage is nearly as likely, or a length is unsafe.
    disagreements : tuple of str
        Where probing and radiograph, or two findings, tell different stories.
    missing : tuple of str
        What to measure or record so that the tooth can be staged.
    """

    tooth: int
    status: str
    stage: str | None
    at_least: str | None
    decided_by: tuple[str, ...]
    evidence: tuple[Evidence, ...]
    stage_probability: dict[str, float] | None
    borderline: bool | None
    disagreements: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()
    flags: tuple[str, ...] = ()
    deepest_pocket_mm: float | None = None
    deepest_site: str = ""
    pocket_beyond_normal: bool | None = None
    attachment_loss: Measurement = field(default_factory=lambda: missing("mm"))
    attachment_loss_pct: Measurement = field(default_factory=lambda: missing("%"))
    bone_loss_pct: Measurement = field(default_factory=lambda: missing("%"))
    gingivitis: int | None = None
    furcation: int | None = None
    mobility: int | None = None
    findings: tuple[str, ...] = ()

    @property
    def sentence(self) -> str:
        """The result in one line, for a screen or a report."""
        if self.stage is None:
            low = f"; at least stage {self.at_least}" if self.at_least else ""
            need = f"; needs {', '.join(self.missing)}" if self.missing else ""
            return f"{self.tooth}: {NOT_ENOUGH}{low}{need}"
        names = [name.replace("_", " ") for name in self.decided_by]
        by = " and ".join([", ".join(names[:-1]), names[-1]] if names[1:] else names)
        return f"{self.tooth}: stage {self.stage.replace('-', ' or ')}, decided by {by}"

    def said_by(self, criterion: str) -> Evidence | None:
        """What one criterion says, if it says anything."""
        return next((e for e in self.evidence if e.criterion == criterion), None)


def root_lengths_mm(sites: Sequence[Site]) -> dict[tuple[int, str], float]:
    """Length of every root measured in mm, from the radiographs' sites.

    Returns
    -------
    dict of (tooth, root) to float
        The shorter where two sides or films differ, so that loss is not made small.
    """
    lengths: dict[tuple[int, str], float] = {}
    for site in sites:
        length = site.root_length
        if length.known and length.unit == "mm" and length.value > 0:
            key = site.tooth, site.root
            lengths[key] = min(length.value, lengths.get(key, math.inf))
    return lengths


def tooth_stages(
    chart: Chart,
    radiographic: Sequence[ToothStage],
    root_lengths_mm: Mapping[tuple[int, str], float] | Mapping[int, float],
    species: str,
    weight_kg: float | None = None,
) -> tuple[ToothAssessment, ...]:
    """Stage every tooth charted or measured, in the order of the mouth.

    Parameters
    ----------
    chart : Chart
        Probing and findings; of both passes the worse reading counts.
    radiographic : sequence of ToothStage
        Several of one tooth (several films): the worst counts.
    root_lengths_mm : mapping
        By tooth and root (as `root_lengths_mm` makes it), or by tooth.
    species : str
        ``dog`` or ``cat``.
    weight_kg : float, optional
        For the normal depth of an animal of this size.

    Returns
    -------
    tuple of ToothAssessment

    Raises
    ------
    InputRefused
        If a tooth is none of this species.

    References
    ----------
    .. [1] AVDC Nomenclature Committee, "Stages of Periodontal Disease".
    """
    numbers = dict.fromkeys([*chart.teeth(), *(t.tooth for t in radiographic)])
    order = {t.number: i for d in (False, True) for i, t in enumerate(teeth(species, deciduous=d))}
    known = sorted(numbers, key=lambda n: (tooth(n, species).deciduous, order[n]))
    lengths: dict[tuple[int, str], float] = {}
    for key, value in root_lengths_mm.items():
        lengths[(key, "") if isinstance(key, int) else key] = value
    return tuple(
        _assessment(
            n, chart, [t for t in radiographic if t.tooth == n], lengths, species, weight_kg
        )
        for n in known
    )


def _assessment(
    number: int,
    chart: Chart,
    films: Sequence[ToothStage],
    lengths: Mapping[tuple[int, str], float],
    species: str,
    weight_kg: float | None,
) -> ToothAssessment:
    seen = evidence_of_tooth(number, chart, films, lengths, species, weight_kg)
    status = chart.status(number)
    stage, at_least, by, needs = combined_stage(seen.evidence, seen.unexplained_pocket)
    flags = list(seen.flags)
    if tooth(number, species).deciduous or status in ("missing", "unerupted"):
        flags.append("deciduous" if status not in ("missing", "unerupted") else status)
        stage, at_least, by, needs = None, None, (), ()
    unsafe = chart.unsafe_length(number)
    if unsafe:
        flags.append("root_length_unsafe")
    probability = stage_probability(seen.evidence, stage)
    return ToothAssessment(
        tooth=number,
        status=status,
        stage=stage,
        at_least=at_least,
        decided_by=by,
        evidence=seen.evidence,
        stage_probability=probability,
        borderline=is_borderline(seen.evidence, stage, probability, bool(unsafe)),
        disagreements=disagreements(seen.evidence, seen.unexplained_pocket, chart, number),
        missing=needs,
        flags=tuple(dict.fromkeys(flags)),
        deepest_pocket_mm=seen.deepest_mm,
        deepest_site=seen.deepest_site,
        pocket_beyond_normal=(
            None
            if seen.deepest_mm is None
            else round(seen.deepest_mm - normal_depth_mm(species, weight_kg), 9) > 0
        ),
        attachment_loss=seen.attachment_loss,
        attachment_loss_pct=seen.attachment_loss_pct,
        bone_loss_pct=seen.bone_loss_pct,
        gingivitis=chart.worst(number, "gingivitis_index"),
        furcation=chart.worst(number, "furcation"),
        mobility=chart.worst(number, "mobility"),
        findings=chart.findings(number),
    )
