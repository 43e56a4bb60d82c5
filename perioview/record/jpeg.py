"""JPEG as the pixel data of a DICOM object: the camera's own stream, bit for bit (PS3.5 8.2.1)."""

from __future__ import annotations

import hashlib
import io
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from pydicom.dataset import Dataset
from pydicom.encaps import encapsulate
from pydicom.uid import JPEGBaseline8Bit

from perioview.image import Image

# Of a picture drawn by us: nothing in it is measured, and text stays sharp.
_QUALITY = 95
_ORIENTATION = 274


def camera_stream(folder: str, file: str, image: Image) -> bytes | None:
    """Bytes of a photo's file, where they can be the pixel data as they are.

    Parameters
    ----------
    folder, file : str
        Visit folder and the photo in it.
    image : Image
        As read from that file.

    Returns
    -------
    bytes or None
        A baseline JPEG of eight bits, upright, in sRGB by default; None for all else, whose
        decoded pixels serve.
    """
    path = Path(folder, file)
    if not folder or path.suffix.lower() not in (".jpg", ".jpeg"):
        return None
    try:
        data = path.read_bytes()
    except OSError:
        return None
    same = hashlib.sha256(data).hexdigest() == image.sha256
    return data if same and _fits(data, image) else None


def _fits(data: bytes, image: Image) -> bool:
    from PIL import Image as Pillow

    with Pillow.open(io.BytesIO(data), formats=["JPEG"]) as opened:
        size, mode, info = opened.size, opened.mode, opened.info
        upright = opened.getexif().get(_ORIENTATION, 1) in (0, 1)
    wanted = "RGB" if image.colour else "L"
    return (
        upright
        and size == (image.cols, image.rows)
        and mode == wanted
        and "icc_profile" not in info
        and not info.get("progressive")
        # An Adobe marker may mean RGB without a transform, which few readers look for.
        and "adobe_transform" not in info
        and _start_of_frame(data) == 0xC0
    )


def _start_of_frame(data: bytes) -> int:
    """Marker of the frame header: 0xC0 is baseline (ISO/IEC 10918-1, table B.1); 0 for none."""
    at = 2
    while at + 4 <= len(data) and data[at] == 0xFF:
        marker = data[at + 1]
        if 0xC0 <= marker <= 0xCF and marker not in (0xC4, 0xC8, 0xCC):
            return marker
        if marker == 0xFF:  # fill byte
            at += 1
            continue
        at += 2 + int.from_bytes(data[at + 2 : at + 4], "big")
    return 0


def put_jpeg(dataset: Dataset, data: bytes, rows: int, cols: int, colour: bool) -> None:
    """Make a JPEG stream the pixel data (PS3.5 A.4.1), and say what it lost (C.7.6.1.1.5).

    Parameters
    ----------
    dataset : Dataset
        Changed in place.
    data : bytes
        Baseline JPEG.
    rows, cols : int
        In px.
    colour : bool
    """
    dataset.file_meta.TransferSyntaxUID = JPEGBaseline8Bit
    dataset.Rows, dataset.Columns = rows, cols
    dataset.SamplesPerPixel = 3 if colour else 1
    dataset.PhotometricInterpretation = "MONOCHROME2"
    if colour:
        # The one name for baseline JPEG in colour, whatever its sampling (PS3.5 8.2.1).
        dataset.PhotometricInterpretation = "YBR_FULL_422"
        dataset.PlanarConfiguration = 0
    dataset.BitsAllocated = dataset.BitsStored = 8
    dataset.HighBit = 7
    dataset.PixelRepresentation = 0
    put_loss(dataset, len(data))
    dataset.PixelData = encapsulate([data])
    dataset["PixelData"].VR = "OB"
    dataset["PixelData"].is_undefined_length = True


def put_loss(dataset: Dataset, size: int | None) -> None:
    """Say that the pixels went through JPEG once, and how hard where that is known."""
    dataset.LossyImageCompression = "01"
    dataset.LossyImageCompressionMethod = "ISO_10918_1"
    raw = dataset.Rows * dataset.Columns * dataset.SamplesPerPixel
    dataset.LossyImageCompressionRatio = f"{raw / size:.2f}" if size else "10"


def picture_stream(pixels: NDArray[np.uint8]) -> bytes:
    """A drawn picture as baseline JPEG with all of its colour samples.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, cols, 3)
        sRGB.

    Returns
    -------
    bytes
        The same at any time.
    """
    from PIL import Image as Pillow

    buffer = io.BytesIO()
    Pillow.fromarray(pixels).save(buffer, "JPEG", quality=_QUALITY, subsampling=0)
    return buffer.getvalue()
