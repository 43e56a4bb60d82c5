"""Optical density of a dye at every pixel, told apart from shading, exposure and brown deposits."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

Plane = NDArray[np.float32]
Mask = NDArray[np.bool_]

# Below this 8-bit level the logarithm of a noisy channel means nothing.
DARKEST = 6
# At and above this level in all three channels a pixel is glare or overexposed.
GLARE = 245
# An older dye seen less than this across the line of brown is read another way.
LEAST_SEEN = 0.25


@cache
def log_light() -> NDArray[np.float32]:
    """Log10 of linear light for each 8-bit sRGB level, shape (256,) (IEC 61966-2-1)."""
    level = np.maximum(np.arange(256), DARKEST) / 255
    linear = np.where(level <= 0.04045, level / 12.92, ((level + 0.055) / 1.055) ** 2.4)
    table = np.log10(linear).astype(np.float32)
    table.setflags(write=False)
    return table


@dataclass(frozen=True, slots=True)
class Dye:
    """How one dye changes the log ratios R-G and B-G, and how density follows from them.

    Parameters
    ----------
    degrees : float
        Angle in the (R-G, B-G) plane: pink about 34, purple about 70.
    neutral_share : float
        Density of the channel it absorbs least over that of the one it absorbs most; this part
        looks like shading and cannot be seen in one pixel.
    """

    degrees: float
    neutral_share: float

    @property
    def per_density(self) -> tuple[float, float]:
        """Change of (R-G, B-G) for a density of 1 in the channel the dye absorbs most."""
        u, v = _unit(self.degrees)
        spread = max(0.0, u, v) - min(0.0, u, v)
        # Density by channel is (-u, 0, -v) plus a neutral part: its range is what a ratio shows.
        return u * (1 - self.neutral_share) / spread, v * (1 - self.neutral_share) / spread


def _unit(degrees: float) -> tuple[float, float]:
    return math.cos(math.radians(degrees)), math.sin(math.radians(degrees))


def dye_weights(dye: Dye, brown_deg: float) -> tuple[float, float]:
    """Weights of (R-G, B-G) that give the dye's density and are blind to brown.

    Brown deposits, yellow enamel and the colour of the lamp all move a pixel along the line
    at `brown_deg`, so the density is read across it.
    """
    (d1, d2), (t1, t2) = dye.per_density, _unit(brown_deg)
    cross = d1 * t2 - d2 * t1
    return t2 / cross, -t1 / cross


def one_tone_density(
    rgb: NDArray[np.uint8], clean: tuple[float, float], dye: Dye, brown_deg: float
) -> Plane:
    """Density of a single dye over clean enamel.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (rows, cols, 3)
        sRGB.
    clean : tuple of float
        (R-G, B-G) of clean enamel in log10 light.
    dye : Dye
        The dye.
    brown_deg : float
        Angle of brown deposits in the (R-G, B-G) plane.

    Returns
    -------
    ndarray of float32, shape (rows, cols)
        Log10 density in the channel the dye absorbs most; noise makes clean enamel scatter
        about 0.
    """
    import cv2

    w1, w2 = dye_weights(dye, brown_deg)
    table = log_light()
    offset = w1 * clean[0] + w2 * clean[1]
    # The density is linear in the logs, so three tables and two additions are all it takes.
    tables = np.stack([w1 * table - offset, -(w1 + w2) * table, w2 * table], axis=-1)
    parts = cv2.LUT(rgb, tables[None].astype(np.float32))
    density: Plane = cv2.transform(parts, np.ones((1, 3), np.float32))
    return density


def log_ratios(rgb: NDArray[np.uint8]) -> tuple[Plane, Plane]:
    """Log10 light of R over G and of B over G, each of shape (rows, cols)."""
    import cv2

    logs = cv2.LUT(rgb, log_light())
    red, green, blue = cv2.split(logs)
    return red - green, blue - green


def two_tone_density(
    rgb: NDArray[np.uint8], clean: tuple[float, float], newer: Dye, older: Dye, brown_deg: float
) -> tuple[Plane, Mask]:
    """Density of a two-tone dye over clean enamel, and where it looks older.

    Parameters
    ----------
    rgb, clean
        As for `one_tone_density`.
    newer, older : Dye
        Pink, and blue to purple.
    brown_deg : float
        As for `one_tone_density`.

    Returns
    -------
    density : ndarray of float32, shape (rows, cols)
        Log10 density in the channel the dyes together absorb most.
    is_older : ndarray of bool, shape (rows, cols)
        Whether the hue lies nearer the older colour.
    """
    c1, c2 = log_ratios(rgb)
    c1 -= np.float32(clean[0])
    c2 -= np.float32(clean[1])
    w1, w2 = dye_weights(newer, brown_deg)
    across = np.float32(w1) * c1 + np.float32(w2) * c2
    m, n = _unit((newer.degrees + older.degrees) / 2)
    is_older = np.float32(m) * c2 > np.float32(n) * c1
    d1, d2 = older.per_density
    seen = w1 * d1 + w2 * d2
    if seen < LEAST_SEEN:
        # A pure blue lies on the line of brown and yellow: only the range over channels is left.
        spread = np.maximum(np.maximum(c1, c2), c2 - c1) / np.float32(1 - older.neutral_share)
        return np.where(is_older, spread, across), is_older
    # Read across brown as for one dye, and scaled by how far the hue has gone to the older one.
    share = _older_share(c1, c2, newer, older)
    return across / (1 - share * np.float32(1 - seen)), is_older


def _older_share(c1: Plane, c2: Plane, newer: Dye, older: Dye) -> Plane:
    """Older part of the dye at each pixel, 0 to 1."""
    (n1, n2), (o1, o2) = newer.per_density, older.per_density
    cross = n1 * o2 - n2 * o1
    if abs(cross) < 0.05:
        return np.zeros_like(c1)
    new = (c1 * np.float32(o2) - c2 * np.float32(o1)) / np.float32(cross)
    old = (c2 * np.float32(n1) - c1 * np.float32(n2)) / np.float32(cross)
    share: Plane = np.clip(old / np.maximum(new + old, np.float32(0.02)), 0, 1)
    return share


def glare(rgb: NDArray[np.uint8], region: Mask, reach: int) -> Mask:
    """Pixels that show the lamp instead of the tooth.

    A highlight is a hard white core with a steep rim; a broad white patch that fades slowly is
    overexposed enamel, which carries no dye, and stays.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (rows, cols, 3)
        sRGB.
    region : ndarray of bool, shape (rows, cols)
        The tooth.
    reach : int
        How far the halo of a highlight reaches, in px.
    """
    import cv2

    darkest = cv2.min(cv2.min(rgb[..., 0], rgb[..., 1]), rgb[..., 2])
    core = ((darkest >= GLARE) & region).astype(np.uint8)
    if not core.any():
        return np.zeros(region.shape, bool)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(core)
    for label in range(1, count):
        left, top, width, height, area = stats[label]
        if area <= 0.01 * region.sum():
            continue
        window = np.s_[
            max(0, top - 3 * reach) : top + height + 3 * reach,
            max(0, left - 3 * reach) : left + width + 3 * reach,
        ]
        patch = (labels[window] == label).astype(np.uint8)
        near = cv2.dilate(patch, _disc(2 * reach)) > cv2.dilate(patch, _disc(reach))
        around = darkest[window][near & region[window]]
        if around.size and float(np.median(around)) >= 0.92 * GLARE:
            core[labels == label] = 0
    grown: Mask = (cv2.dilate(core, _disc(reach)) > 0) & region
    return grown


def _disc(radius: int) -> NDArray[np.uint8]:
    import cv2

    size = 2 * radius + 1
    disc: NDArray[np.uint8] = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    return disc


def without_rim(density: Plane, region: Mask, usable: Mask, width: float) -> Plane:
    """Density with the region's rim taken from the nearest pixel inside.

    At the rim lens blur and a generous outline mix in gum, whose hue is like the dye's.

    Parameters
    ----------
    density : ndarray of float32, shape (rows, cols)
        Changed in place, and returned.
    region, usable : ndarray of bool, shape (rows, cols)
        The tooth, and where its density may serve (no glare).
    width : float
        Width of the rim, in px.
    """
    import cv2

    cross, block = cv2.getStructuringElement(cv2.MORPH_CROSS, (3, 3)), np.ones((3, 3), np.uint8)
    inside = cv2.copyMakeBorder(region.astype(np.uint8), 1, 1, 1, 1, cv2.BORDER_CONSTANT)
    for turn in range(round(width)):
        # By turns, a diamond and a square make an octagon, and cost little.
        inside = cv2.erode(inside, block if turn % 2 else cross)
    core = inside[1:-1, 1:-1] > 0
    rim, inner = region & ~core, core & usable
    if not inner.any():
        return density
    holes = (~inner).astype(np.uint8)
    _, nearest = cv2.distanceTransformWithLabels(
        holes, cv2.DIST_L2, 3, labelType=cv2.DIST_LABEL_PIXEL
    )
    # Only pixels at the border of the inside can be anyone's nearest.
    border = inner & (cv2.dilate(holes, block) > 0)
    value = np.zeros(int(nearest.max()) + 1, np.float32)
    value[nearest[border]] = density[border]
    density[rim] = value[nearest[rim]]
    return density


def stained_area(density: Plane, threshold: float) -> Mask:
    """Where the density exceeds the threshold, the edge of a film put where it truly ends.

    Lens blur mixes light, not density: at the sharp edge of a dense film the mixture passes the
    threshold outside the film, of a faint one inside it. There the middle of the light decides.

    Parameters
    ----------
    density : ndarray of float32, shape (rows, cols)
        Log10 density.
    threshold : float
        Density above which a pixel is stained.
    """
    import cv2

    block = np.ones((5, 5), np.uint8)
    high, low = cv2.dilate(density, block), cv2.erode(density, block)
    stained: Mask = density > threshold
    sharp = (low < 0.4 * threshold) & (high > 1.4 * threshold)
    light = 10.0 ** -np.stack([density[sharp], high[sharp], np.maximum(low[sharp], 0)])
    stained[sharp] = light[0] < (light[1] + light[2]) / 2
    return stained
