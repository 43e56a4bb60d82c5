"""A TID 1500 measurement report about one image, group by group (PS3.16 Annex A)."""

from __future__ import annotations

import io
import math
from collections.abc import Iterable, Sequence
from datetime import datetime

import pydicom
from pydicom.dataset import Dataset
from pydicom.sr.coding import Code
from pydicom.uid import ComprehensiveSRStorage

from perioview import __version__
from perioview.marks import Mark, name
from perioview.record import codes, content
from perioview.record.codes import private_code, tooth_code, unit_code
from perioview.record.content import CONCEPT_MOD, CONTAINS, OBS_CONTEXT
from perioview.record.identity import MAKER, SERIES, Identity, finish, new_object, uid_from

# What a report's UID derives from beside its content: how that content is written down.
_LAYOUT = "layout 2"

Where = tuple[int | None, str | None, str | None]
Corners = Sequence[tuple[int, int]]


class ReportBuilder:
    """Groups of one report about one image, or about a visit.

    Parameters
    ----------
    identity : Identity
        Patient and study.
    image : Dataset, optional
        The image, or a reference to it (`identity.evidence_from_attributes`); the report is
        about the visit as a whole without.
    """

    def __init__(self, identity: Identity, image: Dataset | None = None) -> None:
        self.identity = identity
        self._about = identity.study_uid if image is None else image.SOPInstanceUID
        self._evidence = {} if image is None else {str(image.SOPInstanceUID): image}
        self._groups: list[bytes] = []
        self._sites: dict[Where, bytes] = {}
        self._sop = None if image is None else (str(image.SOPClassUID), str(image.SOPInstanceUID))

    def _tracking(self, label: str) -> list[bytes]:
        # The same site of the same image keeps its UID, so that it can be followed over reports.
        uid = uid_from("track", self._about, label)
        return [
            content.text_item(OBS_CONTEXT, codes.TRACKING_ID, label),
            content.uid_item(OBS_CONTEXT, codes.TRACKING_UID, uid),
        ]

    def _site(self, where: Where) -> list[bytes]:
        tooth, root, side = where
        if tooth is None:
            return []
        if where not in self._sites:
            right = tooth // 100 in (1, 4, 5, 8)
            said = [
                (codes.LATERALITY, codes.RIGHT if right else codes.LEFT),
                (codes.TOPOGRAPHICAL_MODIFIER, tooth_code(tooth, self.identity.species)),
            ]
            named = (("root", root), ("side", side))
            said += [(private_code(c), private_code(v)) for c, v in named if v]
            self._sites[where] = content.code_item(
                CONCEPT_MOD,
                codes.FINDING_SITE,
                codes.TOOTH,
                [content.code_item(CONCEPT_MOD, concept, value) for concept, value in said],
            )
        return [self._sites[where]]

    def number(
        self,
        concept: str,
        value: float,
        unit: str,
        sd: float = math.nan,
        rests_on: Sequence[Mark] = (),
    ) -> bytes:
        """Number with its unit, its SD, and the marks it rests on (TID 300, 320).

        Parameters
        ----------
        concept : str
            Private code of the quantity.
        value, sd : float
            In `unit`; an SD that is not finite is left out.
        unit : str
        rests_on : sequence of Mark
            In the order in which their coordinates are given.

        Returns
        -------
        bytes
            Content item.
        """
        coded = unit_code(unit)
        children = []
        if math.isfinite(sd):
            children.append(
                content.number_item(content.PROPERTIES, codes.STANDARD_DEVIATION, sd, coded)
            )
        if rests_on:
            children.append(self._points(content.INFERRED_FROM, codes.SOURCE, rests_on))
        return content.number_item(CONTAINS, private_code(concept), value, coded, children)

    def _points(self, relation: str, concept: Code, marks: Sequence[Mark]) -> bytes:
        if self._sop is None:
            raise ValueError(f"marks {marks} without the image that they lie in")
        source = content.image_item(content.SELECTED_FROM, codes.SOURCE, *self._sop)
        # Column first, from the corner of the first pixel (PS3.3 C.18.6).
        points = [(mark.col + 0.5, mark.row + 0.5) for mark in marks]
        return content.points_item(relation, concept, points, [source])

    @staticmethod
    def said(concept: str, *values: str | None) -> list[bytes]:
        """Coded statements, one per value."""
        code = private_code(concept)
        return [content.code_item(CONTAINS, code, private_code(v)) for v in values if v]

    def add_mark(self, mark: Mark) -> None:
        """Add one mark: its landmark, position, tooth, and how it came to be (TID 1410)."""
        texts = [(private_code("object"), mark.object)] if mark.object else []
        texts += [(private_code("extra"), f"{k}={v}") for k, v in mark.extra]
        self._groups.append(
            content.container_item(
                codes.MEASUREMENT_GROUP,
                "1410",
                [
                    *self._tracking(name(mark)),
                    content.code_item(CONTAINS, codes.FINDING, private_code(mark.landmark)),
                    *self._site((mark.tooth, mark.root, mark.side)),
                    *([] if mark.mm is None else [self.number("mm", mark.mm, "mm")]),
                    *self.said("how", mark.how),
                    self._points(CONTAINS, codes.IMAGE_REGION, [mark]),
                    *(content.text_item(CONTAINS, *pair) for pair in texts),
                ],
            )
        )

    def add_outline(
        self, image: Dataset, finding: str, tooth: int, number: int, corners: Corners
    ) -> None:
        """Add one closed outline in an image: what it is, whose, and its corners (TID 1410).

        Parameters
        ----------
        image : Dataset
            The image, or a reference to it.
        finding : str
            Private code of what is outlined.
        tooth : int
        number : int
            Of the outline, counted from 1 along its tooth.
        corners : sequence of (int, int)
            (row, col) of pixel corners, counted from the first pixel's own.
        """
        uid = str(image.SOPInstanceUID)
        self._evidence[uid] = image
        source = content.image_item(
            content.SELECTED_FROM, codes.SOURCE, str(image.SOPClassUID), uid
        )
        points = [(float(col), float(row)) for row, col in (*corners, corners[0])]
        self._groups.append(
            content.container_item(
                codes.MEASUREMENT_GROUP,
                "1410",
                [
                    *self._tracking(f"outline {number} of {tooth} in image {uid}"),
                    content.code_item(CONTAINS, codes.FINDING, private_code(finding)),
                    *self._site((tooth, None, None)),
                    content.points_item(
                        CONTAINS, codes.IMAGE_REGION, points, [source], kind="POLYLINE"
                    ),
                ],
            )
        )

    def add_group(
        self,
        finding: str,
        label: str,
        *,
        where: Where = (None, None, None),
        measurements: Sequence[bytes] = (),
        said: Sequence[bytes] = (),
        texts: Iterable[tuple[Code, str]] = (),
    ) -> None:
        """Add a group of numbers and statements about the image or visit (TID 1501)."""
        source = (
            []
            if self._sop is None
            else [content.image_item(CONTAINS, codes.SOURCE_OF_MEASUREMENT, *self._sop)]
        )
        self._groups.append(
            content.container_item(
                codes.MEASUREMENT_GROUP,
                "1501",
                [
                    *self._tracking(label),
                    content.code_item(CONTAINS, codes.FINDING, private_code(finding)),
                    *self._site(where),
                    content.text_item(CONCEPT_MOD, codes.ALGORITHM_NAME, MAKER),
                    content.text_item(CONCEPT_MOD, codes.ALGORITHM_VERSION, __version__),
                    *measurements,
                    *said,
                    *source,
                    *(content.text_item(CONTAINS, *pair) for pair in texts),
                ],
            )
        )

    def report(
        self,
        procedure: str,
        caution: str,
        digest: str,
        *,
        verify: str | None = None,
        predecessor: Dataset | None = None,
        also: Sequence[Dataset] = (),
        number: int = 1,
        kind: str = "reports",
    ) -> Dataset:
        """Close the report.

        Parameters
        ----------
        procedure : str
            Private code of the procedure reported.
        caution : str
            Standing caution, in words.
        digest : str
            Digest of what was measured; UIDs derive from it.
        verify : str, optional
            Clinician who verifies, as DICOM writes names; unverified without.
        predecessor : Dataset, optional
            Report that this one replaces.
        also : sequence of Dataset
            Further reports that it replaces.
        number : int
            Instance number in its series.
        kind : str
            Its series, a key of `identity.SERIES`.

        Returns
        -------
        Dataset
            Comprehensive SR, as if read from its file: it is written again unchanged.
        """
        uid = report_uid(self.identity, digest, verify, predecessor)
        header = new_object(ComprehensiveSRStorage, uid, self.identity, kind)
        header.InstanceNumber = number
        header.ReferencedPerformedProcedureStepSequence = []
        header.PerformedProcedureCodeSequence = []
        header.ValueType = "CONTAINER"
        header.ConceptNameCodeSequence = [codes.coded_item(codes.REPORT)]
        header.ContinuityOfContent = "CONTINUOUS"
        template = Dataset()
        template.MappingResource, template.TemplateIdentifier = "DCMR", "1500"
        header.ContentTemplateSequence = [template]
        if self._evidence:
            header.CurrentRequestedProcedureEvidenceSequence = _references(self._evidence.values())
        if predecessor is not None:
            header.PredecessorDocumentsSequence = _references([predecessor, *also])
        _sign(header, self.identity, verify)
        finish(header, self.identity, SERIES[kind][2])
        items = [
            *self._context(),
            content.code_item(CONCEPT_MOD, codes.PROCEDURE_REPORTED, private_code(procedure)),
            content.container_item(codes.IMAGING_MEASUREMENTS, "", self._groups),
            content.text_item(CONTAINS, codes.COMMENT, caution),
        ]
        file = io.BytesIO()
        header.save_as(file, enforce_file_format=True)
        file.seek(0, io.SEEK_END)
        # The content comes last: no element of the header has a higher tag.
        file.write(content.sequence(*content.CONTENT, items))
        file.seek(0)
        return pydicom.dcmread(file)

    def _context(self) -> list[bytes]:
        """Language, observers and subject (TID 1204, 1001)."""
        items = [content.code_item(CONCEPT_MOD, codes.LANGUAGE, codes.ENGLISH)]
        if self.identity.clinician:
            person = person_name(self.identity.clinician)
            items += [
                content.code_item(OBS_CONTEXT, codes.OBSERVER_TYPE, codes.PERSON),
                content.name_item(OBS_CONTEXT, codes.PERSON_NAME, person),
            ]
        items += [
            content.code_item(OBS_CONTEXT, codes.OBSERVER_TYPE, codes.DEVICE),
            content.uid_item(OBS_CONTEXT, codes.DEVICE_UID, uid_from("device")),
            content.text_item(OBS_CONTEXT, codes.DEVICE_NAME, MAKER),
            content.text_item(OBS_CONTEXT, codes.DEVICE_MANUFACTURER, MAKER),
            content.text_item(OBS_CONTEXT, codes.DEVICE_MODEL, f"{MAKER} {__version__}"),
            # TID 1006 and 1007: the subject is a patient of some species.
            content.code_item(OBS_CONTEXT, codes.SUBJECT_CLASS, codes.PATIENT),
            content.text_item(OBS_CONTEXT, codes.SUBJECT_ID, self.identity.patient_id),
            content.code_item(
                OBS_CONTEXT, codes.SUBJECT_SPECIES, codes.SPECIES[self.identity.species]
            ),
        ]
        return items


def _references(datasets: Iterable[Dataset]) -> list[Dataset]:
    """References to objects by study and series (PS3.3 C.17-3)."""
    studies: dict[str, Dataset] = {}
    held: dict[tuple[str, str], Dataset] = {}
    for dataset in datasets:
        of, uid = str(dataset.StudyInstanceUID), str(dataset.SeriesInstanceUID)
        if of not in studies:
            studies[of] = Dataset()
            studies[of].ReferencedSeriesSequence = []
            studies[of].StudyInstanceUID = of
        if (of, uid) not in held:
            series = held[of, uid] = Dataset()
            series.ReferencedSOPSequence = []
            series.SeriesInstanceUID = uid
            studies[of].ReferencedSeriesSequence.append(series)
        instance = Dataset()
        instance.ReferencedSOPClassUID = dataset.SOPClassUID
        instance.ReferencedSOPInstanceUID = dataset.SOPInstanceUID
        held[of, uid].ReferencedSOPSequence.append(instance)
    return list(studies.values())


def _sign(header: Dataset, identity: Identity, verify: str | None) -> None:
    """Say whether the report is complete, and who answers for it (PS3.3 C.17.2)."""
    header.CompletionFlag = "COMPLETE" if verify else "PARTIAL"
    header.VerificationFlag = "VERIFIED" if verify else "UNVERIFIED"
    header.PreliminaryFlag = "FINAL" if verify else "PRELIMINARY"
    if verify:
        observer = Dataset()
        observer.VerifyingOrganization = identity.practice or "not stated"
        observer.VerificationDateTime = datetime.now().astimezone().strftime("%Y%m%d%H%M%S%z")
        observer.VerifyingObserverName = verify
        observer.VerifyingObserverIdentificationCodeSequence = []
        header.VerifyingObserverSequence = [observer]


def signed_by(report: Dataset) -> str | None:
    """Name of the clinician who verified a report, as DICOM writes it."""
    observers = report.get("VerifyingObserverSequence", None) or []
    return str(observers[0].VerifyingObserverName) if observers else None


def person_name(text: str) -> str:
    """Name as DICOM writes it; a plain name becomes a family name alone (PS3.5 6.2.1)."""
    return text if "^" in text else f"{text}^"


def report_uid(
    identity: Identity, digest: str, verify: str | None, predecessor: Dataset | None
) -> str:
    """UID of a report: what it says and how, who signs, what it replaces, and nothing else."""
    before = predecessor.SOPInstanceUID if predecessor is not None else ""
    return str(uid_from("report", _LAYOUT, identity.study_uid, digest, verify or "", before))
