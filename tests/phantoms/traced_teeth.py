"""Teeth of generator D: implicit surfaces in tooth coordinates (p distal, q apical, z buccal).

Shapes are general knowledge of dental anatomy, from memory, not clinical truth.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .scene import ROW

Array = NDArray[np.float32]
# Root length of each lower tooth relative to the first premolars' mean; from memory.
RELATIVE = (0.7, 0.75, 0.9, 1.7, 0.6, 0.8, 0.9, 1.0, 1.35, 0.85, 0.5)


@dataclass(frozen=True)
class Root:
    """A bent cone with superelliptic sections and a rounded end; e runs 0 (CEJ) to 1 (apex)."""

    name: str
    p: float
    a: float
    b: float
    length: float
    lean: float
    bend: float
    hook: float
    z_lean: float
    taper: float
    cap: float
    power: float
    canal: float
    sides: tuple[bool, bool]

    def axis(self, e: Array) -> tuple[Array, Array]:
        late = np.maximum(e - 0.65, 0)
        return self.p + self.lean * e + self.bend * e * e + self.hook * late * late, self.z_lean * e

    def distances(self, p: Array, q: Array, z: float) -> tuple[Array, Array]:
        """First-order signed distance to the surface, and to the canal's wall (mm)."""
        e = np.clip(q / self.length, 0, 1.5).astype(np.float32)
        at_p, at_z = self.axis(e)
        t = np.maximum(1 - self.taper * e, 0.2)
        dp, dz = np.abs(p - at_p) + 1e-4, np.abs(z - at_z) + 1e-4
        up, uz, n = dp / (self.a * t), dz / (self.b * t), self.power
        fp, fz, fe = up**n, uz**n, e**self.cap
        slope = np.hypot(n * fp / dp, n * fz / dz)
        along = self.cap * fe / np.maximum(e, 1e-3) / self.length + self.taper * n * (
            fp + fz
        ) / t / self.length * (e > 0)
        # Of h ** (1 / n) instead of h, whose first order holds farther from the surface.
        h = fp + fz + fe
        outer = n * (h - h ** np.float32(1 - 1 / n)) / np.maximum(np.hypot(slope, along), 0.02)
        outer = np.maximum(outer, -q)
        canal = np.hypot(dp, dz * 0.8) - self.canal * self.a * t * (1 - 0.6 * e)
        return outer, np.maximum(canal, (e - 0.97) * self.length)

    def surface(self) -> tuple[Array, Array, Array]:
        """Points of the surface, one row per e, one column per angle."""
        e = (1 - np.linspace(1, 0, 240, dtype=np.float32)[:, None] ** 1.5).astype(np.float32)
        turn = np.linspace(0, 2 * np.pi, 120, endpoint=False, dtype=np.float32)[None]
        size = np.maximum(1 - self.taper * e, 0.2) * (1 - e**self.cap) ** (1 / self.power)
        c, s = np.cos(turn), np.sin(turn)
        at_p, at_z = self.axis(e)
        p = at_p + self.a * size * np.sign(c) * np.abs(c) ** (2 / self.power)
        z = at_z + self.b * size * np.sign(s) * np.abs(s) ** (2 / self.power)
        return p, np.broadcast_to(e * self.length, p.shape), z


@dataclass(frozen=True)
class Tooth:
    """Roots, the trunk between them, and a crown with an enamel cap."""

    number: int
    x: float
    y: float
    tilt: float
    half: float
    deep: float
    roots: tuple[Root, ...]
    roof: float
    height: float
    drop: float
    cusps: int
    bulge: float
    enamel: float

    def local(self, x: Array, y: Array) -> tuple[Array, Array]:
        c, s = math.cos(self.tilt), math.sin(self.tilt)
        dx, dy = x - np.float32(self.x), y - np.float32(self.y)
        return c * dx + s * dy, -s * dx + c * dy

    def world(self, p: Array, q: Array) -> tuple[Array, Array]:
        c, s = math.cos(self.tilt), math.sin(self.tilt)
        return self.x + c * p - s * q, self.y + s * p + c * q

    def trunk(self, p: Array, q: Array, z: float) -> Array:
        """Signed distance to the mass between two roots, whose lower face is an arch."""
        gap = max(self.half - 2 * self.roots[0].a, 0.1)
        arch = self.roof + 0.55 * np.minimum(np.abs(p) / gap, 2) ** 2
        waist = abs(z) - self.deep * (0.85 - 0.1 * np.clip(q / self.roof, 0, 1))
        inside = np.maximum(np.abs(p) - (self.half - self.roots[0].a), 0.8 * (q - arch))
        return np.asarray(np.maximum(np.maximum(inside, waist), -q), np.float32)

    def crown(self, p: Array, q: Array, z: float) -> tuple[Array, Array, Array]:
        """Signed distance to the crown's sides, enamel thickness, distance to the chamber."""
        side = np.minimum(np.abs(p) / self.half, 1.2)
        lobes = 0.12 * np.cos(np.pi * self.cusps * p / self.half) if self.cusps > 1 else 0.0
        tall = self.height * np.maximum(1 - self.drop * side**1.4 + lobes, 0.25)
        u = np.clip(-q / tall, 0, 1.3).astype(np.float32)
        s = np.sqrt(np.clip(1 - u**1.7, 0, 1)) * (
            1 + self.bulge * np.sin(np.pi * np.minimum(2.5 * u, 1))
        )
        s = np.maximum(s, 0.03)
        rho = ((side / s) ** 2.4 + (abs(z) / (self.deep * s)) ** 2.4) ** np.float32(1 / 2.4)
        body = (rho - 1) * min(self.half, self.deep) * s
        body = np.maximum(body, (u - 1) * tall * 0.5)
        thick = self.enamel * np.clip(3 * u, 0, 1) ** 0.7
        reach = self.roots[0].canal * (self.half if len(self.roots) > 1 else self.roots[0].a)
        across = np.hypot(p * min(1, self.deep / self.half), z)
        chamber = np.hypot(across, 1.5 * np.maximum(q, 0)) - reach * (1 - 1.7 * u)
        floor = 0.4 * self.roof if len(self.roots) > 1 else 0.0
        return body, thick, np.maximum(chamber, q - floor)


def _root(
    rng: np.random.Generator,
    name: str,
    p: float,
    size: tuple[float, float, float],
    way: float,
    sides: tuple[bool, bool],
) -> Root:
    length, a, b = size
    return Root(
        name,
        p,
        a,
        b,
        length,
        lean=length * (0.05 * way + rng.normal(0, 0.03)),
        bend=length * rng.normal(0, 0.03),
        hook=length * rng.normal(0, 0.25),
        z_lean=length * rng.normal(0, 0.03),
        taper=rng.uniform(0.3, 0.55),
        cap=rng.uniform(2.2, 4.5),
        power=rng.uniform(1.9, 2.7),
        canal=rng.uniform(0.08, 0.34),
        sides=sides,
    )


def _tooth(rng: np.random.Generator, number: int, left: float, mean_length: float) -> Tooth:
    kind = number % 100
    length = float(np.clip(mean_length * RELATIVE[kind - 1] * rng.uniform(0.88, 1.12), 5, 30))
    two = ROW[300 + kind] == 2
    a = length * (rng.uniform(0.1, 0.145) if two else rng.uniform(0.1, 0.15))
    a *= 1.15 if kind == 4 else 1.0
    deep = a * rng.uniform(1.0, 1.5)
    cej = rng.normal(0, 0.35)
    if two:
        half = 2 * a + length * rng.uniform(0.05, 0.12)
        twins = int(rng.integers(0, 2**31))
        roots = []
        for name, way, sides in (("mesial", -1, (True, False)), ("distal", 1, (False, True))):
            size = (length * rng.uniform(0.9, 1.0), a, deep)
            twin = np.random.default_rng([twins, way + 1])
            roots.append(_root(twin, name, way * (half - a), size, way, sides))
    else:
        half = a
        roots = [_root(rng, "single", 0.0, (length, a, deep), 0, (True, True))]
    pointed = kind == 4 or 5 <= kind <= 8
    return Tooth(
        number,
        left + half,
        cej,
        rng.normal(0, 0.06),
        half,
        deep,
        tuple(roots),
        roof=float(np.clip(length * rng.uniform(0.1, 0.24), 0.7, 3.5)),
        height=length * (rng.uniform(0.55, 0.75) if kind != 4 else 0.6),
        drop=rng.uniform(0.35, 0.6) if pointed and two else rng.uniform(0.05, 0.25),
        cusps=int(rng.integers(2, 4)) if kind >= 9 else 1,
        bulge=rng.uniform(0.02, 0.09),
        enamel=rng.uniform(0.25, 0.6) * math.sqrt(length / 12),
    )


def row_of_teeth(rng: np.random.Generator) -> tuple[list[Tooth], bool]:
    """Draw neighbouring teeth, 10 to 20 mm of them; True when they are as small as a cat's."""
    small = bool(rng.random() < 0.2)
    mean_length = rng.uniform(5.5, 8.0) if small else rng.uniform(9, 17)
    quadrant = int(rng.choice([200, 300]))
    last = 7 if quadrant == 200 else 11
    kind = int(rng.integers(2, last + 1))
    wide = rng.uniform(10, 19)
    teeth: list[Tooth] = []
    left = 0.0
    while kind <= last and (not teeth or left < wide - 3):
        teeth.append(_tooth(rng, quadrant + kind, left, mean_length))
        gap = rng.choice([rng.uniform(0.5, 1.2), rng.uniform(1.2, 4.0)])
        left = teeth[-1].x + teeth[-1].half + gap
        kind += 1
    return teeth, small
