"""Stage of each tooth from every criterion; the worst decides and is named."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from perioview.bone_loss import Site
from perioview.chart import Chart
from perioview.chart_rules import data_table, normal_depth_mm
from perioview.criteria_evidence import BANDS, Evidence, evidence_of_tooth
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
    probability = _probability(seen.evidence, stage)
    return ToothAssessment(
        tooth=number,
        status=status,
        stage=stage,
        at_least=at_least,
        decided_by=by,
        evidence=seen.evidence,
        stage_probability=probability,
        borderline=_borderline(seen.evidence, stage, probability, bool(unsafe)),
        disagreements=_disagreements(seen.evidence, seen.unexplained_pocket, chart, number),
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


def combined_stage(
    evidence: Sequence[Evidence], unexplained_pocket: bool = False
) -> tuple[str | None, str | None, tuple[str, ...], tuple[str, ...]]:
    """Stage by the worst criterion, or what is missing for one.

    Parameters
    ----------
    evidence : sequence of Evidence
        At most one per criterion.
    unexplained_pocket : bool
        A pocket beyond normal whose margin was not measured: it may be attachment loss.

    Returns
    -------
    stage, at_least, decided_by, missing
        As in `ToothAssessment`.
    """
    by_name = {e.criterion: e for e in evidence}
    loss = [e for e in evidence if e.criterion != "gingivitis"]
    worst = max((BANDS.index(e.at_least) for e in loss), default=0)
    gum = by_name.get("gingivitis")
    low: str | None = BANDS[worst] if worst else (gum.at_least if gum else None)
    attachment = [e for e in loss if e.criterion != "furcation" and e.stage is not None]
    if worst < 3 and not attachment:
        return None, low, (), _attachment_needs(by_name, unexplained_pocket)
    if worst == 0 and unexplained_pocket:
        return None, low, (), ("the gum margin at the pocket beyond normal",)
    if worst == 1 and any(e.stage is None for e in loss) and not _film_says(by_name, "2"):
        return None, low, (), ("the root's length in mm",)
    if worst:
        return BANDS[worst], low, _deciders(evidence, BANDS[worst]), ()
    if gum is None:
        return "0-1", low, _deciders(evidence, "0-1"), ("gingivitis",)
    others = _deciders(evidence, "0-1") if gum.at_least == "0" else ()
    return gum.at_least, low, (*others, "gingivitis"), ()


def _film_says(by_name: Mapping[str, Evidence], stage: str) -> bool:
    return "radiograph" in by_name and by_name["radiograph"].stage == stage


def _attachment_needs(by_name: Mapping[str, Evidence], pocket: bool) -> tuple[str, ...]:
    if "clinical_attachment" in by_name:
        return ("the root's length in mm",)
    if pocket:
        return ("the gum margin at the pocket beyond normal or a measured radiograph",)
    return ("probing or a measured radiograph",)


def _deciders(evidence: Sequence[Evidence], stage: str) -> tuple[str, ...]:
    order = data_table("criteria.toml")["order"]["criteria"]
    found = [e.criterion for e in evidence if e.at_least == stage and e.criterion != "gingivitis"]
    return tuple(sorted(found, key=order.index))


def _probability(evidence: Sequence[Evidence], stage: str | None) -> dict[str, float] | None:
    """Distribution of the worst criterion, the criteria's errors taken as independent."""
    loss = [e for e in evidence if e.criterion != "gingivitis"]
    if stage is None or any(e.probability is None for e in loss):
        return None
    cumulative = [1.0] * len(BANDS)
    for e in loss:
        mass = e.probability or {}
        total = 0.0
        for i, band in enumerate(BANDS):
            total += mass.get(band, 0.0)
            cumulative[i] *= min(total, 1.0)
    shares = [c - (cumulative[i - 1] if i else 0.0) for i, c in enumerate(cumulative)]
    gum = next((e.at_least for e in evidence if e.criterion == "gingivitis"), None)
    first = {"0-1": shares[0]} if gum is None else {s: shares[0] * (s == gum) for s in ("0", "1")}
    return {**first, **dict(zip(BANDS[1:], shares[1:], strict=True))}


def _borderline(
    evidence: Sequence[Evidence],
    stage: str | None,
    probability: dict[str, float] | None,
    unsafe: bool,
) -> bool | None:
    if stage is None:
        return None
    least = data_table("criteria.toml")["certainty"]["borderline_below"]
    unsure = probability is not None and probability[stage] < least
    return unsafe or unsure or any(e.borderline for e in evidence if e.at_least == stage)


def _disagreements(
    evidence: Sequence[Evidence], pocket: bool, chart: Chart, number: int
) -> tuple[str, ...]:
    by_name = {e.criterion: e for e in evidence}
    film, probe = by_name.get("radiograph"), by_name.get("clinical_attachment")
    told = []
    if film and probe and film.stage and probe.stage and film.stage != probe.stage:
        told.append(f"radiograph says stage {film.stage}, probing says {probe.stage}")
    elif film and probe and film.stage == "0-1" and probe.at_least != "0-1":
        told.append("attachment is lost by probing, the radiograph shows no more than normal")
    if film and film.stage == "0-1" and pocket:
        told.append(
            "a pocket beyond normal where the radiograph shows no loss: enlarged gum, or loss on "
            "a side no film shows"
        )
    told += list(_furcation_disagreements(by_name))
    if any(r.bleeding for r in chart.of(number)) and chart.worst(number, "gingivitis_index") == 0:
        told.append("bleeding on probing, yet gingivitis 0")
    return tuple(told)


def _furcation_disagreements(by_name: Mapping[str, Evidence]) -> Iterator[str]:
    film, probed = by_name.get("radiograph"), by_name.get("furcation")
    exposed = film is not None and "furcation_exposed" in film.flags
    if exposed and (probed is None or probed.at_least == "0-1"):
        yield "the radiograph shows the furcation exposed, none was probed"
    if film and probed and film.stage and BANDS.index(probed.at_least) > BANDS.index(film.stage):
        yield f"{probed.reason} means at least stage {probed.at_least}, the radiograph says " + str(
            film.stage
        )


def mouth_summary(assessments: Sequence[ToothAssessment]) -> MouthSummary:
    """Teeth per stage, the worst of them, mean losses; no stage of the patient."""
    absent = {"missing": 0, "unerupted": 0, "extracted": 0}
    counts = dict.fromkeys([*STAGES, "0-1", NOT_ENOUGH], 0)
    for a in assessments:
        if a.status in absent:
            absent[a.status] += 1
        if a.status not in ("missing", "unerupted") and "deciduous" not in a.flags:
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
