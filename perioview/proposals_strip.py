"""A root's contour followed, and the strip beside it straightened."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from perioview.image import Image, grey
from perioview.proposals_frame import SideFrame

Array = NDArray[np.float64]
STEP = 0.08  # mm along the axis
LANE = 0.1  # mm between lanes of the straightened strip
CORONAL = 2.4  # mm searched coronal to the CEJ
# Dense beside the edge, sparse inside the root and toward the neighbour.
LANES = np.concatenate(
    [[-2.0, -1.6, -1.2], np.arange(-0.8, 2.0 + 1e-9, LANE), np.arange(2.3, 4.1 + 1e-9, 0.3)]
)
_FINE = 0.05


@dataclass(frozen=True, slots=True)
class Strip:
    """Grey values beside one root, straightened along its contour.

    Parameters
    ----------
    along : ndarray of float, shape (n,)
        Position along the axis in mm, 0 at the frame's origin.
    contour : ndarray of float, shape (n,)
        Distance of the root's edge from the axis.
    grey : ndarray of float, shape (n, len(LANES))
        From 0 to 1, dense high; NaN outside the image.
    """

    along: Array
    contour: Array
    grey: Array


def dense_high(image: Image) -> NDArray[np.float32]:
    """Grey values, higher where denser."""
    values = np.asarray(grey(image), dtype=np.float32)
    return -values if image.inverted else values


def sampled(pixels: NDArray[np.float32], frame: SideFrame, along: Array, out: Array) -> Array:
    """Grey values at a grid of positions, averaged over about one step; NaN outside."""
    import cv2

    rows, cols = frame.pixels(along, out)
    low = np.floor([rows.min(), cols.min()]).astype(int) - 8
    high = np.ceil([rows.max(), cols.max()]).astype(int) + 9
    low = np.clip(low, 0, np.array(pixels.shape) - 1)
    high = np.clip(high, low + 1, pixels.shape)
    crop = pixels[low[0] : high[0], low[1] : high[1]]
    sigma = 0.45 * _FINE / frame.pitch
    if sigma.max() > 0.4:
        crop = cv2.GaussianBlur(
            crop, (0, 0), sigmaX=max(float(sigma[1]), 0.2), sigmaY=max(float(sigma[0]), 0.2)
        )
    values = cv2.remap(
        np.ascontiguousarray(crop),
        (cols - low[1]).astype(np.float32),
        (rows - low[0]).astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    ).astype(float)
    outside = (
        (rows < -0.5)
        | (cols < -0.5)
        | (rows > pixels.shape[0] - 0.5)
        | (cols > pixels.shape[1] - 0.5)
    )
    values[outside] = np.nan
    result: Array = values
    return result


def levelled(values: Array, reference: Array) -> Array:
    """Map grey values to 0..1, half by rank and half by range, so that curves matter little."""
    known = reference[np.isfinite(reference)]
    if known.size < 50 or np.ptp(known) == 0:
        return np.where(np.isfinite(values), 0.5, np.nan)
    share = np.linspace(0.005, 0.995, 67)
    levels = np.quantile(known, share)
    levels = levels + np.arange(67) * 1e-9 * max(np.ptp(known), 1e-9)
    rank = np.interp(values, levels, np.linspace(0, 1, 67))
    flat = np.clip((values - levels[0]) / (levels[-1] - levels[0]), -0.1, 1.1)
    out: Array = np.where(np.isfinite(values), (rank + flat) / 2, np.nan)
    return out


def _box(values: Array, a: float, b: float) -> Array:
    """Mean over t+a to t+b along the last axis."""
    first, last = round(a / _FINE), round(b / _FINE)
    n = values.shape[1]
    total = np.concatenate([np.zeros((len(values), 1)), np.cumsum(values, axis=1)], axis=1)
    lo = np.clip(np.arange(n) + first, 0, n - 1)
    hi = np.clip(np.arange(n) + last + 1, 1, n)
    result: Array = (total[:, hi] - total[:, lo]) / np.maximum(hi - lo, 1)
    return result


def _edge_score(values: Array) -> Array:
    from scipy import ndimage

    smooth = ndimage.gaussian_filter1d(np.nan_to_num(values, nan=0.0), 0.16 / STEP, axis=0)
    darker = _box(smooth, -0.3, -0.05) - _box(smooth, 0.05, 0.3)
    line = np.minimum(_box(smooth, -0.35, -0.1), _box(smooth, 0.3, 0.5)) - _box(smooth, 0.05, 0.2)
    score = darker + 0.8 * np.clip(line, 0, None)
    spread = np.sqrt(ndimage.gaussian_filter(score**2, (1.0 / STEP, 0.8 / _FINE)) + 0.02**2)
    out: Array = score / spread
    return out


def traced(score: Array, steep: int = 1) -> NDArray[np.intp]:
    """Path of highest total score, moving at most `steep` columns a row, with a small toll."""
    n, m = score.shape
    padded = np.full(m + 2 * steep, -1e9)
    padded[steep:-steep] = score[0]
    reachable = np.lib.stride_tricks.sliding_window_view(padded, 2 * steep + 1)
    toll = 0.12 * np.abs(np.arange(-steep, steep + 1))
    here = np.arange(m)
    back = np.zeros((n, m), dtype=np.intp)
    for i in range(1, n):
        options = reachable - toll
        best = options.argmax(axis=1)
        back[i] = best
        padded[steep:-steep] = options[here, best] + score[i]
    back = np.clip(back + here - steep, 0, m - 1)
    total = padded[steep:-steep]
    path = np.empty(n, dtype=np.intp)
    path[-1] = total.argmax()
    for i in range(n - 1, 0, -1):
        path[i - 1] = back[i, path[i]]
    return path


def _expected(frame: SideFrame, along: Array) -> Array:
    share = np.clip(along / frame.length, 0, 1)
    start = frame.cej[1] if frame.cej is not None else min(0.22 * frame.length, 0.8 * frame.breadth)
    out: Array = max(start, 0.3) * np.clip(1 - share**1.8, 0, 1) ** 0.7
    return out


def contour(pixels: NDArray[np.float32], frame: SideFrame) -> tuple[Array, Array, Array]:
    """Follow the root's edge from the CEJ to the apex by dynamic programming.

    Parameters
    ----------
    pixels : ndarray of float32, shape (rows, cols)
        Dense high.
    frame : SideFrame

    Returns
    -------
    along, edge : ndarray of float, shape (n,)
        In mm along the axis, and outward from it.
    wide : ndarray of float, shape (n, m)
        The unstraightened strip, for the levels of grey.
    """
    from scipy import ndimage

    along = np.arange(-CORONAL, frame.length, STEP)
    out = np.arange(-2.4, max(frame.breadth, 0.8) + 2.2, _FINE)
    wide = sampled(pixels, frame, *np.meshgrid(along, out, indexing="ij"))
    score = _edge_score(levelled(wide, wide))
    expected = _expected(frame, along)
    width = 0.5 if frame.cej is not None else 1.4
    score = score - 0.5 * ((out[None] - expected[:, None]) / width) ** 2
    score[:, out > frame.breadth] -= 50
    if frame.cej is not None:
        near = np.abs(along - frame.cej[0]) < 0.25
        score[near] -= 0.5 * ((out[None] - frame.cej[1]) / 0.15) ** 2
    root = along >= (frame.cej[0] if frame.cej is not None else 0.0)
    edge = np.empty(len(along))
    edge[root] = out[traced(score[root])]
    edge[~root] = edge[root][0]
    smooth: Array = ndimage.gaussian_filter1d(edge, 0.25 / STEP, mode="nearest")
    return along, smooth, wide


def straightened(pixels: NDArray[np.float32], frame: SideFrame) -> Strip:
    """Straighten the strip from 0.8 mm inside to 2 mm outside a root's contour.

    Parameters
    ----------
    pixels : ndarray of float32, shape (rows, cols)
        Dense high.
    frame : SideFrame

    Returns
    -------
    Strip
    """
    along, edge, wide = contour(pixels, frame)
    values = sampled(
        pixels, frame, np.repeat(along[:, None], len(LANES), 1), edge[:, None] + LANES[None]
    )
    return Strip(along, edge, levelled(values, wide))
