"""The patch of a radiograph round one click, turned so that the clicked root runs along it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
STEP = 0.2  # mm from one sample of the patch to the next
TARGET_SD = 0.17  # mm; a landmark's target is this wide in the network's fit
SHAPE = (160, 64)  # along the root, across it
ALONG = (np.arange(SHAPE[0]) - (SHAPE[0] - 1) / 2) * STEP
ACROSS = (np.arange(SHAPE[1]) - (SHAPE[1] - 1) / 2) * STEP
_FINE = 0.08  # mm; a finer image is averaged to this before it is turned


@dataclass(frozen=True, slots=True)
class ClickFrame:
    """Where a patch lies on its image.

    Parameters
    ----------
    origin : ndarray of float, shape (2,)
        Its centre, (row, col) in mm.
    axis : ndarray of float, shape (2,)
        Unit vector along the root, either way.
    pitch : ndarray of float, shape (2,)
        Size of a pixel in mm, or in the unit assumed without a scale.
    """

    origin: Array
    axis: Array
    pitch: Array

    @property
    def across(self) -> Array:
        """Unit vector a quarter turn from the axis."""
        return np.array([-self.axis[1], self.axis[0]])

    def pixels(self, along: Array, across: Array) -> tuple[Array, Array]:
        """Rows and columns of positions in the patch, given in mm."""
        side = self.across
        r = self.origin[0] + along * self.axis[0] + across * side[0]
        c = self.origin[1] + along * self.axis[1] + across * side[1]
        return r / self.pitch[0], c / self.pitch[1]

    def place(self, point: Array) -> tuple[float, float]:
        """Position in the patch of a point of the image, both in mm."""
        d = np.asarray(point, float) - self.origin
        return float(d @ self.axis), float(d @ self.across)


def sampled(
    pixels: NDArray[np.float32], frame: ClickFrame, along: Array, across: Array, blur: float
) -> Array:
    """Grey values at a grid of positions, smoothed by `blur` mm; NaN outside the image.

    Parameters
    ----------
    pixels : ndarray of float32, shape (rows, cols)
    frame : ClickFrame
    along, across : ndarray of float, shape (n, m)
        In mm.
    blur : float
        Standard deviation of the smoothing in mm.

    Returns
    -------
    ndarray of float, shape (n, m)
    """
    import cv2

    rows, cols = frame.pixels(along, across)
    size = np.array(pixels.shape)
    low = np.clip(np.floor([rows.min(), cols.min()]).astype(int) - 8, 0, size - 1)
    high = np.clip(np.ceil([rows.max(), cols.max()]).astype(int) + 9, low + 1, size)
    crop = np.ascontiguousarray(pixels[low[0] : high[0], low[1] : high[1]])
    shrink = np.maximum(1, np.floor(_FINE / frame.pitch)).astype(int)
    if shrink.max() > 1:
        whole = np.maximum(1, np.array(crop.shape) // shrink)
        crop = crop[: whole[0] * shrink[0], : whole[1] * shrink[1]]
        if crop.shape[0] >= shrink[0] and crop.shape[1] >= shrink[1]:
            crop = cv2.resize(crop, tuple(whole[::-1].tolist()), interpolation=cv2.INTER_AREA)
        else:
            shrink = np.ones(2, int)
    sigma = blur / (frame.pitch * shrink)
    crop = cv2.GaussianBlur(
        crop, (0, 0), sigmaX=max(float(sigma[1]), 0.2), sigmaY=max(float(sigma[0]), 0.2)
    )
    values = cv2.remap(
        crop,
        ((cols - low[1] + 0.5) / shrink[1] - 0.5).astype(np.float32),
        ((rows - low[0] + 0.5) / shrink[0] - 0.5).astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    ).astype(float)
    outside = (rows < -0.5) | (cols < -0.5) | (rows > size[0] - 0.5) | (cols > size[1] - 0.5)
    values[outside] = np.nan
    result: Array = values
    return result


def patch(pixels: NDArray[np.float32], frame: ClickFrame) -> Array:
    """Grey values round a click, from 0 to 1, dense high; NaN outside the image.

    Parameters
    ----------
    pixels : ndarray of float32, shape (rows, cols)
        Dense high.
    frame : ClickFrame

    Returns
    -------
    ndarray of float, shape `SHAPE`
    """
    from perioview.proposals_strip import levelled

    along, across = np.meshgrid(ALONG, ACROSS, indexing="ij")
    values = sampled(pixels, frame, along, across, 0.4 * STEP)
    return levelled(values, values[::2, ::2])


def _falls(profile: Array) -> tuple[Array, Array]:
    """Darkening toward higher and toward lower positions, over 0.4 mm."""
    total = np.cumsum(np.pad(profile, ((0, 0), (5, 5)), mode="edge"), axis=1)
    mean = (total[:, 4:] - total[:, :-4]) / 4
    n = profile.shape[1]
    before, after = mean[:, 1 : n + 1], mean[:, 5 : n + 5]
    return before - after, after - before


def root_axis(pixels: NDArray[np.float32], point: Array, pitch: Array) -> ClickFrame:
    """Direction in which the two edges beside a click are sharpest, centred between them.

    Parameters
    ----------
    pixels : ndarray of float32, shape (rows, cols)
        Dense high.
    point : ndarray of float, shape (2,)
        The click, (row, col) in px.
    pitch : ndarray of float, shape (2,)
        Size of a pixel in mm.

    Returns
    -------
    ClickFrame
        Its axis may point to the apex or away from it.
    """
    along, across = np.arange(-2.0, 2.01, 0.2), np.arange(-3.6, 3.61, 0.1)
    origin = np.asarray(point, dtype=float) * pitch
    angles = np.arange(0, math.pi, math.pi / 36)[:, None, None]
    cos, sin = np.cos(angles), np.sin(angles)
    s, t = along[None, :, None], across[None, None, :]
    flat = (-1, len(across))
    values = sampled(
        pixels,
        ClickFrame(origin, np.array([1.0, 0.0]), pitch),
        (s * cos - t * sin).reshape(flat),
        (s * sin + t * cos).reshape(flat),
        0.03,
    ).reshape(len(angles), len(along), len(across))
    known = values[np.isfinite(values)]
    values = np.nan_to_num(values, nan=float(known.min()) if known.size else 0.0)
    profiles = values.mean(axis=1)
    right, left = _falls(profiles)
    toll = 0.024 * np.ptp(profiles, axis=1, keepdims=True) * np.abs(across)
    r = np.where((across > 0.3) & (across < 3.2), right - toll, -np.inf)
    m = np.where((across < -0.3) & (across > -3.2), left - toll, -np.inf)
    best = int((r.max(axis=1) + m.max(axis=1)).argmax())
    angle = float(angles[best, 0, 0])
    axis = np.array([math.cos(angle), math.sin(angle)])
    shift = float((across[r[best].argmax()] + across[m[best].argmax()]) / 2)
    return ClickFrame(origin + shift * np.array([-axis[1], axis[0]]), axis, pitch)
