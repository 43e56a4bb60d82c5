"""Tooth regions drawn on one photo, carried to another photo of the same mouth."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from perioview.alignment import SWAP, Alignment, align
from perioview.errors import InputRefused
from perioview.image import Image, grey

# Share of a tooth's region that the other photo has to show.
LEAST_SHOWN = 0.9
Pairs = Iterable[tuple[tuple[float, float], tuple[float, float]]]


@dataclass(frozen=True, slots=True, eq=False)
class Carried:
    """Regions on the photo they were carried to.

    Parameters
    ----------
    regions : ndarray of uint16, shape (rows, cols)
        Triadan number at each pixel, 0 elsewhere.
    rms_px : float
        Misfit of the alignment, px.
    warnings : tuple of str
        Teeth left behind, and doubts about the alignment.
    """

    regions: NDArray[np.uint16]
    rms_px: float
    warnings: tuple[str, ...]


def photo_grey(image: Image) -> NDArray[np.float32]:
    """Brightness that a pink dye hardly changes: the red channel of a photo."""
    return np.asarray(image.pixels[..., 0] if image.colour else image.pixels, dtype=np.float32)


def photo_alignment(later: Image, earlier: Image, points: Pairs | None = None) -> Alignment:
    """Lay one photo of a mouth onto another, whatever either is stained with.

    Parameters
    ----------
    later, earlier : Image
        sRGB photos.
    points : iterable of ((row, col) later, (row, col) earlier), optional
        Pairs marked by hand.

    Raises
    ------
    InputRefused
        If the photos cannot be aligned.
    """
    names = (later.name, earlier.name)
    pairs = None if points is None else list(points)
    try:
        return align(photo_grey(later), photo_grey(earlier), points=pairs, names=names)
    except InputRefused:
        if pairs is not None or not (earlier.colour and later.colour):
            raise
    return align(grey(later), grey(earlier), names=names)


def carried_regions(
    regions: NDArray[np.uint16], alignment: Alignment, shape: tuple[int, ...]
) -> tuple[NDArray[np.uint16], dict[int, float]]:
    """Carry tooth regions of the earlier photo to the later one.

    Parameters
    ----------
    regions : ndarray of uint16, shape (rows, cols) of the earlier photo
        Triadan numbers.
    alignment : Alignment
        Of the later photo onto the earlier.
    shape : tuple of int
        Rows and columns of the later photo.

    Returns
    -------
    ndarray of uint16, shape (rows, cols) of the later photo
        Without the teeth it does not show whole.
    dict of int to float
        Those teeth, each with the share of it that is shown.
    """
    import cv2

    back = np.linalg.inv(SWAP @ alignment.transform @ SWAP)
    size = (int(shape[1]), int(shape[0]))
    drawn = np.asarray(
        cv2.warpPerspective(regions, back, size, flags=cv2.INTER_NEAREST), dtype=np.uint16
    )
    cut = {}
    for tooth in (int(t) for t in np.unique(regions[regions > 0])):
        landed = alignment.later_from_earlier(np.argwhere(regions == tooth)[::7])
        shown = float(((landed >= 0) & (landed <= np.array(shape[:2]) - 1)).all(axis=1).mean())
        if shown < LEAST_SHOWN:
            cut[tooth] = shown
    drawn[np.isin(drawn, list(cut))] = 0
    return drawn, cut


def regions_from(drawn: NDArray[np.uint16], drawn_on: Image, photo: Image) -> Carried:
    """Carry regions by aligning the two photos.

    Parameters
    ----------
    drawn : ndarray of uint16, shape (rows, cols)
        Regions on `drawn_on`.
    drawn_on, photo : Image
        sRGB photos of the same mouth.

    Raises
    ------
    InputRefused
        If the photos cannot be aligned, or the new one shows none of the teeth whole.
    """
    found = photo_alignment(photo, drawn_on)
    carried, cut = carried_regions(drawn, found, photo.pixels.shape[:2])
    if not carried.any():
        raise InputRefused(
            f"{photo.name}: shows none of the teeth outlined on {drawn_on.name} whole; "
            "outline them on it."
        )
    said = [
        *found.warnings,
        *(
            f"{tooth}: {photo.name} shows only {100 * shown:.0f} % of it; left out."
            for tooth, shown in cut.items()
        ),
        f"Tooth regions were carried from {drawn_on.name} by alignment (misfit "
        f"{found.rms_px:.1f} px): look at the outlines.",
    ]
    return Carried(carried, found.rms_px, tuple(said))
