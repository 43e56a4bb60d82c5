"""Intraoral photographs as DICOM: VL Photographic Image (PS3.3 A.32.4)."""

from __future__ import annotations

from pydicom.dataset import Dataset
from pydicom.sr.coding import Code
from pydicom.uid import VLPhotographicImageStorage

from perioview.image import Image
from perioview.record.codes import coded_item
from perioview.record.identity import SERIES, Identity, finish, new_object, uid_from
from perioview.record.jpeg import put_jpeg, put_loss
from perioview.record.secondary_capture import put_pixels, put_srgb

MOUTH = Code("123851003", "SCT", "Mouth")


def photograph_object(
    identity: Identity, image: Image, number: int, label: str, stream: bytes | None = None
) -> Dataset:
    """Photograph of a plain file: the camera's stream as it is, or pixel for pixel as displayed.

    Parameters
    ----------
    identity : Identity
        Patient and study.
    image : Image
        sRGB, after its EXIF orientation; or grey.
    number : int
        Instance number.
    label : str
        What it shows, in words.
    stream : bytes, optional
        The camera's JPEG stream (`jpeg.camera_stream`).

    Returns
    -------
    Dataset
    """
    uid = uid_from("image", identity.study_uid, identity.patient_id, image.sha256)
    dataset = new_object(VLPhotographicImageStorage, uid, identity, "photos")
    dataset.InstanceNumber = number
    dataset.ImageType = ["ORIGINAL", "PRIMARY"]
    dataset.ImageLaterality = "U"
    dataset.PatientOrientation = ""
    dataset.AnatomicRegionSequence = [coded_item(MOUTH)]
    dataset.AcquisitionContextSequence = []
    dataset.BurnedInAnnotation = "NO"
    dataset.ImageComments = label
    if stream is not None:
        put_jpeg(dataset, stream, image.rows, image.cols, image.colour)
    else:
        put_pixels(dataset, image.pixels)
        dataset.LossyImageCompression = "00"
        if image.name.lower().endswith((".jpg", ".jpeg")):
            # How hard the camera compressed is not told by the file (C.7.6.1.1.5).
            put_loss(dataset, image.attributes.get("file_bytes"))
    if image.colour:
        put_srgb(dataset)
    return finish(dataset, identity, SERIES["photos"][2])
