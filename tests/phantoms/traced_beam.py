"""Source and sensor of generator D: a point source, three energies, scatter, blur, noise.

Attenuation per mm at about 30, 40 and 55 keV, from memory of published tables.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float32]
SOFT = (0.038, 0.027, 0.021)
BONE = (0.24, 0.122, 0.068)
DENTIN = (0.29, 0.145, 0.08)
ENAMEL = (0.55, 0.26, 0.135)


@dataclass(frozen=True)
class Beam:
    """A source at (x, y, distance); pictures are laid out on the plane z = 0."""

    x: float
    y: float
    distance: float

    def at_depth(self, x: Array, y: Array, z: float) -> tuple[Array, Array]:
        """Where the rays through (x, y, 0) cross depth z."""
        t = np.float32(z / self.distance)
        return x + (self.x - x) * t, y + (self.y - y) * t

    def onto_plane(self, x: Array, y: Array, z: Array) -> tuple[Array, Array]:
        """Where points are seen on the plane z = 0."""
        t = z / self.distance
        return (x - self.x * t) / (1 - t), (y - self.y * t) / (1 - t)

    def slant(self, x: Array, y: Array) -> Array:
        """Path per unit of depth."""
        return np.sqrt(
            1
            + ((self.x - x[None, :]) / self.distance) ** 2
            + ((self.y - y[:, None]) / self.distance) ** 2
        ).astype(np.float32)


@dataclass(frozen=True)
class Frame:
    """The sensor's pixels over the plane z = 0."""

    mm: float
    shape: tuple[int, int]
    middle: tuple[float, float]
    turn: float
    flip: tuple[int, int]

    def pixel(self, x: float, y: float) -> tuple[float, float]:
        u, v = self.flip[0] * (y - self.middle[0]), self.flip[1] * (x - self.middle[1])
        c, s = math.cos(self.turn), math.sin(self.turn)
        row = (c * u - s * v) / self.mm + (self.shape[0] - 1) / 2
        col = (s * u + c * v) / self.mm + (self.shape[1] - 1) / 2
        return row, col

    def plane(self, row: float, col: float) -> tuple[float, float]:
        r = (row - (self.shape[0] - 1) / 2) * self.mm
        k = (col - (self.shape[1] - 1) / 2) * self.mm
        c, s = math.cos(self.turn), math.sin(self.turn)
        return (
            self.flip[1] * (-s * r + c * k) + self.middle[1],
            self.flip[0] * (c * r + s * k) + self.middle[0],
        )

    def bounds(self, margin: float) -> tuple[float, float, float, float]:
        """Smallest and largest x, then y, of the plane that the sensor sees."""
        rows, cols = self.shape
        ends = np.array([self.plane(r, c) for r in (0, rows) for c in (0, cols)])
        low, high = ends.min(0) - margin, ends.max(0) + margin
        return float(low[0]), float(high[0]), float(low[1]), float(high[1])


def _light(rng: np.random.Generator, paths: dict[str, Array], grid: float) -> Array:
    """What is left of the beam behind all materials, with scatter, largest possible 1."""
    weights = np.array([rng.uniform(0.15, 0.35), rng.uniform(0.3, 0.45), rng.uniform(0.2, 0.4)])
    weights /= weights.sum()
    tables = {"soft": SOFT, "bone": BONE, "dentin": DENTIN, "enamel": ENAMEL}
    primary = np.zeros_like(paths["soft"])
    for k, weight in enumerate(weights):
        exponent = np.zeros_like(primary)
        for name, table in tables.items():
            exponent += np.float32(table[k]) * paths[name]
        primary += np.float32(weight) * np.exp(-exponent)
    small = cv2.resize(primary, None, fx=0.125, fy=0.125, interpolation=cv2.INTER_AREA)
    veil = cv2.GaussianBlur(small, (0, 0), rng.uniform(2.5, 5) / grid / 8)
    veil = cv2.resize(veil, primary.shape[::-1], interpolation=cv2.INTER_LINEAR)
    return np.asarray(primary + np.float32(rng.uniform(0.08, 0.3)) * veil, np.float32)


def exposure(
    rng: np.random.Generator,
    paths: dict[str, Array],
    frame: Frame,
    origin: tuple[float, float],
    grid: float,
) -> tuple[NDArray[np.generic], bool]:
    """Light, sensor and display chain: the stored pixels, and whether they are inverted."""
    light = _light(rng, paths, grid)
    corners = ((0.0, 0.0), (1.0, 0.0), (0.0, 1.0))
    seen = [frame.plane(r, c) for r, c in corners]
    first = np.array([(x - origin[0]) / grid for x, _ in seen])
    second = np.array([(y - origin[1]) / grid for _, y in seen])
    # Columns of the map: per output column, per output row, offset.
    matrix = np.array(
        [
            [first[2] - first[0], first[1] - first[0], first[0]],
            [second[2] - second[0], second[1] - second[0], second[0]],
        ]
    )
    light = cv2.warpAffine(
        light,
        matrix,
        frame.shape[::-1],
        flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    light = cv2.GaussianBlur(light, (0, 0), max(0.4, rng.uniform(0.02, 0.06) / frame.mm))
    photons = 10 ** rng.uniform(5.3, 6.7) * frame.mm**2 * 1.5
    noise = rng.standard_normal(light.shape, dtype=np.float32)
    light = light + noise * np.sqrt(np.maximum(light, 1e-3) / np.float32(photons))
    light = cv2.GaussianBlur(light, (0, 0), rng.uniform(0.35, 0.8))
    light += rng.standard_normal(light.shape, dtype=np.float32) * np.float32(
        rng.uniform(0.0005, 0.002)
    )
    return _display(rng, np.maximum(light, np.float32(2e-3)), frame.mm)


def _display(rng: np.random.Generator, light: Array, mm: float) -> tuple[NDArray[np.generic], bool]:
    if rng.random() < 0.6:
        grey = -np.log(light)
    else:
        centre = np.float32(np.quantile(light, rng.uniform(0.3, 0.6)))
        grey = 1 / (1 + (light / centre) ** np.float32(rng.uniform(1.0, 2.0)))
    if rng.random() < 0.4:
        soft = cv2.GaussianBlur(grey, (0, 0), rng.uniform(0.06, 0.25) / mm)
        grey = grey + np.float32(rng.uniform(0.3, 1.5)) * (grey - soft)
    low, high = np.quantile(grey[::3, ::3], [rng.uniform(0, 0.02), rng.uniform(0.985, 1)])
    grey = np.clip((grey - low) / (high - low), 0, 1) ** np.float32(rng.uniform(0.75, 1.35))
    inverted = bool(rng.random() < 0.3)
    grey = 1 - grey if inverted else grey
    if rng.random() < 0.5:
        return np.round(255 * grey).astype(np.uint8), inverted
    return np.round(65535 * grey).astype(np.uint16), inverted
