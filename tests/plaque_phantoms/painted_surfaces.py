"""Surfaces and light of the held-out plaque generator: crowns as relief, two kinds of lamp.

General knowledge of teeth, dyes and photography, from memory; not clinical truth.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float32]
BANDS = np.linspace(405, 685, 15)


def field(rng: np.random.Generator, shape: tuple[int, int], size: float) -> Array:
    """Smooth random field of mean 0 and SD 1 with several octaves, the coarsest `size` px."""
    total = np.zeros(shape, np.float32)
    for octave in range(3):
        step = max(size / 2**octave, 1.5)
        small = rng.standard_normal(
            (int(shape[0] / step) + 4, int(shape[1] / step) + 4), dtype=np.float32
        )
        big = cv2.resize(small, None, fx=step, fy=step, interpolation=cv2.INTER_CUBIC)
        r, c = rng.integers(0, int(step) + 1, 2)
        total += np.float32(0.55**octave) * big[r : r + shape[0], c : c + shape[1]]
    return np.asarray((total - total.mean()) / total.std(), np.float32)


def hump(centre: float, width: float, skew: float = 0.0) -> NDArray[np.float64]:
    """An absorption band, steeper to the red for positive skew."""
    side = np.where(centre < BANDS, 1 - skew, 1 + skew)
    return np.asarray(1 / np.cosh((BANDS - centre) / (width * side)), np.float64)


def crown(
    rng: np.random.Generator, x: Array, y: Array, width: float, height: float
) -> tuple[NDArray[np.bool_], Array, Array, Array]:
    """One crown with its neck at y = 0 and tip at y = 1: mask, relief (px), u and v."""
    form = rng.choice(["point", "blade", "peg"], p=[0.25, 0.5, 0.25])
    v = y / np.float32(height)
    lean = rng.normal(0, 0.08)
    u = (x / np.float32(width) - np.float32(lean) * v).astype(np.float32)
    flank = 0.86 + 0.14 * np.sin(np.pi * np.clip(v / 0.5, 0, 1))
    if form == "point":
        tip = np.clip(1 - np.clip(v - 0.1, 0, 1) ** 1.6, 0, 1) * flank
        edge = np.abs(u) / np.maximum(tip, 0.02)
        top = v
    elif form == "blade":
        second = rng.uniform(0.2, 0.45)
        line = np.maximum(
            1 - 1.05 * np.abs(u) ** 1.25, second * np.exp(-(((np.abs(u) - 0.72) / 0.16) ** 2)) + 0.3
        )
        top = v / line
        edge = np.abs(u) / flank
    else:
        edge = np.abs(u) / flank
        top = v / (1 - 0.16 * np.abs(u) ** 3 + 0.03 * np.cos(9 * u))
    low = np.clip(top, 0, None) ** rng.uniform(2.5, 5)
    power = rng.uniform(2.2, 3.4)
    rest = 1 - np.abs(edge) ** power - low
    inside = (rest > 0) & (v > -0.35)
    relief = width * rng.uniform(0.5, 0.85) * np.clip(rest, 0, 1) ** np.float32(1 / power)
    # Developmental ridges and grooves run along the crown.
    relief += width * 0.02 * np.cos(5 * u + rng.uniform(0, 6)) * inside
    return inside, relief.astype(np.float32), u, v.astype(np.float32)


def normals(relief: Array, rough: Array) -> Array:
    """Unit normals of a relief in px, after fine bumps are added."""
    smooth = cv2.GaussianBlur(relief, (0, 0), 1.8) + rough
    gx = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=3) / 8
    gy = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=3) / 8
    out = np.dstack([-gx, -gy, np.ones_like(gx)])
    return np.asarray(out / np.linalg.norm(out, axis=2, keepdims=True), np.float32)


def _towards(azimuth: float, height: float) -> NDArray[np.float64]:
    return np.array(
        [np.cos(azimuth) * np.cos(height), np.sin(azimuth) * np.cos(height), np.sin(height)]
    )


def lamps(rng: np.random.Generator) -> tuple[list[NDArray[np.float64]], list[NDArray[np.float64]]]:
    """Directions of a ring round the lens, and of a window's panes to one side."""
    height = np.deg2rad(rng.uniform(68, 80))
    ring = [_towards(a, height) for a in np.arange(8) * np.pi / 4]
    side = rng.uniform(0, 2 * np.pi)
    panes = [
        _towards(side + da, np.deg2rad(rng.uniform(30, 55)) + dh)
        for da in (-0.2, 0.05, 0.3)
        for dh in (-0.12, 0.12)
    ]
    return ring, panes


def lit(
    normal: Array, bumpy: Array, roughness: Array, directions: list[NDArray[np.float64]]
) -> tuple[Array, Array]:
    """Mean Lambert and microfacet (GGX, Schlick) light from equal lamps, seen from the front."""
    diffuse = np.zeros(normal.shape[:2], np.float32)
    mirror = np.zeros_like(diffuse)
    a2 = (roughness**2) ** 2
    n_v = np.clip(bumpy[..., 2], 0.05, 1)
    for direction in directions:
        d = direction.astype(np.float32)
        half = d + np.array([0, 0, 1], np.float32)
        half /= np.linalg.norm(half)
        diffuse += np.clip(normal @ d, 0, None)
        n_l = np.clip(bumpy @ d, 0, None)
        n_h = np.clip(bumpy @ half, 0, 1)
        spread = a2 / (np.pi * (n_h * n_h * (a2 - 1) + 1) ** 2)
        fresnel = 0.025 + 0.975 * (1 - float(half[2])) ** 5
        shadow = 0.5 / (n_l * np.sqrt(n_v**2 * (1 - a2) + a2) + n_v * np.sqrt(n_l**2 + a2) + 1e-4)
        mirror += np.float32(fresnel) * spread * shadow * n_l
    share = np.float32(1 / len(directions))
    return (diffuse * share).astype(np.float32), (mirror * share).astype(np.float32)
