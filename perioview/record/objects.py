"""An examination as DICOM objects: one study, right references, the same UIDs every time."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydicom import dcmread
from pydicom.dataset import Dataset

from perioview.errors import InputRefused
from perioview.image import Image
from perioview.record.encapsulated import document_object
from perioview.record.history import (
    current_reports,
    image_uid,
    is_report,
    predecessor_uids,
    probed_from_report,
)
from perioview.record.identity import (
    Identity,
    digest,
    evidence_from_attributes,
    identity_from_visit,
    line,
)
from perioview.record.jpeg import camera_stream
from perioview.record.photograph import photograph_object
from perioview.record.plaque_report import plaque_content, plaque_report, withdrawn
from perioview.record.presentation import presentation_object
from perioview.record.report_builder import person_name, report_uid, signed_by
from perioview.record.secondary_capture import picture_object, radiograph_object
from perioview.record.segmentation import plaque_segmentation, stained_by_tooth
from perioview.record.structured_report import (
    Probed,
    measured_content,
    measurement_report,
    probed_values,
)
from perioview.record.visit_faults import visit_faults
from perioview.visit import Examination, PhotoResult, Radiograph

Picture = bytes | NDArray[np.uint8]


def in_archive_form(image: Image) -> bool:
    """Whether an image is DICOM already, and only needs a reference."""
    return {"sop_uid", "sop_class_uid", "series_uid", "study_uid"} <= set(image.attributes)


def examination_identity(examination: Examination) -> Identity:
    """Identity all objects of the visit carry.

    Parameters
    ----------
    examination : Examination

    Returns
    -------
    Identity

    Raises
    ------
    InputRefused
        If the visit names no date, or the patient no species, or a date or weight is none.
    """
    visit = examination.visit
    faults = visit_faults(visit)
    if not visit.visit.get("date"):
        faults.append("visit.toml: [visit] has no date; give it as date = 2026-03-05.")
    if not visit.patient.get("id"):
        faults.append("visit.toml: [patient] has no id; give the patient's number.")
    elif not fits_identifier(str(visit.patient["id"])):
        faults.append(
            f"visit.toml: [patient] id {visit.patient['id']!r} cannot be an identifier; "
            "use at most 64 letters and digits without backslash."
        )
    if faults:
        raise InputRefused(*faults)
    images = [r.image for r in examination.radiographs] + [p.image for p in examination.photos]
    ours = str(visit.patient["id"])
    first = next(
        (i for i in images if in_archive_form(i) and i.attributes.get("patient_id") == ours), None
    )
    patient = {**visit.patient, "species": examination.species or visit.patient.get("species")}
    return identity_from_visit(
        patient, visit.owner, visit.visit, first.attributes if first else None
    )


def fits_identifier(text: str) -> bool:
    """Whether a patient ID is kept as it is by DICOM (VR LO, PS3.5 6.2)."""
    return text == line(text)


def patient_faults(examination: Examination) -> tuple[str, ...]:
    """Signs that an image is of another patient, species or day than its visit.

    Parameters
    ----------
    examination : Examination

    Returns
    -------
    tuple of str
        One line each; names of patients are not repeated.
    """
    visit = examination.visit
    day = str(visit.visit.get("date", ""))
    faults: list[str] = []
    items: tuple[Radiograph | PhotoResult, ...] = (*examination.radiographs, *examination.photos)
    for item in items:
        said = item.image.attributes
        told = (
            ("patient", said.get("patient_id"), str(visit.patient.get("id", ""))),
            ("species", item.image.species, examination.species),
            ("study date", said.get("study_date"), day),
        )
        faults += [
            f"{item.file}: its {what} is {theirs}, the visit's is {ours}; "
            "take the image out, correct the visit, or confirm it (attach --confirm)."
            for what, theirs, ours in told
            if theirs and str(theirs) != ours
        ]
    return tuple(faults)


@dataclass(slots=True)
class _Maker:
    identity: Identity
    verify: str | None
    earlier: list[Dataset]
    folder: str
    probed: dict[int, Probed] | None
    withdraw: bool = False
    made: list[Dataset] = field(default_factory=list)

    def reference(self, file: str, image: Image, wrapped: Dataset | None) -> Dataset:
        if wrapped is not None:
            self.made.append(wrapped)
            return wrapped
        found = evidence_from_attributes(image.attributes, self.identity, image.rows, image.cols)
        path = Path(self.folder, file)
        if self.folder and path.is_file():
            # A presentation state repeats the image's rescale (PS3.3 C.11.1), its own or none.
            header = dcmread(path, stop_before_pixels=True, force=True)
            for keyword in ("RescaleIntercept", "RescaleSlope", "RescaleType"):
                if keyword in header:
                    setattr(found, keyword, header[keyword].value)
        return found

    def probed_beside(self, image: Dataset) -> dict[int, Probed]:
        """What the chart says; without one, what the record says already is not unsaid."""
        if self.probed is not None:
            return self.probed
        return next((probed_from_report(r) for r in self.earlier if self.is_about(r, image)), {})

    @staticmethod
    def is_about(report: Dataset, image: Dataset) -> bool:
        return image_uid(report) == str(image.SOPInstanceUID)

    def withdraws(self, image: Dataset) -> bool:
        """Whether an empty report takes the place of one of an image without measurements."""
        return self.withdraw and any(self.is_about(r, image) for r in self.earlier)

    def replaced(self, image: Dataset, content: str) -> tuple[Dataset | None, Dataset | None]:
        """Report that stands unchanged, else the one that a new report replaces."""
        for report in self.earlier:
            if not self.is_about(report, image):
                continue
            before = next(iter(predecessor_uids(report)), None)
            stub = None
            if before:
                stub = Dataset()
                stub.SOPInstanceUID = before
            signed = self.verify or signed_by(report)
            if report_uid(self.identity, content, signed, stub) == str(report.SOPInstanceUID):
                return report, None
            return None, report
        return None, None


def record_objects(
    examination: Examination,
    report_pdf: bytes | None = None,
    pictures: Mapping[str, Picture] | None = None,
    *,
    verify: str | None = None,
    earlier: Iterable[Dataset] = (),
    withdraw: bool = False,
    since: str = "",
) -> tuple[Dataset, ...]:
    """All objects that the record of a visit needs beside its own DICOM images.

    Parameters
    ----------
    examination : Examination
    report_pdf : bytes, optional
        The visit report.
    pictures : mapping of str to bytes or ndarray, optional
        Pictures with marks and values burned in, as files or sRGB pixels, by the image's file.
    verify : str, optional
        Clinician who verifies the reports; they are unverified without.
    earlier : iterable of Dataset
        Reports the destination holds of this patient: what they say again is not made again,
        what has changed names its predecessor.
    withdraw : bool
        Whether an image that has no measurements any more gets an empty report in the place of
        the one the record holds; without, that stays.
    since : str
        Digest of what the visit report tells of an earlier visit: another comparison is another
        document.

    Returns
    -------
    tuple of Dataset
        The same content, with the same UIDs, for the same visit.

    Raises
    ------
    InputRefused
        If the visit lacks what a record needs.
    """
    identity = examination_identity(examination)
    signer = person_name(verify) if verify else None
    held = current_reports(r for r in earlier if is_report(r))
    probed = None if examination.chart is None else probed_values(examination.chart)
    maker = _Maker(identity, signer, held, examination.folder, probed, withdraw)
    pictures = pictures or {}
    sources: list[Dataset] = []
    for number, radiograph in enumerate(examination.radiographs, 1):
        sources += _radiograph_objects(maker, radiograph, number, pictures)
    for number, photo in enumerate(examination.photos, len(examination.radiographs) + 1):
        sources += _photo_objects(maker, photo, number, pictures)
    if report_pdf is not None:
        content = digest(
            [str(s.SOPInstanceUID) for s in sources],
            examination.visit,
            examination.chart,
            identity,
            *([since] if since else []),
        )
        maker.made.append(document_object(identity, report_pdf, sources, content))
    return tuple(maker.made)


def _radiograph_objects(
    maker: _Maker, radiograph: Radiograph, number: int, pictures: Mapping[str, Picture]
) -> list[Dataset]:
    identity, image = maker.identity, radiograph.image
    plain = not in_archive_form(image)
    wrapped = None
    if plain:
        stream = camera_stream(maker.folder, radiograph.file, image)
        wrapped = radiograph_object(identity, image, number, stream)
    source = maker.reference(radiograph.file, image, wrapped)
    sources = [source]
    marked = len(radiograph.marks) > 0
    if marked or maker.withdraws(source):
        parts = (
            radiograph.marks,
            radiograph.calibration,
            radiograph.sites,
            radiograph.teeth,
            maker.probed_beside(source),
        )
        content = measured_content(str(source.SOPInstanceUID), *parts)
        same, before = maker.replaced(source, content)
        report = same
        if report is None:
            report = measurement_report(
                identity, source, *parts, verify=maker.verify, predecessor=before, number=number
            )
            maker.made.append(report)
        sources.append(report)
        if marked:
            maker.made.append(presentation_object(identity, source, radiograph, number))
    _add_picture(maker, pictures.get(radiograph.file), source, number)
    return sources


def _add_picture(maker: _Maker, picture: Picture | None, source: Dataset, number: int) -> None:
    if picture is not None:
        label = "Marks and values burned in"
        maker.made.append(picture_object(maker.identity, picture, source, number, label))


def _photo_objects(
    maker: _Maker, photo: PhotoResult, number: int, pictures: Mapping[str, Picture]
) -> list[Dataset]:
    identity, image = maker.identity, photo.image
    wrapped = None
    if not in_archive_form(image):
        label = f"{photo.when} cleaning, dye: {photo.dye}"
        stream = camera_stream(maker.folder, photo.file, image)
        wrapped = photograph_object(identity, image, number, label, stream)
    source = maker.reference(photo.file, image, wrapped)
    sources = [source]
    result = photo.result
    if result is None and maker.withdraws(source):
        result = withdrawn(photo)
    if result is not None:
        content = plaque_content(str(source.SOPInstanceUID), photo.when, result)
        same, before = maker.replaced(source, content)
        report = same
        if report is None:
            report = plaque_report(
                identity,
                source,
                result,
                photo.when,
                verify=maker.verify,
                predecessor=before,
                number=number,
            )
            maker.made.append(report)
        sources.append(report)
        stained = _stained(photo)
        if stained:
            maker.made.append(plaque_segmentation(identity, source, stained, number))
    _add_picture(maker, pictures.get(photo.file), source, number)
    return sources


def _stained(photo: PhotoResult) -> dict[int, NDArray[np.bool_]]:
    """Stained pixels of the teeth that have a number."""
    if photo.result is None:
        return {}
    known = {t.tooth for t in photo.result.teeth if t.coverage.known}
    found = stained_by_tooth(photo.result.stain_map, _labels(photo.regions))
    return {tooth: mask for tooth, mask in found.items() if tooth in known}


def _labels(regions: Any) -> NDArray[Any]:
    return np.asarray(getattr(regions, "labels", regions))
