"""A single-frame DICOM image as pixels, spacing, display window and identity."""

from __future__ import annotations

import io
import math
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
from numpy.typing import NDArray

from perioview.errors import InputRefused
from perioview.files.contents import contents, sha256
from perioview.files.dicom_identity import identity, number, numbers, species, species_notes, text
from perioview.files.dicom_pixels import check_image, decoded, reason
from perioview.files.dicom_values import padding, rescaled, window
from perioview.image import FileSpacing, Image, Spacing


def read_dicom(path: str | Path) -> Image:
    """Open one DICOM image.

    Parameters
    ----------
    path : str or Path
        A DICOM file, with or without its preamble.

    Returns
    -------
    Image
        Grey values with the modality rescale applied, or sRGB.

    Raises
    ------
    InputRefused
        If it is not one whole, supported, single-frame image.
    """
    path = Path(path)
    return image_from_dicom(contents(path), path)


def image_from_dicom(data: bytes, path: Path) -> Image:
    """Make an image from the bytes of a DICOM file.

    Parameters
    ----------
    data : bytes
        The whole file.
    path : Path
        Where it came from, for its name and for messages.

    Returns
    -------
    Image
        As `read_dicom` gives it.

    Raises
    ------
    InputRefused
        If it is not one whole, supported, single-frame image.
    """
    with warnings.catch_warnings():
        # What matters of an odd file is said in notes or refused; the rest is noise.
        warnings.simplefilter("ignore")
        dataset = _dataset(data, path)
        try:
            check_image(dataset, path)
            return _image(dataset, decoded(dataset, path), data, path)
        except InputRefused:
            raise
        except Exception as error:  # a damaged header fails in whatever way its damage leads to
            raise InputRefused(
                f"{path}: its DICOM header is damaged ({reason(error)}); copy or export it again."
            ) from error


def _image(dataset: pydicom.Dataset, stored: NDArray[Any], data: bytes, path: Path) -> Image:
    notes: list[str] = []
    grey = stored.ndim == 2
    pixels = rescaled(stored, dataset, notes) if grey else _srgb(stored, dataset, notes)
    attributes = identity(dataset)
    notes += species_notes(attributes)
    if notes:
        attributes["notes"] = tuple(notes)
    return Image(
        pixels=pixels,
        name=path.name,
        sha256=sha256(data),
        modality=text(dataset, "Modality"),
        spacing=_spacing(dataset),
        inverted=text(dataset, "PhotometricInterpretation") == "MONOCHROME1",
        window=window(dataset) if grey else None,
        species=species(dataset),
        attributes=attributes,
        padding=padding(dataset) if grey else None,
    )


def _dataset(data: bytes, path: Path) -> pydicom.Dataset:
    try:
        with warnings.catch_warnings(record=True) as said:
            warnings.simplefilter("always")
            dataset = pydicom.dcmread(io.BytesIO(data), force=True)
    except Exception as error:  # a damaged file fails in whatever way its damage leads to
        raise InputRefused(
            f"{path}: its DICOM data cannot be read ({reason(error)}); copy or export it again."
        ) from error
    cut = any("end of file" in str(warning.message).lower() for warning in said)
    if cut and "PixelData" not in dataset:
        raise InputRefused(f"{path}: the file is cut short (truncated); copy or export it again.")
    if "SOPClassUID" not in dataset and "Rows" not in dataset:
        raise InputRefused(f"{path}: is no DICOM image; export it as DICOM, JPEG, PNG or TIFF.")
    return dataset


def _srgb(stored: NDArray[Any], dataset: pydicom.Dataset, notes: list[str]) -> NDArray[np.uint8]:
    bits = int(number(dataset, "BitsStored") or 8)
    pixels = (stored >> (bits - 8) if bits > 8 else stored).astype(np.uint8)
    profile = dataset.get("ICCProfile")
    if profile is None and dataset.get("OpticalPathSequence"):
        profile = dataset.OpticalPathSequence[0].get("ICCProfile")
    if not profile:
        return pixels
    from perioview.files.photo import srgb_from_profile

    return srgb_from_profile(pixels, bytes(profile), notes)


def _spacing(dataset: pydicom.Dataset) -> FileSpacing:
    """Every spacing tag as the file has it; what is no pair of numbers becomes a note."""
    notes: list[str] = []

    def pair(keyword: str) -> Spacing | None:
        values = numbers(dataset, keyword)
        if values is not None and len(values) == 2 and all(map(math.isfinite, values)):
            return values[0], values[1]
        if text(dataset, keyword):
            notes.append(f"{keyword} {text(dataset, keyword)!r} is no pair of numbers; ignored")
        return None

    magnification = number(dataset, "EstimatedRadiographicMagnificationFactor")
    if magnification is None:
        said = text(dataset, "EstimatedRadiographicMagnificationFactor")
        if said:
            notes.append(f"EstimatedRadiographicMagnificationFactor {said!r} ignored")
    aspect = pair("PixelAspectRatio")
    if aspect is not None and min(aspect) <= 0:
        notes.append(f"PixelAspectRatio {text(dataset, 'PixelAspectRatio')!r} ignored")
        aspect = None
    return FileSpacing(
        pixel_spacing=pair("PixelSpacing"),
        calibration_type=text(dataset, "PixelSpacingCalibrationType"),
        imager_pixel_spacing=pair("ImagerPixelSpacing"),
        nominal_spacing=pair("NominalScannedPixelSpacing"),
        magnification=magnification,
        aspect_ratio=aspect[0] / aspect[1] if aspect else None,
        notes=tuple(notes),
    )
