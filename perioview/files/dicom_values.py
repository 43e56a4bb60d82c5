"""What DICOM's stored values mean: modality values, and the window they are shown in."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pydicom
from numpy.typing import NDArray

from perioview.files.dicom_identity import number, numbers, text
from perioview.files.dicom_pixels import reason


def rescaled(stored: NDArray[Any], dataset: pydicom.Dataset, notes: list[str]) -> NDArray[Any]:
    """Modality values: by the LUT if there is one, else by slope and intercept.

    Parameters
    ----------
    stored : ndarray, shape (rows, cols)
        Stored values.
    dataset : Dataset
        The image's header.
    notes : list of str
        Gets a line for what cannot be used; the values then stay.

    Returns
    -------
    ndarray, shape (rows, cols)
        In the stored type if nothing changes, else int32 or float32.
    """
    if dataset.get("ModalityLUTSequence"):
        try:
            table: NDArray[Any] = pydicom.pixels.apply_modality_lut(stored, dataset)
            return table
        except Exception as error:
            notes.append(f"modality LUT ignored ({reason(error)})")
            return stored
    slope, intercept = (
        _rescale_term(dataset, key, notes) for key in ("RescaleSlope", "RescaleIntercept")
    )
    slope, intercept = (1.0 if slope in (None, 0.0) else slope), intercept or 0.0
    if (slope, intercept) == (1.0, 0.0):
        return stored
    values = stored.astype(np.float64) * slope + intercept
    whole = slope.is_integer() and intercept.is_integer() and np.abs(values).max() < 2**31
    return values.astype(np.int32 if whole else np.float32)


def padding(dataset: pydicom.Dataset) -> tuple[float, float] | None:
    """Modality values that fill the frame where no image is.

    Parameters
    ----------
    dataset : Dataset
        The image's header.

    Returns
    -------
    tuple of float, or None
        Lowest and highest; None without PixelPaddingValue.

    References
    ----------
    .. [1] DICOM PS3.3, C.7.5.1.1.2: the padding is a stored value, or with PixelPaddingRangeLimit
       all stored values from one to the other.
    """
    first = number(dataset, "PixelPaddingValue")
    if first is None:
        return None
    last = number(dataset, "PixelPaddingRangeLimit")
    ends = sorted((first, first if last is None else last))
    kind = np.int16 if number(dataset, "PixelRepresentation") == 1 else np.uint16
    limits = np.iinfo(kind)
    if not (limits.min <= ends[0] and ends[1] <= limits.max):
        return None
    stored = np.array([ends]).astype(kind)
    low, high = sorted(float(v) for v in rescaled(stored, dataset, [])[0])
    return low, high


def _rescale_term(dataset: pydicom.Dataset, keyword: str, notes: list[str]) -> float | None:
    value = number(dataset, keyword)
    if (value is None and text(dataset, keyword)) or (value == 0 and keyword == "RescaleSlope"):
        notes.append(f"{keyword} {text(dataset, keyword)!r} ignored")
    return value


def window(dataset: pydicom.Dataset) -> tuple[float, float] | None:
    """Limits of the first VOI window, else of the first VOI LUT.

    Parameters
    ----------
    dataset : Dataset
        The image's header.

    Returns
    -------
    tuple of float, or None
        Modality values shown black and white; a sigmoid's by its central slope. None when
        there is no window, or one without width.

    References
    ----------
    .. [1] DICOM PS3.3 C.11.2.1.2, VOI LUT window and function.
    """
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
