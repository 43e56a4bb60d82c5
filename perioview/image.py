"""An image, and what is known of its size and origin; nothing about files."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

Spacing = tuple[float, float]


@dataclass(frozen=True, slots=True)
class FileSpacing:
    """What a file says of its pixels' size, as it says it: may be zero, negative or absurd.

    Parameters
    ----------
    pixel_spacing : tuple of float
        (row spacing, column spacing) in mm in the patient.
    calibration_type : str
        DICOM's PixelSpacingCalibrationType, ``GEOMETRY`` or ``FIDUCIAL``.
    imager_pixel_spacing, nominal_spacing : tuple of float
        The same at the detector, and of a scan.
    magnification : float
        Estimated radiographic magnification factor.
    aspect_ratio : float
        Height of a pixel over its width.
    notes : tuple of str
        What could not be read, in words.
    """

    pixel_spacing: Spacing | None = None
    calibration_type: str | None = None
    imager_pixel_spacing: Spacing | None = None
    nominal_spacing: Spacing | None = None
    magnification: float | None = None
    aspect_ratio: float | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Image:
    """Pixels of one radiograph or photograph, and what its file says about them.

    Parameters
    ----------
    pixels : ndarray, shape (rows, cols) or (rows, cols, 3)
        Grey values with the file's rescale applied, or uint8 sRGB.
    name : str
        Base name of the file.
    sha256 : str
        Of the file's bytes, in hexadecimal.
    modality : str
        DICOM modality; None for a photo.
    spacing : FileSpacing
        Size of the pixels as the file says it.
    inverted : bool
        Whether low grey values are dense, that is, shown bright (MONOCHROME1).
    window : tuple of float
        Grey values shown black and white, (low, high); None when the file names none.
    species : str
        ``dog`` or ``cat``; None when the file does not say.
    attributes : mapping
        Identity of patient, study and image, in plain values.
    padding : tuple of float
        Grey values, lowest and highest, that fill the frame where no image is; None for none.
    """

    pixels: NDArray[Any]
    name: str
    sha256: str
    modality: str | None = None
    spacing: FileSpacing = FileSpacing()
    inverted: bool = False
    window: tuple[float, float] | None = None
    species: str | None = None
    attributes: Mapping[str, Any] = field(default_factory=dict)
    padding: tuple[float, float] | None = None

    @property
    def rows(self) -> int:
        """Height in pixels."""
        return int(self.pixels.shape[0])

    @property
    def cols(self) -> int:
        """Width in pixels."""
        return int(self.pixels.shape[1])

    @property
    def colour(self) -> bool:
        """Whether the pixels are sRGB rather than grey."""
        return self.pixels.ndim == 3


def grey(image: Image) -> NDArray[Any]:
    """Brightness of every pixel: grey values as they are, colours as their luma.

    Parameters
    ----------
    image : Image
        Grey or sRGB.

    Returns
    -------
    ndarray, shape (rows, cols)
        Grey values in their own dtype, or float32 luma from 0 to 255 (ITU-R BT.709 weights).
    """
    if not image.colour:
        return image.pixels
    return image.pixels.astype(np.float32) @ np.array([0.2126, 0.7152, 0.0722], np.float32)


def display_limits(image: Image) -> tuple[float, float]:
    """Grey values at the ends of the display, from the file's window if it can be trusted.

    Parameters
    ----------
    image : Image
        Grey or sRGB.

    Returns
    -------
    tuple of float
        (low, high), low < high: the window, or the 0.5 and 99.5 percentiles of the pixels that
        are no padding.
    """
    values = grey(image)
    if image.colour:
        return 0.0, 255.0
    # A megapixel's percentiles are found as well from a tenth of it.
    step = max(1, math.isqrt(values.size // 100_000))
    sample = _without_padding(values[::step, ::step], image.padding)
    low, high = (float(limit) for limit in np.percentile(sample, [0.5, 99.5]))
    if high <= low:
        low, high = float(values.min()), float(values.max())
    if high <= low:
        high = low + 1.0
    if image.window is not None and _usable(image.window, sample, high - low):
        return image.window
    return low, high


def _without_padding(values: NDArray[Any], padding: tuple[float, float] | None) -> NDArray[Any]:
    if padding is None:
        return values
    kept = values[(values < padding[0]) | (values > padding[1])]
    # A value said to be padding that most of the picture has is none.
    return kept if kept.size > 0.02 * values.size else values


def _usable(window: tuple[float, float], sample: NDArray[Any], spread: float) -> bool:
    # A window that clips or flattens nearly every pixel is a leftover of other pixels.
    bottom, top = window
    if not (math.isfinite(bottom) and math.isfinite(top) and top > bottom):
        return False
    inside = np.mean((sample >= bottom) & (sample <= top))
    return bool(inside > 0.02 and spread > 0.02 * (top - bottom))


def display(image: Image) -> NDArray[np.uint8]:
    """Grey picture as a reader of radiographs expects it: dense is bright.

    Parameters
    ----------
    image : Image
        Grey or sRGB.

    Returns
    -------
    ndarray of uint8, shape (rows, cols)
        The window stretched to 0 to 255, turned over for MONOCHROME1.
    """
    low, high = display_limits(image)
    scaled = (grey(image).astype(np.float32) - np.float32(low)) * np.float32(255 / (high - low))
    shown: NDArray[np.uint8] = np.rint(np.clip(scaled, 0, 255)).astype(np.uint8)
    if image.inverted:
        np.invert(shown, out=shown)
    return shown
