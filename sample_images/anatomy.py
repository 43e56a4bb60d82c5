"""Teeth and jaw as shapes, and where their landmarks truly are.

World frame: millimetres, ``x`` from mesial to distal along the arcade, ``y`` from the crowns toward
the apices. Every tooth has its own frame whose ``y = 0`` is the cementoenamel junction.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

Map = NDArray[np.float64]

# Width of the periodontal ligament space beside every root.
PDL_MM = 0.20
# Healthy furcal ligament keeps its width up to the roof; the mark stays this much coronal of it so
# that rounding to 1/1024 px cannot put it beyond.
ROOF_MM = 0.03


@dataclass(frozen=True, slots=True)
class Root:
    """One root in its tooth's frame: edges at the CEJ, apex, and bone levels below the CEJ (mm)."""

    name: str
    left: float
    right: float
    apex_x: float
    length: float
    mesial: float
    distal: float
    taper: float = 0.35
    depth: float = 1.0
    behind: bool = False
    cej: tuple[str, ...] = ("mesial", "distal")

    def centre(self, y: Map) -> Map:
        """Give the centre line's x at depth ``y``; curved toward the apex."""
        t = np.clip(y / self.length, 0, 1.1)
        middle = (self.left + self.right) / 2
        return middle + (self.apex_x - middle) * t**1.4

    def half(self, y: Map, grown: float = 0.0) -> Map:
        """Give the half width at depth ``y`` of the root grown by ``grown`` mm; 0 past its tip."""
        t = np.clip(y / (self.length + grown), 0, 1)
        cone = (self.right - self.left) / 2 * (1 - self.taper * t) + grown
        return np.asarray(cone * np.sqrt(1 - t**3.4))

    def edge(self, y: float, side: str, grown: float = 0.0) -> float:
        """Give the x of the root's edge on one side at depth ``y``."""
        depth = np.asarray(y, dtype=float)
        sign = -1 if side == "mesial" else 1
        return float(self.centre(depth) + sign * self.half(depth, grown))

    def solid(self, x: Map, y: Map, grown: float, thickness: float) -> Map:
        """Give the chord through the root grown by ``grown``, elliptical across the beam, in mm."""
        half = self.half(y, grown)
        with np.errstate(divide="ignore", invalid="ignore"):
            u = np.where(half > 0, (x - self.centre(y)) / half, 2.0)
        bulk = thickness * self.depth * (1 - 0.35 * np.clip(y / self.length, 0, 1)) + 2 * grown
        return np.asarray(np.where(y > -0.6, bulk * np.sqrt(np.clip(1 - u**2, 0, 1)), 0.0))


@dataclass(frozen=True, slots=True)
class Defect:
    """A vertical defect beside one root: its base, and the shoulder of the wall left standing."""

    root: str
    side: str
    base: float
    width: float


@dataclass(frozen=True, slots=True)
class Tooth:
    """A tooth placed on the arcade; ``crown`` runs from its mesial to its distal CEJ."""

    number: int
    x: float
    y: float
    tilt_deg: float
    width: float
    thickness: float
    crown: tuple[tuple[float, float], ...]
    roots: tuple[Root, ...]
    furcation: float | None = None
    enamel: float = 0.4
    pulp: float = 0.24
    defects: tuple[Defect, ...] = ()
    marked: bool = True

    def world(self, x: float, y: float) -> tuple[float, float]:
        """Turn a point of the tooth's frame into the arcade's."""
        a = np.deg2rad(self.tilt_deg)
        return (
            float(self.x + x * np.cos(a) - y * np.sin(a)),
            float(self.y + x * np.sin(a) + y * np.cos(a)),
        )

    def own(self, x: Map, y: Map) -> tuple[Map, Map]:
        """Turn arcade coordinates into the tooth's frame."""
        a = np.deg2rad(self.tilt_deg)
        dx, dy = x - self.x, y - self.y
        return dx * np.cos(a) + dy * np.sin(a), dy * np.cos(a) - dx * np.sin(a)

    def level(self, root: Root, side: str) -> float:
        """Give the depth of the crest below the CEJ on one side of a root, in mm."""
        return root.mesial if side == "mesial" else root.distal

    def front(self) -> tuple[Root, ...]:
        """Give the roots nearest the beam, in arcade order."""
        return tuple(r for r in self.roots if not r.behind)


@dataclass(frozen=True, slots=True)
class Landmark:
    """A true landmark, in mm on the arcade or, once placed, in pixels of a film (x=col, y=row)."""

    landmark: str
    x: float
    y: float
    tooth: int | None = None
    root: str | None = None
    side: str | None = None
    mm: float | None = None


@dataclass(frozen=True, slots=True)
class Probe:
    """A banded steel probe beside the teeth: tip, direction on the film, tilt toward the beam."""

    x: float
    y: float
    direction_deg: float
    tilt_deg: float
    source_mm: float = 300.0

    def at(self, mm: float) -> tuple[float, float]:
        """Give where the point ``mm`` from the tip falls: the projective map of a line."""
        a, b = np.deg2rad(self.direction_deg), np.deg2rad(self.tilt_deg)
        along = mm * np.cos(b) / (1 - mm * np.sin(b) / self.source_mm)
        return float(self.x + along * np.cos(a)), float(self.y + along * np.sin(a))


@dataclass(frozen=True, slots=True)
class Scene:
    """A stretch of jaw: what the beam passes through."""

    teeth: tuple[Tooth, ...]
    x: tuple[float, float]
    y: tuple[float, float]
    bone_mm: float
    seed: int
    upper: bool
    far_border: tuple[tuple[float, float], ...]
    gum_mm: float = 2.2
    recession: tuple[tuple[float, float], ...] = ()
    plates_apart: float = 0.45
    probe: Probe | None = None
    crests: tuple[tuple[float, float], ...] = field(default=())


def changed(scene: Scene, tooth: int, root: str, **levels: float) -> Scene:
    """Give the same jaw later, with new bone levels beside one root."""

    def later(item: Tooth) -> Tooth:
        if item.number != tooth:
            return item
        roots = tuple(
            replace(r, mesial=levels.get("mesial", r.mesial), distal=levels.get("distal", r.distal))
            if r.name == root
            else r
            for r in item.roots
        )
        return replace(item, roots=roots)

    return replace(scene, teeth=tuple(later(item) for item in scene.teeth))


def crest_points(scene: Scene) -> list[tuple[float, float]]:
    """Give the control points of the bone margin along the arcade, in mm, in order of x."""
    points = list(scene.crests)
    for tooth in scene.teeth:
        for root in tooth.front():
            for side, out in (("mesial", -1), ("distal", 1)):
                points += _beside(tooth, root, side, out)
    return sorted(points)


def _beside(tooth: Tooth, root: Root, side: str, out: int) -> list[tuple[float, float]]:
    level = tooth.level(root, side)
    defect = next((d for d in tooth.defects if (d.root, d.side) == (root.name, side)), None)
    if defect is None:
        x = root.edge(level, side, PDL_MM)
        flat = [(x - out * 0.3, level), (x, level), (x + out * 0.3, level)]
        if tooth.furcation is not None and level <= tooth.furcation:
            flat = [(x, level)]
        return [tooth.world(px, level) for px, _ in flat]
    base_x = root.edge(defect.base, side, PDL_MM)
    top_x = base_x + out * defect.width
    path = [(base_x, defect.base), (base_x + out * 0.25, defect.base)]
    path += [(top_x - out * 0.1, level + 0.15), (top_x, level), (top_x + out * 0.4, level)]
    return [tooth.world(px, py) for px, py in path]


def landmarks(scene: Scene) -> list[Landmark]:
    """Give every true landmark of the marked teeth and of the probe, in mm on the arcade."""
    margin = np.array(crest_points(scene))
    found: list[Landmark] = []
    for tooth in (t for t in scene.teeth if t.marked):
        for root in tooth.roots:
            for side in ("mesial", "distal"):
                found += _site(tooth, root, side, margin)
            apex = tooth.world(root.apex_x, root.length)
            found.append(Landmark("apex", *apex, tooth.number, root.name))
        if tooth.furcation is not None:
            roof = tooth.world(roof_x(tooth), tooth.furcation)
            found.append(Landmark("furcation", *roof, tooth.number))
    if scene.probe is not None:
        found += [
            Landmark("ruler", *scene.probe.at(mm), mm=mm) for mm in (0.0, 3.0, 6.0, 9.0, 12.0)
        ]
    return found


def _site(tooth: Tooth, root: Root, side: str, margin: Map) -> list[Landmark]:
    found: list[Landmark] = []

    def mark(landmark: str, x: float, y: float) -> None:
        found.append(Landmark(landmark, *tooth.world(x, y), tooth.number, root.name, side))

    if side in root.cej:
        mark("cej", root.edge(0, side), 0)
    level = tooth.level(root, side)
    if root.behind:
        level = _meeting(tooth, root, side, margin)
    defect = next((d for d in tooth.defects if (d.root, d.side) == (root.name, side)), None)
    x = root.edge(level, side, PDL_MM)
    if defect is not None:
        out = -1 if side == "mesial" else 1
        base_x = root.edge(defect.base, side, PDL_MM)
        mark("defect_base", base_x, defect.base)
        x = base_x + out * defect.width
    mark("crest", x, level)
    return found


def _meeting(tooth: Tooth, root: Root, side: str, margin: Map) -> float:
    """Give the depth at which a root's ligament edge meets the bone margin, by bisection."""
    low, high = -1.0, root.length
    for _ in range(60):
        middle = (low + high) / 2
        x, y = tooth.world(root.edge(middle, side, PDL_MM), middle)
        if y < float(np.interp(x, margin[:, 0], margin[:, 1])):
            low = middle
        else:
            high = middle
    furcal = side not in root.cej and tooth.furcation is not None
    if furcal and tooth.furcation is not None:
        return max(low, tooth.furcation - ROOF_MM)
    return low


def roof_x(tooth: Tooth) -> float:
    """Give the x of the furcation's roof in the tooth's frame."""
    first, last = tooth.front()[0], tooth.front()[-1]
    depth = tooth.furcation or 0.0
    return (first.edge(depth, "distal") + last.edge(depth, "mesial")) / 2
