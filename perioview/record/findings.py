"""An examination with what follows from it: stages from every criterion, map, options."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from perioview.awake import Awake, StagePair, awake_caution, awake_examination, stage_pairs
from perioview.bone_loss import Site
from perioview.care import Caution, Option, cautions, options
from perioview.chart import Chart, is_extraction
from perioview.chart_decision import Course, courses
from perioview.closeout import Gap, gaps
from perioview.closeout_checks import file_gaps
from perioview.criteria import ToothAssessment, root_lengths_mm, tooth_stages
from perioview.criteria_mouth import MouthSummary, mouth_summary
from perioview.errors import InputRefused
from perioview.measurement import Measurement
from perioview.record.mouth_map import Shape, ToothView, mouth_shapes
from perioview.record.visit_faults import visit_faults
from perioview.visit import Examination

if TYPE_CHECKING:
    from perioview.record.since_last import SinceLast

METHOD = (
    "Bone loss: distance from cementoenamel junction to alveolar crest (or the base of a vertical "
    "defect) along the root axis, in percent of the root length; every length in mm before any "
    "angle or projection.",
    "Stages: AVDC Nomenclature Committee, Stages of Periodontal Disease; the worst criterion "
    "decides and is named.",
    "Normal CEJ-to-crest distance: teaching values (2 mm dog, 1 mm cat), at most 12.5 % of a root.",
)


@dataclass(frozen=True, slots=True)
class Findings:
    """What report, map and record show of an examination.

    Parameters
    ----------
    awake : Awake
        What was seen before anaesthesia; parts nobody looked at have no text.
    stage_pairs : tuple of StagePair
        Provisional stage beside the final one.
    courses : tuple of Course
        Every tooth from decision to proof.
    since : SinceLast, optional
        What changed since an earlier visit, where one was given.
    """

    examination: Examination
    assessments: tuple[ToothAssessment, ...]
    map_shapes: tuple[Shape, ...]
    summary: MouthSummary
    awake: Awake
    options: tuple[Option, ...] = ()
    cautions: tuple[Caution, ...] = ()
    gaps: tuple[Gap, ...] = ()
    stage_pairs: tuple[StagePair, ...] = ()
    courses: tuple[Course, ...] = ()
    since: SinceLast | None = None
    method: tuple[str, ...] = METHOD

    def json_object(self) -> dict[str, Any]:
        """Everything as plain values: radiographs and photos as their own verbs write them."""
        exam = self.examination
        return {
            "patient": {k: _plain(v) for k, v in exam.visit.patient.items()},
            "visit": {k: _plain(v) for k, v in exam.visit.visit.items()},
            "radiographs": [r.json_object() for r in exam.radiographs],
            "photos": [p.result.json_object() for p in exam.photos if p.result is not None],
            "chart": _chart_rows(exam.chart or Chart()),
            "teeth": [_assessment_object(a) for a in self.assessments],
            "mouth": _mouth_object(self.summary),
            "awake": {
                "findings": {f.name: f.text for f in self.awake.findings},
                "stages": [asdict(p) for p in self.stage_pairs],
                "caution": awake_caution() if self.stage_pairs else None,
            },
            "since_last": self.since.json_object() if self.since else None,
            "courses": [asdict(c) for c in self.courses],
            "options": [
                _named(o, "tooth", "name", "because", "asks", "source", "limits")
                for o in self.options
            ],
            "cautions": [_named(c, "tooth", "key", "sentence", "source") for c in self.cautions],
            "gaps": [_named(g, "tooth", "kind", "sentence") for g in self.gaps],
        }

    def sites_csv(self) -> str:
        """Every site of every radiograph as a table."""
        out = io.StringIO()
        rows = [
            {"image": r.image.name, **s, "flags": " ".join(s["flags"])}
            for r in self.examination.radiographs
            for s in r.json_object()["sites"]
        ]
        names = list(rows[0]) if rows else ["image", "tooth", "root", "side"]
        writer = csv.DictWriter(out, names, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
        return out.getvalue()


def _named(row: Any, *names: str) -> dict[str, Any]:
    values = {n: getattr(row, n) for n in names}
    return {n: list(v) if isinstance(v, tuple) else v for n, v in values.items()}


def _plain(value: Any) -> Any:
    return value if isinstance(value, str | int | float | bool | list) else str(value)


def _numbers(name: str, m: Measurement) -> dict[str, float | None]:
    return {
        name: m.value if m.known else None,
        f"{name}_sd": m.sd if m.known and math.isfinite(m.sd) else None,
    }


def _chart_rows(chart: Chart) -> list[dict[str, Any]]:
    """Rows of the chart without what was left blank: blank is not measured, never 0."""
    rows = []
    for row in chart:
        values = {k: v for k, v in asdict(row).items() if k != "extra" and v not in (None, "", ())}
        rows.append({k: list(v) if isinstance(v, tuple) else v for k, v in values.items()})
        rows[-1] |= {k: v for k, v in row.extra if v}
    return rows


def _mouth_object(summary: MouthSummary) -> dict[str, Any]:
    return {
        "sentence": summary.sentence,
        "teeth_per_stage": summary.teeth_per_stage,
        "worst": list(summary.worst),
        "absent": summary.absent,
        **_numbers("mean_bone_loss_pct", summary.mean_bone_loss_pct),
        **_numbers("mean_attachment_loss_pct", summary.mean_attachment_loss_pct),
    }


def _assessment_object(a: ToothAssessment) -> dict[str, Any]:
    return {
        "tooth": a.tooth,
        "status": a.status,
        "stage": a.stage,
        "at_least": a.at_least,
        "decided_by": list(a.decided_by),
        "stage_probability": a.stage_probability,
        "borderline": a.borderline,
        **_numbers("bone_loss_pct", a.bone_loss_pct),
        **_numbers("attachment_loss_mm", a.attachment_loss),
        **_numbers("attachment_loss_pct", a.attachment_loss_pct),
        "deepest_pocket_mm": a.deepest_pocket_mm,
        "deepest_site": a.deepest_site,
        "furcation": a.furcation,
        "mobility": a.mobility,
        "gingivitis": a.gingivitis,
        "disagreements": list(a.disagreements),
        "missing": list(a.missing),
        "findings": list(a.findings),
        "flags": list(a.flags),
    }


def _views(assessments: Iterable[ToothAssessment], sites: Sequence[Site]) -> dict[int, ToothView]:
    return {
        a.tooth: ToothView(
            a.stage, bool(a.borderline), a.status, tuple(s for s in sites if s.tooth == a.tooth)
        )
        for a in assessments
    }


def _strays(examination: Examination) -> list[tuple[str, str]]:
    from perioview.files.stray_files import stray_files

    if not examination.folder:
        return []
    return [(s.file, s.sentence) for s in stray_files(examination.folder, examination.visit)]


def findings(examination: Examination, since: SinceLast | None = None) -> Findings:
    """Stage every tooth of an examination and lay out its map.

    Parameters
    ----------
    examination : Examination
        As `files.visit_folder.examine` measures it.
    since : SinceLast, optional
        Carried into report and JSON.

    Raises
    ------
    InputRefused
        If the visit's awake examination cannot be read, or a date or weight is none.
    """
    if faults := visit_faults(examination.visit):
        raise InputRefused(*faults)
    chart = examination.chart or Chart()
    species = examination.species
    sites = [s for r in examination.radiographs for s in r.sites]
    weight = examination.visit.patient.get("weight_kg")
    weight_kg = float(weight) if weight else None
    assessments = tooth_stages(
        chart,
        [t for r in examination.radiographs for t in r.judged],
        root_lengths_mm(sites),
        species,
        weight_kg,
    )
    advised: list[Option] = []
    warned: list[Caution] = []
    for a in assessments:
        of_tooth = options(a, species=species, weight_kg=weight_kg)
        # The caution belongs beside the option, before anyone decides.
        out = any(is_extraction(o.name) for o in of_tooth) or any(
            is_extraction(r.decision) for r in chart.of(a.tooth)
        )
        advised += of_tooth
        warned += cautions(a, species=species, weight_kg=weight_kg, extraction=out)
    awake = awake_examination(examination.visit)
    return Findings(
        examination,
        assessments,
        mouth_shapes(species, _views(assessments, sites)),
        mouth_summary(assessments),
        awake,
        tuple(advised),
        tuple(warned),
        (
            *gaps(
                examination.visit,
                examination.chart,
                examination.radiographs,
                examination.photos,
                assessments,
                species,
            ),
            *file_gaps(_strays(examination)),
        ),
        stage_pairs(awake, assessments),
        courses(chart),
        since,
    )
