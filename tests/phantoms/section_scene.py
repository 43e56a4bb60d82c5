"""One drawn jaw of the section generator with the true crest beside every marked root."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .scene import Key
from .section_beam import crest
from .section_bone import Jaw, draw_jaw
from .section_rows import part_roots, set_levels, tooth_row
from .section_teeth import Tooth

Array = NDArray[Any]
SIDES = ("mesial", "distal")
CELLS = 300_000  # of the fine picture; a compromise of sharpness and time


@dataclass(frozen=True)
class Scene:
    """One drawn jaw, before any picture is made of it."""

    species: str
    teeth: list[Tooth]
    scale: float
    beam: tuple[float, float]
    jaw: Jaw
    u: Array
    y: Array
    crests: dict[Key, tuple[float, float]]
    margins: dict[Key, tuple[float, float]]
    outer: dict[Key, bool]


def section_scene(rng: np.random.Generator) -> Scene:
    """Draw teeth, beam and jaw, and find the crest beside every marked root."""
    species, teeth, scale = tooth_row(rng)
    across, tilt = (np.tan(np.radians(_angle(rng))) for _ in range(2))
    beam = (float(across), float(tilt))
    part_roots(rng, teeth, scale, beam)
    set_levels(rng, teeth, scale, beam)
    roots = [r for t in teeth for r in t.all_roots()]
    left = min(r.x - r.half - 2 * abs(r.bend) - r.depth * abs(across) for r in roots)
    right = max(r.x + r.half + 2 * abs(r.bend) + r.depth * abs(across) for r in roots)
    left, right = left - 2.5 * scale, right + 2.5 * scale
    top = min(t.roots[0].top - 1.15 * t.crown for t in teeth) - scale
    end = max(r.end for r in roots) + rng.uniform(1.5, 4) * scale
    fine = float(np.clip(np.sqrt((right - left) * (end - top) / CELLS), 0.03, 0.1))
    u = np.arange(left, right, fine)
    y = np.arange(top, end + 5 * scale * abs(tilt) + fine, fine)
    jaw = draw_jaw(rng, u, teeth, scale, beam)
    crests, margins, outer = {}, {}, {}
    for root in (r for t in teeth for r in t.roots):
        for k, side in enumerate(SIDES):
            key = (root.tooth, root.name, side)
            at, v, margins[key] = crest(jaw, root, k, u, y, across)
            crests[key], outer[key] = (at, v), root.outer[k]
    y = y[y < end]
    return Scene(species, teeth, scale, beam, jaw, u, y, crests, margins, outer)


def _angle(rng: np.random.Generator) -> float:
    """Obliquity in degrees: mostly within 10, at most 25."""
    return float(np.clip(rng.normal(0, rng.choice([2.0, 7.0, 14.0], p=[0.3, 0.5, 0.2])), -25, 25))
