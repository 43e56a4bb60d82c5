"""What is in a generator M picture and is no crest: each thing with its own small chance.

Densities are in units of the bone's; every function adds to `density` in place.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from .finishing import noise
from .mixed_teeth import Tooth

Array = NDArray[Any]


@dataclass
class Canvas:
    """The picture under way: axes in mm, pixel in mm, teeth, their scale and most apical levels."""

    x: Array
    y: Array
    fine: float
    scale: float
    teeth: list[Tooth]
    crest: dict[tuple[int, int, int], float]

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return len(self.y), len(self.x)

    @property
    def low(self) -> float:
        """Level of the deepest apex."""
        return max(r.end for t in self.teeth for r in t.roots)

    def px(self, points: Array) -> Array:
        """(x, y) in mm to the whole pixels cv2 draws with, times 16 (shift=4)."""
        return np.round((points - [self.x[0], self.y[0]]) / self.fine * 16).astype(np.int32)

    def filled(self, points: Array, blur: float = 0.0) -> Array:
        """Mask of a polygon, its edge blurred by `blur` mm."""
        mask = np.zeros(self.shape, np.uint8)
        cv2.fillPoly(mask, [self.px(points)], 255, cv2.LINE_AA, shift=4)
        soft = mask.astype(np.float32) / 255
        return soft if blur < 0.02 else cv2.GaussianBlur(soft, (0, 0), blur / self.fine)

    def line(self, points: Array, wide: float) -> Array:
        """Mask of a drawn line `wide` mm thick."""
        mask = np.zeros(self.shape, np.uint8)
        thick = max(round(wide / self.fine), 1)
        cv2.polylines(mask, [self.px(points)], False, 255, thick, cv2.LINE_AA, shift=4)
        return mask.astype(np.float32) / 255

    def level(self, rng: np.random.Generator, at: float, sway: float) -> Array:
        """A level over x that wanders about `at`."""
        x = (self.x - self.x[0]) / self.scale
        out = at + sway * np.sin(x / rng.uniform(1.5, 8) + rng.uniform(0, 6))
        return np.asarray(out + rng.normal(0, 0.08) * (self.x - self.x.mean()))


def _blob(rng: np.random.Generator, at: tuple[float, float], wide: float, high: float) -> Array:
    angle = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    r = 1 + rng.normal(0, 0.12) * np.sin(2 * angle) + rng.normal(0, 0.1, 24)
    return np.stack([at[0] + wide * r * np.cos(angle), at[1] + high * r * np.sin(angle)], -1)


def bony_marks(rng: np.random.Generator, c: Canvas, density: Array) -> None:
    """Canal, foramina, palatal fissure, floor of sinus or nose, lower border of the jaw."""
    rows = c.y[:, None]
    if rng.random() < 0.3:
        at, half = (
            c.level(rng, c.low + c.scale * rng.uniform(-2, 3), c.scale * 0.4),
            c.scale * rng.uniform(0.2, 1),
        )
        off = (rows - at[None]) / half
        density -= rng.uniform(0.1, 0.6) * density * np.exp(-(off**4))
        density += rng.uniform(0, 0.4) * np.exp(-(((np.abs(off) - 1.1) / 0.15) ** 2))
    if rng.random() < 0.2:
        for _ in range(int(rng.integers(1, 4))):
            at = rng.uniform(c.x[0], c.x[-1]), c.low - c.scale * rng.uniform(-2, 3)
            size = c.scale * rng.uniform(0.2, 0.9)
            hole = c.filled(
                _blob(rng, at, size * rng.uniform(0.6, 2), size), rng.uniform(0.03, 0.2)
            )
            density -= rng.uniform(0.1, 0.6) * density * hole
    if rng.random() < 0.1:
        at, half = rng.uniform(c.x[0], c.x[-1]), c.scale * rng.uniform(0.6, 1.5)
        hole = c.filled(_blob(rng, (at, c.low), half, c.scale * rng.uniform(2, 4)), 0.1)
        density -= rng.uniform(0.1, 0.5) * density * hole
    if rng.random() < 0.25:
        at = c.level(rng, c.low + c.scale * rng.uniform(-2.5, 2), c.scale * rng.uniform(0.1, 0.8))
        off = rows - at[None]
        density += rng.uniform(0.1, 0.6) * np.exp(-((off / rng.uniform(0.06, 0.3)) ** 2))
        density -= rng.uniform(0, 0.5) * density * np.clip(off / 0.2, 0, 1)
    if rng.random() < 0.12:
        edge = c.level(rng, c.low + c.scale * rng.uniform(0.3, 2.5), c.scale * 0.3)
        density *= 1 - rng.uniform(0.4, 1) * np.clip((rows - edge[None]) / 0.3 + 0.5, 0, 1)

    for root in (r for t in c.teeth for r in t.roots):
        if rng.random() < 0.06:  # bone lost about an apex
            at, size = (float(root.centre(root.end)), root.end), c.scale * rng.uniform(0.3, 1.3)
            hole = c.filled(_blob(rng, at, size, size), c.scale * rng.uniform(0.05, 0.3))
            density -= rng.uniform(0.2, 0.8) * density * hole


def soft_marks(rng: np.random.Generator, c: Canvas, density: Array) -> None:
    """Folds of cheek and lip, the other jaw's ghost, a tube, gauze."""
    rows, cols = c.y[:, None], c.x[None]
    if rng.random() < 0.25:
        for _ in range(int(rng.integers(1, 3))):
            at = c.level(rng, rng.uniform(c.y[0], c.low), c.scale * rng.uniform(0.3, 2))
            tilt, soft = rng.normal(0, 0.6), c.scale * 10 ** rng.uniform(-1, 0.3)
            off = rows - at[None] + tilt * (cols - c.x.mean())
            density += rng.uniform(0.03, 0.25) * np.clip(
                rng.choice([-1, 1]) * off / soft + 0.5, 0, 1
            )
    if rng.random() < 0.15:
        tall = rng.uniform(0.5, 1.5)
        small = cv2.resize(density[::4, ::4], c.shape[::-1], interpolation=cv2.INTER_LINEAR)
        ghost = cv2.GaussianBlur(
            small[::-1] if rng.random() < 0.6 else small, (0, 0), tall / c.fine
        )
        density += rng.uniform(0.05, 0.3) * np.roll(
            ghost, int(rng.normal(0, 60)), rng.integers(0, 2)
        )
    if rng.random() < 0.06:
        off = rows - c.level(rng, rng.uniform(c.y[0], c.low), c.scale)[None]
        off = np.abs(off + rng.normal(0, 0.8) * (cols - c.x.mean())) / (
            c.scale * rng.uniform(1, 2.5)
        )
        wall = np.exp(-(((off - 0.9) / 0.1) ** 2))
        density += (
            rng.uniform(0.05, 0.2) * np.clip(1 - off, 0, 0.1) * 5 + rng.uniform(0, 0.3) * wall
        )
    if rng.random() < 0.06:
        turn, period = rng.uniform(0, np.pi), rng.uniform(0.3, 1.2)
        for a in (turn, turn + np.pi / 2):
            wave = np.sin((np.cos(a) * cols + np.sin(a) * rows) * 2 * np.pi / period)
            density += rng.uniform(0.01, 0.05) * wave
    if rng.random() < 0.3:
        density += rng.uniform(0.02, 0.15) * noise(rng, c.shape, 40, 0.5)


def crossing_root(rng: np.random.Generator, c: Canvas, density: Array) -> None:
    """An unmarked root or tooth lying across the row."""
    if rng.random() > 0.14:
        return
    at = np.array([rng.uniform(c.x[0], c.x[-1]), c.low + c.scale * rng.uniform(-1, 2)])
    lean, long = rng.normal(0, 0.5), c.scale * rng.uniform(4, 10)
    way = np.array([np.sin(lean), np.cos(lean)])
    across, e = np.array([way[1], -way[0]]), np.linspace(0, 1, 20)[:, None]
    half = c.scale * rng.uniform(0.5, 1.5) * np.sqrt(e * (2 - e)) * (1 - 0.3 * e)
    spine = at - way * long * e
    mask = c.filled(np.vstack([spine + across * half, (spine - across * half)[::-1]]), 0.05)
    ring = np.clip(cv2.GaussianBlur(mask, (0, 0), 0.25 / c.fine) * (1 - mask) * 2, 0, 1)
    strength = rng.uniform(0.1, 0.5)
    density += strength * mask - strength * rng.uniform(0, 0.8) * ring


def tooth_marks(rng: np.random.Generator, c: Canvas, density: Array, inside: Array) -> None:
    """Calculus, fractures, restorations, root fillings, wires."""
    for t, tooth in enumerate(c.teeth):
        for r, root in enumerate(tooth.roots):
            for k in (0, 1):
                free = c.crest[t, r, k] - 0.5 * c.scale - root.cej[k]
                if root.outer[k] and free > 0 and rng.random() < 0.12:
                    y = root.cej[k] + rng.uniform(-0.5, 1) * free
                    size = min(c.scale * rng.uniform(0.15, 0.6), 0.45 * free + 0.1)
                    at = float(root.edge(y, k)) + (2 * k - 1) * 0.4 * size
                    density += rng.uniform(0.15, 0.9) * c.filled(
                        _blob(rng, (at, y), size, size), 0.05
                    )
            if rng.random() < 0.05:
                y, slant = root.top + rng.uniform(0.1, 0.9) * root.length, rng.normal(0, 0.5)
                ends = [(float(root.edge(y, k)), y + (2 * k - 1) * slant * c.scale) for k in (0, 1)]
                crack = c.line(np.array(ends), rng.uniform(0.05, 0.25)) * inside
                density -= rng.uniform(0.1, 0.6) * density * crack
            if rng.random() < 0.05:
                ys = np.linspace(
                    root.top - 0.5, root.top + rng.uniform(0.6, 0.97) * root.length, 12
                )
                density += rng.uniform(0.5, 2) * c.line(
                    np.stack([root.centre(ys), ys], -1), 0.3 * c.scale
                )
        if rng.random() < 0.08:  # caries or resorption
            root = tooth.roots[int(rng.integers(0, len(tooth.roots)))]
            y = root.top + rng.uniform(-0.3, 0.8) * root.length
            at, size = (float(root.edge(y, int(rng.integers(0, 2)))), y), c.scale * 0.4
            hole = c.filled(_blob(rng, at, size * rng.uniform(0.3, 1), size), 0.08) * inside
            density -= rng.uniform(0.1, 0.6) * density * hole
        if rng.random() < 0.06:
            x = float(tooth.roots[0].centre(tooth.roots[0].top))
            at = (x + rng.normal(0, 0.5) * c.scale, tooth.roots[0].top - 0.5 * tooth.crown)
            size = c.scale * rng.uniform(0.3, 1.1)
            density += rng.uniform(0.5, 3) * c.filled(_blob(rng, at, size, 0.7 * size), 0.03)
    if rng.random() < 0.05:
        ends = np.array(
            [[rng.uniform(c.x[0], c.x[-1]), rng.uniform(c.y[0], c.low)] for _ in range(3)]
        )
        density += rng.uniform(0.5, 2.5) * c.line(ends, rng.uniform(0.15, 0.5))
