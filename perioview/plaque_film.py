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
from perioview.plaque_hidden import Hidden, hidden_film
from perioview.plaque_inks import inks, unmixed
from perioview.plaque_network import GRID, Correction
from perioview.plaque_shade import Shade, shades
from perioview.plaque_stain import Stain
from perioview.plaque_tooth import Counted

# SDs within which darkness may still add a film.
UNSURE = 1.0


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

    @property
    def parts(self) -> tuple[NDArray[np.uint8], Mask, Mask]:
        """Colours, region and glare."""
        return self.rgb, self.region, self.glare


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
        {t: crops[t].parts for t in enamel},
        {t: e.ratios for t, e in enamel.items()},
        inks(stain.newer, stain.older, stain.brown),
    )


def counted_film(
    crop: Crop,
    enamel: Enamel | None,
    stain: Stain,
    density: float,
    two_tone: bool,
    correction: Correction | None = None,
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
    correction : Correction, optional
        What the tooth's surroundings tell beside its hue.
    shade : Shade, optional
        Light that falls on the crown: shows older dye over brown, which is grey.
    """
    import cv2

    if enamel is None:
        nothing = np.zeros(crop.region.shape, np.float32)
        return Counted(crop.region, crop.glare, crop.region_px, nothing, nothing > 0, None, nothing)
    # Averaging has smoothed a reduced crop already.
    rgb = crop.rgb
    if crop.factor == 1:
        rgb = cv2.GaussianBlur(rgb, (3, 3) if crop.size < 200 else (5, 5), 0)
    older = None
    if two_tone:
        film, older = two_tone_density(
            rgb, enamel.ratios, stain.newer, stain.older, stain.brown.degrees
        )
    else:
        film = one_tone_density(rgb, enamel.ratios, stain.newer, stain.brown.degrees)
    seen, sd = film, np.full_like(film, enamel.sd)
    if correction is not None:
        gain, offset, sd, odds = (_spread(p, film) for p in correction.planes)
        film = (1 + gain) * film + offset
        # Where its hue shows a film it shows its age as well.
        older = None if older is None else np.where(seen > density, older, odds > 0)
    if older is not None and shade is not None:
        hidden = _hidden(rgb, crop, enamel.ratios, stain, shade)
        # Not against what the surroundings say for sure.
        more = (hidden.density > film) & (film + np.float32(UNSURE) * sd > density)
        film, older = np.where(more, hidden.density, film), np.where(more, hidden.older, older)
    film = without_rim(film, crop.region, ~crop.glare, min(6.0, 0.02 * crop.size))
    stained = stained_area(film, density)
    if two_tone:
        stained &= ~_swollen(film, seen, density)
    unseen = stained & (seen <= density) & (film - seen > density / 2) & crop.region & ~crop.glare
    share = float(np.count_nonzero(unseen)) / max(1, crop.region_px // crop.factor**2)
    return Counted(
        crop.region,
        crop.glare,
        crop.region_px,
        film,
        stained,
        older,
        sd,
        share if two_tone else 0.0,
    )


def _hidden(
    rgb: NDArray[np.uint8], crop: Crop, clean: tuple[float, float], stain: Stain, shade: Shade
) -> Hidden:
    """What only darkness shows."""
    found = inks(stain.newer, stain.older, stain.brown)
    return hidden_film(unmixed(rgb, clean, found), found, shade.light, crop.region & ~crop.glare)


def _swollen(film: Plane, seen: Plane, density: float) -> Mask:
    """Where a film that optics does not show is but the slope between two cells of the grid.

    Such a film ends, as a rule, halfway up that slope.
    """
    import cv2

    rows, cols = (2 * math.ceil(length / GRID) + 1 for length in film.shape)
    high = cv2.dilate(film, np.ones((rows, cols), np.uint8))
    swollen: Mask = (seen < density / 2) & (film < high / 2)
    return swollen


def _spread(coarse: Plane, film: Plane) -> Plane:
    """A plane on the network's grid, over all pixels of the crop."""
    import cv2

    rows, cols = film.shape
    fine: Plane = cv2.resize(coarse, (cols, rows), interpolation=cv2.INTER_LINEAR)
    return fine
