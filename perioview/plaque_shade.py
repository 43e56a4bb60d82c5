"""How light falls on each crown, fitted to what is lit of all teeth together.

Shade changes slowly over a crown, and much of it (slopes, curves, the rim) is common to the teeth
of a photo; what is darker than the crown's own shade may be a film.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from perioview.plaque_density import Mask, Plane
from perioview.plaque_inks import Inks, unmixed

# Longest side of the grid shade is fitted on, px.
REDUCED = 40
# Darker than the fit by this much (log10), a point no longer counts as lit enamel.
DARK, BRIGHT = 0.05, 0.12
# Noise of a point, in log10; neighbours share theirs.
NOISE = 0.085
# How far shade may stray from that of the other teeth: level, slopes and curves, rim.
STRAY = (0.12, 0.05, 0.03, 0.04, 0.03, 0.04, 0.06, 0.05)


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
    """Light that falls on a crown, log10, of the shape of its crop."""

    light: Plane


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
        coefficients = _fit(p, common)
        plane = (p.basis @ coefficients).reshape(p.shape).astype(np.float32)
        rows, cols = teeth[tooth][1].shape
        light = cv2.resize(plane, (cols, rows), interpolation=cv2.INTER_LINEAR)
        out[tooth] = Shade(light)
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


def _fit(p: _Points, common: NDArray[np.float64]) -> NDArray[np.float64]:
    """Shade that one tooth's lit points agree on."""
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
    return coefficients
