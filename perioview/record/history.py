"""Earlier measurements and marks, read back from measurement reports.

Only pydicom is needed, and only what the standard says: concept names, numbers, coordinates.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from typing import Any

from pydicom.dataset import Dataset

from perioview.calibration import Calibration
from perioview.errors import InputRefused
from perioview.marks import Mark, Marks
from perioview.record import codes
from perioview.record.codes import code_value, is_private, unit_name

# Quantities that history tells of, in the order of a row of `measure` or `plaque`.
_UNIT_IN_NAME = ("bone_loss", "root_length", "infrabony", "probing_depth")
_OF_TOOTH = ("furcation_index", "mobility_index", "gingivitis_index", "probing_depth")
_LEFT_OUT = ("normal_limit_pct", "furcation_pct")


def _items(parent: Dataset) -> list[Dataset]:
    return list(parent.get("ContentSequence", None) or [])


def _concept(item: Dataset) -> str:
    names = item.get("ConceptNameCodeSequence", None) or []
    return code_value(names[0]) if names else ""


def _code(item: Dataset) -> str:
    values = item.get("ConceptCodeSequence", None) or []
    return code_value(values[0]) if values else ""


def _number(item: Dataset) -> tuple[float, str] | None:
    values = item.get("MeasuredValueSequence", None) or []
    if not values:
        return None
    held = values[0]
    # NumericValue holds 16 characters; FloatingPointValue all 64 bits (PS3.3 C.18.1).
    value = held.get("FloatingPointValue")
    units = held.MeasurementUnitsCodeSequence[0]
    return float(held.NumericValue if value is None else value), unit_name(units)


def is_report(dataset: Dataset) -> bool:
    """Whether an object is one of perioview's measurement reports."""
    if dataset.get("Modality") != "SR":
        return False
    return any(
        is_private(value)
        for item in _items(dataset)
        for value in (item.get("ConceptCodeSequence", None) or [])
    )


def _groups(dataset: Dataset) -> Iterator[list[Dataset]]:
    for container in _items(dataset):
        if _concept(container) == "126010":
            for group in _items(container):
                if _concept(group) == codes.MEASUREMENT_GROUP.value:
                    yield _items(group)


def _find(group: list[Dataset], concept: str) -> list[Dataset]:
    return [item for item in group if _concept(item) == concept]


def _finding(group: list[Dataset]) -> str:
    found = _find(group, codes.FINDING.value)
    return _code(found[0]) if found else ""


def _where(group: list[Dataset]) -> tuple[int | None, str | None, str | None]:
    tooth: int | None = None
    root: str | None = None
    side: str | None = None
    for site in _find(group, codes.FINDING_SITE.value):
        for item in _items(site):
            if _concept(item) == codes.TOPOGRAPHICAL_MODIFIER.value:
                tooth = int(_code(item))
            elif _concept(item) == "root":
                root = _code(item)
            elif _concept(item) == "side":
                side = _code(item)
    return tooth, root, side


def image_uid(report: Dataset) -> str:
    """SOP instance UID of the image a report is about."""
    for group in _groups(report):
        for item in group:
            for holder in (item, *_items(item)):
                for reference in holder.get("ReferencedSOPSequence", None) or []:
                    return str(reference.ReferencedSOPInstanceUID)
    return ""


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
    return Marks(tuple(m for m in map(_mark, _groups(dataset)) if m is not None))


def _mark(group: list[Dataset]) -> Mark | None:
    regions = [i for i in _find(group, codes.IMAGE_REGION.value) if i.ValueType == "SCOORD"]
    if not regions:
        return None
    col, row = (float(v) - 0.5 for v in regions[0].GraphicData)
    tooth, root, side = _where(group)
    distances = [_number(i) for i in _find(group, "mm")]
    how = _find(group, "how")
    object_ = _find(group, "object")
    extra = (str(i.TextValue).partition("=") for i in _find(group, "extra"))
    return Mark(
        _finding(group),
        row,
        col,
        tooth,
        root,
        side,
        distances[0][0] if distances and distances[0] else None,
        _code(how[0]) if how else "placed",
        str(object_[0].TextValue) if object_ else "",
        tuple((k, v) for k, _, v in extra),
    )


def calibration_from_report(dataset: Dataset) -> Calibration | None:
    """Scale of the image as the report holds it; None when it holds none."""
    for group in _groups(dataset):
        if _finding(group) != "scale":
            continue
        numbers = {_concept(i): _number(i) for i in group if i.ValueType == "NUM"}
        value = {name: pair[0] for name, pair in numbers.items() if pair is not None}
        notes = tuple(str(i.TextValue) for i in _find(group, codes.COMMENT.value))
        method = _find(group, "method")
        return Calibration(
            value.get("row_mm"),
            value.get("col_mm"),
            value.get("relative_sd"),
            _code(method[0]) if method else "none",
            notes,
            value.get("ratio", 1.0),
        )
    return None


def _sd(item: Dataset) -> float | None:
    for child in _find(_items(item), codes.STANDARD_DEVIATION.value):
        number = _number(child)
        if number is not None and math.isfinite(number[0]):
            return number[0]
    return None


def flags_of(group: list[Dataset]) -> tuple[str, ...]:
    """Flags of a group, in their order."""
    return tuple(_code(item) for item in _find(group, "flag"))


def probed_from_report(dataset: Dataset) -> dict[int, tuple[tuple[str, float, str], ...]]:
    """What the chart said of each tooth when a report was made: concept, value and unit."""
    found: dict[int, tuple[tuple[str, float, str], ...]] = {}
    for group in _groups(dataset):
        tooth = _where(group)[0]
        if _finding(group) == "tooth" and tooth is not None:
            numbers = ((_concept(i), _number(i)) for i in group if i.ValueType == "NUM")
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
        image_uid``; of a photo also ``when``, ``before`` or ``after`` cleaning. `stage` is the
        tooth's.
    """
    groups = list(_groups(dataset))
    stages = {
        _where(g)[0]: _code(_find(g, "stage")[0])
        for g in groups
        if _finding(g) == "tooth" and _find(g, "stage")
    }
    day = str(dataset.get("StudyDate", ""))
    said = [_code(w) for g in groups if _finding(g) == "mouth" for w in _find(g, "when")]
    common = {
        "verified": dataset.get("VerificationFlag") == "VERIFIED",
        "report_uid": str(dataset.SOPInstanceUID),
        "image_uid": image_uid(dataset),
        **({"when": said[0]} if said else {}),
    }
    rows: list[dict[str, Any]] = []
    for group in groups:
        finding = _finding(group)
        if finding not in ("site", "plaque", "tooth"):
            continue
        tooth, root, side = _where(group)
        for item in group:
            number = _number(item) if item.ValueType == "NUM" else None
            quantity = _concept(item)
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
