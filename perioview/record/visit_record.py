"""The whole record of a visit: reports and pictures of its images, and what was entered beside."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from pydicom.dataset import Dataset

from perioview.record.entered import entered
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
) -> tuple[Dataset, ...]:
    """Everything that the record of a visit needs beside its own DICOM images.

    Parameters
    ----------
    examination, report_pdf, pictures, verify, earlier
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
    made = record_objects(examination, report_pdf, pictures, verify=verify, earlier=earlier)
    identity = examination_identity(examination)
    wrapped = {str(o.SOPInstanceUID): o for o in made}
    uids: dict[str, str] = {}
    references: dict[str, Dataset] = {}
    items: tuple[Radiograph | PhotoResult, ...] = (
        *examination.radiographs,
        *examination.photos,
    )
    for item in items:
        image = item.image
        if in_archive_form(image):
            uid = str(image.attributes["sop_uid"])
            references[uid] = evidence_from_attributes(
                image.attributes, identity, image.rows, image.cols
            )
        else:
            uid = str(uid_from("image", identity.study_uid, identity.patient_id, image.sha256))
            references[uid] = wrapped[uid]
        uids[item.file] = uid
    report = visit_report(
        identity,
        entered(examination, uids),
        references,
        verify=person_name(verify) if verify else None,
        earlier=(r for r in earlier if str(r.get("StudyInstanceUID", "")) == identity.study_uid),
    )
    return made if report is None else (*made, report)
