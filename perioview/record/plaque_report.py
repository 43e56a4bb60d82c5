"""Plaque of one photograph as a measurement report (PS3.16 TID 1500)."""

from __future__ import annotations

import math

import numpy as np
from pydicom.dataset import Dataset

from perioview.measurement import Measurement, missing
from perioview.plaque_index import plaque_rules
from perioview.plaque_result import PlaqueResult, ToothPlaque
from perioview.record import codes
from perioview.record.identity import Identity, digest
from perioview.record.report_builder import ReportBuilder
from perioview.record.structured_report import PHOTO_CAUTION
from perioview.visit import PhotoResult, image_object


def tooth_values(tooth: ToothPlaque) -> tuple[tuple[str, Measurement], ...]:
    """Quantities of a tooth by the names their codes carry; what is unknown left out."""
    plain: tuple[tuple[str, float | None, str], ...] = (
        ("region_px", tooth.region_px, "px"),
        ("glare_px", tooth.glare_px, "px"),
        ("stained_px", tooth.stained_px if tooth.coverage.known else None, "px"),
        ("gingival_half_thickness", tooth.gingival_half_thickness, "1"),
        ("coronal_half_thickness", tooth.coronal_half_thickness, "1"),
        ("older_pct", tooth.older_pct, "%"),
        ("newer_pct", tooth.newer_pct, "%"),
        ("index", tooth.index, "1"),
    )
    rest = [
        (name, Measurement(float(value), math.nan, unit))
        for name, value, unit in plain
        if value is not None
    ]
    halves = [
        ("gingival_half_pct", Measurement(tooth.gingival_half_pct, tooth.gingival_half_sd, "%")),
        ("coronal_half_pct", Measurement(tooth.coronal_half_pct, tooth.coronal_half_sd, "%")),
    ]
    measured = [("coverage_pct", tooth.coverage), *halves, *rest]
    return tuple(pair for pair in measured if pair[1].known)


def withdrawn(photo: PhotoResult) -> PlaqueResult:
    """A result without any tooth, for a photo whose numbers hold no longer."""
    return PlaqueResult(
        image=image_object(photo.image),
        teeth=(),
        coverage=missing("%", "withdrawn"),
        index=math.nan,
        index_teeth=(),
        index_name=str(plaque_rules()["index"]["name"]),
        dye=photo.dye,
        density=0.15,
        dye_hue_deg=math.nan,
        warnings=("Withdrawn: the visit holds no plaque of this photograph any more.",),
        stain_map=np.zeros((0, 0), np.uint8),
    )


def plaque_content(image_uid: str, when: str, result: PlaqueResult) -> str:
    """Digest of everything a plaque report says of its photo."""
    return digest(image_uid, when, result.teeth, result.coverage, result.index, result.dye)


def plaque_report(
    identity: Identity,
    photo: Dataset,
    result: PlaqueResult,
    when: str,
    *,
    verify: str | None = None,
    predecessor: Dataset | None = None,
    number: int = 1,
) -> Dataset:
    """Plaque per tooth of one photograph, as a DICOM report.

    Parameters
    ----------
    identity : Identity
        Patient and study.
    photo : Dataset
        The photograph, or a reference to it.
    result : PlaqueResult
    when : str
        ``before`` or ``after`` cleaning.
    verify, predecessor, number
        As for `structured_report.measurement_report`.

    Returns
    -------
    Dataset
        Comprehensive SR, TID 1500.
    """
    builder = ReportBuilder(identity, photo)
    for tooth in result.teeth:
        builder.add_group(
            "plaque",
            f"plaque of {tooth.tooth}",
            where=(tooth.tooth, None, None),
            measurements=[
                builder.number(name, m.value, m.unit, m.sd) for name, m in tooth_values(tooth)
            ],
            said=builder.said("flag", *tooth.flags),
        )
    mouth = (("coverage_pct", result.coverage), ("index", Measurement(result.index, math.nan, "1")))
    builder.add_group(
        "mouth",
        "plaque of the mouth",
        measurements=[builder.number(n, m.value, m.unit, m.sd) for n, m in mouth if m.known],
        said=builder.said("when", when),
        texts=[
            (codes.COMMENT, f"Index: {result.index_name}. Dye: {result.dye}."),
            (codes.COMMENT, f"Stained above optical density {result.density:g}."),
            *((codes.COMMENT, warning) for warning in result.warnings),
        ],
    )
    content = plaque_content(str(photo.SOPInstanceUID), when, result)
    return builder.report(
        "photo_procedure",
        PHOTO_CAUTION,
        content,
        verify=verify,
        predecessor=predecessor,
        number=number,
    )
