"""DICOMDIR: the table of contents of a folder of DICOM files (PS3.3 Annex F, PS3.10)."""

from __future__ import annotations

import io
import itertools
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pydicom
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import ExplicitVRLittleEndian, MediaStorageDirectoryStorage

from perioview.errors import InputRefused
from perioview.record.identity import uid_from

NAME = "DICOMDIR"
_NEXT = "OffsetOfTheNextDirectoryRecord"
_LOWER = "OffsetOfReferencedLowerLevelDirectoryEntity"
_FIRST = "OffsetOfTheFirstDirectoryRecordOfTheRootDirectoryEntity"
_LAST = "OffsetOfTheLastDirectoryRecordOfTheRootDirectoryEntity"


@dataclass(slots=True)
class Node:
    """One directory record and the records below it."""

    record: Dataset
    children: list[Node] = field(default_factory=list)

    def walk(self) -> Iterator[Node]:
        """Yield the record and all below it, in file order."""
        yield self
        for child in self.children:
            yield from child.walk()


def read_directory(path: Path) -> list[Node]:
    """Read a DICOMDIR.

    Parameters
    ----------
    path : Path
        The file; a missing one is an empty directory.

    Returns
    -------
    list of Node
        The patients.

    Raises
    ------
    InputRefused
        If it is no DICOMDIR.
    """
    if not path.exists():
        return []
    try:
        dataset = pydicom.dcmread(path)
        records = {int(r.seq_item_tell): r for r in dataset.DirectoryRecordSequence}
        return _chain(records, int(dataset[_FIRST].value))
    except Exception as error:  # a damaged file fails in whatever way its damage leads to
        raise InputRefused(
            f"{path}: is no DICOMDIR that can be read ({type(error).__name__}); "
            "choose another folder, or move it away."
        ) from error


def _chain(records: dict[int, Dataset], offset: int) -> list[Node]:
    nodes: list[Node] = []
    while offset:
        # Taking a record out ends a chain that damage made a ring.
        record = records.pop(offset)
        nodes.append(Node(record, _chain(records, int(record[_LOWER].value))))
        offset = int(record[_NEXT].value)
    return nodes


def directory_bytes(patients: list[Node]) -> bytes:
    """Encode a DICOMDIR.

    Parameters
    ----------
    patients : list of Node
        Top records.

    Returns
    -------
    bytes
        The whole file, explicit little endian as PS3.10 8.6 has it.
    """
    nodes = [node for top in patients for node in top.walk()]
    dataset = Dataset()
    dataset.file_meta = FileMetaDataset()
    dataset.file_meta.MediaStorageSOPClassUID = MediaStorageDirectoryStorage
    dataset.file_meta.MediaStorageSOPInstanceUID = uid_from("directory")
    dataset.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    dataset.FileSetID = "PERIOVIEW"
    setattr(dataset, _FIRST, 0)
    setattr(dataset, _LAST, 0)
    dataset.FileSetConsistencyFlag = 0
    for node in nodes:
        for keyword in (_NEXT, _LOWER):
            setattr(node.record, keyword, 0)
        node.record.RecordInUseFlag = 0xFFFF
    dataset.DirectoryRecordSequence = [node.record for node in nodes]
    # Offsets are of fixed length: write once to learn them, then once with them.
    written = pydicom.dcmread(io.BytesIO(_encoded(dataset)))
    offsets = [int(r.seq_item_tell) for r in written.DirectoryRecordSequence]
    at = {id(node): offset for node, offset in zip(nodes, offsets, strict=True)}
    _link(patients, at)
    if patients:
        setattr(dataset, _FIRST, at[id(patients[0])])
        setattr(dataset, _LAST, at[id(patients[-1])])
    return _encoded(dataset)


def _link(nodes: list[Node], at: dict[int, int]) -> None:
    for node, following in itertools.zip_longest(nodes, nodes[1:]):
        setattr(node.record, _NEXT, at[id(following)] if following else 0)
        setattr(node.record, _LOWER, at[id(node.children[0])] if node.children else 0)
        _link(node.children, at)


def _encoded(dataset: Dataset) -> bytes:
    buffer = io.BytesIO()
    dataset.save_as(buffer, enforce_file_format=True)
    return buffer.getvalue()


def add_object(patients: list[Node], header: Dataset, file_id: list[str]) -> None:
    """Enter one object under its patient, study and series.

    Parameters
    ----------
    patients : list of Node
        Changed in place.
    header : Dataset
        The object.
    file_id : list of str
        Its path below the DICOMDIR.
    """
    patient = _child(patients, "PATIENT", "PatientID", header, ("PatientName", "PatientID"))
    study = _child(
        patient.children,
        "STUDY",
        "StudyInstanceUID",
        header,
        _STUDY,
    )
    series = _child(
        study.children,
        "SERIES",
        "SeriesInstanceUID",
        header,
        ("Modality", "SeriesInstanceUID", "SeriesNumber"),
    )
    uid = str(header.SOPInstanceUID)
    if any(str(n.record.ReferencedSOPInstanceUIDInFile) == uid for n in series.children):
        return
    record = _leaf(header)
    record.ReferencedFileID = file_id
    record.ReferencedSOPClassUIDInFile = header.SOPClassUID
    record.ReferencedSOPInstanceUIDInFile = uid
    record.ReferencedTransferSyntaxUIDInFile = header.file_meta.TransferSyntaxUID
    series.children.append(Node(record))


_STUDY = (
    "StudyDate",
    "StudyTime",
    "StudyDescription",
    "StudyInstanceUID",
    "StudyID",
    "AccessionNumber",
)
# What a record may not leave empty (type 1 in PS3.3 F.5) where an archive's image does.
_DEFAULTS = {
    "StudyDate": "19000101",
    "StudyTime": "000000",
    "StudyID": "0",
    "SeriesNumber": 0,
    "InstanceNumber": 0,
}


def _copied(record: Dataset, header: Dataset, keywords: tuple[str, ...]) -> None:
    for keyword in keywords:
        value: Any = header.get(keyword)
        if value in (None, ""):
            value = _DEFAULTS.get(keyword, "")
        setattr(record, keyword, value)


def _new_record(kind: str, header: Dataset) -> Dataset:
    record = Dataset()
    setattr(record, _NEXT, 0)
    record.RecordInUseFlag = 0xFFFF
    setattr(record, _LOWER, 0)
    record.DirectoryRecordType = kind
    record.SpecificCharacterSet = header.get("SpecificCharacterSet") or "ISO_IR 6"
    if record.SpecificCharacterSet == "ISO_IR 6":
        del record.SpecificCharacterSet
    return record


def _child(
    nodes: list[Node], kind: str, key: str, header: Dataset, keywords: tuple[str, ...]
) -> Node:
    wanted = str(header.get(key, ""))
    for node in nodes:
        if node.record.DirectoryRecordType == kind and str(node.record.get(key, "")) == wanted:
            return node
    record = _new_record(kind, header)
    _copied(record, header, keywords)
    nodes.append(Node(record))
    return nodes[-1]


def _leaf(header: Dataset) -> Dataset:
    if header.get("Modality") == "SR":
        record = _new_record("SR DOCUMENT", header)
        keywords = ("InstanceNumber", "CompletionFlag", "VerificationFlag", "ContentDate")
        _copied(record, header, (*keywords, "ContentTime", "ConceptNameCodeSequence"))
        for observer in header.get("VerifyingObserverSequence", None) or []:
            record.VerificationDateTime = observer.VerificationDateTime
    elif header.get("Modality") == "PR":
        record = _new_record("PRESENTATION", header)
        _copied(record, header, ("PresentationCreationDate", "PresentationCreationTime"))
        _copied(record, header, ("InstanceNumber", "ContentLabel", "ContentDescription"))
        _copied(record, header, ("ContentCreatorName",))
        record.ReferencedSeriesSequence = header.ReferencedSeriesSequence
    elif "EncapsulatedDocument" in header or "MIMETypeOfEncapsulatedDocument" in header:
        record = _new_record("ENCAP DOC", header)
        _copied(record, header, ("ContentDate", "ContentTime", "InstanceNumber"))
        _copied(record, header, ("DocumentTitle",))
        record.ConceptNameCodeSequence = header.get("ConceptNameCodeSequence") or []
        record.MIMETypeOfEncapsulatedDocument = header.MIMETypeOfEncapsulatedDocument
    else:
        record = _new_record("IMAGE", header)
        _copied(record, header, ("InstanceNumber",))
    return record
