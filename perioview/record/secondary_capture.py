"""Pictures as DICOM: radiographs that came as plain files, and marks burned in.

Secondary Capture (PS3.3 A.8.1): no claim about how the picture came to be.
"""

from __future__ import annotations

import hashlib
import io

import numpy as np
from numpy.typing import NDArray
from pydicom.dataset import Dataset
from pydicom.uid import SecondaryCaptureImageStorage

from perioview.errors import InputRefused
from perioview.image import FileSpacing, Image
from perioview.record.identity import SERIES, Identity, finish, new_object, uid_from
from perioview.record.jpeg import picture_stream, put_jpeg, put_loss


def put_pixels(dataset: Dataset, pixels: NDArray[np.generic]) -> None:
    """Write pixels as they are: unsigned grey of 8 or 16 bits, or sRGB (PS3.3 C.7.6.3).

    Parameters
    ----------
    dataset : Dataset
        Changed in place.
    pixels : ndarray, shape (rows, cols) or (rows, cols, 3)
        Unsigned integers.

    Raises
    ------
    InputRefused
        If the pixels are of another kind.
    """
    if pixels.dtype not in (np.uint8, np.uint16):
        raise InputRefused(
            f"pixels of type {pixels.dtype} cannot be kept as a picture; "
            "save the image with 8 or 16 bits per pixel."
        )
    bits = pixels.dtype.itemsize * 8
    dataset.Rows, dataset.Columns = (int(n) for n in pixels.shape[:2])
    dataset.SamplesPerPixel = 1 if pixels.ndim == 2 else 3
    dataset.PhotometricInterpretation = "MONOCHROME2" if pixels.ndim == 2 else "RGB"
    if pixels.ndim == 3:
        dataset.PlanarConfiguration = 0
    dataset.BitsAllocated = bits
    dataset.BitsStored = bits
    dataset.HighBit = bits - 1
    dataset.PixelRepresentation = 0
    data = np.ascontiguousarray(pixels, pixels.dtype.newbyteorder("<")).tobytes()
    # Pixel data has even length (PS3.5 8.1.1).
    dataset.PixelData = data + b"\0" * (len(data) % 2)
    dataset["PixelData"].VR = "OW" if bits == 16 else "OB"


def put_spacing(dataset: Dataset, spacing: FileSpacing) -> None:
    """Write the pixel ratio of a plain file; a length it never had is not made up.

    Parameters
    ----------
    dataset : Dataset
        Changed in place.
    spacing : FileSpacing
    """
    aspect = spacing.aspect_ratio
    if aspect is not None:
        rows, cols = aspect if isinstance(aspect, tuple) else (aspect, 1.0)
        if rows != cols:
            scale = 1 if float(rows).is_integer() and float(cols).is_integer() else 10000
            dataset.PixelAspectRatio = [round(rows * scale), round(cols * scale)]


def radiograph_object(
    identity: Identity, image: Image, number: int, stream: bytes | None = None
) -> Dataset:
    """Radiograph of a plain file as Secondary Capture: its JPEG stream, or pixel for pixel.

    Parameters
    ----------
    identity : Identity
        Patient and study.
    image : Image
        As read; grey or sRGB.
    number : int
        Instance number.
    stream : bytes, optional
        The file's own JPEG stream (`jpeg.camera_stream`).

    Returns
    -------
    Dataset
    """
    uid = uid_from("image", identity.study_uid, identity.patient_id, image.sha256)
    dataset = new_object(SecondaryCaptureImageStorage, uid, identity, "radiographs")
    dataset.ConversionType = "DF"
    dataset.InstanceNumber = number
    dataset.PatientOrientation = ""
    dataset.BodyPartExamined = "JAW"
    dataset.ImageType = ["DERIVED", "SECONDARY"]
    if stream is not None:
        put_jpeg(dataset, stream, image.rows, image.cols, image.colour)
    else:
        put_pixels(dataset, image.pixels)
        if image.name.lower().endswith((".jpg", ".jpeg")):
            put_loss(dataset, image.attributes.get("file_bytes"))
    if image.inverted and not image.colour:
        dataset.PhotometricInterpretation = "MONOCHROME1"
    put_spacing(dataset, image.spacing)
    if image.colour:
        put_srgb(dataset)
    return finish(dataset, identity, SERIES["radiographs"][2])


def put_srgb(dataset: Dataset) -> None:
    """Say that the colours are sRGB (PS3.3 C.11.15)."""
    dataset.ICCProfile = srgb_profile()
    dataset.ColorSpace = "SRGB"


def srgb_profile() -> bytes:
    """ICC profile of sRGB, the same bytes at any time; of even length as DICOM wants.

    Returns
    -------
    bytes
    """
    from PIL import ImageCms

    profile = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    # The profile's own date of making would give every attach other bytes (ICC.1, 7.2.8);
    # as an input profile of a camera it also passes for PS3.3 C.11.15.
    profile[24:36] = bytes.fromhex("07ea00010001000000000000")
    profile[12:16] = b"scnr"
    # The profile ID, an MD5 of the rest, would no longer fit: 0 stands for none (ICC.1, 7.2.18).
    profile[84:100] = bytes(16)
    return bytes(profile) + b"\0" * (len(profile) % 2)


def picture_object(
    identity: Identity,
    picture: bytes | NDArray[np.uint8],
    source: Dataset,
    number: int,
    label: str,
) -> Dataset:
    """Picture with marks and values burned in, for programs that show nothing else.

    Parameters
    ----------
    identity : Identity
        Patient and study.
    picture : bytes or ndarray of uint8, shape (rows, cols, 3)
        The picture, as a file or as sRGB pixels.
    source : Dataset
        Image it was drawn over.
    number : int
        Instance number.
    label : str
        What it shows, in words.

    Returns
    -------
    Dataset
    """
    if isinstance(picture, bytes):
        from PIL import Image as Pillow

        with Pillow.open(io.BytesIO(picture)) as opened:
            picture = np.asarray(opened.convert("RGB"))
    pixels = np.ascontiguousarray(picture[..., :3])
    shown = hashlib.sha256(pixels.tobytes()).hexdigest()
    uid = uid_from("picture", source.SOPInstanceUID, identity.study_uid, pixels.shape, shown)
    dataset = new_object(SecondaryCaptureImageStorage, uid, identity, "pictures")
    dataset.ConversionType = "WSD"
    dataset.InstanceNumber = number
    dataset.PatientOrientation = ""
    dataset.BodyPartExamined = "JAW"
    dataset.ImageType = ["DERIVED", "SECONDARY"]
    dataset.BurnedInAnnotation = "NO"  # no identifying text is drawn into it (C.7.6.1)
    dataset.DerivationDescription = label
    dataset.ImageComments = "Drawn over the original: do not measure in this picture."
    item = Dataset()
    item.ReferencedSOPClassUID = source.SOPClassUID
    item.ReferencedSOPInstanceUID = source.SOPInstanceUID
    dataset.SourceImageSequence = [item]
    rows, cols = pixels.shape[:2]
    put_jpeg(dataset, picture_stream(pixels), rows, cols, colour=True)
    put_srgb(dataset)
    return finish(dataset, identity, SERIES["pictures"][2])
