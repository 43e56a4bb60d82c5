"""How light falls on each crown, so that blue stain over brown, which is grey, can be told by dark.

Blue dye over a brown deposit takes all colours alike and looks like shade. Shade, though, changes
slowly over a crown; what is darker than the crown's own shade, with a hue that blue over brown can
have, is both.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from perioview.plaque_brown import Brown
from perioview.plaque_density import Dye, Mask, Plane, log_light

# Longest side of the grid shade is fitted on, px.
REDUCED = 40
# Darker than the fit by this much (log10), a point no longer counts as lit enamel.
DARK, BRIGHT = 0.05, 0.12
# Amounts of brown and of older dye that are plain to see, and the share of a dark patch or its
# rim that has to show one of them.
PLAIN_BROWN, PLAIN_OLDER, SHOWN = 0.10, 0.12, 0.2
# Step of darkness at the edge of a film, over a few px; shade changes less.
EDGE = 0.05
# Darkness that is left to chance, log10.
UNSEEN = 0.06
# Newer dye that a hue may be off by.
HUE_NOISE = 0.06
# Noise of a point, in log10; neighbours share theirs.
NOISE = 0.085
# How far shade may stray from that of the other teeth: level, slopes and curves, rim.
STRAY = (0.12, 0.05, 0.03, 0.04, 0.03, 0.04, 0.06, 0.05)


@dataclass(frozen=True, slots=True, eq=False)
class Inks:
    """Density per channel (R, G, B) of newer dye, older dye and brown, columns of a 3 x 3."""

    columns: NDArray[np.float64]

    @property
    def hidden(self) -> NDArray[np.float64]:
        """Amounts of the three that together darken all channels by 1."""
        return np.asarray(np.linalg.solve(self.columns, np.ones(3)), float)


def inks(newer: Dye, older: Dye, brown: Brown) -> Inks:
    """Densities per channel from hue and neutral share."""
    made = [(newer.degrees, newer.neutral_share), (older.degrees, older.neutral_share)]
    made.append((brown.degrees, brown.neutral_share))
    return Inks(np.column_stack([_by_channel(*one) for one in made]))


def _by_channel(degrees: float, neutral_share: float) -> NDArray[np.float64]:
    angle = math.radians(degrees)
    raw = np.array([-math.cos(angle), 0.0, -math.sin(angle)])
    raw = (raw - raw.min()) / np.ptp(raw)
    channels: NDArray[np.float64] = neutral_share + (1 - neutral_share) * raw
    return channels


@dataclass(frozen=True, slots=True, eq=False)
class Unmixed:
    """Amounts of newer dye, older dye and brown at each pixel, and the light that remains."""

    newer: Plane
    older: Plane
    brown: Plane
    light: Plane


def unmixed(rgb: NDArray[np.uint8], clean: tuple[float, float], found: Inks) -> Unmixed:
    """Least amounts that give each pixel its hue: newer dye with brown, or with older dye.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (rows, cols, 3)
        sRGB.
    clean : tuple of float
        (R-G, B-G) of clean enamel in log10 light.
    found : Inks
        Colours of the three.
    """
    import cv2

    logs = cv2.LUT(rgb, log_light())
    red, green, blue = cv2.split(logs)
    c1, c2 = red - green - np.float32(clean[0]), blue - green - np.float32(clean[1])
    # Change of (R-G, B-G) by one unit of each.
    moves = np.array([found.columns[1] - found.columns[0], found.columns[1] - found.columns[2]])
    new, brown = _solved(c1, c2, moves[:, 0], moves[:, 2])
    with_old, old = _solved(c1, c2, moves[:, 0], moves[:, 1])
    bare = brown >= 0
    new = np.maximum(np.where(bare, new, with_old), 0)
    old = np.where(bare, 0, np.maximum(old, 0)).astype(np.float32)
    brown = np.maximum(brown, 0)
    share = found.columns[1].astype(np.float32)
    light = green + share[0] * new + share[1] * old + share[2] * brown
    return Unmixed(new.astype(np.float32), old, brown.astype(np.float32), light)


def _solved(
    c1: Plane, c2: Plane, first: NDArray[np.float64], second: NDArray[np.float64]
) -> tuple[Plane, Plane]:
    (a, c), (b, d) = first, second
    cross = a * d - b * c
    if abs(cross) < 1e-3:
        cross = 1e-3
    one: Plane = np.float32(d / cross) * c1 - np.float32(b / cross) * c2
    two: Plane = np.float32(a / cross) * c2 - np.float32(c / cross) * c1
    return one, two


@dataclass(frozen=True, slots=True, eq=False)
class _Points:
    """A tooth on the coarse grid: basis of shade, remaining light, where it may be believed."""

    basis: NDArray[np.float64]
    light: NDArray[np.float64]
    belief: NDArray[np.float64]
    inside: Mask
    shape: tuple[int, int]


@dataclass(frozen=True, slots=True, eq=False)
class Shade:
    """Light that falls on a crown, log10, of the shape of its crop, and the scatter about it."""

    light: Plane
    sd: float


def shades(
    teeth: Mapping[int, tuple[NDArray[np.uint8], Mask, Mask]],
    clean: Mapping[int, tuple[float, float]],
    found: Inks,
) -> dict[int, Shade]:
    """Light that falls on each crown, fitted to what is lit, with what the teeth have in common.

    Parameters
    ----------
    teeth : mapping of int to (rgb, region, glare)
        Crops of the photo.
    clean : mapping of int to (R-G, B-G)
        Their clean enamel.
    found : Inks
        Colours of the dyes and of brown.
    """
    import cv2

    points = {t: _points(*teeth[t], clean[t], found) for t in clean}
    points = {t: p for t, p in points.items() if p.inside.sum() >= 30}
    if not points:
        return {}
    common = _common(list(points.values()))
    out = {}
    for tooth, p in points.items():
        coefficients, sd = _fit(p, common)
        plane = (p.basis @ coefficients).reshape(p.shape).astype(np.float32)
        rows, cols = teeth[tooth][1].shape
        light = cv2.resize(plane, (cols, rows), interpolation=cv2.INTER_LINEAR)
        out[tooth] = Shade(light, sd)
    return out


def _points(
    rgb: NDArray[np.uint8],
    region: Mask,
    glare: Mask,
    clean: tuple[float, float],
    found: Inks,
) -> _Points:
    import cv2

    scale = min(1.0, REDUCED / max(region.shape))
    size = (max(2, round(region.shape[1] * scale)), max(2, round(region.shape[0] * scale)))
    small = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
    usable = (region & ~glare).astype(np.uint8) * 255
    inside = cv2.resize(usable, size, interpolation=cv2.INTER_AREA) > 250
    whole = cv2.resize(region.astype(np.uint8) * 255, size, interpolation=cv2.INTER_AREA) > 127
    framed = cv2.copyMakeBorder(whole.astype(np.uint8), 1, 1, 1, 1, cv2.BORDER_CONSTANT)
    depth = cv2.distanceTransform(framed, cv2.DIST_L2, 3)[1:-1, 1:-1] / math.sqrt(whole.sum() + 1)
    inside &= depth > 1.5 / math.sqrt(whole.sum() + 1)
    y, x = np.mgrid[-1 : 1 : size[1] * 1j, -1 : 1 : size[0] * 1j]
    rim = np.exp(-depth / 0.12)
    terms = [np.ones_like(x), x, y, x * x - 0.33, x * y, y * y - 0.33, rim, rim * x]
    basis = np.stack(terms, axis=-1).reshape(-1, 8)
    mix = unmixed(small, clean, found)
    # Brown may hide older dye.
    belief = np.where(mix.brown > 0.06, 0.1, 1.0).ravel()
    light = mix.light.ravel().astype(float)
    return _Points(basis, light, belief, inside.ravel(), (size[1], size[0]))


def _common(teeth: list[_Points]) -> NDArray[np.float64]:
    """Shade all teeth have in common: middle level first, then slopes, curves and rim."""
    basis = np.concatenate([p.basis[p.inside] for p in teeth])
    light = np.concatenate([p.light[p.inside] for p in teeth])
    belief = np.concatenate([p.belief[p.inside] for p in teeth])
    owner = np.repeat(np.arange(len(teeth)), [int(p.inside.sum()) for p in teeth])
    prior = np.diag(1 / (3 * np.array(STRAY[1:])) ** 2)
    slopes = np.zeros(basis.shape[1] - 1)
    # Start level from what is bright: a start from the mean would settle halfway to the dark.
    level = np.array([_bright(light[owner == i], belief[owner == i]) for i in range(len(teeth))])
    weight = belief * _trusted(light - level[owner], 0)
    for turn in range(12):
        level = np.bincount(owner, weight * (light - basis[:, 1:] @ slopes), len(teeth))
        level = level / (np.bincount(owner, weight, len(teeth)) + 1e-9)
        weighted = basis[:, 1:] * (weight / NOISE**2)[:, None]
        slopes = np.linalg.solve(
            weighted.T @ basis[:, 1:] + prior, weighted.T @ (light - level[owner])
        )
        away = light - level[owner] - basis[:, 1:] @ slopes
        weight = belief * _trusted(away, turn)
    return np.concatenate([[np.median(level)], slopes])


def _bright(light: NDArray[np.float64], belief: NDArray[np.float64]) -> float:
    sure = light[belief > 0.5] if (belief > 0.5).sum() > 10 else light
    return float(np.quantile(sure, 0.8))


def _trusted(away: NDArray[np.float64], turn: int) -> NDArray[np.float64]:
    """Weight of points by how far from the shade they lie; what lies darker hardly counts."""
    dark = max(DARK, 0.12 * 0.8**turn)
    weight: NDArray[np.float64] = 1 / (1 + (away / np.where(away < 0, dark, BRIGHT)) ** 4)
    return weight


def _fit(p: _Points, common: NDArray[np.float64]) -> tuple[NDArray[np.float64], float]:
    """Shade that one tooth's lit points agree on, and its SD."""
    basis, light, belief = (a[p.inside] for a in (p.basis, p.light, p.belief))
    prior = np.diag(1 / np.array(STRAY) ** 2)
    start = _bright(light - basis[:, 1:] @ common[1:], belief)
    weight = belief * _trusted(light - start - basis[:, 1:] @ common[1:], 0)
    coefficients = common
    for turn in range(12):
        weighted = basis * (weight / NOISE**2)[:, None]
        left = weighted.T @ basis + prior
        right = weighted.T @ light + prior @ common
        coefficients = np.asarray(np.linalg.solve(left, right), float)
        away = light - basis @ coefficients
        weight = belief * _trusted(away, turn)
    return coefficients, math.sqrt(float(np.average(away**2, weights=weight + 1e-9)))


@dataclass(frozen=True, slots=True, eq=False)
class Hidden:
    """Film that only darkness shows: its density, where it is mostly older, and how dark."""

    density: Plane
    older: Mask


def hidden_film(mix: Unmixed, found: Inks, shade: Plane, valid: Mask) -> Hidden:
    """Density of a film over brown, from what is darker than shade explains.

    Parameters
    ----------
    mix : Unmixed
        Amounts by hue alone.
    found : Inks
        Colours of the three.
    shade : ndarray of float32, shape (rows, cols)
        Light that falls on the crown, log10.
    valid : ndarray of bool, shape (rows, cols)
        The tooth without its glare.
    """
    import cv2

    new, old, _ = (np.float32(k) for k in found.hidden)
    if found.hidden[1] <= 0 or found.hidden[2] <= 0:
        nothing = np.zeros_like(mix.light)
        return Hidden(nothing, nothing > 0)
    dark = cv2.GaussianBlur(shade - mix.light, (0, 0), 1.0)
    # Nothing for a little darkness, all of it from twice as much.
    dark = np.where(_believed(dark, mix, valid), dark, 0)
    dark = np.maximum(dark, 0) * np.clip(dark / np.float32(UNSEEN) - 1, 0, 1)
    if new < 0:
        # Then a film over brown leaves some of the newer hue, and no darkness goes beyond it.
        dark = np.minimum(dark, (mix.newer + HUE_NOISE) / -new)
    newer, older = np.maximum(mix.newer + new * dark, 0), mix.older + old * dark
    p, o = found.columns[:, 0].astype(np.float32), found.columns[:, 1].astype(np.float32)
    density = np.maximum.reduce([p[c] * newer + o[c] * older for c in range(3)])
    return Hidden(np.where(dark > 0, density, 0).astype(np.float32), older > newer)


def _believed(dark: Plane, mix: Unmixed, valid: Mask) -> Mask:
    """Where darkness may be stain over brown: beside either, and with an edge; shadows lack both.

    Parameters
    ----------
    dark : ndarray of float32, shape (rows, cols)
        How much darker than the crown's shade.
    mix : Unmixed
        Amounts by hue alone.
    valid : ndarray of bool, shape (rows, cols)
        The tooth without its glare.
    """
    import cv2

    plain = ((mix.brown > PLAIN_BROWN) | (mix.older > PLAIN_OLDER)) & valid
    block = np.ones((3, 3), np.uint8)
    plain = cv2.erode(plain.astype(np.uint8), block) > 0
    suspect = ((dark > 2 * UNSEEN) & valid).astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(suspect)
    for label in range(1, count):
        left, top, width, height, _ = stats[label]
        window = np.s_[max(0, top - 6) : top + height + 6, max(0, left - 6) : left + width + 6]
        patch = (labels[window] == label).astype(np.uint8)
        inner = (patch > 0) & (cv2.erode(patch, block, iterations=4) == 0)
        outer = (cv2.dilate(patch, block, iterations=4) > 0) & (patch == 0) & valid[window]
        if not outer.any():
            continue
        step = float(np.median(dark[window][inner]) - np.median(dark[window][outer]))
        shown = max(float(plain[window][outer].mean()), float(plain[window][patch > 0].mean()))
        if step < EDGE or shown < SHOWN:
            suspect[window][patch > 0] = 0
    # What is fainter beside a believed patch belongs to it.
    believed: Mask = cv2.dilate(suspect, block, iterations=4) > 0
    return believed
