"""An examination with what follows from it: stages from every criterion, map, options."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from typing import Any

from perioview.care import Caution, Option, cautions, options
from perioview.chart import Chart, is_extraction
from perioview.closeout import Gap, gaps
from perioview.criteria import ToothAssessment, root_lengths_mm, tooth_stages
from perioview.record.mouth_map import Shape, ToothView, mouth_shapes
from perioview.visit import Examination

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
    """What report, map and record show of an examination."""

    examination: Examination
    assessments: tuple[ToothAssessment, ...]
    map_shapes: tuple[Shape, ...]
    options: tuple[Option, ...] = ()
    cautions: tuple[Caution, ...] = ()
    gaps: tuple[Gap, ...] = ()
    method: tuple[str, ...] = METHOD

    def json_object(self) -> dict[str, Any]:
        """Everything as plain values: radiographs and photos as their own verbs write them."""
        exam = self.examination
        return {
            "patient": {k: _plain(v) for k, v in exam.visit.patient.items()},
            "visit": {k: _plain(v) for k, v in exam.visit.visit.items()},
            "radiographs": [r.json_object() for r in exam.radiographs],
            "photos": [p.result.json_object() for p in exam.photos if p.result is not None],
            "teeth": [_assessment_object(a) for a in self.assessments],
            "options": [_named(o, "tooth", "name", "because", "source") for o in self.options],
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


def _assessment_object(a: ToothAssessment) -> dict[str, Any]:
    return {
        "tooth": a.tooth,
        "status": a.status,
        "stage": a.stage,
        "decided_by": list(a.decided_by),
        "stage_probability": a.stage_probability,
        "borderline": a.borderline,
        "disagreements": list(a.disagreements),
        "missing": list(a.missing),
        "findings": list(a.findings),
        "flags": list(a.flags),
    }


def findings(examination: Examination) -> Findings:
    """Stage every tooth of an examination and lay out its map.

    Parameters
    ----------
    examination : Examination
        As `files.visit_folder.examine` measures it.
    """
    chart = examination.chart or Chart()
    sites = [s for r in examination.radiographs for s in r.sites]
    weight = examination.visit.patient.get("weight_kg")
    assessments = tooth_stages(
        chart,
        [t for r in examination.radiographs for t in r.teeth],
        root_lengths_mm(sites),
        examination.species,
        float(weight) if weight else None,
    )
    weight_kg = float(weight) if weight else None
    advised: list[Option] = []
    warned: list[Caution] = []
    for a in assessments:
        out = any(is_extraction(r.decision) for r in chart.of(a.tooth))
        advised += options(a, species=examination.species, weight_kg=weight_kg)
        warned += cautions(a, species=examination.species, weight_kg=weight_kg, extraction=out)
    views = {
        a.tooth: ToothView(
            a.stage, bool(a.borderline), a.status, tuple(s for s in sites if s.tooth == a.tooth)
        )
        for a in assessments
    }
    return Findings(
        examination,
        assessments,
        mouth_shapes(examination.species, views),
        tuple(advised),
        tuple(warned),
        gaps(
            examination.visit,
            examination.chart,
            examination.radiographs,
            examination.photos,
            assessments,
            examination.species,
        ),
    )
