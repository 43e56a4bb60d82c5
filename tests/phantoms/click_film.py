"""Where generator K's drawing lies on its film, and what the film makes of it."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Array = NDArray[np.float64]


class Placement:
    """Drawing coordinates (x, y) in mm on a film: turned, mirrored, gently bent, cropped."""

    def __init__(self, rng: np.random.Generator, wide: float, deep: float) -> None:
        self.mm = rng.uniform(0.05, 0.1)
        turn = rng.normal(0, 0.25)
        self.turn = np.array(
            [[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]]
        ) @ np.diag(rng.choice([-1, 1], 2))
        self.waves = [
            (
                rng.uniform(0.05, 0.35),
                rng.uniform(0.08, 0.35, 2) * rng.choice([-1, 1], 2),
                rng.uniform(0, 6, 2),
            )
            for _ in range(3)
        ]
        top = rng.uniform(0, 6) if rng.random() < 0.6 else rng.uniform(-3, 0)
        cut = rng.uniform(0, 3) if rng.random() < 0.3 else 0.0
        self.middle = np.array([(top + deep - cut) / 2, wide / 2])
        high = (deep - cut - top) * math.cos(turn) + 0.3 * wide * abs(math.sin(turn))
        broad = wide * rng.uniform(0.75, 1.1)
        self.shape = (max(int(high / self.mm), 80), max(int(broad / self.mm), 80))
        r, c = np.mgrid[: self.shape[0], : self.shape[1]].astype(float)
        r, c = (r - self.shape[0] / 2) * self.mm, (c - self.shape[1] / 2) * self.mm
        u = self.turn[0, 0] * r + self.turn[1, 0] * c
        v = self.turn[0, 1] * r + self.turn[1, 1] * c
        dy, dx = self._bent(u, v)
        self.y, self.x = u + dy + self.middle[0], v + dx + self.middle[1]

    def _bent(self, u: Array, v: Array) -> tuple[Array, Array]:
        parts = [
            (a * np.sin(k[0] * v + k[1] * u * 0.5 + f[0]), a * np.sin(k[1] * u + f[1]))
            for a, k, f in self.waves
        ]
        return sum(p[0] for p in parts), sum(p[1] for p in parts)  # type: ignore[return-value]

    def pixel(self, x: float, y: float) -> tuple[float, float]:
        """Row and column of a drawing's point."""
        goal = np.array([y, x]) - self.middle
        at = goal.copy()
        for _ in range(25):
            at = goal - np.array([float(d) for d in self._bent(np.array(at[0]), np.array(at[1]))])
        r, c = self.turn @ at / self.mm
        return float(r + self.shape[0] / 2), float(c + self.shape[1] / 2)


def grain(rng: np.random.Generator, shape: tuple[int, int], size: float | None = None) -> Array:
    """Random texture of unit SD: cloudy, veined, or of struts; `size` in px makes it cloudy."""
    kind = rng.integers(3) if size is None else 0
    size = rng.uniform(1.5, 7) if size is None else size
    step = max(1, int(size / 3))
    small = tuple(n // step + 2 for n in shape)
    field = rng.standard_normal(small)
    out = ndimage.gaussian_filter(field, size / step * rng.uniform(0.6, 1.6, 2))
    out /= out.std() + 1e-9
    if kind == 1:
        out = -np.abs(out)
    elif kind == 2:
        out = np.tanh((out - rng.uniform(-0.5, 0.5)) * 3)
    out = ndimage.zoom(out, step, order=1)[: shape[0], : shape[1]] if step > 1 else out
    out = out[: shape[0], : shape[1]]
    result: Array = (out - out.mean()) / (out.std() + 1e-9)
    return result


def exposed(rng: np.random.Generator, path: Array, mm: float) -> tuple[NDArray[np.generic], bool]:
    """Blur, display curve, noise, sharpening, clipping and polarity."""
    path = ndimage.gaussian_filter(path, rng.uniform(0.02, 0.12) / mm)
    grey = path if rng.random() < 0.4 else 1 - np.exp(-path * rng.uniform(0.5, 2))
    low, high = np.quantile(grey, [rng.uniform(0, 0.05), rng.uniform(0.97, 0.999)])
    grey = (grey - low) / max(high - low, 1e-6)
    noise = rng.standard_normal(path.shape)
    if rng.random() < 0.5:
        noise = ndimage.gaussian_filter(noise, s := rng.uniform(0.4, 1.2)) * (1 + 3 * s)
    grey = grey + 10 ** rng.uniform(-2.6, -1.3) * noise
    if rng.random() < 0.4:
        soft = ndimage.gaussian_filter(grey, rng.uniform(0.1, 0.8) / mm)
        grey = grey + rng.uniform(0.3, 1.8) * (grey - soft)
    if rng.random() < 0.3:  # uneven exposure
        slope = np.linspace(-1, 1, path.shape[1])[None] * rng.normal(0, 0.15)
        grey = grey + slope + np.linspace(-1, 1, path.shape[0])[:, None] * rng.normal(0, 0.15)
    grey = np.clip(grey, 0, 1) ** rng.uniform(0.5, 2.0)
    if rng.random() < 0.3:
        grey = 1 / (1 + np.exp(-rng.uniform(3, 7) * (grey - rng.uniform(0.3, 0.65))))
    inverted = bool(rng.random() < 0.3)
    grey = 1 - grey if inverted else grey
    return np.clip(4095 * grey, 0, 65535).astype(np.uint16), inverted
