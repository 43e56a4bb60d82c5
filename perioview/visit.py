"""A visit as it was planned and done, and the examination: everything measured in it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from perioview.bone_loss import MarkSd, Site, sites
from perioview.bone_loss_doubts import doubts
from perioview.calibration import Calibration, calibration
from perioview.errors import InputRefused
from perioview.image import Image
from perioview.marking_round import Skip
from perioview.marks import Marks, check_marks
from perioview.measurement import Measurement, missing
from perioview.staging import StagingRules, ToothStage, radiographic_stages
from perioview.teeth import SPECIES

CAUTION = (
    "error bars hold marking error only; radiographs under-read bone loss and show nothing of "
    "buccal and lingual sides; no stage without probing under anaesthesia; the clinician decides."
)

BY_EYE = "no_loss_by_eye"
Table = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Visit:
    """What ``visit.toml`` holds: the tables [patient], [owner], [visit] and the lists.

    `images` and `photos` name their files relative to the visit folder.
    """

    patient: Table
    owner: Table = field(default_factory=dict)
    visit: Table = field(default_factory=dict)
    images: tuple[Table, ...] = ()
    photos: tuple[Table, ...] = ()
    steps: tuple[Table, ...] = ()
    other: Table = field(default_factory=dict)

    @property
    def species(self) -> str | None:
        """``dog``, ``cat`` or None."""
        value = self.patient.get("species")
        return str(value) if value else None


@dataclass(frozen=True, slots=True)
class Radiograph:
    """One radiograph, its marks and what they measure.

    `sound` are the teeth recorded as showing no radiographic loss, without measuring;
    `skipped` the marks left out, each with its reason.
    """

    file: str
    image: Image
    species: str
    calibration: Calibration
    marks: Marks
    sites: tuple[Site, ...]
    teeth: tuple[ToothStage, ...]
    warnings: tuple[str, ...]
    sound: tuple[int, ...] = ()
    skipped: tuple[Skip, ...] = ()

    @property
    def judged(self) -> tuple[ToothStage, ...]:
        """Stages by measurement, and by eye where a tooth was recorded as without loss."""
        staged = {t.tooth for t in self.teeth if t.radiographic_stage is not None}
        by_eye = tuple(
            ToothStage(number, None, None, missing("%", BY_EYE), "0-1", None, None, (BY_EYE,))
            for number in self.sound
            if number not in staged and number < 500
        )
        seen = {t.tooth for t in by_eye}
        return (*(t for t in self.teeth if t.tooth not in seen), *by_eye)

    def json_object(self) -> dict[str, Any]:
        """The result as `measure` writes it: keys and units as documented, never NaN."""
        return {
            "image": image_object(self.image),
            "scale": {
                "row_mm": self.calibration.row_mm,
                "col_mm": self.calibration.col_mm,
                "relative_sd": self.calibration.relative_sd,
                "method": self.calibration.method,
                "notes": list(self.calibration.notes),
            },
            "sites": [_site_object(s) for s in self.sites],
            "teeth": [_tooth_object(t) for t in self.teeth],
            "warnings": list(self.warnings),
        }


@dataclass(frozen=True, slots=True)
class PhotoResult:
    """One photograph of a visit and, where tooth regions exist, its plaque."""

    file: str
    image: Image
    when: str
    dye: str
    regions: Any = None
    result: Any = None


@dataclass(frozen=True, slots=True)
class Examination:
    """Everything of one visit that the record, the report and the window show."""

    visit: Visit
    species: str
    radiographs: tuple[Radiograph, ...] = ()
    photos: tuple[PhotoResult, ...] = ()
    chart: Any = None
    faults: tuple[str, ...] = ()
    folder: str = ""


def image_object(image: Image) -> dict[str, Any]:
    """The image's identity, as every JSON result carries it."""
    return {
        "file": image.name,
        "sha256": image.sha256,
        "rows": image.rows,
        "cols": image.cols,
        "modality": image.modality,
    }


def _numbers(name: str, measured: Measurement, unit: str) -> dict[str, float | None]:
    known = measured.known and measured.unit == unit
    return {
        name: measured.value if known else None,
        f"{name}_sd": measured.sd if known else None,
    }


def _site_object(site: Site) -> dict[str, Any]:
    return {
        "tooth": site.tooth,
        "root": site.root,
        "side": site.side,
        **_numbers("bone_loss_mm", site.bone_loss, "mm"),
        **_numbers("root_length_mm", site.root_length, "mm"),
        **_numbers("bone_loss_pct", site.bone_loss_pct, "%"),
        **_numbers("infrabony_mm", site.infrabony, "mm"),
        "pattern": site.pattern,
        "flags": list(site.flags),
    }


def _tooth_object(tooth: ToothStage) -> dict[str, Any]:
    return {
        "tooth": tooth.tooth,
        **_numbers("bone_loss_pct", tooth.bone_loss_pct, "%"),
        "root": tooth.root,
        "side": tooth.side,
        "radiographic_stage": tooth.radiographic_stage,
        "stage_probability": tooth.stage_probability,
        "borderline": tooth.borderline,
        "flags": list(tooth.flags),
    }


def agreed_species(sources: Mapping[str, str | None]) -> str:
    """The one species that all sources which name one agree on.

    Parameters
    ----------
    sources : mapping of str to str or None
        Where it was said (for the message), and what.

    Raises
    ------
    InputRefused
        If none names a species, two disagree, or one is not known.
    """
    said = {where: value for where, value in sources.items() if value}
    unknown = {where: value for where, value in said.items() if value not in SPECIES}
    if unknown:
        raise InputRefused(
            *(
                f"{where}: species '{value}' is not known; use dog or cat."
                for where, value in unknown.items()
            )
        )
    if not said:
        raise InputRefused(
            f"{next(iter(sources), 'the image')}: no species is known; give --species dog or cat."
        )
    if len(set(said.values())) > 1:
        told = ", ".join(f"{where} says {value}" for where, value in said.items())
        raise InputRefused(f"species disagree: {told}; correct one of them.")
    return next(iter(said.values()))


def _incomplete_warnings(sites: Iterable[Site], teeth: Iterable[ToothStage]) -> list[str]:
    warnings = []
    sites = tuple(sites)
    for tooth in teeth:
        of_tooth = [s for s in sites if s.tooth == tooth.tooth]
        if not of_tooth:
            warnings.append(f"{tooth.tooth}: no root is marked; nothing can be measured.")
        without = [s for s in of_tooth if not s.bone_loss_pct.known]
        if without:
            named = ", ".join(
                f"{s.root} root {s.side} side ({', '.join(s.flags) or 'incomplete'})"
                for s in without
            )
            warnings.append(f"{tooth.tooth}: no percentage for {named}.")
    return warnings


def _sd_warnings(mark_sd: MarkSd | None, scaled: bool) -> list[str]:
    """Repeatabilities that look like the other unit's: mm with a scale, px without."""
    if mark_sd is None:
        return []
    sds = [mark_sd.of(kind) for kind in ("cej", "crest", "defect_base", "furcation", "apex")]
    if scaled and max(sds) > 2:
        return [
            f"marks are taken to repeat within {max(sds):g} mm; with a scale --mark-sd is in mm, "
            "check it."
        ]
    if not scaled and any(0 < sd < 0.5 for sd in sds):
        least = min(sd for sd in sds if sd > 0)
        return [
            f"marks are taken to repeat within {least:g} px; without a scale --mark-sd is in px, "
            "check it."
        ]
    return []


def measured(
    image: Image,
    marks: Marks,
    species: str,
    *,
    mm_per_px: float | None = None,
    mark_sd: MarkSd | None = None,
    rules: StagingRules | None = None,
    file: str | None = None,
    scale: Calibration | None = None,
) -> Radiograph:
    """Measure one radiograph from its marks.

    Parameters
    ----------
    image : Image
    marks : Marks
        In px of the image.
    species : str
        ``dog`` or ``cat``.
    mm_per_px : float, optional
        Column spacing in mm, over any other source.
    mark_sd : MarkSd, optional
        The observer's repeatability, in mm with a scale, else px.
    rules : StagingRules, optional
        A practice's own limits.
    file : str, optional
        Name to show; the image's by default.
    scale : Calibration, optional
        Known already; found from the image and the rulers otherwise.

    Raises
    ------
    InputRefused
        If the marks or the scale cannot be.
    """
    check_marks(marks, species, image.rows, image.cols, file or image.name)
    if scale is None:
        ruler = {"ruler_sd_px": mark_sd.ruler} if mark_sd is not None else {}
        scale = calibration(image, marks, mm_per_px, **ruler)
    found, teeth = radiographic_stages(
        sites(marks, scale, mark_sd),
        species,
        scaled=scale.scaled,
        teeth=marks.teeth(),
        rules=rules,
    )
    warnings = [CAUTION, *_incomplete_warnings(found, teeth)]
    if not scale.scaled:
        warnings.append("no scale: millimetres are not given, percentages are.")
    warnings += [str(n) for n in image.attributes.get("notes", ())]
    warnings += [n for n in scale.notes if "one mark only" in n or "check" in n]
    warnings += doubts(marks, found, scale, species)
    warnings += _sd_warnings(mark_sd, scale.scaled)
    return Radiograph(
        file or image.name, image, species, scale, marks, found, teeth, tuple(warnings)
    )
