"""Teeth of the section generator: elliptical roots, a trunk over the furcation, a crown.

Lengths in mm; x runs along the row (mesial is low), y apically, z across the jaw toward the
cheek. A ray of the picture's point (u, v) passes x = u + z * across, y = v + z * tilt; every
solid is an interval of z for each (u, y). Shapes are this generator's own choice, from memory of
what teeth look like and drawn far wider; they are not clinical truth.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]
Span = tuple[slice, Array, Array, Array]  # columns; z from, z to, weight (rows by columns)


@dataclass
class Root:
    """One root; `levels` holds, per side, the buccal and lingual margins' projected v."""

    tooth: int
    name: str
    x: float
    z: float
    half: float
    depth: float
    top: float
    length: float
    lean: float
    z_lean: float
    bend: float
    bend_power: float
    form: tuple[float, ...]
    outer: tuple[bool, bool]
    marked: bool = True
    levels: list[tuple[float, float]] = field(default_factory=list)

    @property
    def end(self) -> float:
        return self.top + self.length

    def at(self, y: Array, grow: float = 0.0) -> tuple[Array, Array, Array, Array]:
        """Centre x and z and half axes along the row and across it, at levels y."""
        e = (y - self.top) / self.length
        x = self.x + self.lean * (y - self.top) + self.bend * np.clip(e, 0, 1) ** self.bend_power
        z = self.z + self.z_lean * (y - self.top)
        e = np.clip((y - self.top) / (self.length + grow), 0, 1)
        p, q, taper, waist, bulge, round_off = self.form
        if p > 0:
            f = (1 - e**p) ** q
        else:
            f = 1 - taper * e - waist * np.sin(np.pi * e) ** 2 + bulge * e**3
            f = np.maximum(f, 0.25) * np.sqrt(1 - e**round_off)
        rim = grow * np.sqrt(1 - e**8)
        return x, z, self.half * f + rim, self.depth * f + rim

    def span(
        self, u: Array, y: Array, across: float, grow: float = 0.0, share: float = 1.0
    ) -> tuple[Array, Array]:
        """Ends of the chord that the section's plane at each column u cuts at each level y."""
        x, z, a, c = (part[:, None] for part in self.at(y, grow))
        a, c = np.maximum(a * share, 1e-3), np.maximum(c * share, 1e-3)
        q = u[None] - x + z * across
        square = (across / a) ** 2 + 1 / c**2
        linear = q * across / a**2
        root = np.sqrt(np.clip(linear**2 - square * ((q / a) ** 2 - 1), 0, None)) / square
        middle = z - linear / square
        return middle - root, middle + root

    def outline(self, v: float, k: int, across: float, tilt: float) -> float:
        """Where, at the picture's level v, the outline of side k (0 left, 1 right) lies."""
        y = v
        for _ in range(5):
            x, z, a, c = (float(part) for part in self.at(np.array(y)))
            wide = max(float(np.hypot(a, c * across)), 1e-3)
            out = 2 * k - 1
            y = v + (z - out * across * c**2 / wide) * tilt
        return x - z * across + out * wide


@dataclass
class Tooth:
    """Roots, crown and furcation of one tooth; `cej` at its left and right outer edge."""

    number: int
    roots: list[Root]
    cej: tuple[float, float]
    bow: float
    crown: float
    cusps: tuple[float, float, float, float]
    enamel: float
    roof: float = 0.0
    arch: float = 0.0
    low: float = 0.0
    rounding: float = 0.3
    behind: Root | None = None

    def all_roots(self) -> list[Root]:
        return [*self.roots, *([self.behind] if self.behind else [])]

    def ends(self, across: float) -> tuple[float, float]:
        """Left and right edge of the tooth at its CEJ."""
        first, last = self.roots[0], self.roots[-1]
        return (
            first.outline(first.top, 0, across, 0.0),
            last.outline(last.top, 1, across, 0.0),
        )

    def cej_at(self, u: Array, across: float) -> Array:
        left, right = self.ends(across)
        s = np.clip((u - left) / (right - left), 0, 1)
        return self.cej[0] + s * (self.cej[1] - self.cej[0]) + self.bow * 4 * s * (1 - s)

    def arch_at(self, u: Array) -> Array:
        """Level of the furcation's roof."""
        a, b = self.roots[0], self.roots[-1]
        middle = (a.outline(self.roof, 1, 0, 0) + b.outline(self.roof, 0, 0, 0)) / 2
        return np.minimum(self.roof + self.arch * (u - middle) ** 2, self.low)

    def spans(self, u: Array, y: Array, across: float, grow: float = 0.0) -> Iterator[Span]:
        """Root, trunk and crown solids, widened by `grow`, as weighted z intervals."""
        fine = float(y[1] - y[0])
        reach = [r.half + abs(r.bend) + r.depth * abs(across) + grow for r in self.all_roots()]
        xs = [r.at(y[(y >= r.top - 1) & (y <= r.end)])[0] - r.z * across for r in self.all_roots()]
        left, right = self.ends(across)
        bulge = 0.5 * self.cusps[0] * (right - left) + grow
        low = min(float(x.min()) - w for x, w in zip(xs, reach, strict=True)) - 0.3
        high = max(float(x.max()) + w for x, w in zip(xs, reach, strict=True)) + 0.3
        low, high = min(low, left - bulge), max(high, right + bulge)
        cols = slice(*np.searchsorted(u, [low, high]))
        u = u[cols]
        below = np.clip((y[:, None] - self.cej_at(u, across)[None]) / fine + 0.5, 0, 1)
        own = [r.span(u, y, across, grow) for r in self.roots]
        if len(own) > 1:
            a, b = (r.at(y)[0][:, None] - r.z * across for r in (self.roots[0], self.roots[-1]))
            between = (u[None] > a) & (u[None] < b)
            trunk = np.clip((self.arch_at(u)[None] + grow - y[:, None]) / fine + 0.5, 0, 1)
            trunk = trunk * between
            s = np.clip((u[None] - a) / np.maximum(b - a, 0.1), 0, 1)
            first, last = (r.at(y, grow)[3][:, None] for r in (self.roots[0], self.roots[-1]))
            deep = (1 - s) * first + s * last
            # The roof is rounded across the jaw, so that the trunk thins out toward it.
            near = (self.arch_at(u)[None] + grow - y[:, None]) / self.rounding
            deep = deep * np.sqrt(1 - (1 - np.clip(near, 0, 1)) ** 2)
            left = (self.low + grow - y) / max(self.low - self.roof, 0.1)
            deep = deep * np.sqrt(np.clip(left, 0, 1))[:, None]
            z = (1 - s) * self.roots[0].z + s * self.roots[-1].z
            lo, hi = z - deep, z + deep
            for one, two in own:
                lo, hi = (
                    np.where(two > one, np.minimum(lo, one), lo),
                    np.where(two > one, np.maximum(hi, two), hi),
                )
            yield cols, lo, hi, below * trunk
            below = below * (1 - trunk)
        for lo, hi in own:
            yield cols, lo, hi, below
        if self.behind is not None:
            start = np.clip((y - self.cej[0]) / (0.25 * self.behind.length), 0, 1)[:, None]
            start = start**2 * (3 - 2 * start)  # it grows out of the trunk
            yield cols, *self.behind.span(u, y, across, grow), start * np.ones_like(below)
        yield self.crown_span(u, y, across, grow, cols)

    def crown_span(self, u: Array, y: Array, across: float, grow: float, cols: slice) -> Span:
        """The crown over the CEJ; a negative `grow` gives the dentine under its enamel."""
        left, right = self.ends(across)
        flare, power, lobes, phase = self.cusps
        cej = self.cej_at(u, across)[None]
        up = (cej - y[:, None]) / self.crown
        middle, half = (left + right) / 2, (right - left) / 2
        s = (u[None] - middle) / (half * (1 + flare * np.sin(np.pi * np.clip(1.6 * up, 0, 1))))
        s = s * half / max(half + grow, 0.05)
        height = (1 - 0.35 * (0.5 + 0.5 * np.cos(lobes * np.pi * s + phase))) * (
            1 - 0.5 * np.clip(np.abs(s), 0, 1) ** power
        )
        height = height + grow / self.crown
        deep = max(r.depth for r in self.roots) * 1.05 + grow
        body = np.clip(1 - np.abs(s) ** (2 if len(self.roots) == 1 else 4), 0, None) ** 0.5
        slope = np.clip(1 - (np.clip(up, 0, None) / np.maximum(height, 0.05)) ** power, 0, None)
        deep = deep * body * slope**0.6
        z = float(np.mean([r.z for r in self.roots]))
        return cols, z - deep, z + deep, np.clip(up * self.crown / (y[1] - y[0]) + 0.5, 0, 1)
