"""Teeth of the profile films: elliptic sections swept along bowed root axes.

Sizes are of ordinary anatomy, from memory (no published table was at hand): scale 1 stands for a
dog of some 20 kg or an adult cat. Lengths are mm; local axes are x mesial to distal, y buccal to
lingual, z from the cementoenamel junction (0) to the apex.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Field = NDArray[np.float32]

# number within its quadrant: neck width, crown height, neck depth (buccolingual), length of the
# undivided trunk, then per root (name, length, neck width).
DOG = {
    1: (3.2, 5.5, 5.0, 0.0, (("single", 12.0, 3.2),)),
    2: (3.6, 6.5, 5.4, 0.0, (("single", 13.0, 3.6),)),
    3: (4.6, 7.5, 6.0, 0.0, (("single", 14.5, 4.6),)),
    4: (8.8, 18.0, 6.4, 0.0, (("single", 26.0, 8.8),)),
    5: (4.2, 4.2, 3.2, 0.0, (("single", 8.5, 4.2),)),
    6: (8.4, 5.6, 4.0, 1.9, (("mesial", 9.5, 3.3), ("distal", 10.0, 3.6))),
    7: (9.8, 6.6, 4.6, 2.1, (("mesial", 11.0, 3.8), ("distal", 11.5, 4.2))),
    8: (11.4, 7.6, 5.0, 2.4, (("mesial", 12.5, 4.3), ("distal", 13.0, 4.8))),
    9: (20.0, 12.0, 7.4, 3.4, (("mesial", 15.5, 8.0), ("distal", 15.0, 7.2))),
    10: (9.2, 5.0, 6.0, 2.0, (("mesial", 8.5, 3.8), ("distal", 8.5, 3.6))),
}
CAT = {
    3: (2.2, 2.8, 2.4, 0.0, (("single", 6.0, 2.2),)),
    4: (4.4, 9.5, 3.7, 0.0, (("single", 13.5, 4.4),)),
    7: (5.0, 4.2, 2.6, 1.3, (("mesial", 6.5, 2.0), ("distal", 6.8, 2.1))),
    8: (6.4, 5.2, 3.0, 1.5, (("mesial", 8.0, 2.5), ("distal", 8.2, 2.7))),
    9: (7.8, 5.8, 3.4, 1.6, (("mesial", 8.6, 4.0), ("distal", 6.4, 2.1))),
}


@dataclass(frozen=True, slots=True)
class Root:
    """One root: its axis starts `x0` from the tooth's middle and drifts by `lean` and `bow`."""

    name: str
    length: float
    half_x: float
    half_y: float
    x0: float
    lean: float
    bow: float
    taper: float

    def centre(self, t: Field | float) -> Field | float:
        """Local x of the axis where `t` is 0 at the neck and 1 at the apex."""
        u = np.clip(t, -0.2, 1.1)
        return self.x0 + self.lean * u + self.bow * u * np.abs(u)


@dataclass(frozen=True, slots=True)
class Tooth:
    """One tooth set in the jaw at (x, y, z), tipped in the film's plane and turned on its axis.

    `sense` is +1 where distal lies toward greater x of the jaw.
    """

    number: int
    roots: tuple[Root, ...]
    crown: tuple[float, float, float]  # half width, half depth, height
    trunk: float
    enamel: float
    pulp: float
    cusps: int
    x: float
    y: float
    z: float
    tip: float
    turn: float
    sense: int

    def local(self, x: Field, y: Field, z: Field) -> tuple[Field, Field, Field]:
        """Local coordinates of points of the jaw."""
        dx, dy, dz = x - self.x, y - self.y, z - self.z
        c, s = math.cos(self.tip), math.sin(self.tip)
        along, zl = c * dx + s * dz, c * dz - s * dx
        c, s = math.cos(self.turn), math.sin(self.turn)
        return self.sense * (c * along + s * dy), c * dy - s * along, zl

    def placed(self, xl: float, yl: float, zl: float) -> tuple[float, float, float]:
        """Return where a local point lies in the jaw, the inverse of `local`."""
        c, s = math.cos(self.turn), math.sin(self.turn)
        along, dy = c * self.sense * xl - s * yl, s * self.sense * xl + c * yl
        c, s = math.cos(self.tip), math.sin(self.tip)
        return self.x + c * along - s * zl, self.y + dy, self.z + s * along + c * zl

    @property
    def reach(self) -> float:
        """How far the tooth extends from its x."""
        lean = max(abs(r.centre(1.0)) for r in self.roots)
        return max(self.crown[0] * 1.25, lean + self.roots[0].half_x) + 2.5


def _section(xl: Field, yl: Field, half_x: Field | float, half_y: Field | float) -> Field:
    return (xl / half_x) ** 2 + (yl / half_y) ** 2


def _distance(level: Field, pitch: float, slope_y: Field) -> Field:
    """First-order distance to the surface where `level` is 1 (x and z along the array)."""
    gz, gx = np.gradient(level, pitch)
    return (level - 1) / np.sqrt(gx**2 + gz**2 + slope_y**2 + 1e-6)


def _slope_y(yl: Field, half: Field | float, level: Field) -> Field:
    return yl / half**2 / np.maximum(level, 0.3)


def _crown_half(tooth: Tooth, zl: Field) -> tuple[Field, Field]:
    half_x, half_y, height = tooth.crown
    up = np.clip(-zl / height, 0, 1)
    narrowing = 0.15 if len(tooth.roots) > 1 else 0.42
    bulge = 1 + 0.4 * up * (1 - up) - narrowing * up * np.sqrt(up)
    return half_x * bulge, half_y * (1 + 0.4 * up * (1 - up) - 0.45 * up)


def _height(tooth: Tooth, xl: Field) -> Field:
    """Crown height over x: one cusp, or a main one with lesser ones on a two-rooted tooth."""
    half_x, _, height = tooth.crown
    if len(tooth.roots) == 1:
        return np.full_like(xl, height)
    r = xl / half_x
    peaks = ((-0.05, 1.0, 0.82), (0.68, 0.5, 0.9), (-0.8, 0.3, 0.5))
    if tooth.cusps > 1:
        peaks = ((-0.6, 0.74, 0.75), (-0.02, 1.0, 0.85), (0.68, 0.46, 0.5))
    tall = [h - steep * np.sqrt((r - c) ** 2 + 0.004) for c, h, steep in peaks]
    return height * np.maximum(np.maximum.reduce(tall), 0.2)


def _sixth(t: Field) -> Field:
    square = t * t
    return square * square * square


def _canal(tooth: Tooth, root: Root, section: Field, zl: Field, t: Field, wx: Field) -> Field:
    radius = tooth.pulp * np.clip(1.2 - 0.85 * np.clip(t, 0, 1), 0.15, 1.2)
    core = (np.sqrt(section) - radius) * wx
    # The horn tapers into the crown instead of ending flat.
    core = core + np.maximum(-zl - 0.15 * tooth.crown[2], 0) * 0.4 * tooth.pulp
    return np.maximum(core, np.maximum(zl - 0.96 * root.length, -zl - 0.6 * tooth.crown[2]))


def surfaces(
    tooth: Tooth, x: Field, y: Field | float, z: Field, pitch: float
) -> tuple[Field, Field, Field, Field]:
    """Distances on a grid of the jaw: dentine's surface, enamel's reach, pulp, y-slope.

    The first is negative inside dentine; the second is how thick enamel lies there over it;
    the third is negative inside the pulp; the last is the first's derivative along y.
    """
    xl, yl, zl = (v.astype(np.float32) for v in tooth.local(x, np.float32(y) + 0 * x, z))
    half_x, half_y, height = tooth.crown
    single = len(tooth.roots) == 1
    blend = 0.16 * min(half_y, 3.0)
    total, slopes, pulp = np.zeros_like(xl), np.zeros_like(xl), np.full_like(xl, 9.0)
    cx, cy = _crown_half(tooth, zl)
    coronal = np.maximum(-zl, 0) / _height(tooth, xl)

    def joined(level: Field, half: Field | float) -> None:
        nonlocal total, slopes
        slope = _slope_y(yl, half, level)
        weight = np.exp(-np.clip(_distance(level, pitch, slope) / blend, -60, 60))
        total, slopes = total + weight, slopes + weight * slope

    for root in tooth.roots:
        t = zl / root.length
        thin = 1 - root.taper * np.clip(t, 0, 1.2)
        wx = np.where(zl < 0, cx, root.half_x * thin) if single else root.half_x * thin
        wy = np.where(zl < 0, cy, root.half_y * thin) if single else root.half_y * thin
        section = _section(xl - root.centre(t), yl, wx, wy)
        top = coronal**2 if single else (np.maximum(-zl, 0) / (0.35 * height)) ** 2
        joined(np.sqrt(section + _sixth(np.maximum(t, 0)) + top), wy)
        pulp = np.minimum(pulp, _canal(tooth, root, section, zl, t, wx))
    if not single:
        arch = tooth.trunk * (0.8 + 1.1 * (xl / half_x) ** 2)
        low = np.maximum(zl, 0) / arch
        joined(np.sqrt(_section(xl, yl, cx, cy) + coronal**2 + _sixth(low)), cy)
        wide = 1.7 * tooth.pulp
        room = (xl / (0.55 * half_x)) ** 2 + (yl / (wide * half_y)) ** 2
        room = room + ((zl + 0.08 * height) / (wide * 0.42 * height)) ** 2
        pulp = np.minimum(pulp, (np.sqrt(room) - 1) * wide * 0.4 * height)
    junction = 0.1 * half_y * (yl / half_y) ** 2
    cap = tooth.enamel * np.sqrt(np.clip((junction - zl) / 2.0, 0, 1))
    return -blend * np.log(total + 1e-26), cap, pulp, slopes / (total + 1e-26)


def grown(rng: np.random.Generator, number: int, cat: bool, scale: float, sense: int) -> Tooth:
    """Draw one tooth of ordinary proportions, standing at the origin."""
    kind = number % 100
    width, height, depth, trunk, roots = (CAT if cat else DOG)[kind]
    stretch = scale * math.exp(rng.normal(0, 0.04))
    width, height, depth = (
        v * stretch * math.exp(rng.normal(0, 0.03)) for v in (width, height, depth)
    )
    made = []
    for place, (name, length, neck) in enumerate(roots):
        single = len(roots) == 1
        half = width / 2 if single else neck * stretch / 2
        out = 0.0 if single else (-1 if place == 0 else 1)
        size = length * stretch * math.exp(rng.normal(0, 0.06))
        curve = 0.32 if kind == 4 else 0.02
        made.append(
            Root(
                name=name,
                length=size,
                half_x=half,
                half_y=depth / 2 * (1.0 if single else rng.uniform(0.82, 0.95)),
                x0=out * (width / 2 - half),
                lean=size * (out * rng.uniform(0.02, 0.16) + rng.normal(0, 0.02)),
                bow=size * (curve * rng.uniform(0.6, 1.0) + rng.normal(0, 0.03)),
                taper=rng.uniform(0.32, 0.55),
            )
        )
    return Tooth(
        number=number,
        roots=tuple(made),
        crown=(width / 2, depth / 2, height),
        trunk=trunk * stretch * rng.uniform(0.85, 1.15),
        enamel=rng.uniform(0.12, 0.22) if cat else rng.uniform(0.25, 0.5) * scale**0.5,
        pulp=rng.uniform(0.07, 0.16) if rng.random() < 0.7 else rng.uniform(0.16, 0.34),
        cusps=3 if kind == 9 else 1,
        x=0.0,
        y=0.0,
        z=0.0,
        tip=0.0,
        turn=0.0,
        sense=sense,
    )
