"""Whose record it is: patient, owner and study of a visit, and UIDs that stay the same."""

from __future__ import annotations

import hashlib
import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import UID, ExplicitVRLittleEndian

from perioview import __version__
from perioview.record.codes import SPECIES, coded_item, coding_scheme_identification

MAKER = "perioview"
# Root of all UIDs made here, itself a name-based UUID so that nothing needs registering.
_NAMESPACE = uuid.uuid5(uuid.NAMESPACE_URL, "urn:perioview:record")


def uid_from(*parts: object) -> UID:
    """UID that depends on nothing but its parts (PS3.5 B.2, UUID-derived).

    Parameters
    ----------
    *parts : object
        Whatever identifies the object, by its text.

    Returns
    -------
    UID
        Under 2.25; the same parts give the same UID on any machine, any day.
    """
    text = "\x1f".join(str(part) for part in parts)
    return UID(f"2.25.{uuid.uuid5(_NAMESPACE, text).int}")


def digest(*parts: object) -> str:
    """SHA-256 of the parts' text, in hexadecimal."""
    return hashlib.sha256("\x1f".join(repr(part) for part in parts).encode()).hexdigest()


@dataclass(frozen=True, slots=True)
class Identity:
    """Patient and study as every object of one visit's record carries them."""

    patient_id: str
    patient_name: str
    species: str
    study_uid: str
    study_date: str
    breed: str = ""
    sex: str = ""
    neutered: bool | None = None
    birth_date: str = ""
    weight_kg: float | None = None
    owner: str = ""
    owner_role: str = "OWNER"
    practice: str = ""
    clinician: str = ""
    study_time: str = ""
    study_id: str = ""
    study_description: str = ""
    organisation: str = ""
    accession: str = ""


def dicom_date(value: object) -> str:
    """Date as DICOM writes it (YYYYMMDD); empty for none."""
    if isinstance(value, date):
        return value.strftime("%Y%m%d")
    return str(value or "").replace("-", "")[:8]


def identity_from_visit(
    patient: Mapping[str, Any],
    owner: Mapping[str, Any],
    visit: Mapping[str, Any],
    image: Mapping[str, Any] | None = None,
) -> Identity:
    """Identity of a visit; the archive's own words where a radiograph brought them.

    Parameters
    ----------
    patient, owner, visit : mapping
        Tables of ``visit.toml``.
    image : mapping
        Attributes of the visit's first DICOM image. Its study, and its spelling of the
        patient, are kept, so that the record does not contradict its own image.

    Returns
    -------
    Identity
    """
    known = image if image and str(image.get("patient_id", "")) == str(patient["id"]) else {}
    day = dicom_date(visit.get("date"))

    def text(key: str, ours: object) -> str:
        return line(known.get(key) or ours)

    neutered = known.get("neutered")
    practice = line(visit.get("practice"))
    return Identity(
        patient_id=str(patient["id"]),
        patient_name=text("patient_name", patient.get("name")),
        species=str(patient["species"]),
        breed=text("breed", patient.get("breed")),
        sex=text("sex", patient.get("sex"))[:1].upper(),
        neutered=neutered if isinstance(neutered, bool) else patient.get("neutered"),
        birth_date=dicom_date(known.get("birth_date") or patient.get("birth_date")),
        weight_kg=patient.get("weight_kg"),
        owner=text("responsible_person", owner.get("name")),
        practice=practice,
        clinician=line(visit.get("clinician")),
        study_uid=text("study_uid", uid_from("study", patient["id"], day, visit.get("kind", ""))),
        study_date=dicom_date(known.get("study_date")) or day,
        # A DICOMDIR needs both (PS3.3 F.5.2), so they are never left empty.
        study_time=dicom_time(known.get("study_time")) or "000000",
        study_id=text("study_id", f"PV{day}"),
        accession=text("accession", ""),
        study_description=text("study_description", ""),
        # An archive's own word stands, be it empty: one patient, one set of attributes.
        organisation=str(known.get("responsible_organization", "") if known else practice),
    )


def line(value: object) -> str:
    """Text as one DICOM value: 64 letters at most, no backslash to split it (PS3.5 6.2)."""
    return " ".join(str(value or "").replace("\\", "/").split())[:64]


def dicom_time(value: object) -> str:
    """Time as DICOM writes it (HHMMSS); empty for none."""
    return str(value or "").replace(":", "")


def put_patient(dataset: Dataset, identity: Identity) -> None:
    """Write patient, study and veterinary attributes (PS3.3 C.7.1.1, C.7.2.1, C.7.2.2).

    Parameters
    ----------
    dataset : Dataset
        Changed in place.
    identity : Identity
    """
    dataset.SpecificCharacterSet = "ISO_IR 192"
    dataset.PatientID = identity.patient_id
    dataset.PatientName = identity.patient_name
    dataset.PatientBirthDate = identity.birth_date
    dataset.PatientSex = identity.sex if identity.sex in ("M", "F", "O") else ""
    code = SPECIES[identity.species]
    dataset.PatientSpeciesDescription = code.meaning
    dataset.PatientSpeciesCodeSequence = [coded_item(code)]
    dataset.PatientBreedDescription = identity.breed
    dataset.PatientBreedCodeSequence = []
    dataset.BreedRegistrationSequence = []
    dataset.ResponsiblePerson = identity.owner
    if identity.owner:
        dataset.ResponsiblePersonRole = identity.owner_role
    dataset.ResponsibleOrganization = identity.organisation
    if identity.neutered is None:
        dataset.PatientSexNeutered = ""
    else:
        dataset.PatientSexNeutered = "ALTERED" if identity.neutered else "UNALTERED"
    if identity.weight_kg is not None:
        dataset.PatientWeight = f"{identity.weight_kg:g}"
    dataset.StudyInstanceUID = identity.study_uid
    dataset.StudyDate = identity.study_date
    dataset.StudyTime = identity.study_time
    dataset.StudyID = identity.study_id
    if identity.study_description:
        dataset.StudyDescription = identity.study_description
    dataset.AccessionNumber = identity.accession
    dataset.ReferringPhysicianName = ""


def put_equipment(dataset: Dataset, identity: Identity) -> None:
    """Write the tool and its version (PS3.3 C.7.5.1).

    Parameters
    ----------
    dataset : Dataset
        Changed in place.
    identity : Identity
    """
    dataset.Manufacturer = MAKER
    dataset.ManufacturerModelName = MAKER
    dataset.DeviceSerialNumber = "0"
    dataset.SoftwareVersions = __version__
    if identity.practice:
        dataset.InstitutionName = identity.practice


def put_content_time(dataset: Dataset, identity: Identity) -> None:
    """Date the content by the visit, so that the same visit gives the same bytes again."""
    for keyword in ("InstanceCreationDate", "InstanceCreationTime"):
        if keyword in dataset:
            delattr(dataset, keyword)
    if dataset.get("Modality") == "PR":  # which says so in its own attributes (C.11.10)
        for keyword in ("ContentDate", "ContentTime"):
            if keyword in dataset:
                delattr(dataset, keyword)
        dataset.PresentationCreationDate = identity.study_date
        dataset.PresentationCreationTime = identity.study_time
        return
    dataset.ContentDate = identity.study_date
    dataset.ContentTime = identity.study_time


def finish(dataset: Dataset, identity: Identity, series: str) -> Dataset:
    """Give a finished object its patient, its tool, its date and its series' name.

    Parameters
    ----------
    dataset : Dataset
        Changed in place.
    identity : Identity
    series : str
        Series description.

    Returns
    -------
    Dataset
        The same object.
    """
    put_patient(dataset, identity)
    put_equipment(dataset, identity)
    put_content_time(dataset, identity)
    for item in dataset.get("ContributingEquipmentSequence", None) or []:
        # highdicom notes the minute here, too.
        if "ContributionDateTime" in item:
            del item.ContributionDateTime
    dataset.SeriesDescription = series
    dataset.CodingSchemeIdentificationSequence = coding_scheme_identification()
    return dataset


def new_object(sop_class: str, sop_uid: str, identity: Identity, kind: str) -> Dataset:
    """Start a DICOM object with file meta information, UIDs and series.

    Parameters
    ----------
    sop_class, sop_uid : str
        SOP class and instance UID.
    identity : Identity
    kind : str
        Key of `SERIES`.

    Returns
    -------
    Dataset
        With preamble and explicit little endian transfer syntax.
    """
    dataset = Dataset()
    dataset.file_meta = FileMetaDataset()
    dataset.file_meta.MediaStorageSOPClassUID = UID(sop_class)
    dataset.file_meta.MediaStorageSOPInstanceUID = UID(sop_uid)
    dataset.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    dataset.preamble = b"\0" * 128
    dataset.SOPClassUID = sop_class
    dataset.SOPInstanceUID = sop_uid
    number, modality, _ = SERIES[kind]
    dataset.Modality = modality
    dataset.SeriesInstanceUID = series_uid(identity, kind)
    dataset.SeriesNumber = number
    dataset.InstanceNumber = 1
    return dataset


# Series of one visit: number, modality (PS3.3 C.7.3.1.1.1), description.
SERIES: dict[str, tuple[int, str, str]] = {
    "radiographs": (7001, "OT", "Radiographs from plain files"),
    "photos": (7002, "XC", "Intraoral photographs"),
    "reports": (7010, "SR", "Periodontal measurements"),
    "presentations": (7011, "PR", "Marks and values on the radiograph"),
    "colour_presentations": (7012, "PR", "Marks and values on the picture"),
    "plaque": (7013, "SEG", "Plaque segmentation"),
    "pictures": (7014, "OT", "Marks and values burned in"),
    "documents": (7015, "DOC", "Visit report"),
    "chart": (7016, "SR", "Periodontal chart"),
}


def series_uid(identity: Identity, kind: str) -> UID:
    """Series UID of one kind of object in the visit's study."""
    return uid_from("series", identity.study_uid, identity.patient_id, kind)


def evidence_from_attributes(
    attributes: Mapping[str, Any], identity: Identity, rows: int, cols: int
) -> Dataset:
    """Reference to an image: what highdicom reads of it to point at it.

    Parameters
    ----------
    attributes : mapping
        ``sop_uid``, ``sop_class_uid``, ``series_uid`` and ``study_uid`` of the image.
    identity : Identity
    rows, cols : int
        Size of the image in px.

    Returns
    -------
    Dataset
        Without pixels.
    """
    dataset = Dataset()
    put_patient(dataset, identity)
    dataset.SOPClassUID = str(attributes["sop_class_uid"])
    dataset.SOPInstanceUID = str(attributes["sop_uid"])
    dataset.SeriesInstanceUID = str(attributes["series_uid"])
    dataset.StudyInstanceUID = str(attributes["study_uid"])
    dataset.Modality = str(attributes.get("modality") or "OT")
    dataset.Rows = rows
    dataset.Columns = cols
    return dataset
