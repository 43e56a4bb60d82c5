"""Paths of one tooth moved onto the edges between them, as a mask in the photo's own pixels."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from perioview.regions_light import common_change, stain_blind
from perioview.regions_path import OutlinePath

Field = NDArray[np.float32]
Mask = NDArray[np.bool_]

# Longest side of the crop the outline is refined in, px.
SOUGHT = 300
# Half width of the ring around a path in which its edge is looked for, share of the radius.
RING = 0.035
# Where the edge is taken between the steepest logarithm (0) and the steepest light (1).
TOWARD_LIGHT = 0.35


def refined_mask(
    rgb: NDArray[np.uint8], paths: Sequence[OutlinePath], taken: NDArray[Any] | None
) -> Mask:
    """Follow the crest of the gradient, from where all paths agree to where none goes.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (rows, cols, 3)
        sRGB photo.
    paths : sequence of OutlinePath
        Of one tooth as seen from several places, in px of the photo; at least one.
    taken : ndarray, shape (rows, cols), optional
        Nonzero where another tooth has been outlined.

    Returns
    -------
    ndarray of bool, shape (rows, cols)
    """
    import cv2
    from skimage.segmentation import watershed

    low = np.min([p.vertices.min(axis=0) for p in paths], axis=0)
    high = np.max([p.vertices.max(axis=0) for p in paths], axis=0)
    reach = 0.6 * float((high - low).max()) + 6
    crop = _crop(rgb, tuple((low + high) / 2), reach, SOUGHT, taken)
    shape = crop.rgb.shape[:2]
    drawn = [path.drawn(shape, crop.origin, crop.scale) for path in paths]
    every, some = np.all(drawn, axis=0), np.any(drawn, axis=0)
    ring = max(2, round(RING * paths[0].radius / crop.scale))
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * ring + 1, 2 * ring + 1))
    framed = np.pad(every.astype(np.uint8), 1)
    inside = cv2.erode(framed, disc)[1:-1, 1:-1] > 0
    outside = cv2.dilate(some.astype(np.uint8), disc) == 0
    markers = inside.astype(np.int32) + 2 * outside.astype(np.int32)
    labels = watershed(_gradient(crop.rgb), markers) == 1
    labels = _smoothed(labels, 2 * ring + 1)
    if crop.taken is not None:
        labels &= ~crop.taken
    full = np.zeros(rgb.shape[:2], bool)
    _enlarged(labels.astype(np.uint8), crop, full)
    if taken is not None:
        full &= ~(taken > 0)
    return full


@dataclass(frozen=True, slots=True, eq=False)
class _Crop:
    """A reduced window of the photo; photo = origin + scale * crop."""

    rgb: NDArray[np.uint8]
    taken: Mask | None
    origin: tuple[float, float]
    scale: float


def _crop(
    rgb: NDArray[np.uint8],
    centre: tuple[float, float],
    reach: float,
    size: int,
    taken: NDArray[Any] | None,
) -> _Crop:
    import cv2

    top, left = (max(0, math.floor(c - reach)) for c in centre)
    bottom = min(rgb.shape[0], math.ceil(centre[0] + reach) + 1)
    right = min(rgb.shape[1], math.ceil(centre[1] + reach) + 1)
    window = rgb[top:bottom, left:right]
    scale = max(1.0, max(window.shape[:2]) / size)
    shape = (
        max(2, round(window.shape[1] / scale)),
        max(2, round(window.shape[0] / scale)),
    )
    small = cv2.resize(window, shape, interpolation=cv2.INTER_AREA)
    owned = None
    if taken is not None:
        part = (taken[top:bottom, left:right] > 0).astype(np.uint8)
        owned = cv2.resize(part, shape, interpolation=cv2.INTER_NEAREST) > 0
    shift = 0.5 * (scale - 1)
    return _Crop(small, owned, (top + shift, left + shift), scale)


def _smoothed(labels: Mask, size: int) -> Mask:
    """Without the frays that texture gives a watershed line."""
    import cv2

    framed = cv2.copyMakeBorder(labels.astype(np.float32), size, size, size, size, 0)
    blurred = cv2.GaussianBlur(framed, (0, 0), size / 3)[size:-size, size:-size]
    smooth: Mask = blurred > 0.5
    return smooth


def _gradient(rgb: NDArray[np.uint8]) -> Field:
    """Strength of edges that stain does not explain."""
    import cv2

    features = stain_blind(rgb)
    dy = common_change(cv2.Sobel(features, cv2.CV_32F, 0, 1))
    dx = common_change(cv2.Sobel(features, cv2.CV_32F, 1, 0))
    # In the logarithm a blurred edge is steepest too far out, in light itself a crown that darkens
    # toward its edge is steepest too far in: between the two.
    size: Field = np.hypot(dx, dy) * np.power(10.0, TOWARD_LIGHT * features.mean(axis=2))
    return size


def _enlarged(labels: NDArray[np.uint8], crop: _Crop, full: Mask) -> None:
    """Bring a reduced mask back to the photo's own pixels, in place."""
    import cv2

    top, left = (round(o - 0.5 * (crop.scale - 1)) for o in crop.origin)
    rows = min(full.shape[0] - top, round(labels.shape[0] * crop.scale))
    cols = min(full.shape[1] - left, round(labels.shape[1] * crop.scale))
    big = cv2.resize(labels * 255, (cols, rows), interpolation=cv2.INTER_LINEAR)
    full[top : top + rows, left : left + cols] = big > 127
