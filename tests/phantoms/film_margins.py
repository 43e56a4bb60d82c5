"""Margins of the profile films' bone: levels per site, vertical defects, plates lost, curves.

Spreads are our choice; the normal distance is the 1-2 mm (dog) and 0.5-1 mm (cat) of teaching
texts (facts.md 1f).
"""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from .film_teeth import Tooth


def _level(rng: np.random.Generator, state: str, cat: bool, root: float) -> float:
    """Crest below the junction at one site, in mm along the root, before vertical defects."""
    normal = float(rng.uniform(0.4, 1.0) if cat else rng.uniform(0.7, 1.9))
    normal = min(normal, 0.12 * root)
    if state in ("healthy", "vertical"):
        return normal
    low, high = (0.12, 0.45) if state == "horizontal" else (0.25, 0.65)
    return max(normal, root * float(rng.uniform(low, high)))


def margin_knots(
    rng: np.random.Generator, teeth: list[Tooth], state: str, cat: bool, ligament: float
) -> tuple[list[list[float]], dict[tuple[int, str, str], tuple[str, ...]]]:
    """Margin knots (x, z buccal, z lingual) from left to right, and the sites' traits."""
    knots: list[list[float]] = []
    traits: dict[tuple[int, str, str], tuple[str, ...]] = {}
    shared = _level(rng, state, cat, teeth[0].roots[0].length)
    odds = {"healthy": 0.0, "horizontal": 0.1, "vertical": 0.35, "advanced": 0.4}[state]
    for tooth in teeth:
        roots = tooth.roots if tooth.sense > 0 else tooth.roots[::-1]
        for place, root in enumerate(roots):
            for way in (-1, 1):
                side = "mesial" if way * tooth.sense < 0 else "distal"
                furcal = len(roots) > 1 and (place == 0) == (way == 1)
                key = (tooth.number, root.name, side)
                found = ["cat"] if cat else []
                own = _level(rng, state, cat, root.length)
                depth = min(0.65 * shared + 0.35 * own, 0.8 * root.length)
                if furcal:
                    found.append("furcal")
                    sunk = state in ("horizontal", "advanced") or rng.random() < odds / 3
                    depth = max(depth, tooth.trunk * 0.7)
                    if sunk and depth > 0.75 * tooth.trunk:
                        depth = max(depth, tooth.trunk + float(rng.uniform(0.2, 1.5)))
                fall = 0.0
                if not furcal and rng.random() < odds:
                    fall = float(rng.uniform(0.12, 0.45)) * root.length
                    fall = min(fall, 0.88 * root.length - depth)
                if fall > 0.6:
                    found.append("vertical")
                spread = 0.1 if state == "healthy" else 0.25
                apart = [float(rng.normal(0, spread)), float(rng.normal(0, spread))]
                lost = {"healthy": 0.03, "horizontal": 0.12, "vertical": 0.15, "advanced": 0.2}[
                    state
                ]
                if rng.random() < lost:
                    apart[int(rng.integers(2))] += float(rng.uniform(0.8, 2.5)) * (
                        0.6 if cat else 1
                    )
                traits[key] = tuple(found)
                walls = [fall, fall * float(rng.uniform(0.5, 1.0))][:: int(rng.choice([-1, 1]))]
                t = (depth + fall) / root.length
                lateral = root.half_x * (1 - root.taper * t)
                out = root.centre(t) + way * tooth.sense * (lateral + ligament)
                x = tooth.placed(float(out), 0.0, depth + fall)[0]
                rise = max(0.8, fall * float(rng.uniform(0.5, 1.1)))
                rim = [
                    tooth.placed(float(out), 0.0, min(depth + a, 0.9 * root.length))[2]
                    for a in apart
                ]
                knot = [x, rim[0] + walls[0], rim[1] + walls[1], float(furcal)]
                top = [x + way * rise, rim[0], rim[1], 0.0]
                pair = [knot, top] if fall > 0.6 else [knot]
                knots.extend(pair if way > 0 else pair[::-1])
                if way < 0:  # the margin runs lower over the root's facing side
                    dip = float(rng.uniform(0.2, 0.6)) * (0.6 if cat else 1.0)
                    middle = float(tooth.placed(float(root.centre(t)), 0.0, 0.0)[0])
                    facing = [r + 0.7 * w + dip for r, w in zip(rim, walls, strict=True)]
                    knots.append([middle, *facing, 0.0])
    return knots, traits


def margin_curves(knots: list[list[float]], lo: float, hi: float) -> tuple[np.ndarray, ...]:
    """Straight lines through the knots, slightly smoothed, on a fine axis."""
    kept = [knots[0]]
    for knot in knots[1:]:
        if knot[0] > kept[-1][0] + 0.12:
            kept.append(knot)
        elif max(knot[1:3]) > max(kept[-1][1:3]):
            kept[-1] = [kept[-1][0], *knot[1:]]
    table = np.array(kept)
    axis = np.arange(lo, hi, 0.04)
    smooth = [
        ndimage.gaussian_filter1d(np.interp(axis, table[:, 0], table[:, k]), 3.0) for k in (1, 2)
    ]
    return axis, smooth[0], smooth[1]


def margin_dome(rng: np.random.Generator, axis: np.ndarray, healthy: bool) -> np.ndarray:
    """Middle of the septum: domed (negative) in health, hollowed here and there in disease."""
    waves = ndimage.gaussian_filter1d(rng.normal(size=len(axis)), 40)
    waves /= waves.std() + 1e-9
    return np.clip((-0.15 if healthy else 0.0) + 0.15 * waves, -0.4, 0.3)
