"""Earlier measurements and marks, read back from measurement reports.

Only pydicom is needed, and only what the standard says: concept names, numbers, coordinates.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

from pydicom.dataset import Dataset

from perioview.calibration import Calibration
from perioview.errors import InputRefused
from perioview.marks import Mark, Marks
from perioview.record import codes
from perioview.record.codes import code_value, is_private
from perioview.record.content_items import (
    children,
    code_of,
    concept_of,
    finding_of,
    groups_of,
    named,
    number_of,
    place_of,
)

# Quantities that history tells of, in the order of a row of `measure` or `plaque`.
_UNIT_IN_NAME = ("bone_loss", "root_length", "infrabony", "probing_depth")
_OF_TOOTH = ("furcation_index", "mobility_index", "gingivitis_index", "probing_depth")
_LEFT_OUT = ("normal_limit_pct", "furcation_pct")


def is_report(dataset: Dataset) -> bool:
    """Whether an object is one of perioview's measurement reports."""
    if dataset.get("Modality") != "SR":
        return False
    return any(
        is_private(value) and code_value(value) != codes.VISIT_PROCEDURE
        for item in children(dataset)
        for value in (item.get("ConceptCodeSequence", None) or [])
    )


def image_uid(report: Dataset) -> str:
    """SOP instance UID of the image a report is about."""
    for group in groups_of(report):
        for item in group:
            for holder in (item, *children(item)):
                for reference in holder.get("ReferencedSOPSequence", None) or []:
                    return str(reference.ReferencedSOPInstanceUID)
    return ""


def says_something(report: Dataset) -> bool:
    """Whether a report holds a mark or a tooth's plaque: one that withdrew them holds none."""
    said = {finding_of(group) for group in groups_of(report)}
    return bool(said - {"scale", "mouth", ""})


def predecessor_uids(report: Dataset) -> tuple[str, ...]:
    """UIDs of the reports that a report replaces (PS3.3 C.17.2, Predecessor Documents)."""
    return tuple(
        str(instance.ReferencedSOPInstanceUID)
        for study in report.get("PredecessorDocumentsSequence", None) or []
        for series in study.ReferencedSeriesSequence
        for instance in series.ReferencedSOPSequence
    )


def current_reports(reports: Iterable[Dataset]) -> list[Dataset]:
    """Return the reports that no other of them replaces.

    Parameters
    ----------
    reports : iterable of Dataset

    Returns
    -------
    list of Dataset
        In order of study date, then UID.
    """
    found = {str(r.SOPInstanceUID): r for r in reports}
    replaced = {uid for r in found.values() for uid in predecessor_uids(r)}
    kept = [r for uid, r in found.items() if uid not in replaced]
    return sorted(kept, key=lambda r: (str(r.get("StudyDate", "")), str(r.SOPInstanceUID)))


def marks_from_report(dataset: Dataset) -> Marks:
    """Marks of a radiograph, from its report alone.

    Parameters
    ----------
    dataset : Dataset
        Measurement report.

    Returns
    -------
    Marks
        In their order, bit for bit as they were measured.

    Raises
    ------
    InputRefused
        If it is not one of perioview's reports.
    """
    if not is_report(dataset):
        raise InputRefused(
            f"object {dataset.get('SOPInstanceUID', '')} is no perioview measurement report; "
            "choose a structured report that `attach` wrote."
        )
    return Marks(tuple(m for m in map(_mark, groups_of(dataset)) if m is not None))


def _mark(group: list[Dataset]) -> Mark | None:
    regions = [i for i in named(group, codes.IMAGE_REGION.value) if i.ValueType == "SCOORD"]
    if not regions:
        return None
    col, row = (float(v) - 0.5 for v in regions[0].GraphicData)
    tooth, root, side = place_of(group)
    distances = [number_of(i) for i in named(group, "mm")]
    how = named(group, "how")
    object_ = named(group, "object")
    extra = (str(i.TextValue).partition("=") for i in named(group, "extra"))
    return Mark(
        finding_of(group),
        row,
        col,
        tooth,
        root,
        side,
        distances[0][0] if distances and distances[0] else None,
        code_of(how[0]) if how else "placed",
        str(object_[0].TextValue) if object_ else "",
        tuple((k, v) for k, _, v in extra),
    )


def calibration_from_report(dataset: Dataset) -> Calibration | None:
    """Scale of the image as the report holds it; None when it holds none."""
    for group in groups_of(dataset):
        if finding_of(group) != "scale":
            continue
        numbers = {concept_of(i): number_of(i) for i in group if i.ValueType == "NUM"}
        value = {name: pair[0] for name, pair in numbers.items() if pair is not None}
        notes = tuple(str(i.TextValue) for i in named(group, codes.COMMENT.value))
        method = named(group, "method")
        return Calibration(
            value.get("row_mm"),
            value.get("col_mm"),
            value.get("relative_sd"),
            code_of(method[0]) if method else "none",
            notes,
            value.get("ratio", 1.0),
        )
    return None


def _sd(item: Dataset) -> float | None:
    for child in named(children(item), codes.STANDARD_DEVIATION.value):
        number = number_of(child)
        if number is not None and math.isfinite(number[0]):
            return number[0]
    return None


def probed_from_report(dataset: Dataset) -> dict[int, tuple[tuple[str, float, str], ...]]:
    """What the chart said of each tooth when a report was made: concept, value and unit."""
    found: dict[int, tuple[tuple[str, float, str], ...]] = {}
    for group in groups_of(dataset):
        tooth = place_of(group)[0]
        if finding_of(group) == "tooth" and tooth is not None:
            numbers = ((concept_of(i), number_of(i)) for i in group if i.ValueType == "NUM")
            found[tooth] = tuple((c, *n) for c, n in numbers if n and c in _OF_TOOTH)
    return found


def measurements_from_report(dataset: Dataset) -> list[dict[str, Any]]:
    """Return the numbers of one report, as `history` writes them.

    Parameters
    ----------
    dataset : Dataset
        Measurement report of a radiograph or a photo.

    Returns
    -------
    list of dict
        ``date, tooth, root, side, quantity, value, sd, unit, stage, verified, report_uid,
        image_uid``; of a photo also ``when``, ``before`` or ``after`` cleaning, and ``flags`` where
        no dye was seen in it. `stage` is the tooth's by the radiograph.
    """
    groups = list(groups_of(dataset))
    stages = {
        place_of(g)[0]: code_of(named(g, "stage")[0])
        for g in groups
        if finding_of(g) == "tooth" and named(g, "stage")
    }
    day = str(dataset.get("StudyDate", ""))
    said = [code_of(w) for g in groups if finding_of(g) == "mouth" for w in named(g, "when")]
    common = {
        "verified": dataset.get("VerificationFlag") == "VERIFIED",
        "report_uid": str(dataset.SOPInstanceUID),
        "image_uid": image_uid(dataset),
        **({"when": said[0]} if said else {}),
    }
    rows: list[dict[str, Any]] = []
    for group in groups:
        finding = finding_of(group)
        if finding not in ("site", "plaque", "tooth"):
            continue
        tooth, root, side = place_of(group)
        undyed = finding == "plaque" and "no_dye" in map(code_of, named(group, "flag"))
        for item in group:
            number = number_of(item) if item.ValueType == "NUM" else None
            quantity = concept_of(item)
            if number is None or quantity in _LEFT_OUT:
                continue
            if finding == "tooth" and quantity not in _OF_TOOTH:
                continue  # said of the site that decides already
            value, unit = number
            rows.append(
                {
                    "date": f"{day[:4]}-{day[4:6]}-{day[6:8]}" if len(day) == 8 else None,
                    "tooth": tooth,
                    "root": root,
                    "side": side,
                    "quantity": f"{quantity}_{unit}" if quantity in _UNIT_IN_NAME else quantity,
                    "value": value,
                    "sd": _sd(item),
                    "unit": unit,
                    "stage": stages.get(tooth),
                    **common,
                    **({"flags": ["no_dye"]} if undyed else {}),
                }
            )
    return rows


def history(
    patient: str, reports: Iterable[Dataset], *, superseded: bool = False
) -> dict[str, Any]:
    """Everything ever measured of a patient, oldest first.

    Parameters
    ----------
    patient : str
        Patient ID.
    reports : iterable of Dataset
        Objects of the patient; what is no report of ours is passed over.
    superseded : bool
        Whether reports that a later one replaces are told of too.

    Returns
    -------
    dict
        ``patient`` and ``measurements``, as ``interfaces.md`` has them.
    """
    ours = [r for r in reports if is_report(r) and str(r.get("PatientID", "")) == patient]
    kept = current_reports(ours)
    if superseded:
        kept = sorted(ours, key=lambda r: (str(r.get("StudyDate", "")), str(r.SOPInstanceUID)))
    return {
        "patient": {"id": patient, "species": species_of(kept[-1]) if kept else None},
        "measurements": [row for report in kept for row in measurements_from_report(report)],
    }


def species_of(dataset: Dataset) -> str | None:
    """Species of an object's patient, from its code."""
    for item in dataset.get("PatientSpeciesCodeSequence", None) or []:
        for species, code in codes.SPECIES.items():
            if code_value(item) == code.value:
                return species
    return None
