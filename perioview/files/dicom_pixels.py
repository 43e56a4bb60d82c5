"""The stored pixels of a DICOM image: one whole grey or colour frame, or refused."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
from numpy.typing import NDArray

from perioview.errors import InputRefused
from perioview.files.contents import size_fault
from perioview.files.dicom_identity import number, numbers, text

_GREY = ("MONOCHROME1", "MONOCHROME2")
_COLOUR = ("RGB", "YBR_FULL", "YBR_FULL_422", "YBR_ICT", "YBR_RCT")
_RLE = "1.2.840.10008.1.2.5"
_JPEG = "1.2.840.10008.1.2.4.50"
_AS_CAMERA = (*_GREY, "YBR_FULL", "YBR_FULL_422")


def check_image(dataset: pydicom.Dataset, path: Path) -> None:
    """Refuse, in one line each, what is no single grey or true-colour frame.

    Parameters
    ----------
    dataset : Dataset
        Header and undecoded pixels.
    path : Path
        For messages.

    Raises
    ------
    InputRefused
        With every fault.
    """
    kind = _class_name(dataset)
    if "PixelData" not in dataset:
        other = "FloatPixelData" in dataset or "DoubleFloatPixelData" in dataset
        if "Rows" in dataset and not other:
            raise InputRefused(
                f"{path}: its pixel data are missing (cut short or stripped); export it again."
            )
        raise InputRefused(f"{path}: holds no image this program reads ({kind}); name an image.")
    found = (_frame_fault(dataset, kind), _colour_fault(dataset), _depth_fault(dataset, kind))
    lines = [
        f"{path}: {fault}; export one 8 to 16 bit grey or RGB image." for fault in found if fault
    ]
    too_large = size_fault(path, *(int(number(dataset, key) or 0) for key in ("Rows", "Columns")))
    if too_large:
        lines.append(too_large)
    if lines:
        raise InputRefused(*lines)


def _frame_fault(dataset: pydicom.Dataset, kind: str) -> str | None:
    written, frames = text(dataset, "NumberOfFrames"), numbers(dataset, "NumberOfFrames")
    if written and frames is None:
        return f"NumberOfFrames is {written!r}, not a number"
    if frames and frames[0] > 1:
        return f"is a multi-frame image ({frames[0]:.0f} frames; {kind})"
    return None


def _colour_fault(dataset: pydicom.Dataset) -> str | None:
    colour = text(dataset, "PhotometricInterpretation") or "missing"
    samples = number(dataset, "SamplesPerPixel") or 1
    if colour == "PALETTE COLOR":
        return "is a palette colour image"
    if colour not in _GREY + _COLOUR or samples != (1 if colour in _GREY else 3):
        return f"is of an unsupported colour kind ({colour}, {samples:.0f} samples a pixel)"
    return None


def _depth_fault(dataset: pydicom.Dataset, kind: str) -> str | None:
    allocated, stored = (number(dataset, key) or 0 for key in ("BitsAllocated", "BitsStored"))
    if allocated not in (8, 16) or not 0 < stored <= allocated:
        return f"has {allocated:.0f}-bit pixels ({stored:.0f} stored; {kind})"
    return None


def _class_name(dataset: pydicom.Dataset) -> str:
    uid = text(dataset, "SOPClassUID")
    return pydicom.uid.UID(uid).name[:80] if uid else "no SOP class"


def decoded(dataset: pydicom.Dataset, path: Path) -> NDArray[Any]:
    """Stored values from a whole pixel stream.

    Parameters
    ----------
    dataset : Dataset
        That `check_image` let pass.
    path : Path
        For messages.

    Returns
    -------
    ndarray, shape (rows, cols) or (rows, cols, 3)
        Grey in the stored type, or RGB; in the machine's byte order.

    Raises
    ------
    InputRefused
        If the stream is cut short or damaged.
    """
    try:
        syntax = _transfer_syntax(dataset)
        plugin = ""
        if syntax.is_encapsulated:
            plugin = "pydicom" if syntax == _RLE else "pylibjpeg"
            if plugin == "pylibjpeg":
                _check_whole_stream(dataset)
            if syntax == _JPEG and text(dataset, "PhotometricInterpretation") in _AS_CAMERA:
                return _camera_pixels(dataset)
        spare = 0 if syntax.is_encapsulated else _spare_low_bits(dataset)
        if spare:
            dataset.BitsStored += spare
        pixels: NDArray[Any] = pydicom.pixels.pixel_array(dataset, decoding_plugin=plugin)
        if spare:
            # What is read of the file after this is of the stored bits alone.
            pixels = pixels >> spare
            dataset.BitsStored -= spare
    except Exception as error:  # decoders raise whatever the damage leads to
        raise InputRefused(
            f"{path}: its pixels cannot be decoded, the file may be cut short "
            f"({reason(error)}); copy or export it again."
        ) from error
    if pixels.ndim not in (2, 3) or (pixels.ndim == 3 and pixels.shape[2] != 3):
        raise InputRefused(f"{path}: is not one grey or RGB frame {pixels.shape}; export it again.")
    return pixels.astype(pixels.dtype.newbyteorder("="), copy=False)


def _spare_low_bits(dataset: pydicom.Dataset) -> int:
    """Bits below the stored ones in files older than the rule that values end at bit 0."""
    allocated, stored, high = (
        int(number(dataset, key) or 0) for key in ("BitsAllocated", "BitsStored", "HighBit")
    )
    return high + 1 - stored if stored <= high < allocated else 0


def _transfer_syntax(dataset: pydicom.Dataset) -> pydicom.uid.UID:
    syntax = dataset.file_meta.get("TransferSyntaxUID")
    if syntax is None:
        # Files without a header are in one of the plain encodings; pydicom found which.
        implicit, little = dataset.original_encoding
        if implicit:
            syntax = pydicom.uid.ImplicitVRLittleEndian
        elif little:
            syntax = pydicom.uid.ExplicitVRLittleEndian
        else:
            syntax = pydicom.uid.ExplicitVRBigEndian
        dataset.file_meta.TransferSyntaxUID = syntax
    return pydicom.uid.UID(syntax)


def _check_whole_stream(dataset: pydicom.Dataset) -> None:
    # JPEG, JPEG-LS and JPEG 2000 all end in FF D9; decoders paint over a missing end.
    frame = pydicom.encaps.get_frame(dataset.PixelData, 0, number_of_frames=1)
    if b"\xff\xd9" not in frame[-64:]:
        raise ValueError("truncated: the compressed pixels have no end marker")


def reason(error: Exception) -> str:
    """Return what an exception says, on one line of bounded length."""
    line = " ".join(str(error).split())
    return (line[:157] + "...") if len(line) > 160 else line or type(error).__name__


def _camera_pixels(dataset: pydicom.Dataset) -> NDArray[Any]:
    """Decode as photographs' own files are: a photo measures the same in the record and out."""
    from PIL import Image as Picture

    frame = pydicom.encaps.get_frame(dataset.PixelData, 0, number_of_frames=1)
    with Picture.open(io.BytesIO(frame), formats=["JPEG"]) as opened:
        if (opened.height, opened.width) != (dataset.Rows, dataset.Columns):
            raise ValueError("its stream and its header disagree in size")
        return np.asarray(opened.convert("RGB" if dataset.SamplesPerPixel == 3 else "L"))
