"""Films as DICOM objects: Intra-Oral X-Ray for presentation, or CR where no scale is known."""

from __future__ import annotations

import uuid
from typing import TYPE_CHECKING, Any

import numpy as np
from pydicom import Dataset
from pydicom.dataset import FileMetaDataset
from pydicom.uid import (
    UID,
    ExplicitVRLittleEndian,
    JPEG2000Lossless,
    JPEGLSLossless,
    RLELossless,
)

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray
    from patients import Radiograph
    from visits import SampleVisit

INTRA_ORAL = UID("1.2.840.10008.5.1.4.1.1.1.3")
COMPUTED_RADIOGRAPHY = UID("1.2.840.10008.5.1.4.1.1.1")
SYNTAXES = {
    "explicit": ExplicitVRLittleEndian,
    "rle": RLELossless,
    "jpegls": JPEGLSLossless,
    "jpeg2000": JPEG2000Lossless,
}
SPECIES_CODES = {
    "dog": ("448771007", "Canis lupus familiaris"),
    "cat": ("448169003", "Felis catus"),
}
_NAMESPACE = uuid.UUID("7d3b6e0e-52a4-4a3e-9d0e-2f6f1c6a5b11")


def stable_uid(*parts: str) -> UID:
    """Give the same UID under 2.25 for the same words, in every run."""
    return UID(f"2.25.{uuid.uuid5(_NAMESPACE, '/'.join(parts)).int}")


def _code(value: str, meaning: str, scheme: str = "SCT") -> Dataset:
    item = Dataset()
    item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = value, scheme, meaning
    return item


def write_radiograph(
    path: Path, pixels: NDArray[np.uint16], radiograph: Radiograph, visit: SampleVisit, number: int
) -> None:
    """Write one film as a DICOM file.

    Parameters
    ----------
    path : Path
        Where to write; its folder must exist.
    pixels : ndarray of uint16, shape (rows, cols)
        Grey values for presentation.
    radiograph, visit : Radiograph, SampleVisit
        What is pictured, and the visit it belongs to.
    number : int
        Instance number within the visit.
    """
    intra_oral = radiograph.spacing != "none"
    data = Dataset()
    data.SOPClassUID = INTRA_ORAL if intra_oral else COMPUTED_RADIOGRAPHY
    data.SOPInstanceUID = stable_uid(radiograph.path)
    _patient(data, visit, radiograph.species)
    _study(data, visit, number, intra_oral)
    _picture(data, pixels, radiograph)
    if intra_oral:
        _intra_oral(data, radiograph)
    else:
        data.BodyPartExamined, data.ViewPosition = "JAW", ""
        data.PatientOrientation = ""
    _store(data, path, SYNTAXES[radiograph.storage])


def _patient(data: Dataset, visit: SampleVisit, species: str) -> None:
    who = visit.patient
    data.PatientName, data.PatientID = who.name, who.id
    data.PatientBirthDate = who.birth_date.strftime("%Y%m%d")
    data.PatientSex, data.PatientSexNeutered = who.sex, "ALTERED" if who.neutered else "UNALTERED"
    if species == "code":
        data.PatientSpeciesCodeSequence = [_code(*SPECIES_CODES[who.species])]
    else:
        data.PatientSpeciesDescription = who.species.capitalize()
    data.PatientBreedDescription = who.breed
    data.PatientBreedCodeSequence = []
    data.BreedRegistrationSequence = []
    data.ResponsiblePerson, data.ResponsiblePersonRole = visit.owner, "OWNER"
    data.ResponsibleOrganization = ""
    data.PatientWeight = str(who.weight_kg)
    data.PatientComments = "Invented patient; computed phantom, no animal was exposed."


def _study(data: Dataset, visit: SampleVisit, number: int, intra_oral: bool) -> None:
    day, hour = visit.date.strftime("%Y%m%d"), f"10{10 + 3 * number:02d}00"
    data.StudyInstanceUID = stable_uid(visit.folder, "study")
    data.SeriesInstanceUID = stable_uid(visit.folder, "series", "IO" if intra_oral else "CR")
    data.StudyDate = data.SeriesDate = data.AcquisitionDate = data.ContentDate = day
    data.StudyTime, data.SeriesTime = "101000", "101000"
    data.AcquisitionTime = data.ContentTime = hour
    data.StudyID, data.AccessionNumber = visit.folder.upper()[:16], f"PV{visit.date:%y%m%d}01"
    data.StudyDescription = f"Dental {visit.kind}, sample"
    data.ReferringPhysicianName = ""
    data.SeriesNumber, data.InstanceNumber = (1 if intra_oral else 2), number
    data.Modality = "IO" if intra_oral else "CR"
    data.InstitutionName = visit.practice
    data.Manufacturer, data.ManufacturerModelName = "perioview samples", "phantom"
    data.DeviceSerialNumber, data.SoftwareVersions = "0", "1"


def _picture(data: Dataset, pixels: NDArray[np.uint16], radiograph: Radiograph) -> None:
    film = radiograph.film
    data.ImageType = ["ORIGINAL", "PRIMARY"]
    data.SamplesPerPixel = 1
    data.PhotometricInterpretation = "MONOCHROME1" if film.inverted else "MONOCHROME2"
    data.PresentationLUTShape = "INVERSE" if film.inverted else "IDENTITY"
    data.Rows, data.Columns = pixels.shape
    data.BitsAllocated, data.BitsStored, data.HighBit = 16, film.bits, film.bits - 1
    data.PixelRepresentation = 0
    data.PixelData = pixels.astype("<u2").tobytes()
    data.BurnedInAnnotation = "NO"
    data.LossyImageCompression = "00"
    data.RescaleIntercept, data.RescaleSlope, data.RescaleType = "0", "1", "US"
    top = 2**film.bits
    data.WindowCenter, data.WindowWidth = str(top // 2), str(top)
    data.ImageComments = "Computed phantom with known landmarks; not clinical truth."
    data.AcquisitionContextSequence = []


def _intra_oral(data: Dataset, radiograph: Radiograph) -> None:
    film, teeth = radiograph.film, radiograph.teeth
    data.PresentationIntentType = "FOR PRESENTATION"
    data.PixelIntensityRelationship = "LOG"
    data.PixelIntensityRelationshipSign = 1 if film.inverted else -1
    data.PatientOrientation = [
        "A" if film.mirrored else "P",
        "F" if not radiograph.scene.upper else "H",
    ]
    data.ImageLaterality = "R" if teeth[0] // 100 in (1, 4) else "L"
    region = ("70925003", "Maxilla") if radiograph.scene.upper else ("91609006", "Mandible")
    data.AnatomicRegionSequence = [_code(*region)]
    # The context group's tooth codes are human; none means a dog's or cat's fourth premolar.
    data.PrimaryAnatomicStructureSequence = [_code("38199008", "Tooth")]
    data.PositionerType = "NONE"
    data.DetectorType, data.DetectorConfiguration = "DIRECT", "AREA"
    data.DetectorDescription = "computed"
    data.FieldOfViewShape = "RECTANGLE"
    data.KVP, data.ExposureTime, data.XRayTubeCurrent = "65", "80", "7"
    imager = [f"{film.row_mm:.6g}", f"{film.col_mm:.6g}"]
    data.ImagerPixelSpacing = imager
    if radiograph.spacing == "geometry":
        true = [f"{mm / film.magnification:.8g}" for mm in (film.row_mm, film.col_mm)]
        data.PixelSpacing, data.PixelSpacingCalibrationType = true, "GEOMETRY"
        data.PixelSpacingCalibrationDescription = "Known magnification of the phantom"
    if radiograph.spacing in ("geometry", "magnification"):
        data.EstimatedRadiographicMagnificationFactor = f"{film.magnification:g}"


def _store(data: Dataset, path: Path, syntax: UID) -> None:
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = data.SOPClassUID
    meta.MediaStorageSOPInstanceUID = data.SOPInstanceUID
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    meta.ImplementationClassUID = stable_uid("implementation")
    meta.ImplementationVersionName = "PERIOVIEW_SAMPLE"
    data.file_meta = meta
    if syntax != ExplicitVRLittleEndian:
        options: dict[str, Any] = {"generate_instance_uid": False}
        data.compress(syntax, **options)
    data.save_as(path, enforce_file_format=True)
