"""Intraoral photographs as DICOM: VL Photographic Image (PS3.3 A.32.4)."""

from __future__ import annotations

from pydicom.dataset import Dataset
from pydicom.sr.coding import Code
from pydicom.uid import VLPhotographicImageStorage

from perioview.image import Image
from perioview.record.codes import coded_item
from perioview.record.identity import SERIES, Identity, finish, new_object, uid_from
from perioview.record.secondary_capture import put_pixels, put_srgb

MOUTH = Code("123851003", "SCT", "Mouth")


def photograph_object(identity: Identity, image: Image, number: int, label: str) -> Dataset:
    """Photograph of a plain file, pixel for pixel as displayed.

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
    dataset.LossyImageCompression = "01" if image.name.lower().endswith((".jpg", ".jpeg")) else "00"
    if dataset.LossyImageCompression == "01":
        # How hard the camera compressed is not told by the file; the method is (C.7.6.1.1.5).
        dataset.LossyImageCompressionMethod = "ISO_10918_1"
        written = image.attributes.get("file_bytes")
        size = image.rows * image.cols * 3
        dataset.LossyImageCompressionRatio = f"{size / written:.2f}" if written else "10"
    dataset.BurnedInAnnotation = "NO"
    dataset.ImageComments = label
    put_pixels(dataset, image.pixels)
    if image.colour:
        put_srgb(dataset)
    return finish(dataset, identity, SERIES["photos"][2])
