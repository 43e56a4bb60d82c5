"""Rows of teeth of very varied shape and bone loss, for the training generators E and F.

Everything is drawn from ranges wider than believable, so that a proposal learnt here rests on
what the crest looks like and not on one anatomy. Lengths in mm; y runs apically, x along the row.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from perioview.marks import Mark

from .scene import ROW, Key

Array = NDArray[Any]


@dataclass
class Root:
    """One root: its axis, widths and, for its left and right side, the crest."""

    tooth: int
    name: str
    x: float
    half: float
    depth: float
    cej: tuple[float, float]
    length: float
    lean: float
    bend: float
    bend_power: float
    p: float
    q: float
    belly: float
    outer: tuple[bool, bool]
    marked: bool = True
    crest: list[float] = field(default_factory=lambda: [0.0, 0.0])
    second: list[float] = field(default_factory=lambda: [0.0, 0.0])

    @property
    def top(self) -> float:
        return (self.cej[0] + self.cej[1]) / 2

    @property
    def end(self) -> float:
        return self.top + self.length

    def centre(self, y: Array) -> Array:
        e = np.clip((y - self.top) / self.length, -0.2, 1)
        return self.x + self.lean * (y - self.top) + self.bend * np.clip(e, 0, 1) ** self.bend_power

    def width(self, y: Array) -> Array:
        e = np.clip((y - self.top) / self.length, 0, 1)
        swell = 1 + self.belly * np.sin(np.pi * np.clip(e * 1.5, 0, 1))
        return self.half * swell * np.clip(1 - e**self.p, 0, 1) ** self.q

    def edge(self, y: float, k: int) -> float:
        at = np.array(y)
        return float(self.centre(at) + (2 * k - 1) * self.width(at))


@dataclass
class Tooth:
    """Roots, crown and furcation of one tooth."""

    number: int
    roots: list[Root]
    roof: float
    arch: float
    crown: float
    low: float = 0.0
    extra: Root | None = None

    @property
    def middle(self) -> float:
        return (self.roots[0].edge(self.roof, 0) + self.roots[-1].edge(self.roof, 1)) / 2

    def arch_at(self, x: Array) -> Array:
        """Level of the furcation's roof."""
        return np.minimum(self.roof + self.arch * (x - self.middle) ** 2, self.low)

    def all_roots(self) -> list[Root]:
        return [*self.roots, *([self.extra] if self.extra else [])]


def teeth_row(rng: np.random.Generator) -> tuple[list[Tooth], float]:
    """Two or three neighbouring teeth, left to right, and their overall scale."""
    scale = float(np.exp(rng.uniform(np.log(0.6), np.log(1.9))))
    start = int(rng.integers(301, 311))
    numbers = [n for n in range(start, start + int(rng.integers(1, 4))) if n in ROW]
    base_cej, x, teeth = 8.0 * scale, 4.0, []
    height = scale * rng.uniform(6.5, 15)
    for number in numbers:
        cej = base_cej + scale * rng.normal(0, 0.5)
        length = min(height * rng.uniform(0.8, 1.25), 16 * scale)
        tooth = _tooth(rng, number, x, cej, length, scale)
        teeth.append(tooth)
        right = max(tooth.roots[-1].edge(y, 1) for y in np.linspace(cej, cej + length, 20))
        gap = rng.choice(
            [rng.uniform(-0.5, 0.4), rng.uniform(0.3, 1.2), rng.uniform(1, 4)], p=[0.1, 0.65, 0.25]
        )
        x = right + scale * gap
    return teeth, scale


def _tooth(
    rng: np.random.Generator, number: int, x: float, cej: float, length: float, scale: float
) -> Tooth:
    p, q = rng.uniform(1.1, 4), rng.uniform(0.4, 0.95)
    depth = length * rng.uniform(0.1, 0.3)
    lean = np.tan(np.radians(rng.normal(0, 5)))
    tilt = rng.normal(0, 0.35 * scale)
    cejs = (cej - tilt, cej + tilt)

    def root(name: str, at: float, half: float, share: float, outer: tuple[bool, bool]) -> Root:
        own = tuple(c if o else cej for c, o in zip(cejs, outer, strict=True))
        return Root(
            number,
            name,
            at,
            half,
            depth * rng.uniform(0.8, 1.2),
            (own[0], own[1]),
            length * share,
            lean,
            rng.normal(0, 0.07) * length,
            rng.uniform(1.5, 4),
            p,
            q,
            rng.uniform(-0.05, 0.2) if rng.random() < 0.5 else 0.0,
            outer,
        )

    crown = length * rng.uniform(0.4, 0.9)
    if ROW[number] == 1:
        half = length * rng.uniform(0.09, 0.25)
        return Tooth(number, [root("single", x + half, half, 1, (True, True))], 0, 0, crown)
    halves = length * rng.uniform(0.09, 0.23) * np.array([1, rng.uniform(0.75, 1.3)])
    between = length * rng.uniform(0.06, 0.4) + scale * 0.3
    splay = rng.normal(0.03, 0.06) * length
    m = root("mesial", x + halves[0], halves[0], 1, (True, False))
    wide = 2 * halves[0] + between + halves[1]
    d = root("distal", x + wide, halves[1], rng.uniform(0.8, 1.15), (False, True))
    m.bend -= splay
    d.bend += splay
    roof = cej + length * rng.uniform(0.06, 0.3)
    below = np.linspace(roof, cej + length, 12)
    for _ in range(20):  # the roots of one tooth do not cross
        between = (d.centre(below) - d.width(below)) - (m.centre(below) + m.width(below))
        if between.min() > 0.25 * scale:
            break
        m.bend -= 0.02 * length
        d.bend += 0.02 * length
    tooth = Tooth(number, [m, d], roof, 0.0, crown)
    inner = max((d.edge(roof, 0) - m.edge(roof, 1)) / 2, 0.2)
    tooth.arch = rng.uniform(0.1, 1.2) / inner
    tooth.low = min(roof + tooth.arch * (1.3 * inner) ** 2, cej + 0.75 * length)
    if rng.random() < 0.15:  # a root behind, unmarked: what lies under 208's mesial one
        tooth.extra = root(
            "behind", x + rng.uniform(0.1, 0.7) * wide, halves.min() * 0.8, 0.9, (False, False)
        )
        tooth.extra.marked = False
        tooth.extra.bend = rng.normal(0, 0.25) * length
    return tooth


def set_levels(rng: np.random.Generator, teeth: list[Tooth], scale: float) -> None:
    """Draw each root side's crest, the more apical margin, and its more coronal second one."""
    mood = rng.choice(4, p=[0.28, 0.36, 0.28, 0.08])
    base = (
        rng.uniform(0.0, 0.15),
        rng.uniform(0.1, 0.4),
        rng.uniform(0.3, 0.75),
        rng.uniform(0.7, 1.0),
    )[mood]
    spread = rng.choice([0.03, 0.1, 0.25])
    parted = rng.choice([0.05, 0.3, 0.8, 1.6], p=[0.35, 0.35, 0.2, 0.1])
    before: float | None = None
    for tooth in teeth:
        for root in tooth.all_roots():
            for k in (0, 1):
                share = base + rng.normal(0, spread)
                if rng.random() < 0.12:
                    share = rng.uniform(0, 0.95)
                y = root.top + float(np.clip(share, -0.03, 0.97)) * root.length
                if k == 0 and before is not None and rng.random() < 0.7:
                    y = before + rng.normal(0, 0.4) * scale
                y = float(np.clip(y, root.cej[k] - 0.4, root.top + 0.97 * root.length))
                if not root.outer[k]:
                    y = _below_roof(rng, tooth, root, k, y, scale)
                root.crest[k] = y
                apart = 0.0 if rng.random() < 0.3 else abs(rng.normal(0, parted)) * scale
                root.second[k] = y - min(apart, 3.0 * scale)
                before = y


def _below_roof(
    rng: np.random.Generator, tooth: Tooth, root: Root, k: int, y: float, scale: float
) -> float:
    gap = scale * (rng.uniform(0.05, 0.3) if rng.random() < 0.5 else rng.uniform(0.2, 1.2))
    for _ in range(8):
        x = root.edge(y, k)
        lowest = max(
            float(tooth.arch_at(np.array(x))) if abs(x - tooth.middle) < 3 * scale else tooth.roof,
            tooth.roof,
        )
        y = max(y, min(lowest, root.top + 0.6 * root.length) + gap)
    return min(y, root.top + 0.97 * root.length)


def margin(
    rng: np.random.Generator, x: Array, teeth: list[Tooth], which: str, scale: float
) -> Array:
    """Level of one bone margin along x: through every root side, free between them."""
    knots: list[tuple[float, float]] = []
    for tooth in teeth:
        for root in tooth.roots:
            for k in (0, 1):
                y = getattr(root, which)[k]
                at, out = root.edge(y, k), 2 * k - 1
                knots += [(at, y), (at - out * 0.3, y), (at + out * 0.15, y)]
                if rng.random() < 0.6:
                    rise = rng.choice(
                        [0.0, rng.normal(0, 0.2), -rng.uniform(0, 3) * rng.uniform(0, 1)]
                    )
                    knots.append((at + out * scale * rng.uniform(0.35, 1.1), y + scale * rise))
    knots.sort()
    xs, ys = np.array(knots).T
    step = float(x[1] - x[0])
    level = np.interp(x, xs, ys)
    width = max(int(0.2 / step), 1)
    kernel = np.hanning(2 * width + 3)
    padded = np.pad(level, len(kernel) // 2, mode="edge")
    return np.convolve(padded, kernel / kernel.sum(), mode="valid")


def crest_truth(teeth: list[Tooth]) -> dict[Key, tuple[float, float]]:
    """(x, y) of every marked side's crest, on the root's edge."""
    return {
        (root.tooth, root.name, side): (root.edge(root.crest[k], k), root.crest[k])
        for tooth in teeth
        for root in tooth.roots
        for k, side in enumerate(("mesial", "distal"))
    }


def placed_marks(rng: np.random.Generator, teeth: list[Tooth], place) -> list[Mark]:  # type: ignore[no-untyped-def]
    """CEJ and apex marks with a marker's error; `place` maps (x, y) in mm to (row, col)."""
    marks = []
    cej_sd, apex_sd = rng.uniform(0.03, 0.2), rng.uniform(0.05, 0.35)
    for tooth in teeth:
        for root in tooth.roots:
            for k, side in enumerate(("mesial", "distal")):
                if root.outer[k]:
                    x = root.edge(root.cej[k], k) + rng.normal(0, cej_sd)
                    r, c = place(x, root.cej[k] + rng.normal(0, cej_sd))
                    marks.append(Mark("cej", r, c, root.tooth, root.name, side))
            x = float(root.centre(np.array(root.end))) + rng.normal(0, apex_sd)
            r, c = place(x, root.end + rng.normal(0, apex_sd))
            marks.append(Mark("apex", r, c, root.tooth, root.name))
    return marks
