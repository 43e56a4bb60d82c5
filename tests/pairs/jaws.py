"""Repeat radiographs of the sample patients' jaws with a crest lowered by a known amount.

A generator that nothing in perioview was tuned on: solids in a jaw of two plates and a net of
struts, whose bone thins toward its margin (`sample_images`). No clinical truth.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2] / "sample_images"))

import film as films
import phantom
from anatomy import PDL_MM, Scene, Tooth
from patients import RADIOGRAPHS

from perioview.marks import Mark, Marks

TILT_DEG = 1.0
"""Standard deviation of the beam's tilt between a visit and its repeat, a guess for a holder."""


@dataclass(frozen=True)
class Repeat:
    """Two radiographs of one jaw and the marks of both, without marking error."""

    earlier: np.ndarray
    later: np.ndarray
    mm_per_px: tuple[float, float]
    before: Marks
    after: Marks
    species: str
    site: tuple[int, str, str]
    moved_mm: float


@dataclass(frozen=True)
class _Site:
    film: int
    tooth: int
    root: str
    side: str


def sites() -> tuple[_Site, ...]:
    """List the sides of roots that have a crest and a CEJ on the sample patients' films."""
    found = []
    for number, radiograph in enumerate(RADIOGRAPHS):
        if "recheck" in radiograph.path or "apex off" in radiograph.view:
            continue
        for tooth in radiograph.scene.teeth:
            if not tooth.marked or tooth.defects:
                continue
            first, last = tooth.front()[0], tooth.front()[-1]
            found.append(_Site(number, tooth.number, first.name, "mesial"))
            found.append(_Site(number, tooth.number, last.name, "distal"))
    return tuple(found)


def _with_level(scene: Scene, site: _Site, level: float) -> Scene:
    """Move the crest beside one root; the bone of the same gap ends at the same height."""
    order = sorted(scene.teeth, key=lambda t: t.x)
    at = next(i for i, t in enumerate(order) if t.number == site.tooth)
    root = next(r for r in order[at].roots if r.name == site.root)
    height = order[at].world(root.edge(level, site.side, PDL_MM), level)[1]
    moved = {site.tooth: (site.root, site.side, level)}
    facing = at + (1 if site.side == "distal" else -1)
    if 0 <= facing < len(order):
        other = order[facing]
        near = other.front()[0 if site.side == "distal" else -1]
        side = "mesial" if site.side == "distal" else "distal"
        depths = np.linspace(-2.0, near.length, 400)
        heights = [other.world(near.edge(d, side, PDL_MM), float(d))[1] for d in depths]
        moved[other.number] = (near.name, side, float(np.interp(height, heights, depths)))

    def changed(tooth: Tooth) -> Tooth:
        if tooth.number not in moved:
            return tooth
        name, side, depth = moved[tooth.number]
        roots = tuple(replace(r, **{side: depth}) if r.name == name else r for r in tooth.roots)
        return replace(tooth, roots=roots)

    return replace(scene, teeth=tuple(changed(t) for t in scene.teeth))


_KEPT: dict[Any, Any] = {}
_struts, _tooth_paths = phantom.struts, phantom.tooth_paths


def _kept(key: Any, make: Any) -> Any:
    if key not in _KEPT:
        while len(_KEPT) > 12:
            del _KEPT[next(iter(_KEPT))]
        _KEPT[key] = make()
    return _KEPT[key]


def _struts_kept(shape: Any, rng: Any, coarser: float = 1.0) -> Any:
    """Draw a net once: it is most of the work, and the same at both visits."""
    before = rng.bit_generator.state
    key = (tuple(shape), coarser, str(before["state"]))

    def make() -> Any:
        return _struts(shape, rng, coarser), rng.bit_generator.state

    net, after = _kept(key, make)
    rng.bit_generator.state = after
    return net


def _tooth_kept(tooth: Tooth, x: Any, y: Any) -> Any:
    # A tooth's own solids do not hang on the bone beside it.
    roots = tuple(replace(r, mesial=0.0, distal=0.0) for r in tooth.roots)
    key = (replace(tooth, roots=roots), x.shape, float(x[0, 0]), float(y[0, 0]))
    return _kept(key, lambda: _tooth_paths(tooth, x, y))


phantom.struts, phantom.tooth_paths = _struts_kept, _tooth_kept


def repeat(
    seed: int, moved_mm: float, site: _Site | None = None, tilt: float = TILT_DEG, jaw: int = 0
) -> Repeat:
    """Take a jaw twice: another turn, place, stretch, dose, curve, sharpness and beam tilt.

    Parameters
    ----------
    seed : int
    moved_mm : float
        By how much the crest beside one root lies lower at the second visit.
    site : _Site, optional
        Drawn if left out.
    tilt : float
        Degrees, one SD; it moves the far plate's margin against the near one's and stretches.
    jaw : int
        Another net of struts; pairs that share it are made faster.
    """
    rng = np.random.default_rng(seed)
    places = sites()
    site = site or places[int(rng.integers(len(places)))]
    chosen = RADIOGRAPHS[site.film]
    scene = replace(chosen.scene, seed=chosen.scene.seed + 7919 * (jaw + 1), probe=None)
    root = next(
        r for t in scene.teeth if t.number == site.tooth for r in t.roots if r.name == site.root
    )
    level = float(rng.uniform(0.6, max(1.0, min(3.5, 0.75 * root.length - moved_mm))))
    first = _with_level(scene, site, level)
    lean = np.deg2rad(rng.normal(0, tilt, 2))
    second = replace(
        _with_level(first, site, level + moved_mm),
        plates_apart=scene.plates_apart + scene.bone_mm * float(np.tan(lean[0])),
    )
    one = replace(chosen.film, inverted=False, seed=int(rng.integers(1 << 30)))
    other = replace(
        one,
        centre=(one.centre[0] + rng.normal(0, 0.3), one.centre[1] + rng.normal(0, 0.3)),
        turn_deg=one.turn_deg + rng.normal(0, 2),
        magnification=one.magnification * (1 + rng.normal(0, 0.005)),
        elongation=one.elongation * (1 + rng.normal(0, 0.01)),
        photons=float(rng.uniform(1800, 4500)),
        gamma=float(rng.uniform(0.65, 0.95)),
        black=float(rng.uniform(-0.06, 0.03)),
        blur_mm=float(rng.uniform(0.04, 0.065)),
        seed=int(rng.integers(1 << 30)),
    )
    images = [films.exposure(s, f) for s, f in ((first, one), (second, other))]
    marks = [_marks(s, f) for s, f in ((first, one), (second, other))]
    scale = one.row_mm / one.magnification, one.col_mm / one.magnification
    species = "cat" if "cat/" in chosen.path else "dog"
    place = (site.tooth, site.root, site.side)
    # A bisecting film stretches the jaw along its teeth, and the loss with it.
    shown = moved_mm * one.elongation
    return Repeat(images[0], images[1], scale, *marks, species, place, shown)


def _marks(scene: Scene, film: Any) -> Marks:
    return Marks(
        tuple(
            Mark(m.landmark, m.y, m.x, m.tooth, m.root, m.side)
            for m in films.marks(scene, film)
            if m.landmark != "ruler"
        )
    )
