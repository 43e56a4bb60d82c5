"""The species of a radiograph, as image, visit and user say it; no Qt."""

from __future__ import annotations

from perioview.errors import InputRefused
from perioview.image import Image


def species_said(image: Image, visit: str | None, chosen: str | None) -> str | None:
    """Return the species that all who name one agree on; None if nobody does.

    Parameters
    ----------
    image : Image
    visit : str or None
        What ``visit.toml`` says, if the image lies in a visit.
    chosen : str or None
        What the user says, if anything.

    Raises
    ------
    InputRefused
        If two of them do not agree.
    """
    if image.species and visit and image.species != visit:
        raise InputRefused(
            f"{image.name}: the image says {image.species}, its visit.toml {visit}; correct one, "
            "then open the visit again."
        )
    said, where = (visit, "its visit.toml") if visit else (image.species, "the image")
    if said and chosen and said != chosen:
        raise InputRefused(
            f"{image.name}: {where} says {said}, so it is not marked as a {chosen}'s; if {said} is "
            "wrong, correct it there and open it again."
        )
    return said or chosen
