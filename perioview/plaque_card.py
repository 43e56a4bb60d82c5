"""A grey card in view: the colour and the strength of the light, apart from the teeth's own."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from perioview.errors import InputRefused
from perioview.image import Image
from perioview.plaque_density import log_light
from perioview.plaque_index import plaque_rules


@dataclass(frozen=True, slots=True)
class GreyCard:
    """What a neutral grey card shows of the light.

    Parameters
    ----------
    ratios : tuple of float
        (R-G, B-G) of the light, log10.
    level : float
        Median of its brightest channel, 0 to 255.
    spread : float
        Unevenness over the card, SD of log10 light.
    """

    ratios: tuple[float, float]
    level: float
    spread: float

    def json_object(self) -> dict[str, float]:
        """Return what the output says of the card."""
        red, blue = self.ratios
        return {
            "red_over_green": 10.0**red,
            "blue_over_green": 10.0**blue,
            "level": self.level,
            "unevenness_pct": 100 * (10.0**self.spread - 1),
        }


def grey_card(
    photo: Image, corners: tuple[float, float, float, float], regions: NDArray[Any] | None = None
) -> GreyCard:
    """Read the light from a rectangle of neutral grey.

    Parameters
    ----------
    photo : Image
        uint8 sRGB pixels of shape (rows, cols, 3).
    corners : tuple of float
        Row and column of one corner, row and column of the opposite one, px.
    regions : ndarray, shape (rows, cols), optional
        Nonzero on teeth, which the card may not touch.

    Raises
    ------
    InputRefused
        If the rectangle lies outside the photo, on a tooth, is too small, over- or underexposed,
        or holds more than one surface.
    """
    said = ",".join(f"{c:g}" for c in corners)
    where = f"{photo.name}: grey card {said}"
    if not all(math.isfinite(c) for c in corners):
        raise InputRefused(f"{where}: is no rectangle; give ROW,COL,ROW,COL in px.")
    (top, bottom), (left, right) = (sorted(round(c) for c in corners[k::2]) for k in (0, 1))
    rows, cols = photo.pixels.shape[:2]
    if top < 0 or left < 0 or bottom >= rows or right >= cols:
        raise InputRefused(f"{where}: lies outside the photo of {rows} x {cols} px; move it.")
    box = np.s_[top : bottom + 1, left : right + 1]
    rule = plaque_rules()["grey_card"]
    patch = photo.pixels[box].reshape(-1, 3)
    if len(patch) < rule["least_px"]:
        raise InputRefused(
            f"{where}: holds {len(patch)} px; draw it over at least {rule['least_px']}."
        )
    if regions is not None and np.asarray(regions)[box].any():
        raise InputRefused(f"{where}: touches an outlined tooth; draw it on the card alone.")
    return _read(patch, where)


def _read(patch: NDArray[np.uint8], where: str) -> GreyCard:
    rule = plaque_rules()["grey_card"]
    level = float(np.median(patch, axis=0).max())
    clipped = float(np.mean(patch.max(axis=1) >= 254))
    if clipped > rule["clipped_share"]:
        raise InputRefused(
            f"{where}: overexposed on {100 * clipped:.0f} % of it; photograph darker."
        )
    if float(np.median(patch, axis=0).min()) < rule["darkest"]:
        raise InputRefused(
            f"{where}: a channel is as dark as {np.median(patch, axis=0).min():.0f} of 255; "
            "photograph brighter."
        )
    logs = log_light()[patch]
    spread = float(logs[:, 1].std())
    if spread > rule["uneven"]:
        raise InputRefused(
            f"{where}: is uneven (SD {100 * (10**spread - 1):.0f} % of the light); "
            "draw it on the card alone, free of shadow and glare."
        )
    red, blue = (float(np.median(logs[:, c] - logs[:, 1])) for c in (0, 2))
    return GreyCard((red, blue), level, spread)
