"""The visit report as a document of the record: Encapsulated PDF (PS3.3 A.45.1)."""

from __future__ import annotations

from collections.abc import Sequence

from pydicom.dataset import Dataset
from pydicom.sr.coding import Code
from pydicom.uid import EncapsulatedPDFStorage

from perioview.errors import InputRefused
from perioview.record.codes import coded_item
from perioview.record.identity import SERIES, Identity, finish, new_object, uid_from

REPORT_TITLE = Code("126000", "DCM", "Imaging Measurement Report")


def document_object(
    identity: Identity, pdf: bytes, sources: Sequence[Dataset], content: str
) -> Dataset:
    """Wrap a PDF with the patient's identity.

    Parameters
    ----------
    identity : Identity
        Patient and study.
    pdf : bytes
        The document.
    sources : sequence of Dataset
        Images and reports it rests on.
    content : str
        Digest of what the document says. The UID derives from it rather than from the
        bytes, in which a PDF notes the minute it was printed.

    Returns
    -------
    Dataset

    Raises
    ------
    InputRefused
        If the bytes are no PDF.
    """
    if not pdf.startswith(b"%PDF-"):
        raise InputRefused("the visit report is no PDF; make it again with perioview report.")
    uid = uid_from("document", identity.study_uid, identity.patient_id, content)
    dataset = new_object(EncapsulatedPDFStorage, uid, identity, "documents")
    dataset.ConversionType = "WSD"
    dataset.AcquisitionDateTime = ""
    dataset.BurnedInAnnotation = "YES"
    dataset.RecognizableVisualFeatures = "NO"
    dataset.DocumentTitle = "Periodontal visit report"
    dataset.ConceptNameCodeSequence = [coded_item(REPORT_TITLE)]
    dataset.MIMETypeOfEncapsulatedDocument = "application/pdf"
    dataset.EncapsulatedDocument = pdf + b"\0" * (len(pdf) % 2)
    dataset.EncapsulatedDocumentLength = len(pdf)
    dataset.SourceInstanceSequence = []
    for source in sources:
        item = Dataset()
        item.ReferencedSOPClassUID = source.SOPClassUID
        item.ReferencedSOPInstanceUID = source.SOPInstanceUID
        dataset.SourceInstanceSequence.append(item)
    if not sources:
        del dataset.SourceInstanceSequence
    return finish(dataset, identity, SERIES["documents"][2])
