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
from perioview.files.contents import contents, sha256, size_fault
from perioview.files.dicom_identity import identity, number, numbers, species, text
from perioview.image import FileSpacing, Image, Spacing

_GREY = ("MONOCHROME1", "MONOCHROME2")
_COLOUR = ("RGB", "YBR_FULL", "YBR_FULL_422", "YBR_ICT", "YBR_RCT")
_RLE = "1.2.840.10008.1.2.5"


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
        _check(dataset, path)
        notes: list[str] = []
        stored = _decoded(dataset, path)
        grey = stored.ndim == 2
        pixels = _rescaled(stored, dataset, notes) if grey else _srgb(stored, dataset, notes)
        attributes = identity(dataset)
        if notes:
            attributes["notes"] = tuple(notes)
        return Image(
            pixels=pixels,
            name=path.name,
            sha256=sha256(data),
            modality=text(dataset, "Modality"),
            spacing=_spacing(dataset),
            inverted=text(dataset, "PhotometricInterpretation") == "MONOCHROME1",
            window=_window(dataset) if grey else None,
            species=species(dataset),
            attributes=attributes,
        )


def _dataset(data: bytes, path: Path) -> pydicom.Dataset:
    try:
        with warnings.catch_warnings(record=True) as said:
            warnings.simplefilter("always")
            dataset = pydicom.dcmread(io.BytesIO(data), force=True)
    except Exception as error:  # a damaged file fails in whatever way its damage leads to
        raise InputRefused(
            f"{path}: its DICOM data cannot be read ({_reason(error)}); copy or export it again."
        ) from error
    cut = any("end of file" in str(warning.message).lower() for warning in said)
    if cut and "PixelData" not in dataset:
        raise InputRefused(f"{path}: the file is cut short (truncated); copy or export it again.")
    if "SOPClassUID" not in dataset and "Rows" not in dataset:
        raise InputRefused(f"{path}: is no DICOM image; export it as DICOM, JPEG, PNG or TIFF.")
    return dataset


def _reason(error: Exception) -> str:
    line = " ".join(str(error).split())
    return (line[:157] + "...") if len(line) > 160 else line or type(error).__name__


def _check(dataset: pydicom.Dataset, path: Path) -> None:
    """Refuse, in one line each, what is no single grey or true-colour frame."""
    kind = _class_name(dataset)
    if "PixelData" not in dataset:
        if "Rows" in dataset and not {"FloatPixelData", "DoubleFloatPixelData"} & set(
            dataset.dir()
        ):
            raise InputRefused(
                f"{path}: its pixel data are missing (cut short or stripped); export it again."
            )
        raise InputRefused(f"{path}: holds no image this program reads ({kind}); name an image.")
    faults = []
    frames = numbers(dataset, "NumberOfFrames")
    if frames is None and text(dataset, "NumberOfFrames"):
        faults.append(f"NumberOfFrames is {text(dataset, 'NumberOfFrames')!r}, not a number")
    elif frames and frames[0] > 1:
        faults.append(f"is a multi-frame image ({frames[0]:.0f} frames; {kind})")
    colour = text(dataset, "PhotometricInterpretation") or "missing"
    samples = number(dataset, "SamplesPerPixel") or 1
    if colour == "PALETTE COLOR":
        faults.append("is a palette colour image")
    elif colour not in _GREY + _COLOUR or samples != (1 if colour in _GREY else 3):
        faults.append(f"is of an unsupported colour kind ({colour}, {samples:.0f} samples a pixel)")
    allocated, stored = (number(dataset, key) or 0 for key in ("BitsAllocated", "BitsStored"))
    if allocated not in (8, 16) or not 0 < stored <= allocated:
        faults.append(f"has {allocated:.0f}-bit pixels ({stored:.0f} stored; {kind})")
    lines = [f"{path}: {fault}; export one 8 to 16 bit grey or RGB image." for fault in faults]
    too_large = size_fault(path, *(int(number(dataset, key) or 0) for key in ("Rows", "Columns")))
    if too_large:
        lines.append(too_large)
    if lines:
        raise InputRefused(*lines)


def _class_name(dataset: pydicom.Dataset) -> str:
    uid = text(dataset, "SOPClassUID")
    return pydicom.uid.UID(uid).name[:80] if uid else "no SOP class"


def _decoded(dataset: pydicom.Dataset, path: Path) -> NDArray[Any]:
    """Stored values, (rows, cols), or RGB, (rows, cols, 3), from a whole pixel stream."""
    try:
        syntax = dataset.file_meta.get("TransferSyntaxUID")
        if syntax is None:
            # Files without a header are in one of the two plain encodings.
            explicit, little = dataset.original_encoding[0] is False, dataset.original_encoding[1]
            syntax = pydicom.uid.ExplicitVRLittleEndian if explicit else "1.2.840.10008.1.2"
            if not little:
                syntax = pydicom.uid.ExplicitVRBigEndian
            dataset.file_meta.TransferSyntaxUID = pydicom.uid.UID(syntax)
        plugin = ""
        if pydicom.uid.UID(syntax).is_encapsulated:
            plugin = "pydicom" if syntax == _RLE else "pylibjpeg"
            if plugin == "pylibjpeg":
                _check_whole_stream(dataset)
        pixels: NDArray[Any] = pydicom.pixels.pixel_array(dataset, decoding_plugin=plugin)
    except Exception as error:  # decoders raise whatever the damage leads to
        raise InputRefused(
            f"{path}: its pixels cannot be decoded, the file may be cut short "
            f"({_reason(error)}); copy or export it again."
        ) from error
    if pixels.ndim not in (2, 3) or (pixels.ndim == 3 and pixels.shape[2] != 3):
        raise InputRefused(f"{path}: is not one grey or RGB frame {pixels.shape}; export it again.")
    return pixels.astype(pixels.dtype.newbyteorder("="), copy=False)


def _check_whole_stream(dataset: pydicom.Dataset) -> None:
    # JPEG, JPEG-LS and JPEG 2000 all end in FF D9; decoders paint over a missing end.
    frame = pydicom.encaps.get_frame(dataset.PixelData, 0, number_of_frames=1)
    if b"\xff\xd9" not in frame[-64:]:
        raise ValueError("truncated: the compressed pixels have no end marker")


def _rescaled(stored: NDArray[Any], dataset: pydicom.Dataset, notes: list[str]) -> NDArray[Any]:
    """Modality values: the LUT if there is one, else slope and intercept."""
    if dataset.get("ModalityLUTSequence"):
        try:
            table: NDArray[Any] = pydicom.pixels.apply_modality_lut(stored, dataset)
            return table
        except Exception as error:
            notes.append(f"modality LUT ignored ({_reason(error)})")
            return stored
    slope, intercept = (_rescale_term(dataset, key, notes) for key in _RESCALE)
    slope, intercept = (1.0 if slope in (None, 0.0) else slope), intercept or 0.0
    if (slope, intercept) == (1.0, 0.0):
        return stored
    values = stored.astype(np.float64) * slope + intercept
    whole = slope.is_integer() and intercept.is_integer() and np.abs(values).max() < 2**31
    return values.astype(np.int32 if whole else np.float32)


_RESCALE = ("RescaleSlope", "RescaleIntercept")


def _rescale_term(dataset: pydicom.Dataset, keyword: str, notes: list[str]) -> float | None:
    value = number(dataset, keyword)
    if (value is None and text(dataset, keyword)) or (value == 0 and keyword == "RescaleSlope"):
        notes.append(f"{keyword} {text(dataset, keyword)!r} ignored")
    return value


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


def _window(dataset: pydicom.Dataset) -> tuple[float, float] | None:
    """Limits of the first VOI window, PS3.3 C.11.2.1.2; a sigmoid's by its central slope."""
    centres, widths = numbers(dataset, "WindowCenter"), numbers(dataset, "WindowWidth")
    if centres and widths:
        centre, width = centres[0], widths[0]
        if (text(dataset, "VOILUTFunction") or "LINEAR") == "LINEAR":
            centre, width = centre - 0.5, width - 1
        low, high = centre - width / 2, centre + width / 2
        return (low, high) if math.isfinite(low) and math.isfinite(high) and high > low else None
    return _table_window(dataset)


def _table_window(dataset: pydicom.Dataset) -> tuple[float, float] | None:
    """Pixel values between which the first VOI LUT does its work."""
    try:
        lut = dataset.VOILUTSequence[0]
        _, first, _ = (int(value) for value in lut.LUTDescriptor)
        words = lut.LUTData
        if isinstance(words, bytes):
            words = np.frombuffer(words, "<u2")
        table = np.asarray(words, dtype=float)
        share = (table - table.min()) / np.ptp(table)
        between = np.flatnonzero((share > 0.01) & (share < 0.99))
        low, high = float(first + between[0]), float(first + between[-1])
    except (AttributeError, IndexError, TypeError, ValueError, ZeroDivisionError):
        return None
    return (low, high) if high > low else None


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
