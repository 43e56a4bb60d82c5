"""How likely each place around a click is the crown's outline: a small trained network.

Rays run from the click outward, their steps growing with the distance, so that a small and a
large tooth look alike. What the network sees of a place is the colour before, at and beyond it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib import resources

import numpy as np
from numpy.typing import NDArray

Field = NDArray[np.float32]

ANGLES = 128
# First radius in px of the reduced photo, and growth from one step to the next.
NEAREST, GROWTH = 6.0, 1.03
# Longest side of the reduced photo, px.
REDUCED = 700
# Steps along the ray, and rays to the side, whose colour the network sees.
ALONG = (-28, -20, -14, -9, -6, -4, -2, -1, 0, 1, 2, 4, 6, 9, 14, 20, 28)
ASIDE = (-7, -2, 0, 2, 7)


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
    farthest = 0.75 * max(shape[:2])
    steps = int(np.log(max(2.0, farthest / NEAREST)) / np.log(GROWTH)) + 1
    radius = NEAREST * GROWTH ** np.arange(steps)
    theta = np.arange(ANGLES) * (2 * np.pi / ANGLES)
    y = (centre[0] + np.sin(theta)[:, None] * radius).astype(np.float32)
    x = (centre[1] + np.cos(theta)[:, None] * radius).astype(np.float32)
    outside = (y < 0) | (x < 0) | (y > shape[0] - 1) | (x > shape[1] - 1)
    return Rays(y, x, outside)


def seen(rgb: NDArray[np.uint8], around: Rays) -> Field:
    """What the network sees of every place; shape (angles, steps, inputs).

    Parameters
    ----------
    rgb : ndarray of uint8, shape (rows, cols, 3)
        Reduced photo, glare filled in.
    around : Rays
    """
    import cv2

    from perioview.plaque_density import log_light

    logs = cv2.LUT(cv2.GaussianBlur(rgb, (3, 3), 0), np.maximum(log_light(), np.float32(-1.8)))
    polar = cv2.remap(logs, around.x, around.y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    red, green, blue = (polar[..., c] for c in range(3))
    planes = np.stack([(red + green + blue) / 3, red - green, blue - green], axis=-1)
    planes -= _bright(planes, around)
    steps = planes.shape[1]
    parts = []
    for aside in ASIDE:
        turned = np.roll(planes, -aside, axis=0)
        for along in ALONG:
            at = np.clip(np.arange(steps) + along, 0, steps - 1)
            parts.append(turned[:, at])
    # Darkest so far, deepest seam so far, and how far out this is.
    light = planes[..., 0]
    seam = np.minimum(np.roll(light, 4, axis=1), np.roll(light, -4, axis=1)) - light
    seam[:, :4] = seam[:, -4:] = 0
    so_far = [np.minimum.accumulate(light, axis=1), np.maximum.accumulate(seam, axis=1)]
    so_far += [np.maximum.accumulate(planes[..., 1], axis=1), seam]
    rest = np.stack([np.roll(p, 3, axis=1) for p in so_far[:3]] + so_far[3:], axis=-1)
    edge = np.repeat(around.outside[..., None], 1, axis=-1).astype(np.float32)
    found: Field = np.concatenate([*parts, rest, edge], axis=-1).astype(np.float32)
    return found


def _bright(planes: Field, around: Rays) -> Field:
    """Colour of what is bright around the click: enamel, as a rule."""
    near = planes[:, : planes.shape[1] * 2 // 3].reshape(-1, 3)
    lit = near[~around.outside[:, : planes.shape[1] * 2 // 3].ravel()]
    lit = lit if len(lit) > 20 else near
    top = lit[:, 0] >= np.quantile(lit[:, 0], 0.85)
    middle: Field = np.median(lit[top], axis=0).astype(np.float32)
    return middle


@cache
def _weights() -> tuple[tuple[Field, Field], ...]:
    path = resources.files("perioview").joinpath("data/outline_weights.npz")
    with path.open("rb") as file, np.load(file) as kept:
        layers = sorted(int(name[1:]) for name in kept.files if name.startswith("w"))
        return tuple(
            (kept[f"w{n}"].astype(np.float32), kept[f"b{n}"].astype(np.float32)) for n in layers
        )


def outline_odds(rgb: NDArray[np.uint8], around: Rays) -> Field:
    """Log odds that the crown's outline crosses each place; shape (angles, steps)."""
    value = seen(rgb, around)
    shape = value.shape[:2]
    value = value.reshape(-1, value.shape[-1])
    layers = _weights()
    for number, (weight, bias) in enumerate(layers):
        value = value @ weight + bias
        if number < len(layers) - 1:
            np.maximum(value, 0, out=value)
    odds: Field = value.reshape(shape)
    return odds
