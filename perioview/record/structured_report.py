"""What was measured on one image, as a TID 1500 measurement report (PS3.16 Annex A).

One group per mark (TID 1410: landmark, position, how it was placed), one per side of a root
(TID 1501: distances, percentage, SDs, flags), one per tooth (stage and its probabilities), one
for the scale. Numbers travel as FloatingPointValue (PS3.3 C.18.1), hence bit for bit, and every
number of a site is inferred from the coordinates of the marks it rests on (TID 300, 320).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from pydicom.dataset import Dataset

from perioview.bone_loss import Site
from perioview.calibration import Calibration
from perioview.chart import Chart
from perioview.marks import Mark, Marks
from perioview.measurement import Measurement
from perioview.record import codes
from perioview.record.identity import Identity, digest
from perioview.record.report_builder import ReportBuilder
from perioview.staging import ToothStage

CAUTION = (
    "Standard deviations are of the marking alone. Radiographs under-read bone loss, and show "
    "nothing of buccal and lingual sides."
)
PHOTO_CAUTION = "Stain shows nothing below the gum line."


# Of one tooth: concept, value and unit of what its chart says.
Probed = tuple[tuple[str, float, str], ...]


def probed_values(chart: Chart | None) -> dict[int, Probed]:
    """Worst of what was probed and seen before scaling, by tooth.

    Parameters
    ----------
    chart : Chart or None

    Returns
    -------
    dict of int to tuple
        Blank stays absent: it was not measured.
    """
    found: dict[int, Probed] = {}
    for tooth in dict.fromkeys(row.tooth for row in (chart.rows if chart else ())):
        rows = chart.of(tooth, "before") if chart else ()
        columns = (
            ("furcation_index", [r.furcation for r in rows], "1"),
            ("mobility_index", [r.mobility for r in rows], "1"),
            ("gingivitis_index", [r.gingivitis_index for r in rows], "1"),
            ("probing_depth", [r.probing_depth_mm for r in rows], "mm"),
        )
        found[tooth] = tuple(
            (concept, float(max(v for v in values if v is not None)), unit)
            for concept, values, unit in columns
            if any(v is not None for v in values)
        )
    return found


def site_values(site: Site) -> tuple[tuple[str, Measurement], ...]:
    """Quantities of a site by the names their codes carry."""
    return (
        ("bone_loss", site.bone_loss),
        ("root_length", site.root_length),
        ("bone_loss_pct", site.bone_loss_pct),
        ("infrabony", site.infrabony),
        ("furcation_pct", Measurement(site.furcation_pct, math.nan, "%")),
        ("normal_limit_pct", Measurement(site.normal_limit_pct, math.nan, "%")),
    )


def marks_behind(site: Site, marks: Marks) -> dict[str, tuple[Mark, ...]]:
    """Marks that each quantity of a site rests on, by the names its codes carry.

    Parameters
    ----------
    site : Site
    marks : Marks
        All marks of the image.

    Returns
    -------
    dict of str to tuple of Mark
        CEJ first, then bone, furcation, apex. Where the reference is derived, all CEJ marks of
        the tooth.
    """
    of_tooth = [m for m in marks if m.tooth == site.tooth]
    cej = [m for m in of_tooth if m.landmark == "cej" and m.root == site.root]
    if "reference_derived" in site.flags or not cej:
        cej = [m for m in of_tooth if m.landmark == "cej"]
    here = [m for m in of_tooth if m.root == site.root and m.side in (site.side, None)]
    crest = [m for m in here if m.landmark == "crest"]
    base = [m for m in here if m.landmark == "defect_base"]
    apex = [m for m in here if m.landmark == "apex"]
    roof = [m for m in of_tooth if m.landmark == "furcation"]
    rests = {
        "bone_loss": (*cej, *(base or crest), *apex),
        "root_length": (*cej, *apex),
        "infrabony": (*cej, *crest, *base, *apex),
        "furcation_pct": (*cej, *roof, *apex),
    }
    return rests | {
        "bone_loss_pct": rests["bone_loss"],
        "normal_limit_pct": rests["root_length"],
    }


def _add_scale(builder: ReportBuilder, calibration: Calibration) -> None:
    """Add the scale of the image, where it came from and how far to trust it."""
    numbers = [("ratio", calibration.ratio, "1"), ("relative_sd", calibration.relative_sd, "1")]
    numbers += [("row_mm", calibration.row_mm, "mm"), ("col_mm", calibration.col_mm, "mm")]
    builder.add_group(
        "scale",
        "scale of the image",
        measurements=[builder.number(c, v, u) for c, v, u in numbers if v is not None],
        said=builder.said("method", calibration.method),
        texts=[(codes.COMMENT, note) for note in calibration.notes],
    )


def _add_site(builder: ReportBuilder, site: Site, marks: Marks) -> None:
    """Add one side of a root: every number with its SD and marks, and the flags (TID 1501)."""
    behind = marks_behind(site, marks)
    builder.add_group(
        "site",
        f"{site.tooth} {site.root} root {site.side} side",
        where=(site.tooth, site.root, site.side),
        measurements=[
            builder.number(concept, m.value, m.unit, m.sd, behind[concept])
            for concept, m in site_values(site)
            if m.known
        ],
        said=builder.said("pattern", site.pattern) + builder.said("flag", *site.flags),
    )


def _add_tooth(builder: ReportBuilder, stage: ToothStage, probed: Probed = ()) -> None:
    """Add one tooth: its worst percentage, radiographic stage, how sure, what was probed."""
    said = builder.said("stage", stage.radiographic_stage)
    said += builder.said("deciding_root", stage.root)
    said += builder.said("deciding_side", stage.side)
    if stage.borderline is not None:
        said += builder.said("borderline", str(stage.borderline).lower())
    said += builder.said("flag", *stage.flags)
    worst = stage.bone_loss_pct
    numbers = [builder.number("bone_loss_pct", worst.value, "%", worst.sd)] if worst.known else []
    numbers += [
        builder.number(f"probability_{band}", p, "1")
        for band, p in (stage.stage_probability or {}).items()
    ]
    numbers += [builder.number(concept, value, unit) for concept, value, unit in probed]
    builder.add_group(
        "tooth",
        f"{stage.tooth} as a whole",
        where=(stage.tooth, None, None),
        measurements=numbers,
        said=said,
    )


def measured_content(
    image_uid: str,
    marks: Marks,
    calibration: Calibration,
    sites: Sequence[Site],
    teeth: Sequence[ToothStage],
    probed: Mapping[int, Probed] | None = None,
) -> str:
    """Digest of everything a measurement report says of its image."""
    said = {t.tooth: (probed or {}).get(t.tooth, ()) for t in teeth}
    return digest(image_uid, marks.items, calibration, tuple(sites), tuple(teeth), said)


def measurement_report(
    identity: Identity,
    image: Dataset,
    marks: Marks,
    calibration: Calibration,
    sites: Sequence[Site],
    teeth: Sequence[ToothStage],
    probed: Mapping[int, Probed] | None = None,
    *,
    verify: str | None = None,
    predecessor: Dataset | None = None,
    number: int = 1,
) -> Dataset:
    """Everything measured on one radiograph, as a DICOM report.

    Parameters
    ----------
    identity : Identity
        Patient and study.
    image : Dataset
        The radiograph, or a reference to it.
    marks : Marks
        In px, pixel centres at whole numbers.
    calibration : Calibration
    sites : sequence of Site
    teeth : sequence of ToothStage
    probed : mapping of int to tuple, optional
        What the chart says of a tooth (`probed_values`).
    verify : str, optional
        Name of the clinician who verifies it; without, the report is unverified.
    predecessor : Dataset, optional
        Earlier report that this one replaces.
    number : int
        Instance number in its series.

    Returns
    -------
    Dataset
        Comprehensive SR, TID 1500.

    References
    ----------
    .. [1] DICOM PS3.16, TID 1500, 1501, 1410, 300; PS3.3 A.35.3.
    """
    builder = ReportBuilder(identity, image)
    _add_scale(builder, calibration)
    for mark in marks:
        builder.add_mark(mark)
    for site in sites:
        _add_site(builder, site, marks)
    for tooth in teeth:
        _add_tooth(builder, tooth, (probed or {}).get(tooth.tooth, ()))
    content = measured_content(str(image.SOPInstanceUID), marks, calibration, sites, teeth, probed)
    return builder.report(
        "procedure", CAUTION, content, verify=verify, predecessor=predecessor, number=number
    )
