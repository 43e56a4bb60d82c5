"""Teeth of generator M, for training: outlines as tables, far more varied than real ones.

Not clinical truth; every range is our own choice. Lengths in mm, x along the row (mesial is left),
y runs apically. Roots are tables of axis and half width over y: any shape is as cheap as another.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from perioview.errors import InputRefused
from perioview.teeth import tooth as known_tooth

Array = NDArray[Any]
SIDES = ("mesial", "distal")
_STEPS = 160


@dataclass
class Root:
    """One root: tables of axis and half width, its CEJ on either side, which sides are free."""

    number: int
    name: str
    cej: tuple[float, float]
    top: float
    length: float
    ys: Array
    axis: Array
    half: Array
    outer: tuple[bool, bool]

    @property
    def end(self) -> float:
        """Level of the apex."""
        return self.top + self.length

    def centre(self, y: Any) -> Array:
        """Column of the axis at level y."""
        return np.asarray(np.interp(y, self.ys, self.axis))

    def width(self, y: Any) -> Array:
        """Half width at level y."""
        return np.asarray(np.interp(y, self.ys, self.half))

    def edge(self, y: Any, k: int) -> Array:
        """Column of the outline on side k (0 mesial, 1 distal)."""
        return np.asarray(self.centre(y) + (2 * k - 1) * self.width(y))

    def shift(self, dx: float) -> None:
        """Move the root along the row."""
        self.axis = self.axis + dx


@dataclass
class Tooth:
    """Roots, crown and furcation roof of one tooth."""

    number: int
    roots: list[Root]
    crown: float
    roof: float = 0.0
    arch: float = 0.0
    low: float = 0.0
    cusps: list[tuple[float, float, float]] = field(default_factory=list)

    @property
    def middle(self) -> float:
        """Column of the furcation roof's highest point."""
        a, b = self.roots[0], self.roots[-1]
        return float(a.edge(self.roof, 1) + b.edge(self.roof, 0)) / 2

    def arch_at(self, x: Any) -> Array:
        """Level of the furcation roof at column x."""
        return np.asarray(np.minimum(self.roof + self.arch * (x - self.middle) ** 2, self.low))


def _axis(rng: np.random.Generator, e: Array, length: float) -> Array:
    """Sideways course of an axis: leaning, bending, wavering, or bent sharply."""
    out = np.tan(np.radians(rng.normal(0, 6))) * length * e
    out = out + rng.normal(0, 0.07) * length * np.clip(e, 0, 1) ** rng.uniform(1.3, 5)
    if rng.random() < 0.3:
        out = out + 0.02 * rng.normal() * length * np.sin(rng.uniform(2, 9) * e + rng.uniform(0, 6))
    if rng.random() < 0.15:
        out = out + rng.normal(0, 0.4) * length * np.clip(e - rng.uniform(0.5, 0.9), 0, 1)
    return np.asarray(out)


def _half(rng: np.random.Generator, e: Array, half: float) -> Array:
    """Half width along a root: tapering, parallel, waisted, bellied, clubbed or cut off blunt."""
    inside = np.clip(e, 0, 1)
    out = np.clip(1 - inside ** rng.uniform(1, 7), 0, 1) ** rng.uniform(0.35, 1)
    if rng.random() < 0.4:
        out = out * (1 + rng.uniform(-0.15, 0.3) * np.sin(np.pi * np.clip(1.4 * inside, 0, 1)))
    if rng.random() < 0.2:  # clubbed by cementum
        at = (inside - rng.uniform(0.65, 0.85)) / rng.uniform(0.08, 0.2)
        out = out + rng.uniform(0.1, 0.4) * np.exp(-(at**2)) * np.sqrt(np.clip(1 - inside**8, 0, 1))
    if rng.random() < 0.3:
        out = out * (1 + 0.04 * np.sin(rng.uniform(5, 25) * e + rng.uniform(0, 6)))
    return np.asarray(half * np.maximum(out, 0.0))


def _root(
    rng: np.random.Generator,
    number: int,
    name: str,
    at: float,
    half: float,
    cej: tuple[float, float],
    length: float,
    outer: tuple[bool, bool],
) -> Root:
    top = (cej[0] + cej[1]) / 2
    e = np.linspace(-0.3, 1, _STEPS)
    return Root(
        number,
        name,
        cej,
        top,
        length,
        top + e * length,
        at + _axis(rng, e, length),
        _half(rng, e, half),
        outer,
    )


def _numbers(rng: np.random.Generator) -> tuple[str, list[int]]:
    """Neighbours of one quadrant that occur with one root or with a mesial and a distal one."""
    species = "cat" if rng.random() < 0.35 else "dog"
    quadrant, found = 100 * int(rng.integers(1, 5)), []
    places = {"dog": range(1, 12), "cat": (1, 2, 3, 4, 6, 7, 8, 9)}[species]
    for place in places:
        try:
            variants = known_tooth(quadrant + place, species).variants
        except InputRefused:  # a lower jaw has other teeth than an upper
            continue
        if any(v == ("single",) or v == ("mesial", "distal") for v in variants):
            found.append(quadrant + place)
    first = int(rng.integers(0, len(found) - 1))
    return species, found[first : first + int(rng.integers(1, 5))]


def _two_rooted(rng: np.random.Generator, number: int, species: str) -> bool:
    variants = known_tooth(number, species).variants
    fit = [v for v in variants if v in (("single",), ("mesial", "distal"))]
    return len(fit[int(rng.integers(0, len(fit)))]) == 2


def teeth_row(rng: np.random.Generator) -> tuple[str, list[Tooth], float]:
    """Draw species, neighbouring teeth from left to right, and their overall scale."""
    species, numbers = _numbers(rng)
    scale = float(np.exp(rng.uniform(np.log(0.5), np.log(1.8))))
    height = scale * rng.uniform(6, 14)
    teeth: list[Tooth] = []
    right = 0.0
    for number in numbers:
        length = float(np.clip(height * rng.uniform(0.75, 1.3), 5 * scale, 15 * scale))
        tooth = _tooth(rng, number, _two_rooted(rng, number, species), length, scale)
        ys = np.linspace(tooth.roots[0].top, tooth.roots[0].end, 20)
        left = min(float(r.edge(ys, 0).min()) for r in tooth.roots)
        gap = scale * rng.choice(
            [rng.uniform(-0.6, 0.3), rng.uniform(0.3, 1.3), rng.uniform(1, 4)], p=[0.1, 0.6, 0.3]
        )
        for root in tooth.roots:
            root.shift(right + gap - left)
        right = max(float(r.edge(ys, 1).max()) for r in tooth.roots)
        teeth.append(tooth)
    return species, teeth, scale


def _tooth(rng: np.random.Generator, number: int, two: bool, length: float, scale: float) -> Tooth:
    cej, tilt = scale * rng.normal(0, 0.4), rng.normal(0, 0.3 * scale)
    crown = length * rng.uniform(0.3, 1.0)
    slim = length * rng.uniform(0.08, 0.25)
    if not two:
        ends = (cej - tilt, cej + tilt)
        tooth = Tooth(
            number, [_root(rng, number, "single", 0, slim, ends, length, (True, True))], crown
        )
    else:
        tooth = _pair(rng, number, cej, tilt, length, slim, crown, scale)
    for _ in range(int(rng.integers(1, 4))):
        tooth.cusps.append((rng.uniform(-0.8, 0.8), rng.uniform(0.4, 1), rng.uniform(0.8, 4)))
    return tooth


def _pair(
    rng: np.random.Generator,
    number: int,
    cej: float,
    tilt: float,
    length: float,
    slim: float,
    crown: float,
    scale: float,
) -> Tooth:
    apart = 2 * slim + length * rng.uniform(0.05, 0.4) + 0.4 * scale
    a = _root(rng, number, "mesial", 0, slim, (cej - tilt, cej), length, (True, False))
    b = _root(
        rng,
        number,
        "distal",
        apart,
        slim * rng.uniform(0.75, 1.25),
        (cej, cej + tilt),
        length * rng.uniform(0.8, 1.15),
        (False, True),
    )
    roof = cej + length * rng.uniform(0.05, 0.3)
    ys = np.linspace(roof, cej + length, 25)
    between = float((b.edge(ys, 0) - a.edge(ys, 1)).min())
    if between < 0.4 * scale:  # roots of one tooth do not cross
        b.shift(0.4 * scale - between)
    tooth = Tooth(number, [a, b], crown, roof)
    inner = max(float(b.edge(roof, 0) - a.edge(roof, 1)) / 2, 0.2)
    tooth.arch = rng.uniform(0.1, 1.0) / inner
    tooth.low = min(roof + tooth.arch * (1.2 * inner) ** 2, cej + 0.6 * length)
    return tooth
