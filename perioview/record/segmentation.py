"""Stained pixels of a photograph, tooth by tooth, as a binary segmentation (PS3.3 A.51)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydicom.dataset import Dataset
from pydicom.sr.coding import Code

from perioview import __version__
from perioview.record import codes
from perioview.record.codes import private_code
from perioview.record.identity import MAKER, SERIES, Identity, finish, series_uid, uid_from

# CID 7150: a substance on the body, not a tissue.
BODY_SUBSTANCE = Code("91720002", "SCT", "Body Substance")


def stained_by_tooth(
    stain_map: NDArray[np.uint8], labels: NDArray[Any]
) -> dict[int, NDArray[np.bool_]]:
    """Stained pixels of each tooth, glare left out.

    Parameters
    ----------
    stain_map : ndarray of uint8, shape (rows, cols)
        As `plaque_result.PlaqueResult.stain_map`: 0 clean, 255 glare.
    labels : ndarray of int, shape (rows, cols)
        Triadan number of the tooth at each pixel, 0 outside.

    Returns
    -------
    dict of int to ndarray of bool
        By Triadan number; teeth without stain included.
    """
    stained = (stain_map > 0) & (stain_map < 255)
    return {int(n): stained & (labels == n) for n in np.unique(labels) if n}


def plaque_segmentation(
    identity: Identity, photo: Dataset, stained: Mapping[int, NDArray[np.bool_]], number: int
) -> Dataset:
    """Segmentation with one segment per tooth.

    Parameters
    ----------
    identity : Identity
        Patient and study.
    photo : Dataset
        The photograph, with its rows and columns.
    stained : mapping of int to ndarray of bool, shape (rows, cols)
        By Triadan number.
    number : int
        Instance number.

    Returns
    -------
    Dataset
    """
    from highdicom import AlgorithmIdentificationSequence
    from highdicom.seg import Segmentation, SegmentDescription

    teeth = sorted(stained)
    masks = np.stack([stained[t] for t in teeth], axis=-1)[None].astype(np.uint8)
    source = _source(photo, identity)
    described = [
        SegmentDescription(
            index,
            f"Plaque {tooth}",
            BODY_SUBSTANCE,
            private_code("plaque"),
            "SEMIAUTOMATIC",
            algorithm_identification=AlgorithmIdentificationSequence(
                "perioview", Code("123109", "DCM", "Manual Processing"), __version__
            ),
            tracking_uid=uid_from("track", photo.SOPInstanceUID, f"plaque of {tooth}"),
            tracking_id=f"plaque of {tooth}",
            anatomic_regions=[codes.TOOTH],
        )
        for index, tooth in enumerate(teeth, 1)
    ]
    uid = uid_from("plaque", photo.SOPInstanceUID, teeth, np.packbits(masks).tobytes().hex())
    dataset: Dataset = Segmentation(
        [source],
        masks,
        "BINARY",
        described,
        series_uid(identity, "plaque"),
        SERIES["plaque"][0],
        uid,
        number,
        MAKER,
        MAKER,
        __version__,
        "0",
        content_label="PLAQUE",
        content_description="Disclosed plaque by tooth",
        omit_empty_frames=False,
    )
    dataset.PatientOrientation = ""
    # highdicom draws these UIDs at random.
    dimension = uid_from("dimension", uid)
    for item in (*dataset.DimensionOrganizationSequence, *dataset.DimensionIndexSequence):
        item.DimensionOrganizationUID = dimension
    return finish(dataset, identity, SERIES["plaque"][2])


def _source(photo: Dataset, identity: Identity) -> Dataset:
    source = Dataset()
    for element in photo:
        if element.keyword != "PixelData":
            source.add(element)
    source.PatientOrientation = photo.get("PatientOrientation", "")
    source.setdefault("SamplesPerPixel", 3)
    return source
