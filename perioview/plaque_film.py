"""The film of dye on one outlined tooth: its crop of the photo, its density, what is stained."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from perioview.plaque_density import (
    Mask,
    Plane,
    glare,
    one_tone_density,
    stained_area,
    two_tone_density,
    without_rim,
)
from perioview.plaque_enamel import Enamel
from perioview.plaque_index import plaque_rules
from perioview.plaque_shade import Shade, hidden_film, inks, shades, unmixed
from perioview.plaque_stain import Stain
from perioview.plaque_tooth import Counted

# Uncertainty of the shade of a crown, log10, beside the scatter about its fit.
SHADE_SD = 0.03


@dataclass(frozen=True, slots=True, eq=False)
class Crop:
    """A tooth's bounding box, large teeth reduced by a whole factor, and its glare."""

    rgb: NDArray[np.uint8]
    region: Mask
    glare: Mask
    region_px: int
    factor: int

    @property
    def size(self) -> float:
        """Side of a square as large as the tooth, px of the crop."""
        return math.sqrt(float(np.count_nonzero(self.region)))


def tooth_crop(rgb: NDArray[np.uint8], region: Mask) -> Crop:
    """Cut one tooth out of the photo, reduced where it is large.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (rows, cols, 3)
        Its bounding box of the photo, sRGB.
    region : ndarray of bool, shape (rows, cols)
        The tooth in it.
    """
    import cv2

    area = int(np.count_nonzero(region))
    # A tooth some 300 px across has a share known to 0.1 %, so more only costs time.
    factor = max(1, min(round(math.sqrt(area) / 300), min(region.shape)))
    if factor > 1:
        rows, cols = (length // factor for length in region.shape)
        whole = rgb[: rows * factor, : cols * factor]
        rgb = cv2.resize(whole, (cols, rows), interpolation=cv2.INTER_AREA)
        region = np.ascontiguousarray(region[factor // 2 :: factor, factor // 2 :: factor])
        region = region[:rows, :cols]
    halo = max(2, round(0.012 * float(max(region.shape))))
    return Crop(rgb, region, glare(rgb, region, halo), area, factor)


def crown_shades(
    crops: Mapping[int, Crop], enamel: Mapping[int, Enamel], stain: Stain
) -> dict[int, Shade]:
    """How light falls on each tooth that has clean enamel to compare with."""
    return shades(
        {t: (crops[t].rgb, crops[t].region, crops[t].glare) for t in enamel},
        {t: e.ratios for t, e in enamel.items()},
        inks(stain.newer, stain.older, stain.brown),
    )


def counted_film(
    crop: Crop,
    enamel: Enamel | None,
    stain: Stain,
    density: float,
    two_tone: bool,
    shade: Shade | None = None,
) -> Counted:
    """Density of dye on one tooth, and which of its pixels are stained.

    Parameters
    ----------
    crop : Crop
        The tooth.
    enamel : Enamel, optional
        Its clean enamel; without, nothing can be said.
    stain : Stain
        The dye in this photo.
    density : float
        Density above which a pixel is stained.
    two_tone : bool
        Whether older plaque takes a colour of its own.
    shade : Shade, optional
        Light that falls on the crown: shows older dye over brown, which is grey.
    """
    import cv2

    if enamel is None:
        nothing = np.zeros(crop.region.shape, np.float32)
        return Counted(crop.region, crop.glare, crop.region_px, nothing, nothing > 0, None, 0.0)
    # Averaging has smoothed a reduced crop already.
    rgb = crop.rgb
    if crop.factor == 1:
        rgb = cv2.GaussianBlur(rgb, (3, 3) if crop.size < 200 else (5, 5), 0)
    older, share, sd = None, 0.0, 0.0
    if two_tone:
        film, older = two_tone_density(
            rgb, enamel.ratios, stain.newer, stain.older, stain.brown.degrees
        )
        if shade is not None:
            film, older, share, sd = _with_hidden(
                rgb, crop, film, older, enamel.ratios, stain, shade, density
            )
    else:
        film = one_tone_density(rgb, enamel.ratios, stain.newer, stain.brown.degrees)
    film = without_rim(film, crop.region, ~crop.glare, min(6.0, 0.02 * crop.size))
    stained = stained_area(film, density)
    return Counted(
        crop.region, crop.glare, crop.region_px, film, stained, older, enamel.sd, share, sd
    )


def _with_hidden(
    rgb: NDArray[np.uint8],
    crop: Crop,
    film: Plane,
    older: Mask,
    clean: tuple[float, float],
    stain: Stain,
    shade: Shade,
    density: float,
) -> tuple[Plane, Mask, float, float]:
    """Add what only darkness shows; with its share of the tooth, and the SD of that, in points."""
    found = inks(stain.newer, stain.older, stain.brown)
    mix = unmixed(rgb, clean, found)
    valid = crop.region & ~crop.glare
    seen = film > density
    hidden = hidden_film(mix, found, shade.light, valid)
    more = hidden.density > film
    share = float(np.mean((hidden.density > density)[valid] & ~seen[valid])) if valid.any() else 0.0
    sd = 0.0
    if valid.any():
        off = math.hypot(SHADE_SD, shade.sd)
        low, high = (
            hidden_film(mix, found, shade.light + np.float32(d), valid).density for d in (-off, off)
        )
        border = ((high > density) & ~(low > density) & ~seen)[valid]
        rule = plaque_rules()["trust"]
        sd = 100 * math.hypot(float(np.mean(border)) / 2, rule["hidden_sd"] * share)
    return np.where(more, hidden.density, film), np.where(more, hidden.older, older), share, sd
