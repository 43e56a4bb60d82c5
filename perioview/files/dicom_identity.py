"""Who and what a DICOM image shows: patient, study and the veterinary attributes."""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Mapping
from typing import Any

import pydicom

# SNOMED CT and the older SNOMED RT code of the same concept: CID 7454, and the concept
# dictionary and code map that pydicom carries.
_SPECIES_CODES = {
    "448771007": "dog",  # Canis lupus familiaris
    "69986009": "dog",  # canine species
    "L-88124": "dog",
    "L-80700": "dog",
    "448169003": "cat",  # Felis catus
    "23826000": "cat",  # feline species
    "L-00376": "cat",
    "L-80A00": "cat",
}
_SPECIES_SCHEMES = ("SCT", "SRT", "SNM3", "99SDM", "")

_SPECIES_WORDS = {
    "dog": {
        "dog",
        "dogs",
        "canine",
        "canines",
        "familiaris",
        "k9",
        "hund",
        "chien",
        "perro",
        "cane",
    },
    "cat": {"cat", "cats", "feline", "felines", "catus", "katze", "chat", "gato", "gatto"},
}
# Words that may stand beside them; any other ("wild", "lupus" alone) leaves it undecided.
_SPECIES_PADDING = {"canis", "lupus", "felis", "silvestris", "domestic", "domesticated", "house"}
_SPECIES_PADDING |= {"species", "organism", "breed", "mixed", "shorthair", "longhair"}

_LONGEST = 1024

_PLAIN = {
    "patient_id": "PatientID",
    "patient_name": "PatientName",
    "sex": "PatientSex",
    "species_description": "PatientSpeciesDescription",
    "breed": "PatientBreedDescription",
    "responsible_person": "ResponsiblePerson",
    "responsible_person_role": "ResponsiblePersonRole",
    "responsible_organization": "ResponsibleOrganization",
    "issuer_of_patient_id": "IssuerOfPatientID",
    "study_uid": "StudyInstanceUID",
    "series_uid": "SeriesInstanceUID",
    "frame_of_reference_uid": "FrameOfReferenceUID",
    "sop_uid": "SOPInstanceUID",
    "sop_class_uid": "SOPClassUID",
    "study_id": "StudyID",
    "accession": "AccessionNumber",
    "study_description": "StudyDescription",
    "series_description": "SeriesDescription",
    "series_number": "SeriesNumber",
    "instance_number": "InstanceNumber",
    "referring_physician": "ReferringPhysicianName",
    "institution": "InstitutionName",
    "manufacturer": "Manufacturer",
    "manufacturer_model": "ManufacturerModelName",
    "device_serial": "DeviceSerialNumber",
    "body_part": "BodyPartExamined",
    "presentation_intent": "PresentationIntentType",
    "lossy": "LossyImageCompression",
}
_DATES = {
    "birth_date": "PatientBirthDate",
    "study_date": "StudyDate",
    "acquisition_date": "AcquisitionDate",
    "content_date": "ContentDate",
}


def text(dataset: pydicom.Dataset, keyword: str) -> str | None:
    """Return an attribute as the file writes it, without padding; None if absent or empty."""
    try:
        value = dataset.get(keyword)
    except Exception:  # a value its representation does not allow: show the bytes instead
        raw = dataset.get_item(pydicom.tag.Tag(keyword), keep_deferred=True)
        value = getattr(raw, "value", None)
    if isinstance(value, bytes):
        value = value.decode("latin-1")
    if value is None:
        return None
    if isinstance(value, list | tuple | pydicom.multival.MultiValue):
        value = "\\".join(str(item) for item in value)
    # A damaged file may hold the rest of itself as one value.
    plain = re.sub(r"[\x00-\x1f\x7f]+", " ", str(value)[:_LONGEST])
    return plain.strip() or None


def numbers(dataset: pydicom.Dataset, keyword: str) -> tuple[float, ...] | None:
    """Return an attribute as numbers, finite or not; None if absent or not all numbers."""
    written = text(dataset, keyword)
    if written is None:
        return None
    try:
        return tuple(float(part) for part in written.split("\\"))
    except ValueError:
        return None


def number(dataset: pydicom.Dataset, keyword: str) -> float | None:
    """Return an attribute's first value as a finite number; None if it is none."""
    values = numbers(dataset, keyword)
    return values[0] if values and math.isfinite(values[0]) else None


def identity(dataset: pydicom.Dataset) -> dict[str, Any]:
    """Patient, owner, study, series, image and equipment, in plain values.

    Parameters
    ----------
    dataset : Dataset
        One image's header.

    Returns
    -------
    dict
        Only what the file has. Dates and times are ISO 8601 where the file's are valid,
        ``neutered`` is a bool, names are as DICOM writes them (family^given).
    """
    known: dict[str, Any] = {name: text(dataset, keyword) for name, keyword in _PLAIN.items()}
    known |= {name: _date(text(dataset, keyword)) for name, keyword in _DATES.items()}
    known["study_time"] = _time(text(dataset, "StudyTime"))
    known["modality"] = text(dataset, "Modality")
    known["weight_kg"] = number(dataset, "PatientWeight")
    known["laterality"] = text(dataset, "ImageLaterality") or text(dataset, "Laterality")
    neutered = text(dataset, "PatientSexNeutered")
    known["neutered"] = {"ALTERED": True, "UNALTERED": False}.get(neutered or "")
    known["species"] = species(dataset)
    known |= _code("species", dataset, "PatientSpeciesCodeSequence")
    known |= _code("breed", dataset, "PatientBreedCodeSequence")
    known |= _code("anatomic_region", dataset, "AnatomicRegionSequence")
    if not known.get("breed"):
        known["breed"] = known.get("breed_meaning")
    return {name: value for name, value in known.items() if value is not None}


def species(dataset: pydicom.Dataset) -> str | None:
    """Dog or cat, from the species code, else from its description in words.

    Parameters
    ----------
    dataset : Dataset
        One image's header.

    Returns
    -------
    str or None
        ``dog``, ``cat``, or None when the file names neither or another animal.
    """
    code = _code("species", dataset, "PatientSpeciesCodeSequence")
    if code.get("species_scheme", "") in _SPECIES_SCHEMES:
        coded = _SPECIES_CODES.get(code.get("species_code", ""))
        if coded:
            return coded
    return species_in_words(text(dataset, "PatientSpeciesDescription")) or species_in_words(
        code.get("species_meaning")
    )


def species_in_words(description: str | None) -> str | None:
    """Dog or cat from a description; None when it names neither, both or a wild relative."""
    words = set(re.findall(r"\w+", (description or "").casefold()))
    found = [name for name, names in _SPECIES_WORDS.items() if words & names]
    if len(found) != 1 or words - _SPECIES_WORDS[found[0]] - _SPECIES_PADDING:
        return None
    return found[0]


def species_notes(known: Mapping[str, Any]) -> list[str]:
    """Say that a file names another animal than dog and cat, or two at once.

    Parameters
    ----------
    known : mapping
        As `identity` gives it.

    Returns
    -------
    list of str
        Empty where the file is silent or clear.
    """
    said = [
        str(known[key])
        for key in ("species_description", "species_meaning", "species_code")
        if known.get(key)
    ]
    if not said:
        return []
    if known.get("species") is None:
        return [
            f"the file gives the species as '{said[0]}', which is neither dog nor cat as far as "
            "can be told; check that limits of a dog or a cat may be used."
        ]
    others = {w for key in said[:2] if (w := species_in_words(key))} - {known["species"]}
    if others:
        return [
            f"the file's species code says {known['species']}, its words '{said[0]}'; the code "
            "is taken, check it."
        ]
    return []


def _code(name: str, dataset: pydicom.Dataset, keyword: str) -> dict[str, str]:
    """Return the first item of a code sequence as name_code, name_scheme and name_meaning."""
    try:
        items = dataset.get(keyword)
        item = items[0] if items else None
    except Exception:  # a damaged sequence says nothing
        return {}
    if item is None:
        return {}
    parts = {"code": "CodeValue", "scheme": "CodingSchemeDesignator", "meaning": "CodeMeaning"}
    values = {f"{name}_{part}": text(item, key) for part, key in parts.items()}
    return {part: value for part, value in values.items() if value}


def _date(written: str | None) -> str | None:
    if written and re.fullmatch(r"\d{8}", written):
        iso = f"{written[:4]}-{written[4:6]}-{written[6:]}"
        return iso if _valid(dt.date, iso) else written
    return written


def _time(written: str | None) -> str | None:
    if written and re.fullmatch(r"\d{6}(\.\d+)?", written):
        iso = f"{written[:2]}:{written[2:4]}:{written[4:]}"
        return iso if _valid(dt.time, iso[:8]) else written
    return written


def _valid(kind: type[dt.date] | type[dt.time], iso: str) -> bool:
    try:
        kind.fromisoformat(iso)
    except ValueError:
        return False
    return True
