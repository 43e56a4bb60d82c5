"""How likely each place around a click is the crown's outline: a small trained network.

Rays run from the click outward, their steps growing with the distance, so that a small and a
large tooth look alike. The network sees the whole turn of rays at once.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib import resources

import numpy as np
from numpy.typing import NDArray

Field = NDArray[np.float32]

ANGLES, STEPS = 128, 160
# First radius in px of the reduced photo, and growth from one step to the next.
NEAREST, GROWTH = 6.0, 1.03
# Longest side of the reduced photo, px.
REDUCED = 700
# Channels at each halving of the grid.
WIDTHS = (24, 32, 48, 48)
# Seen of a place: three planes and whether it is outside, of four places at once, and how far.
INPUTS = 4 * 4 + 1


@dataclass(frozen=True, slots=True, eq=False)
class Rays:
    """Places around a click in the reduced photo: rows and columns, shape (angles, steps)."""

    y: Field
    x: Field
    outside: NDArray[np.bool_]


def rays(shape: tuple[int, ...], centre: tuple[float, float]) -> Rays:
    """Lay rays around a place of the reduced photo.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns of the reduced photo.
    centre : tuple of float
        (row, col) in it.
    """
    radius = NEAREST * GROWTH ** np.arange(STEPS)
    theta = np.arange(ANGLES) * (2 * np.pi / ANGLES)
    y = (centre[0] + np.sin(theta)[:, None] * radius).astype(np.float32)
    x = (centre[1] + np.cos(theta)[:, None] * radius).astype(np.float32)
    outside = (y < 0) | (x < 0) | (y > shape[0] - 1) | (x > shape[1] - 1)
    return Rays(y, x, outside)


def seen(rgb: NDArray[np.uint8], around: Rays) -> Field:
    """Light, red and blue against green at every place, over the bright ones' median.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (rows, cols, 3)
        Reduced photo, glare filled in.
    around : Rays

    Returns
    -------
    ndarray of float32, shape (angles, steps, 3)
        Decadic logs of linear light.
    """
    import cv2

    from perioview.plaque_density import log_light

    logs = cv2.LUT(cv2.GaussianBlur(rgb, (3, 3), 0), np.maximum(log_light(), np.float32(-1.8)))
    polar = cv2.remap(logs, around.x, around.y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    red, green, blue = (polar[..., c] for c in range(3))
    planes = np.stack([(red + green + blue) / 3, red - green, blue - green], axis=-1)
    planes -= _bright(planes, around)
    return planes


def _bright(planes: Field, around: Rays) -> Field:
    """Colour of what is bright around the click: enamel, as a rule."""
    near = planes[:, : STEPS // 2].reshape(-1, 3)
    lit = near[~around.outside[:, : STEPS // 2].ravel()]
    lit = lit if len(lit) > 20 else near
    top = lit[:, 0] >= np.quantile(lit[:, 0], 0.85)
    middle: Field = np.median(lit[top], axis=0).astype(np.float32)
    return middle


def layers() -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Channels into and out of each convolution but the last, in the order they are used."""
    a, b, c, d = WIDTHS
    given = (INPUTS, a, a, b, b, c, c, d, c + d, c, b + c, b, a + b, a)
    made = (a, a, b, b, c, c, d, d, c, c, b, b, a, a)
    return given, made


@cache
def _weights() -> tuple[tuple[Field, Field], ...]:
    path = resources.files("perioview").joinpath("data/outline_weights.npz")
    with path.open("rb") as file, np.load(file) as kept:
        return tuple(
            (kept[f"w{n}"].astype(np.float32), kept[f"b{n}"].astype(np.float32))
            for n in range(len(kept.files) // 2)
        )


def _pair(value: Field, number: int) -> Field:
    """Two convolutions of kernel 3, rays going round and steps ending, negatives cut."""
    for kernel, bias in _weights()[2 * number : 2 * number + 2]:
        angles, steps, _ = value.shape
        framed = np.concatenate([value[-1:], value, value[:1]], axis=0)
        framed = np.concatenate([framed[:, :1], framed, framed[:, -1:]], axis=1)
        parts = [framed[i : i + angles, j : j + steps] for i in range(3) for j in range(3)]
        flat = np.concatenate(parts, axis=-1).reshape(angles * steps, -1)
        value = (flat @ kernel.reshape(-1, kernel.shape[-1]) + bias).reshape(angles, steps, -1)
        np.maximum(value, 0, out=value)
    return value


def _halved(value: Field) -> Field:
    rows, cols, channels = value.shape
    four = value.reshape(rows // 2, 2, cols // 2, 2, channels)
    smaller: Field = four.mean(axis=(1, 3), dtype=np.float32)
    return smaller


def outline_chance(rgb: NDArray[np.uint8], around: Rays) -> Field:
    """Log chance of each step to be where its ray leaves the crown; shape (angles, steps)."""
    return chance_from(seen(rgb, around), around.outside)


def chance_from(planes: Field, outside: NDArray[np.bool_]) -> Field:
    """Log chance of each step from what the network sees of all places.

    Parameters
    ----------
    planes : ndarray of float32, shape (angles, steps, 3)
        As `seen` gives them.
    outside : ndarray of bool, shape (angles, steps)
    """
    whole = np.concatenate([planes, outside[..., None].astype(np.float32)], axis=-1)
    half = whole.reshape(ANGLES // 2, 2, STEPS // 2, 2, 4).transpose(0, 2, 4, 1, 3)
    half = half.reshape(ANGLES // 2, STEPS // 2, 16)
    far = np.linspace(-1, 1, STEPS // 2, dtype=np.float32)[None, :, None]
    value: Field = np.concatenate([half, np.broadcast_to(far, (*half.shape[:2], 1))], axis=-1)
    kept = []
    for level in range(3):
        value = _pair(value, level)
        kept.append(value)
        value = _halved(value)
    value = _pair(value, 3)
    for level, skip in enumerate(reversed(kept)):
        wide = value.repeat(2, axis=0).repeat(2, axis=1)
        value = _pair(np.concatenate([skip, wide], axis=-1), 4 + level)
    kernel, bias = _weights()[-1]
    head = (value @ kernel[0, 0] + bias).reshape(ANGLES // 2, STEPS // 2, 2, 2)
    odds = head.transpose(0, 2, 1, 3).reshape(ANGLES, STEPS)
    odds = odds - odds.max(axis=1, keepdims=True)
    chance: Field = odds - np.log(np.exp(odds).sum(axis=1, keepdims=True))
    return chance
