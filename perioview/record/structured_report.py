"""What was measured on one image, as a TID 1500 measurement report (PS3.16 Annex A).

One group per mark (TID 1410: landmark, position, how it was placed), one per side of a root
(TID 1501: distances, percentage, SDs, flags), one per tooth (stage and its probabilities), one
for the scale. Numbers travel as FloatingPointValue (PS3.3 C.18.1), hence bit for bit.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
from pydicom.dataset import Dataset
from pydicom.sr.coding import Code

from perioview import __version__
from perioview.bone_loss import Site
from perioview.calibration import Calibration
from perioview.chart import Chart
from perioview.marks import Mark, Marks, name
from perioview.measurement import Measurement
from perioview.record import codes
from perioview.record.codes import private_code, tooth_code, unit_code
from perioview.record.identity import SERIES, Identity, digest, finish, series_uid, uid_from
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


class ReportBuilder:
    """Groups of one report about one image, in highdicom's words.

    Parameters
    ----------
    identity : Identity
        Patient and study.
    image : Dataset
        The image, or a reference to it (`identity.evidence_from_attributes`).
    """

    def __init__(self, identity: Identity, image: Dataset) -> None:
        self.identity = identity
        self.image = image
        self.groups: list[Any] = []

    def _tracking(self, label: str) -> Any:
        from highdicom.sr import TrackingIdentifier

        # The same site of the same image keeps its UID, so that it can be followed over reports.
        return TrackingIdentifier(uid_from("track", self.image.SOPInstanceUID, label), label)

    def _sites(self, tooth: int | None, root: str | None, side: str | None) -> list[Any] | None:
        from highdicom.sr import CodeContentItem, FindingSite

        if tooth is None:
            return None
        right = tooth // 100 in (1, 4, 5, 8)
        found = FindingSite(
            codes.TOOTH,
            laterality=codes.RIGHT if right else codes.LEFT,
            topographical_modifier=tooth_code(tooth, self.identity.species),
        )
        for concept, value in (("root", root), ("side", side)):
            if value:
                found.ContentSequence.append(
                    CodeContentItem(
                        private_code(concept),
                        private_code(value),
                        relationship_type="HAS CONCEPT MOD",
                    )
                )
        return [found]

    def number(self, concept: str, value: float, unit: str, sd: float = math.nan) -> Any:
        """Number with its unit and its SD (TID 300)."""
        from highdicom.sr import Measurement as Num
        from highdicom.sr import NumContentItem
        from highdicom.sr.value_types import ContentSequence

        number = Num(private_code(concept), float(value), unit_code(unit))
        if math.isfinite(sd):
            spread = NumContentItem(
                codes.STANDARD_DEVIATION,
                float(sd),
                unit_code(unit),
                relationship_type="HAS PROPERTIES",
            )
            number[0].ContentSequence = ContentSequence([spread])
        return number

    @staticmethod
    def said(concept: str, *values: str | None) -> list[Any]:
        """Coded statements, one per value."""
        from highdicom.sr import QualitativeEvaluation

        return [QualitativeEvaluation(private_code(concept), private_code(v)) for v in values if v]

    def _texts(self, group: Any, texts: Iterable[tuple[Code, str]]) -> None:
        from highdicom.sr import TextContentItem

        for concept, value in texts:
            group[0].ContentSequence.append(
                TextContentItem(concept, value, relationship_type="CONTAINS")
            )

    def add_mark(self, mark: Mark) -> None:
        """Add one mark: its landmark, position, tooth, and how it came to be (TID 1410)."""
        from highdicom.sr import (
            ImageRegion,
            PlanarROIMeasurementsAndQualitativeEvaluations,
            SourceImageForRegion,
        )

        region = ImageRegion(
            "POINT",
            # Column first, from the corner of the first pixel (PS3.3 C.18.6).
            np.array([[mark.col + 0.5, mark.row + 0.5]]),
            SourceImageForRegion(self.image.SOPClassUID, self.image.SOPInstanceUID),
        )
        group = PlanarROIMeasurementsAndQualitativeEvaluations(
            tracking_identifier=self._tracking(name(mark)),
            referenced_region=region,
            finding_type=private_code(mark.landmark),
            finding_sites=self._sites(mark.tooth, mark.root, mark.side),
            measurements=None if mark.mm is None else [self.number("mm", mark.mm, "mm")],
            qualitative_evaluations=self.said("how", mark.how),
        )
        texts = [(private_code("object"), mark.object)] if mark.object else []
        texts += [(private_code("extra"), f"{k}={v}") for k, v in mark.extra]
        self._texts(group, texts)
        self.groups.append(group)

    def add_scale(self, calibration: Calibration) -> None:
        """Add the scale of the image, where it came from and how far to trust it."""
        numbers = [("ratio", calibration.ratio, "1"), ("relative_sd", calibration.relative_sd, "1")]
        numbers += [("row_mm", calibration.row_mm, "mm"), ("col_mm", calibration.col_mm, "mm")]
        self.add_group(
            "scale",
            "scale of the image",
            measurements=[self.number(c, v, u) for c, v, u in numbers if v is not None],
            said=self.said("method", calibration.method),
            texts=[(codes.COMMENT, note) for note in calibration.notes],
        )

    def add_site(self, site: Site) -> None:
        """Add one side of a root: every number with its SD, and the flags (TID 1501)."""
        self.add_group(
            "site",
            f"{site.tooth} {site.root} root {site.side} side",
            where=(site.tooth, site.root, site.side),
            measurements=[
                self.number(concept, m.value, m.unit, m.sd)
                for concept, m in site_values(site)
                if m.known
            ],
            said=self.said("pattern", site.pattern) + self.said("flag", *site.flags),
        )

    def add_tooth(self, stage: ToothStage, probed: Probed = ()) -> None:
        """Add one tooth: its worst percentage, radiographic stage, how sure, what was probed."""
        said = self.said("stage", stage.radiographic_stage)
        said += self.said("deciding_root", stage.root)
        said += self.said("deciding_side", stage.side)
        if stage.borderline is not None:
            said += self.said("borderline", str(stage.borderline).lower())
        said += self.said("flag", *stage.flags)
        worst = stage.bone_loss_pct
        numbers = [self.number("bone_loss_pct", worst.value, "%", worst.sd)] if worst.known else []
        numbers += [
            self.number(f"probability_{band}", p, "1")
            for band, p in (stage.stage_probability or {}).items()
        ]
        numbers += [self.number(concept, value, unit) for concept, value, unit in probed]
        self.add_group(
            "tooth",
            f"{stage.tooth} as a whole",
            where=(stage.tooth, None, None),
            measurements=numbers,
            said=said,
        )

    def add_group(
        self,
        finding: str,
        label: str,
        *,
        where: tuple[int | None, str | None, str | None] = (None, None, None),
        measurements: Sequence[Any] = (),
        said: Sequence[Any] = (),
        texts: Iterable[tuple[Code, str]] = (),
    ) -> None:
        """Add a TID 1501 group about the image."""
        from highdicom.sr import (
            AlgorithmIdentification,
            MeasurementsAndQualitativeEvaluations,
            SourceImageForMeasurementGroup,
        )

        group = MeasurementsAndQualitativeEvaluations(
            tracking_identifier=self._tracking(label),
            finding_type=private_code(finding),
            finding_sites=self._sites(*where),
            algorithm_id=AlgorithmIdentification("perioview", __version__),
            measurements=list(measurements),
            qualitative_evaluations=list(said),
            source_images=[
                SourceImageForMeasurementGroup(self.image.SOPClassUID, self.image.SOPInstanceUID)
            ],
        )
        self._texts(group, texts)
        self.groups.append(group)

    def report(
        self,
        procedure: str,
        caution: str,
        content: str,
        *,
        verify: str | None = None,
        predecessor: Dataset | None = None,
        number: int = 1,
    ) -> Dataset:
        """Close the report.

        Parameters
        ----------
        procedure : str
            Private code of the procedure reported.
        caution : str
            Standing caution, in words.
        content : str
            Digest of what was measured; UIDs derive from it.
        verify : str, optional
            Clinician who verifies, as DICOM writes names; unverified without.
        predecessor : Dataset, optional
            Report that this one replaces.
        number : int
            Instance number in its series.

        Returns
        -------
        Dataset
            Comprehensive SR.
        """
        from highdicom.sr import ComprehensiveSR, MeasurementReport

        tree = MeasurementReport(
            self._observation_context(),
            private_code(procedure),
            imaging_measurements=self.groups[:1],
            title=Code("126000", "DCM", "Imaging Measurement Report"),
        )
        self._texts(tree, [(codes.COMMENT, caution)])
        measurements = next(
            item
            for item in tree[0].ContentSequence
            if item.ConceptNameCodeSequence[0].CodeValue == "126010"
        )
        document = ComprehensiveSR(
            evidence=[self.image],
            content=tree[0],
            series_instance_uid=series_uid(self.identity, "reports"),
            series_number=SERIES["reports"][0],
            sop_instance_uid=report_uid(self.identity, content, verify, predecessor),
            instance_number=number,
            manufacturer="perioview",
            is_complete=verify is not None,
            is_final=verify is not None,
            is_verified=verify is not None,
            verifying_observer_name=verify,
            verifying_organization=self.identity.practice or "not stated" if verify else None,
            previous_versions=[predecessor] if predecessor is not None else None,
        )
        # All groups point at the one image. Adding them last spares the copies and searches that
        # highdicom makes of the whole tree: five sixths of the time.
        for group in self.groups[1:]:
            measurements.ContentSequence.extend(group)
        if verify is not None:
            # The moment a visit is verified is not part of it; its day is.
            stamp = self.identity.study_date + self.identity.study_time
            document.VerifyingObserverSequence[0].VerificationDateTime = stamp
        return finish(document, self.identity, SERIES["reports"][2])

    def _observation_context(self) -> Any:
        from highdicom.sr import (
            CodeContentItem,
            DeviceObserverIdentifyingAttributes,
            ObservationContext,
            ObserverContext,
            PersonObserverIdentifyingAttributes,
            TextContentItem,
        )

        person = None
        if self.identity.clinician:
            person = ObserverContext(
                Code("121006", "DCM", "Person"),
                PersonObserverIdentifyingAttributes(person_name(self.identity.clinician)),
            )
        device = ObserverContext(
            Code("121007", "DCM", "Device"),
            DeviceObserverIdentifyingAttributes(
                uid_from("device"), "perioview", "perioview", f"perioview {__version__}"
            ),
        )
        context = ObservationContext(person, device)
        link = {"relationship_type": "HAS OBS CONTEXT"}
        # TID 1006 and 1007: highdicom has subject contexts for all but the patient itself.
        context.append(CodeContentItem(codes.SUBJECT_CLASS, codes.PATIENT, **link))
        context.append(TextContentItem(codes.SUBJECT_ID, self.identity.patient_id, **link))
        species = codes.SPECIES[self.identity.species]
        context.append(CodeContentItem(codes.SUBJECT_SPECIES, species, **link))
        return context


def person_name(text: str) -> str:
    """Name as DICOM writes it; a plain name becomes a family name alone (PS3.5 6.2.1)."""
    return text if "^" in text else f"{text}^"


def report_uid(
    identity: Identity, content: str, verify: str | None, predecessor: Dataset | None
) -> str:
    """UID of a report: what it says, who signs, what it replaces, and nothing else."""
    before = predecessor.SOPInstanceUID if predecessor is not None else ""
    return str(uid_from("report", identity.study_uid, content, verify or "", before))


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
    builder.add_scale(calibration)
    for mark in marks:
        builder.add_mark(mark)
    for site in sites:
        builder.add_site(site)
    for tooth in teeth:
        builder.add_tooth(tooth, (probed or {}).get(tooth.tooth, ()))
    content = measured_content(str(image.SOPInstanceUID), marks, calibration, sites, teeth, probed)
    return builder.report(
        "procedure", CAUTION, content, verify=verify, predecessor=predecessor, number=number
    )
