"""Tooth regions drawn on one photo, carried to another photo of the same mouth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from perioview.errors import InputRefused
from perioview.image import Image, grey

# Share of a tooth's region that the other photo has to show.
LEAST_SHOWN = 0.9


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
    from perioview.alignment import align
    from perioview.comparison import carried_regions, photo_grey

    names = (photo.name, drawn_on.name)
    try:
        # The red channel hardly changes with pink stain.
        found = align(photo_grey(photo), photo_grey(drawn_on), names=names)
    except InputRefused:
        if not (photo.colour and drawn_on.colour):
            raise
        found = align(grey(photo), grey(drawn_on), names=names)
    shape = photo.pixels.shape[:2]
    carried = carried_regions(drawn, found, shape)
    said = list(found.warnings)
    for tooth in (int(t) for t in np.unique(drawn[drawn > 0])):
        landed = found.later_from_earlier(np.argwhere(drawn == tooth)[::7])
        shown = float(((landed >= 0) & (landed <= np.array(shape) - 1)).all(axis=1).mean())
        if shown < LEAST_SHOWN:
            carried[carried == tooth] = 0
            said.append(f"{tooth}: {photo.name} shows only {100 * shown:.0f} % of it; left out.")
    if not carried.any():
        raise InputRefused(
            f"{photo.name}: shows none of the teeth outlined on {drawn_on.name} whole; "
            "outline them on it."
        )
    said.append(
        f"Tooth regions were carried from {drawn_on.name} by alignment (misfit "
        f"{found.rms_px:.1f} px): look at the outlines."
    )
    return Carried(carried, found.rms_px, tuple(said))
