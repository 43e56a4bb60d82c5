"""Clicks on the roots of phantoms, as a user might place them, and what they should lead to."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parents[1]))

from phantoms.scene import Phantom

Array = NDArray[np.float64]
SIDES = ("mesial", "distal")


@dataclass(frozen=True, slots=True)
class RootSite:
    """One root of a phantom, in mm: its apex, its own CEJs, its crests, and its midline."""

    tooth: int
    root: str
    apex: Array
    cej: dict[str, Array]
    crest: dict[str, Array]
    neck: Array

    @property
    def middle(self) -> Array:
        """Point between both crests, inside the root."""
        return (self.crest["mesial"] + self.crest["distal"]) / 2

    @property
    def axis(self) -> Array:
        """Unit vector from neck to apex."""
        d = self.apex - self.neck
        return np.asarray(d / np.hypot(*d))

    def click(self, rng: np.random.Generator, low: float, high: float, stray: float) -> Array:
        """Point of the root at a random share of its length, strayed sideways."""
        share = rng.uniform(low, high)
        legs = [self.middle - self.neck, self.apex - self.middle]
        lengths = [float(np.hypot(*leg)) for leg in legs]
        at = share * sum(lengths)
        if at < lengths[0]:
            point = self.neck + legs[0] * at / lengths[0]
        else:
            point = self.middle + legs[1] * (at - lengths[0]) / max(lengths[1], 1e-6)
        width = abs(float((self.crest["mesial"] - self.crest["distal"]) @ self.normal))
        out: Array = point + self.normal * rng.normal(0, stray * max(width, 0.6))
        return out

    @property
    def normal(self) -> Array:
        """Unit vector across the root."""
        return np.array([-self.axis[1], self.axis[0]])


def root_sites(phantom: Phantom) -> Iterator[RootSite]:
    """Every root of a phantom that has an apex, a CEJ of its own and two known crests."""
    pitch = np.array(phantom.calibration.pitch)
    marks = phantom.marks

    def at(r: float, c: float) -> Array:
        return np.array([r, c]) * pitch

    for tooth in marks.teeth():
        for root in marks.roots(tooth):
            apex = [at(m.row, m.col) for m in marks.of(tooth=tooth, root=root, landmark="apex")]
            cej = {
                str(m.side): at(m.row, m.col)
                for m in marks.of(tooth=tooth, root=root, landmark="cej")
            }
            truth = phantom.truth
            crest = {s: at(*truth[tooth, root, s]) for s in SIDES if (tooth, root, s) in truth}
            if not apex or not cej or len(crest) < 2:
                continue
            middle = (crest["mesial"] + crest["distal"]) / 2
            neck = np.mean(list(cej.values()), axis=0)
            if len(cej) == 1:
                side = next(iter(cej))
                neck = cej[side] + middle - crest[side]
            if np.hypot(*(apex[0] - neck)) > 1:
                yield RootSite(tooth, root, apex[0], cej, crest, neck)
