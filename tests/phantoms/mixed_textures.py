"""Bone textures of generator M, for training: ten families of unit SD about zero, and mixtures."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from .finishing import noise

Array = NDArray[Any]
FAMILIES = (
    "net",
    "threshold",
    "ridges",
    "rungs",
    "uprights",
    "radial",
    "fractal",
    "dots",
    "bands",
    "pits",
    "none",
)


def _unit(field: Array) -> Array:
    field = field - field.mean()
    return np.asarray(field / max(float(field.std()), 1e-6), np.float32)


def _net(rng: np.random.Generator, shape: tuple[int, int], size: float) -> Array:
    """Walls between the cells of random seeds, at half resolution."""
    small = (shape[0] // 2 + 2, shape[1] // 2 + 2)
    cell = max(size * rng.uniform(1, 2.5), 3.0)
    rows, cols = np.mgrid[-cell : small[0] + cell : cell, -cell : small[1] + cell : cell]
    seeds = np.stack([rows.ravel(), cols.ravel()], -1)
    seeds = seeds + rng.uniform(-0.6, 0.6, seeds.shape) * cell
    at = np.stack(np.mgrid[: small[0], : small[1]], -1).reshape(-1, 2)
    near = cKDTree(seeds).query(at, k=2, eps=0.2)[0]
    wall = np.exp(-(((near[:, 1] - near[:, 0]) / (cell * rng.uniform(0.1, 0.4))) ** 2))
    big = cv2.resize(wall.reshape(small).astype(np.float32), (small[1] * 2, small[0] * 2))
    return np.asarray(big[: shape[0], : shape[1]])


def _stretched(
    rng: np.random.Generator, shape: tuple[int, int], size: float, along: float
) -> Array:
    """Noise drawn out horizontally by `along`, wavering, as ridges or as it is."""
    rows, cols = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    raw = noise(rng, (shape[0], int(shape[1] / along) + 8), size, rng.uniform(0, 0.5))
    sway = noise(rng, shape, size * 6) * np.float32(size * rng.uniform(0, 2))
    out = cv2.remap(
        raw, cols / np.float32(along), rows + sway, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT
    )
    return np.asarray(np.exp(-((out / 0.35) ** 2)) if rng.random() < 0.5 else out)


def _radial(rng: np.random.Generator, size: float, away: Array, fine: float) -> Array:
    """Struts that stand off the roots: noise slow along the distance from them."""
    rows = np.mgrid[: away.shape[0], : away.shape[1]][0].astype(np.float32)
    raw = noise(rng, away.shape, size)
    out = cv2.remap(
        raw,
        (away / fine / rng.uniform(3, 8)).astype(np.float32),
        rows + np.float32(rng.normal(0, 0.3)) * away.astype(np.float32) / np.float32(fine),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REFLECT,
    )
    return np.asarray(np.abs(out) if rng.random() < 0.4 else out)


def _dots(rng: np.random.Generator, shape: tuple[int, int], size: float) -> Array:
    spots = np.zeros(shape, np.float32)
    count = int(shape[0] * shape[1] / (size * rng.uniform(2.5, 5)) ** 2)
    at = rng.integers(0, shape[0], count), rng.integers(0, shape[1], count)
    spots[at] = rng.choice([-1.0, 1.0]) * rng.uniform(0.3, 1, count)
    return cv2.GaussianBlur(spots, (0, 0), max(size * 0.6, 0.5))


def family(
    rng: np.random.Generator,
    name: str,
    shape: tuple[int, int],
    size: float,
    away: Array,
    fine: float,
) -> Array:
    """One family's texture; `size` in px, `away` the distance from the roots in mm."""
    if name == "net":
        return _unit(_net(rng, shape, size))
    if name == "threshold":
        field = noise(rng, shape, size) - rng.uniform(-0.7, 0.7)
        return _unit(np.clip(field / rng.uniform(0.1, 0.6), -1, 1))
    if name == "ridges":
        return _unit(np.exp(-((noise(rng, shape, size * 1.5) / rng.uniform(0.15, 0.5)) ** 2)))
    if name == "rungs":
        return _unit(_stretched(rng, shape, size, rng.uniform(2, 7)))
    if name == "uprights":
        return _unit(_stretched(rng, (shape[1], shape[0]), size, rng.uniform(2, 7)).T)
    if name == "radial":
        return _unit(_radial(rng, size, away, fine))
    if name == "fractal":
        return noise(rng, shape, size, rng.uniform(0.5, 1.2))
    if name == "dots":
        return _unit(_dots(rng, shape, size))
    if name == "bands":
        return _unit(
            np.clip(noise(rng, shape, size) - noise(rng, shape, 2 * size) * 0.9, -1.5, 1.5)
        )
    if name == "pits":
        return _unit(
            -np.clip(noise(rng, shape, size) - rng.uniform(0, 1.2), 0, rng.uniform(0.3, 3))
        )
    return np.zeros(shape, np.float32)


def bone_texture(
    rng: np.random.Generator, shape: tuple[int, int], fine: float, away: Array
) -> Array:
    """A random family at a random scale (0.06 to 0.6 mm), or two of them at two scales."""
    size = max(10 ** rng.uniform(-1.2, -0.2) / fine, 0.8)
    first = family(rng, str(rng.choice(FAMILIES)), shape, size, away, fine)
    if rng.random() < 0.4:
        other = max(size * rng.choice([rng.uniform(0.25, 0.6), rng.uniform(1.8, 4)]), 0.8)
        second = family(rng, str(rng.choice(FAMILIES)), shape, other, away, fine)
        return _unit(first + rng.uniform(0.3, 1.2) * second)
    return first
