"""Crowns of the lit mouths (training only): outlines, relief, grooves, wear.

Incisors with lobes, curved canines, premolars and carnassials with cusps, low molars; proportions
drawn wider than those of a dog or cat.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

# Half width and height, in sizes of a tooth; the widths of dog and cat and more.
SIZES = {
    "incisor": (0.32, 0.46, 0.75, 1.25),
    "canine": (0.34, 0.5, 1.1, 1.7),
    "premolar": (0.42, 0.6, 0.75, 1.2),
    "carnassial": (0.5, 0.7, 0.8, 1.25),
    "molar": (0.42, 0.62, 0.6, 1.0),
    "block": (0.38, 0.56, 0.7, 1.2),
}
ROWS = (
    ("incisor", "incisor", "incisor", "canine", "incisor", "canine"),
    ("premolar", "premolar", "carnassial", "molar", "premolar", "canine"),
    ("incisor", "canine", "premolar", "carnassial", "molar", "block"),
)


def clouds(rng, shape, scale):
    """Smooth noise of about unit spread; `scale` px from wave to wave, or one per axis."""
    high, wide = (scale, scale) if np.isscalar(scale) else scale
    few = (max(2, int(shape[0] / high)) + 2, max(2, int(shape[1] / wide)) + 2)
    small = rng.standard_normal(few, dtype=np.float32)
    return 1.4 * cv2.resize(small, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)


def step(x, width):
    """From 0 to 1 where `x` passes 0."""
    return 1 / (1 + np.exp(-np.clip(x / width, -40, 40)))


def blur(plane, sigma):
    """Gaussian blur; of wide ones a reduced picture is enough."""
    part = int(sigma / 2.5)
    if part < 2 or min(plane.shape[:2]) < 4 * part:
        return cv2.GaussianBlur(plane, (0, 0), float(max(sigma, 0.3)))
    rows, cols = plane.shape[:2]
    small = cv2.resize(plane, (cols // part, rows // part), interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), sigma / part)
    return cv2.resize(small, (cols, rows), interpolation=cv2.INTER_LINEAR)


@dataclass
class Place:
    """Where a crown stands: middle of its neck, half width and height in px, angle."""

    kind: str
    x: float
    y: float
    half: float
    height: float
    turn: float


@dataclass
class Crown:
    """One crown in its box: mask and planes of shape (rows, cols)."""

    box: tuple
    inside: np.ndarray
    u: np.ndarray
    v: np.ndarray
    relief: np.ndarray
    groove: np.ndarray
    worn: np.ndarray


def row_of_teeth(rng, count, size):
    """Places along a straight line from 0 on; neighbours gape, touch or overlap."""
    kinds = ROWS[rng.choice(3, p=[0.3, 0.45, 0.25])]
    gap = rng.choice([rng.uniform(0.72, 0.92), rng.uniform(0.92, 1.02), rng.uniform(1.02, 1.3)])
    squeeze, places, x = rng.uniform(0.75, 1.0), [], 0.0
    for number in range(count):
        kind = str(rng.choice(kinds))
        low, high, short, tall = SIZES[kind]
        half = size * rng.uniform(low, high)
        # Seen from aside a crown is narrower.
        half = half * (squeeze if rng.random() < 0.3 else 1.0)
        height = size * rng.uniform(short, tall) * rng.uniform(0.8, 1.1)
        x += half * gap if number else 0.0
        turn = rng.normal(0, 0.05) + (rng.normal(0, 0.2) if rng.random() < 0.25 else 0)
        places.append(Place(kind, x, size * rng.normal(0, 0.03), half, height, turn))
        x += half * gap
    return places


def cusps(rng, kind):
    """Middle, height, reach and bluntness of each cusp; height of the edge between them."""
    if kind == "incisor":
        count = int(rng.choice([1, 2, 3, 3]))
        middles = np.linspace(-0.62, 0.62, count) if count > 1 else np.zeros(1)
        tips = rng.uniform(0.88, 1.0, count)
        return middles, tips, rng.uniform(0.3, 0.6, count), rng.uniform(1.5, 3, count), 0.84
    if kind == "canine":
        one = np.ones(1)
        lean = rng.uniform(-0.35, 0.35)
        return lean * one, one, (1 + abs(lean)) * one, rng.uniform(0.9, 2.2) * one, -0.2
    if kind == "molar":
        count = int(rng.integers(2, 5))
        middles = np.linspace(-0.7, 0.7, count) + rng.normal(0, 0.06, count)
        tips = rng.uniform(0.72, 1.0, count)
        return middles, tips, rng.uniform(0.3, 0.6, count), rng.uniform(1, 2.4, count), 0.6
    side = rng.choice([-1, 1])
    main = side * rng.uniform(0, 0.25)
    middles = np.array([main, main - side * rng.uniform(0.45, 0.7), main + side * 0.55])
    if kind == "premolar":
        tips = np.array([1.0, rng.uniform(0.25, 0.6), rng.uniform(0.25, 0.6)])
        reach = np.array([rng.uniform(0.7, 1.1), 0.3, 0.3])
        return middles, tips, reach, rng.uniform(0.9, 1.8, 3), rng.uniform(0.15, 0.45)
    tips = np.array([1.0, rng.uniform(0.55, 0.85), rng.uniform(0.4, 0.75)])
    reach = np.array([rng.uniform(0.45, 0.75), rng.uniform(0.4, 0.6), rng.uniform(0.3, 0.5)])
    return middles, tips, reach, rng.uniform(0.9, 2.0, 3), rng.uniform(0.3, 0.5)


def free_edge(rng, kind, u, width):
    """Height of the free edge over `u`, and where grooves run down from it."""
    if kind == "block":
        return 1 - 0.3 * np.abs(u) ** rng.uniform(2, 6), np.array([rng.uniform(-0.4, 0.4)])
    middles, tips, reach, power, low = cusps(rng, kind)
    edge = np.full_like(u, low)
    for middle, tip, far, blunt in zip(middles, tips, reach, power, strict=True):
        fall = np.minimum(np.abs(u - middle) / far, 1.5) ** np.float32(blunt)
        edge = np.maximum(edge, low + (tip - low) * (1 - fall))
    order = np.sort(middles)
    grooves = (order[1:] + order[:-1]) / 2 if len(order) > 1 else rng.uniform(-0.5, 0.5, 1)
    return edge, grooves


def crown(rng, place, shape, size, wild=1.0):
    """A crown in its box of a photo of `shape`; nothing where it would leave the photo."""
    reach = max(place.half * 1.25, 0.6 * place.height * abs(np.sin(place.turn)) + place.half)
    left, right = max(0, int(place.x - reach)), min(shape[1], int(place.x + reach) + 1)
    top = max(0, int(place.y - 0.4 * place.height))
    low = min(shape[0], int(place.y + 1.15 * place.height) + 2)
    if right - left < 12 or low - top < 12:
        return None
    yy, xx = np.mgrid[top:low, left:right].astype(np.float32)
    dx, dy = xx - place.x, yy - place.y
    cos, sin = np.float32(np.cos(place.turn)), np.float32(np.sin(place.turn))
    u, v = (dx * cos + dy * sin) / place.half, (dy * cos - dx * sin) / place.height
    here, kind = u.shape, place.kind
    bend = rng.uniform(-0.5, 0.5) if kind == "canine" else rng.uniform(-0.15, 0.15)
    u = u - np.float32(bend) * np.maximum(v, 0) ** 2
    u = u + np.float32(rng.uniform(0, 0.05)) * clouds(rng, here, size / 3)
    edge, grooves = free_edge(rng, kind, u, place.half)
    edge = edge + np.float32(rng.uniform(0, 0.02)) * clouds(rng, here, size / 8)
    worn = np.zeros(here, np.float32)
    if rng.random() < 0.3 * wild:
        cut = rng.uniform(0.55, 0.95) + rng.uniform(-0.12, 0.12) * u
        worn = (edge > cut) * step(v - cut + rng.uniform(0.02, 0.12), 0.015)
        edge = np.minimum(edge, cut)
    pinch, taper = rng.uniform(0, 0.3), rng.uniform(-0.1, 0.3) * (kind != "canine")
    side = 1 - pinch * np.exp(-np.maximum(v + 0.2, 0) / 0.2) - taper * np.clip(v, 0, 1)
    beside = (side - np.abs(u)) * np.float32(place.half / place.height)
    near = rng.uniform(0.01, 0.08)
    inner = -near * np.log(
        np.exp(np.clip(-(edge - v) / near, -60, 60)) + np.exp(np.clip(-beside / near, -60, 60))
    )
    if rng.random() < 0.12 * wild:
        # A chip out of the edge.
        at, wide = rng.uniform(-0.8, 0.8), rng.uniform(0.06, 0.3)
        gone = ((u - at) / wide) ** 2 + ((v - edge) / rng.uniform(0.04, 0.16)) ** 2
        inner = np.minimum(inner, (np.sqrt(gone) - 1) * 0.1)
    inside = (inner > 0) & (v > -0.35)
    relief, groove = raised(rng, place, u, v, inner, grooves, size)
    return Crown(np.s_[top:low, left:right], inside, u, v, relief, groove, worn.astype(np.float32))


def raised(rng, place, u, v, inner, grooves, size):
    """Relief of a crown, px, and the depth of its grooves and pits, 0 to 1."""
    here = u.shape
    bevel = np.clip(inner / rng.uniform(0.12, 0.6), 0, 1)
    dome = np.sqrt(1 - (1 - bevel) ** 2) * rng.uniform(0.3, 1.0)
    lean = rng.uniform(-0.4, 0.4)
    dome = dome - rng.uniform(0.1, 0.6) * (u - lean) ** 2 - rng.uniform(0, 0.4) * (v - 0.3) ** 2
    dome = dome + rng.uniform(0, 0.15) * np.exp(-(((v - 0.12) / 0.12) ** 2))
    groove = np.zeros(here, np.float32)
    if rng.random() < 0.7:
        for at in grooves:
            wide = rng.uniform(0.03, 0.1)
            line = np.exp(-(((u - at - rng.uniform(-0.2, 0.2) * (v - 0.7)) / wide) ** 2))
            groove = np.maximum(groove, line * step(v - rng.uniform(0.05, 0.5), 0.08))
    if rng.random() < 0.25:
        pits = step(clouds(rng, here, size / rng.uniform(10, 25)) - rng.uniform(1.6, 2.4), 0.15)
        groove = np.maximum(groove, pits)
    dome = dome - rng.uniform(0.02, 0.16) * groove
    dome = dome + rng.uniform(0, 0.02) * clouds(rng, here, size / rng.uniform(4, 14))
    return (dome * place.half * rng.uniform(0.4, 1.0)).astype(np.float32), groove
