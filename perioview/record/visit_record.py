"""The whole record of a visit: reports and pictures of its images, and what was entered beside."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from pydicom.dataset import Dataset

from perioview.record.entered import entered
from perioview.record.history import current_reports, image_uid, is_report, says_something
from perioview.record.identity import evidence_from_attributes, uid_from
from perioview.record.objects import (
    Picture,
    examination_identity,
    in_archive_form,
    record_objects,
)
from perioview.record.report_builder import person_name
from perioview.record.visit_report import visit_report
from perioview.visit import Examination, PhotoResult, Radiograph


def visit_record(
    examination: Examination,
    report_pdf: bytes | None = None,
    pictures: Mapping[str, Picture] | None = None,
    *,
    verify: str | None = None,
    earlier: Iterable[Dataset] = (),
    withdraw: bool = False,
    since: str = "",
) -> tuple[Dataset, ...]:
    """Everything that the record of a visit needs beside its own DICOM images.

    Parameters
    ----------
    examination, report_pdf, pictures, verify, earlier, withdraw, since
        As for `objects.record_objects`.

    Returns
    -------
    tuple of Dataset
        Its objects, and a report of chart, tooth regions, steps and awake findings where the
        visit has any.

    Raises
    ------
    InputRefused
        If the visit lacks what a record needs.
    """
    earlier = tuple(earlier)
    made = record_objects(
        examination,
        report_pdf,
        pictures,
        verify=verify,
        earlier=earlier,
        withdraw=withdraw,
        since=since,
    )
    identity = examination_identity(examination)
    wrapped = {str(o.SOPInstanceUID): o for o in made}
    uids = image_uids(examination)
    references: dict[str, Dataset] = {}
    items: tuple[Radiograph | PhotoResult, ...] = (*examination.radiographs, *examination.photos)
    for item in items:
        image, uid = item.image, uids[item.file]
        references[uid] = (
            evidence_from_attributes(image.attributes, identity, image.rows, image.cols)
            if in_archive_form(image)
            else wrapped[uid]
        )
    report = visit_report(
        identity,
        entered(examination, uids),
        references,
        verify=person_name(verify) if verify else None,
        earlier=(r for r in earlier if str(r.get("StudyInstanceUID", "")) == identity.study_uid),
        withdraw=withdraw,
    )
    return made if report is None else (*made, report)


def image_uids(examination: Examination) -> dict[str, str]:
    """SOP instance UID each image of a visit has in the record, by its file."""
    identity = examination_identity(examination)
    items: tuple[Radiograph | PhotoResult, ...] = (*examination.radiographs, *examination.photos)
    return {
        item.file: str(item.image.attributes["sop_uid"])
        if in_archive_form(item.image)
        else str(uid_from("image", identity.study_uid, identity.patient_id, item.image.sha256))
        for item in items
    }


def unmeasured(examination: Examination, earlier: Iterable[Dataset]) -> tuple[str, ...]:
    """Files that the record holds measurements of and the visit none.

    Parameters
    ----------
    examination : Examination
    earlier : iterable of Dataset
        Reports the destination holds of this patient.
    """
    held = {
        image_uid(report)
        for report in current_reports(r for r in earlier if is_report(r))
        if says_something(report)
    }
    bare = [r.file for r in examination.radiographs if not len(r.marks)]
    bare += [p.file for p in examination.photos if p.result is None]
    uids = image_uids(examination)
    return tuple(file for file in bare if uids[file] in held)
