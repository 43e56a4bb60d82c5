"""Generator K, for tuning one-click proposals: drawn teeth under many random conditions.

Outlines, crowns, enamel, bone, film and crop vary far beyond one look, so that a network
trained on it cannot lean on any. It shares no code with B, C or D, which judge.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from perioview.marks import Mark

from .click_film import Placement, exposed, grain
from .scene import ROW, Key, Phantom, packed

Array = NDArray[np.float64]


@dataclass
class _Root:
    name: str
    x: float
    half: float
    length: float
    lean: float
    bow: float
    hook: float
    p: float
    q: float
    swell: float
    outer: tuple[bool, bool]
    top: float = 0.0
    levels: tuple[float, float] = (0.0, 0.0)

    def share(self, y: Array | float) -> Array:
        return np.clip((np.asarray(y, float) - self.top) / self.length, 0, 1)

    def centre(self, y: Array | float) -> Array:
        e = self.share(y)
        return (
            self.x
            + self.lean * e
            + self.bow * np.sin(math.pi * e)
            + self.hook * np.maximum(e - 0.7, 0) ** 2 / 0.09
        )

    def width(self, y: Array | float) -> Array:
        e = self.share(y)
        shape = np.clip(1 - e**self.p, 0, 1) ** self.q
        return self.half * shape * (1 + self.swell * np.exp(-(((e - 0.75) / 0.15) ** 2)))

    def edge(self, y: Array | float, k: int) -> Array:
        return self.centre(y) + (2 * k - 1) * self.width(y)


@dataclass
class _Tooth:
    number: int
    roots: list[_Root]
    left: float
    right: float
    neck: float
    tilt: float
    scallop: float
    roof: float
    depth: float

    @property
    def mid(self) -> float:
        return (self.left + self.right) / 2

    @property
    def half(self) -> float:
        return (self.right - self.left) / 2

    def cej(self, x: Array | float) -> Array:
        return self.neck + self.tilt * (np.asarray(x, float) - self.mid)


def _tooth(rng: np.random.Generator, number: int, x: float, size: float) -> _Tooth:
    length = size * rng.uniform(6.5, 14)

    def root(name: str, at: float, half: float, way: float, outer: tuple[bool, bool]) -> _Root:
        return _Root(
            name,
            at,
            half,
            length * rng.uniform(0.85, 1.1),
            rng.normal(0.35 * way, 0.5) * size,
            rng.normal(0, 0.25) * size,
            rng.normal(0, 0.35) * size * (rng.random() < 0.5),
            rng.uniform(1.1, 7),
            rng.uniform(0.4, 0.95),
            rng.uniform(-0.1, 0.35) * (rng.random() < 0.4),
            outer,
        )

    if ROW[number] == 1:
        half = length * rng.uniform(0.09, 0.24)
        roots = [root("single", x + half, half, 0, (True, True))]
        wide = 2 * half
    else:
        half = length * rng.uniform(0.09, 0.17)
        wide = 4 * half + size * rng.uniform(0.4, 3.6)
        roots = [
            root("mesial", x + half, half, -1, (True, False)),
            root("distal", x + wide - half, half * rng.uniform(0.8, 1.2), 1, (False, True)),
        ]
    made = _Tooth(
        number,
        roots,
        x,
        x + wide,
        9 + rng.normal(0, 0.5),
        rng.normal(0, 0.08),
        rng.uniform(-0.8, 1.2) * min(1, half / 1.2),
        0.0,
        size * rng.uniform(2, 5),
    )
    made.roof = made.neck + rng.uniform(0.6, 3.2)
    for r in roots:
        r.top = float(made.cej(r.x))
    return made


def _row(rng: np.random.Generator) -> list[_Tooth]:
    first = int(rng.integers(301, 311))
    size = rng.uniform(0.55, 1.35)
    x, row = 3.0, []
    for number in range(first, min(first + int(rng.integers(1, 5)), 312)):
        row.append(_tooth(rng, number, x, size * rng.uniform(0.85, 1.15)))
        gap = rng.uniform(-0.4, 1.0) if rng.random() < 0.6 else rng.uniform(1.0, 4.0)
        x = row[-1].right + gap
    return row


def _levels(rng: np.random.Generator, row: list[_Tooth], x: Array) -> tuple[Array, Array]:
    """Height of two plates' margins along x; each root keeps the more apical one."""
    general = rng.choice([rng.uniform(0, 0.2), rng.uniform(0.1, 0.5), rng.uniform(0.35, 0.8)])
    apart = rng.uniform(-1.5, 1.5) * (rng.random() < 0.5)
    knots: list[list[float]] = []
    for t in row:
        for r in t.roots:
            found = []
            for k in (0, 1):
                loss = float(np.clip(general + rng.normal(0, 0.08), -0.03, 0.85))
                y = r.top + loss * r.length
                y = y if r.outer[k] else max(y, t.roof + rng.uniform(0.2, 1.2))
                second = y - abs(apart) * rng.uniform(0.5, 1)
                knots.append([float(r.edge(y, k)), y, second])
                found.append(y)
            r.levels = (found[0], found[1])
    knots.sort()
    xs, near, far = np.array(knots).T
    soft = rng.uniform(0.05, 0.4) / (x[1] - x[0])
    return (
        ndimage.gaussian_filter1d(np.interp(x, xs, near), soft),
        ndimage.gaussian_filter1d(np.interp(x, xs, far), soft),
    )


def _hard(rng: np.random.Generator, t: _Tooth, x: Array, y: Array) -> tuple[Array, Array]:
    """Thickness of dentin and of enamel of one tooth, in mm."""
    round_, flat = rng.uniform(1.6, 4), rng.choice([0.05, rng.uniform(0.1, 0.6)])
    canal, pulp = rng.uniform(0.06, 0.45), rng.uniform(0.0, 0.7)
    above = t.cej(x) - y
    dentin = np.zeros_like(x)
    for r in t.roots:
        w = np.maximum(r.width(y), 1e-3)
        u = np.abs(x - r.centre(y)) / w
        inside = (u < 1) & (above <= 0.05) & (y < r.top + r.length)
        part = t.depth * np.clip(1 - u**round_, 0, 1) ** flat
        part -= pulp * t.depth * np.exp(-((u / canal) ** 2)) * (r.share(y) < 0.93)
        dentin = np.maximum(dentin, np.where(inside, np.maximum(part, 0), 0))
    s = (x - t.mid) / t.half
    if len(t.roots) == 2:
        arch = t.roof + rng.uniform(0.1, 0.6) * (x - t.mid) ** 2
        trunk = (above <= 0.05) & (y < arch) & (np.abs(s) < 0.8)
        dentin = np.maximum(dentin, np.where(trunk, t.depth * rng.uniform(0.6, 1), 0))
    high = t.half * rng.uniform(0.9, 2.4) if len(t.roots) == 1 else t.half * rng.uniform(0.6, 1.4)
    high = float(np.clip(high, 2.0, 9.0))
    up = np.clip(above / high, 0, 1)
    belly, low = rng.uniform(-0.02, 0.28), rng.uniform(0.15, 0.6)
    side = 1 + belly * np.sin(math.pi * np.minimum(up / low / 2, 0.5)) - 0.0
    side *= np.clip(1 - (up ** rng.uniform(1.2, 5)) * rng.uniform(0.3, 1), 0, 1)
    shift = rng.normal(0, 0.15) * up
    at = np.abs(s - shift)
    lid = 1 - rng.uniform(0, 0.6) * at ** rng.uniform(1, 3)
    lid += rng.uniform(0, 0.15) * np.cos(s * rng.uniform(2, 9) + rng.uniform(0, 6))
    crown = (above > 0) & (at < side) & (up < lid) & (up < 1)
    dentin = np.where(crown, t.depth * np.clip(1 - at**4, 0, 1) ** flat, dentin)
    thick, ramp = rng.uniform(0.1, 0.8), rng.uniform(0.05, 0.6)
    cover = np.clip(up / ramp, 0, 1) ** rng.uniform(0.4, 1.5)
    shell = crown & (((side - at) * t.half < thick * cover) | ((lid - up) * high < thick))
    # Enamel on the near and far face ends on a curve that rises or sinks between the sides.
    face = np.clip((above - t.scallop * (1 - s**2)) / rng.uniform(0.1, 1.5), 0, 1)
    enamel = np.where(shell, t.depth * rng.uniform(0.2, 0.6), 0)
    return dentin, enamel + np.where(crown, face * t.depth * rng.uniform(0, 0.35), 0)


def _bone(
    rng: np.random.Generator, x: Array, y: Array, margins: tuple[Array, Array], near: Array
) -> Array:
    """Thickness of bone, with its texture, ligament space and lamina, in mm."""
    total, share, rise = rng.uniform(3, 10), rng.uniform(0.3, 0.9), rng.uniform(0.05, 1.2)
    bone = np.zeros_like(x)
    for margin, part in zip(margins, (share, 1 - share), strict=True):
        bone += part * np.sqrt(np.clip((y - margin) / rise, 0, 1))
        line = np.exp(-(((y - margin - 0.2) / 0.15) ** 2))
        bone += part * rng.uniform(0, 0.4) * (rng.random() < 0.5) * line
    gap = rng.uniform(0.08, 0.35)
    space = 1 - rng.uniform(0.1, 1) * np.exp(-((np.maximum(near - gap / 2, 0) / gap * 1.5) ** 4))
    dura = rng.uniform(0, 0.5) * (rng.random() < 0.7)
    band = dura * np.exp(-(((near - gap - 0.15) / rng.uniform(0.08, 0.2)) ** 2)) * (near > 0)
    texture = grain(rng, x.shape) * rng.uniform(0.02, 0.3)
    bone *= np.clip(1 + texture, 0.1, None) * np.where(near > 0, space, rng.uniform(0.2, 1)) + band
    floor = y.max() - rng.uniform(-6, 4) + rng.normal(0, 0.06) * (x - x.mean())
    if rng.random() < 0.5:  # the jaw's lower border, with its thick cortex
        bone *= 1 / (1 + np.exp(np.clip((y - floor) / 0.1, -30, 30)))
        bone *= 1 + rng.uniform(0, 1) * np.exp(-(((y - floor + 0.8) / 0.6) ** 2))
    if rng.random() < 0.4:  # a canal, or a cavity's lower half, across the apices
        middle = floor - rng.uniform(0, 6)
        bone *= 1 - rng.uniform(0.1, 0.6) * np.exp(-(((y - middle) / rng.uniform(0.5, 1.6)) ** 4))
    return total * bone


def click_phantom(seed: int) -> Phantom:
    """Make one radiograph of generator K."""
    rng = np.random.default_rng([69, seed])
    row = _row(rng)
    wide = max(t.right for t in row) + 3
    deep = max(r.top + r.length for t in row for r in t.roots) + rng.uniform(0.5, 6)
    place = Placement(rng, wide, deep)
    x, y = place.x, place.y
    line = np.linspace(-6, wide + 6, 900)
    first, second = _levels(rng, row, line)
    margins = (np.interp(x, line, first), np.interp(x, line, second))
    dentin, enamel = np.zeros_like(x), np.zeros_like(x)
    for t in row:
        d, e = _hard(rng, t, x, y)
        merge = np.maximum if rng.random() < 0.7 else np.add
        dentin, enamel = merge(dentin, d), np.maximum(enamel, e)
    near = ndimage.distance_transform_edt((dentin + enamel) == 0) * place.mm
    bone = _bone(rng, x, y, margins, near)
    ends = [(float(r.centre(r.top + r.length)), r.top + r.length) for t in row for r in t.roots]
    for ax, ay in ends:
        if rng.random() < 0.12:  # bone lost around an apex
            size = rng.uniform(0.6, 2.2)
            bone *= 1 - rng.uniform(0.3, 0.9) * np.exp(-((np.hypot(x - ax, y - ay) / size) ** 4))
    gum_top = ndimage.gaussian_filter1d(second, 40) - rng.uniform(0.3, 3)
    gum_top = np.interp(x, line, np.minimum(gum_top, 9 + rng.uniform(-2.5, 3)))
    gum = rng.uniform(3, 9) * np.sqrt(np.clip((y - gum_top) / rng.uniform(0.05, 2), 0, 1))
    mu = rng.uniform([0.008, 0.04, 0.07, 0.05], [0.05, 0.11, 0.17, 0.2])
    path = mu[0] * gum + mu[1] * bone + mu[2] * dentin + mu[3] * enamel
    if rng.random() < 0.3:  # crowns of the other jaw
        lid = rng.uniform(0, 4) + 0.6 * np.sin(x * rng.uniform(0.4, 1.5))
        path += np.where(y < lid, rng.uniform(0.3, 1.2), 0)
    path += rng.uniform(0, 0.15) * grain(rng, x.shape, 3.0 / place.mm)
    pixels, inverted = exposed(rng, path, place.mm)
    return _phantom(seed, row, place, pixels, inverted)


def _phantom(
    seed: int, row: list[_Tooth], place: Placement, pixels: NDArray[np.generic], inverted: bool
) -> Phantom:
    marks: list[Mark] = []
    truth: dict[Key, tuple[float, float]] = {}
    for t in row:
        for r in t.roots:
            for k, side in enumerate(("mesial", "distal")):
                truth[t.number, r.name, side] = place.pixel(
                    float(r.edge(r.levels[k], k)), r.levels[k]
                )
                if r.outer[k]:
                    at = float(r.edge(r.top, k))
                    for _ in range(5):
                        at = float(r.edge(t.cej(at), k))
                    marks.append(
                        Mark("cej", *place.pixel(at, float(t.cej(at))), t.number, r.name, side)
                    )
            end = r.top + r.length
            marks.append(Mark("apex", *place.pixel(float(r.centre(end)), end), t.number, r.name))
    image, packed_marks, scale = packed(pixels, inverted, marks, place.mm, f"e{seed}.png")
    return Phantom(image, packed_marks, scale, truth, dict.fromkeys(truth, ()))
