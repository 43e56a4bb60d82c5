"""The jaw of a scanned picture: two compact plates with margins of their own, septa, defects.

Bone is given as functions of space, so that voxels and truth are read from the same geometry.
Thickness of plates, lamina dura and ligament are round figures from memory of dog and cat jaws;
how loss is shared between the plates, and the shapes of defects, are my own choice.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from .scanned_teeth import ScannedTooth

Array = NDArray[np.floating]
GRID = 0.05  # of the tables along x, mm


@dataclass(frozen=True, slots=True)
class Defect:
    """A vertical defect beside one root: how deep in mm, how wide, and between which z."""

    tooth: ScannedTooth
    root: str
    side: str
    deep: float
    wide: float
    wall: tuple[float, float] | None

    def depth(self, x: Array, y: Array, z: Array | float) -> Array:
        """Return by how much the margin lies deeper at each point."""
        u, v, w = self.tooth.local(x, y, z)
        r = self.tooth.roots[self.root]
        i = r.at(v)
        sign = self.tooth.mesial * (1 if self.side == "mesial" else -1)
        off = sign * (u - r.centre_u[i]) - r.a[i]
        flank = np.where(off > 0, off / self.wide, np.maximum(-off - 0.5 * r.a[i], 0) / 0.5)
        lost = self.deep * np.exp(-(flank**1.6))
        if self.wall is not None:
            low, high = self.wall
            lost = lost * np.clip((w - low) / 0.4 + 0.5, 0, 1)
            lost = lost * np.clip((high - w) / 0.4 + 0.5, 0, 1)
        return lost


@dataclass(frozen=True, slots=True)
class Jaw:
    """Margins and envelope as tables over x from `start`; lengths in mm."""

    start: float
    buccal: Array
    lingual: Array
    middle: Array
    top_half: Array
    body_half: float
    top: float
    low: float
    bow: float
    split: float
    abrupt: float
    plate_top: float
    plate_body: float
    ligament: float
    lamina: float
    lamina_share: float
    defects: tuple[Defect, ...]

    def at(self, x: Array) -> NDArray[np.intp]:
        """Return the table index for each x."""
        index = ((x - self.start) * (1 / GRID) + 0.5).astype(np.intp)
        return np.clip(index, 0, len(self.buccal) - 1)

    def below(self, x: Array, y: Array, z: Array | float) -> Array:
        """Return how far apical to the bone's margin points lie."""
        i = self.at(x)
        s = (z - self.middle[i]) / np.maximum(self.top_half[i], 0.3) - self.split
        s = np.clip(0.5 + s / self.abrupt, 0.0, 1.0)
        s = s * s * (3 - 2 * s)
        depth = y - (self.buccal[i] * (1 - s) + self.lingual[i] * s)
        for defect in self.defects:
            depth = depth - defect.depth(x, y, z)
        return depth

    def down(self, x: Array, y: Array) -> Array:
        """Return how far down the jaw points lie: 0 at the necks, 1 at its bowed lower border."""
        return (y - self.top) / (self.low - self.top - self.bow * x**2)

    def half(self, x: Array, y: Array) -> Array:
        """Return the jaw's half thickness."""
        t = self.down(x, y)
        share = np.interp(t, [0.0, 0.15, 0.4, 0.65, 1.0], [0.0, 0.12, 0.6, 1.0, 0.9])
        closing = np.sqrt(np.clip((1 - t) / 0.16, 0.0, 1.0))
        top = self.top_half[self.at(x)]
        return (top + np.maximum(self.body_half - top, 0) * share) * closing

    def plate(self, x: Array, y: Array) -> Array:
        """Return the thickness of the compact plates."""
        t = np.clip(self.down(x, y), 0.0, 1.0)
        return self.plate_top + (self.plate_body - self.plate_top) * t**1.3

    def inside(self, x: Array, y: Array, z: Array | float) -> Array:
        """Return the depth under the jaw's outer surface, negative outside."""
        return self.half(x, y) - np.abs(z - self.middle[self.at(x)])


def sites(tooth: ScannedTooth) -> list[tuple[str, str, int]]:
    """Return (root, side, sign of u) of a tooth from small to large x."""
    order = sorted(tooth.roots.items(), key=lambda item: item[1].centre_u[0])
    named = {tooth.mesial: "mesial", -tooth.mesial: "distal"}
    return [(name, named[sign], sign) for name, _ in order for sign in (-1, 1)]


def furcal(tooth: ScannedTooth, name: str, sign: int) -> bool:
    """Whether a side faces the tooth's other root."""
    return len(tooth.roots) > 1 and (tooth.roots[name].centre_u[0] - tooth.fork) * sign < 0


def edge(tooth: ScannedTooth, name: str, sign: int, v: float, ligament: float) -> Array:
    """Return the world point beside a root at height v, a ligament away from it."""
    r = tooth.roots[name]
    i = int(r.at(np.array(v)))
    return tooth.world(r.centre_u[i] + sign * (r.a[i] + ligament), v, 0.0)


def margin(
    teeth: list[ScannedTooth],
    levels: dict[tuple[int, str, str], float],
    forks: dict[int, float],
    scallop: float,
    bump: float,
    ligament: float,
    x: Array,
) -> Array:
    """Return one plate's margin over x.

    Parameters
    ----------
    teeth : list
        From small to large x.
    levels, forks : dict
        The margin's v beside each outer side, and between the roots.
    scallop, bump : float
        How far it dips over a root and rises between teeth, in mm.
    ligament : float
        Width of the periodontal ligament in mm.
    x : ndarray
    """
    knots: list[tuple[float, float]] = []
    for tooth in teeth:
        before, knots = knots, []
        for name, side, sign in sites(tooth):
            r = tooth.roots[name]
            if furcal(tooth, name, sign):
                v = forks[tooth.number] + 0.1
            else:
                v = levels[(tooth.number, name, side)]
            if sign > 0:  # over the root's face, between its two sides
                i = int(r.at(np.array(v)))
                other = levels.get((tooth.number, name, _other(side)), v)
                face = tooth.world(r.centre_u[i], max(v, other) + scallop, 0.0)
                knots.append((face[0], face[1]))
            at = edge(tooth, name, sign, v, ligament)
            knots.append((at[0], at[1]))
        if len(tooth.roots) > 1:
            at = tooth.world(tooth.fork, forks[tooth.number], 0.0)
            knots.append((at[0], at[1]))
        # A slanting root may pass beneath the next tooth, whose own margin then counts.
        reach = min(place for place, _ in knots)
        knots = [knot for knot in before if knot[0] < reach - 0.1] + knots
    for one, two in pairwise(teeth):
        a, b = (
            edge(t, n, s, levels[(t.number, n, side)], ligament)
            for t, (n, side, s) in ((one, sites(one)[-1]), (two, sites(two)[0]))
        )
        gap = b[0] - a[0]
        if gap > 1.0:
            rise = min(bump, 0.15 * gap)
            knots.append(((a[0] + b[0]) / 2, (a[1] + b[1]) / 2 - rise))
    knots.sort()
    kept = [knots[0]]
    for knot in knots[1:]:
        if knot[0] - kept[-1][0] > 0.12:
            kept.append(knot)
    first, last = kept[0], kept[-1]
    kept = [(first[0] - 60, first[1]), (first[0] - 2.5, first[1]), *kept]
    kept += [(last[0] + 2.5, last[1]), (last[0] + 60, last[1])]
    places, heights = np.array(kept).T
    return PchipInterpolator(places, heights)(x)


def _other(side: str) -> str:
    return "distal" if side == "mesial" else "mesial"
