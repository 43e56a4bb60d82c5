"""Teeth, jaw and gum as solids: path lengths per material, and where the landmarks truly are.

World frame: millimetres, ``x`` from mesial to distal along the arcade, ``y`` from the crowns toward
the apices. Every tooth has its own frame whose ``y = 0`` is the cementoenamel junction.
Attenuation coefficients are linear, per mm, near 40 keV, after the published mass attenuation
coefficients and densities (from memory); they set the look, no measurement hangs on them.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt, gaussian_filter, gaussian_filter1d

Map = NDArray[np.float64]

MU = {"enamel": 0.27, "dentine": 0.15, "cortical": 0.14, "strut": 0.14, "soft": 0.028, "steel": 2.4}
PITCH_MM = 0.025
PDL_MM = 0.20
LAMINA_MM = 0.23
# Healthy furcal ligament keeps its width up to the roof; the mark stays this much coronal of it so
# that rounding to 1/1024 px cannot put it beyond.
ROOF_MM = 0.03
# Size (mm) and stretch along the arcade of the sheets of struts the beam crosses.
STRUT_LAYERS = ((0.16, 1.2), (0.20, 0.9), (0.24, 1.35), (0.30, 1.1), (0.36, 1.4), (0.18, 1.3))


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
            roof = tooth.world(_roof_x(tooth), tooth.furcation)
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


def _roof_x(tooth: Tooth) -> float:
    first, last = tooth.front()[0], tooth.front()[-1]
    depth = tooth.furcation or 0.0
    return (first.edge(depth, "distal") + last.edge(depth, "mesial")) / 2


def attenuation(scene: Scene) -> tuple[Map, tuple[float, float]]:
    """Give the line integral of attenuation on a fine square raster, and that raster's origin.

    Returns
    -------
    map : ndarray of float64, shape (rows, cols)
        Sum of coefficient times path length over the materials; no unit.
    origin : tuple of float
        (x, y) in mm of the centre of the raster's first pixel.
    """
    x, y = np.meshgrid(np.arange(*scene.x, PITCH_MM), np.arange(*scene.y, PITCH_MM), indexing="xy")
    rng = np.random.default_rng(scene.seed)
    jaw = _jaw(scene, x, y)
    parts = _teeth(scene, x, y)
    total = _bone(scene, jaw, parts, y, rng)
    total += _hard(parts)
    if scene.probe is not None:
        total += MU["steel"] * _steel(scene.probe, x, y)
    return total, (scene.x[0], scene.y[0])


def _curve(points: list[tuple[float, float]], x: Map, smooth_mm: float) -> Map:
    line = np.array(sorted(points))
    level = np.interp(x[0], line[:, 0], line[:, 1])
    return np.asarray(gaussian_filter1d(level, smooth_mm / PITCH_MM, mode="nearest"))


def _jaw(scene: Scene, x: Map, y: Map) -> dict[str, Map]:
    """Give depth below each surface of the jaw, in mm (negative: outside)."""
    crest = _curve(crest_points(scene), x, 0.08)
    gum = gaussian_filter1d(crest, 1.6 / PITCH_MM, mode="nearest") - scene.gum_mm
    if scene.recession:
        gum = gum + np.interp(x[0], *np.array(scene.recession).T)
    border = _curve(list(scene.far_border), x, 0.8)
    wave = np.sin(x[0] * 0.7 + scene.seed) * 0.5 + 0.5
    return {
        "crest": y - crest,
        "other_plate": y - (crest - scene.plates_apart * (0.3 + wave)),
        "gum": y - gum,
        "border": border - y,
    }


def _teeth(scene: Scene, x: Map, y: Map) -> list[dict[str, Map]]:
    return [_tooth(tooth, x, y) for tooth in scene.teeth]


def _chaikin(points: tuple[tuple[float, float], ...], times: int = 3) -> Map:
    """Round a polyline's corners, its ends kept."""
    line = np.array(points, dtype=float)
    for _ in range(times):
        near, far = line[:-1] * 0.75 + line[1:] * 0.25, line[:-1] * 0.25 + line[1:] * 0.75
        line = np.vstack([line[:1], np.stack([near, far], 1).reshape(-1, 2), line[-1:]])
    return line


def _smoothstep(value: Map, low: float, high: float) -> Map:
    t = np.clip((value - low) / (high - low), 0, 1)
    return np.asarray(t * t * (3 - 2 * t))


def _tooth(tooth: Tooth, x: Map, y: Map) -> dict[str, Map]:
    """Give path lengths of one tooth's materials, and of the shells around its roots, in mm."""
    u, v = tooth.own(x, y)
    roots = [r.solid(u, v, 0.0, tooth.thickness) for r in tooth.roots]
    front = np.max([t for t, r in zip(roots, tooth.roots, strict=True) if not r.behind], axis=0)
    trunk = _trunk(tooth, u, v)
    below = np.maximum(front, trunk)
    crown = _crown_mask(tooth, x, y)
    inside = distance_transform_edt(crown | (below > 0)) * PITCH_MM
    height = -min(p[1] for p in tooth.crown)
    bulk = tooth.thickness * (1.05 - 0.45 * np.clip(-v / height, 0, 1))
    reach = min(tooth.width * 0.45, 2.6)
    coat = tooth.enamel * np.sqrt(np.clip(-v / (0.35 * height), 0, 1))
    whole = bulk * _dome(inside / reach)
    enamel = np.maximum(whole - bulk * _dome((inside - coat) / reach), np.minimum(2 * coat, whole))
    enamel = np.where(crown & (v < 0), enamel, 0.0)
    mix = _smoothstep(v, -0.5, 0.5)
    hard = np.where((crown & (v < 0.5)) | (below > 0), whole * (1 - mix) + below * mix, 0.0)
    hard = np.where(v >= 0.5, below, hard)
    back = sum(
        (
            t * _smoothstep(v, -0.6, 2.4)
            for t, r in zip(roots, tooth.roots, strict=True)
            if r.behind
        ),
        np.zeros_like(hard),
    )
    # A root behind the trunk adds to the beam's path only by what the trunk does not hold already.
    hard = hard + 0.75 * back
    pulp = np.minimum(_pulp(tooth, u, v, height), 0.8 * hard)
    ligament = np.maximum(_shell(tooth, u, v, PDL_MM), trunk)
    lamina = np.maximum(_shell(tooth, u, v, PDL_MM + LAMINA_MM), trunk)
    roof = _roof_gap(tooth, u, v)
    return {
        "enamel": enamel,
        "dentine": np.clip(hard - enamel - pulp, 0, None),
        "all": hard,
        "ligament": np.maximum(ligament, roof[0]),
        "lamina": np.maximum(lamina, roof[1]),
        "pulp": pulp,
    }


def _dome(share: Map) -> Map:
    return np.asarray(np.sqrt(1 - (1 - np.clip(share, 0, 1)) ** 2))


def _shell(tooth: Tooth, u: Map, v: Map, grown: float) -> Map:
    return np.asarray(np.max([r.solid(u, v, grown, tooth.thickness) for r in tooth.roots], axis=0))


def _arch(tooth: Tooth, u: Map) -> tuple[Map, Map]:
    """Give the roof's depth along x between the two roots, and the distance across it (share)."""
    depth = tooth.furcation or 0.0
    first, last = tooth.front()[0], tooth.front()[-1]
    low, high = first.edge(depth + 0.5, "distal"), last.edge(depth + 0.5, "mesial")
    middle, half = _roof_x(tooth), max((high - low) / 2, 0.25) + 0.25
    share = np.clip(np.abs(u - middle) / half, 0, 1)
    return depth + half * 0.9 * (1 - np.sqrt(1 - share**2)), share


def _trunk(tooth: Tooth, u: Map, v: Map) -> Map:
    if tooth.furcation is None:
        return np.zeros_like(u)
    first, last = tooth.front()[0], tooth.front()[-1]
    left = first.centre(v) - first.half(v)
    right = last.centre(v) + last.half(v)
    across = np.clip(np.abs(2 * u - left - right) / (right - left), 0, 1)
    roof, _ = _arch(tooth, u)
    between = (u > first.centre(v)) & (u < last.centre(v))
    rounding = np.sqrt(np.clip((roof - v) / 0.6, 0, 1))
    fading = 1 - _smoothstep(v, tooth.furcation - 0.9, tooth.furcation + 0.9)
    weight = np.where(between, rounding * np.maximum(fading, 0.6), fading)
    bulk = tooth.thickness * np.sqrt(1 - across**4) * weight
    keep = (v > -0.6) & (~between | (v < roof))
    return np.asarray(np.where(keep, bulk, 0.0))


def _roof_gap(tooth: Tooth, u: Map, v: Map) -> tuple[Map, Map]:
    """Give ligament and lamina solids under the furcation's roof."""
    if tooth.furcation is None:
        return np.zeros_like(u), np.zeros_like(u)
    first, last = tooth.front()[0], tooth.front()[-1]
    between = (u > first.centre(v)) & (u < last.centre(v))
    roof, _ = _arch(tooth, u)
    bulk = 0.7 * tooth.thickness

    def cap(grown: float) -> Map:
        keep = between & (v < roof + grown) & (v > -0.6)
        return np.asarray(np.where(keep, bulk, 0.0))

    return cap(PDL_MM), cap(PDL_MM + LAMINA_MM)


def _crown_mask(tooth: Tooth, x: Map, y: Map) -> NDArray[np.bool_]:
    line = _chaikin(tooth.crown)
    outline = [tooth.world(float(px), float(py)) for px, py in line]
    outline += [tooth.world(float(line[-1, 0]), 0.3), tooth.world(float(line[0, 0]), 0.3)]
    points = (np.array(outline) - (x[0, 0], y[0, 0])) / PITCH_MM
    mask = np.zeros(x.shape, np.uint8)
    cv2.fillPoly(mask, [np.round(points * 256).astype(np.int32)], 1, shift=8)
    return mask.astype(bool)


def _pulp(tooth: Tooth, u: Map, v: Map, height: float) -> Map:
    """Give the path through the pulp: a canal in each root, a chamber with horns above."""
    paths = [np.zeros_like(u)]
    for root in tooth.roots:
        top = -0.45 * height if tooth.furcation is None else min(0.0, tooth.furcation - 1.6)
        share = np.clip((v - top) / (root.length - top), 0, 1)
        half = tooth.pulp * root.half(np.maximum(v, 0)) * (1 - 0.45 * share)
        half = np.where(v < top, 0, half * np.clip((v - top) / (0.25 * height), 0, 1) ** 0.5)
        half = np.where(v > root.length - 0.45, 0, half)
        with np.errstate(divide="ignore", invalid="ignore"):
            across = np.where(half > 0, (u - root.centre(np.maximum(v, 0))) / half, 2)
        paths.append(1.5 * tooth.pulp * tooth.thickness * np.sqrt(np.clip(1 - across**2, 0, 1)))
    if tooth.furcation is not None:
        deep = tooth.furcation - 0.25 * tooth.width * 0.6
        flat = ((u - _roof_x(tooth)) / (0.36 * tooth.width)) ** 2
        flat = flat + ((v - deep + 0.3) / (0.11 * tooth.width)) ** 2
        paths.append(1.1 * tooth.pulp * tooth.thickness * np.clip(1 - flat, 0, 1))
    return np.asarray(np.max(paths, axis=0))


def struts(shape: tuple[int, int], rng: np.random.Generator, coarser: float = 1.0) -> Map:
    """Give the share of bone along the beam in cancellous bone: a coarse net, 0 to 1."""
    net = np.zeros(shape)
    for size_mm, stretch in STRUT_LAYERS:
        sigma = coarser * size_mm / PITCH_MM
        noise = gaussian_filter(
            rng.standard_normal(shape), (sigma / stretch, sigma * stretch), mode="wrap"
        )
        uneven = 0.5 + 0.5 * np.tanh(
            gaussian_filter(rng.standard_normal(shape), 2 * sigma) * 4 * sigma
        )
        net += uneven * np.exp(-((noise / (0.5 * noise.std())) ** 2))
    broad = gaussian_filter(rng.standard_normal(shape), 1.6 / PITCH_MM)
    fine = gaussian_filter(rng.standard_normal(shape), 0.07 / PITCH_MM)
    net = net / net.mean() * 0.30 * (1 + 0.16 * broad / broad.std() + 0.16 * fine / fine.std())
    return np.asarray(np.clip(net, 0.03, 1))


def _bone(
    scene: Scene, jaw: dict[str, Map], parts: list[dict[str, Map]], y: Map, rng: np.random.Generator
) -> Map:
    """Give the attenuation of jaw, ligament and gum around the teeth."""
    depth = np.clip(jaw["crest"], 0, None)
    within = (jaw["crest"] > 0) & (jaw["border"] > 0)
    swell = 0.30 + 0.70 * (1 - np.exp(-depth / (0.6 * scene.bone_mm)))
    rounded = (
        np.sqrt(np.clip(jaw["border"] / (0.22 * scene.bone_mm), 0, 1)) if not scene.upper else 1.0
    )
    width = np.where(within, scene.bone_mm * swell * rounded, 0.0)
    plate = 0.11 * scene.bone_mm * (0.45 + 0.55 * _smoothstep(depth, 0, 0.8 * scene.bone_mm))
    plate = np.minimum(plate, width / 2)
    near = np.where(within, plate, 0.0)
    far = np.where((jaw["other_plate"] > 0) & (jaw["border"] > 0), plate, 0.0)
    hollow = np.clip(width - 2 * plate, 0, None)
    ligament, lamina, tooth = (
        np.max([p[name] for p in parts], axis=0) for name in ("ligament", "lamina", "all")
    )
    # Bone is thinnest over a root's prominence, so its margin fades out across the root.
    bulge = np.clip(tooth / (0.25 * scene.bone_mm), 0, 1) * (1 - _smoothstep(depth, 0.1, 3.0))
    near, far = near * (1 - 0.85 * bulge), far * (1 - 0.85 * bulge)
    hollow = hollow * (1 - 0.6 * bulge)
    hole = np.minimum(ligament, hollow)
    lining = np.clip(np.minimum(lamina, hollow) - hole, 0, None)
    lining = lining * (1 - 0.8 * bulge)
    cap = np.exp(-((depth / 0.22) ** 2)) * within * (lamina <= 0)
    marrow = np.clip(hollow - hole - lining, 0, None)
    share = struts(y.shape, rng, np.sqrt(scene.bone_mm / 4.5))
    share = share + (0.95 - share) * np.clip(0.55 * cap, 0, 1)
    if not scene.upper:
        share = _mandible(jaw["border"], share, scene)
    bone = MU["cortical"] * (near + far + 0.95 * lining)
    bone += marrow * (MU["soft"] + (MU["strut"] - MU["soft"]) * share)
    if scene.upper:
        bone += _nasal(jaw["border"], rng, scene.bone_mm)
    envelope = (scene.bone_mm * 0.55 + 3.0) * np.sqrt(np.clip(jaw["gum"] / 3.5, 0, 1))
    beyond = scene.bone_mm + 3.0 if scene.upper else 5.0
    under = 0.0 if scene.upper else np.clip(-jaw["border"], 0, None)
    envelope = np.where(jaw["border"] > 0, np.maximum(envelope, 0), beyond * np.exp(-under / 9.0))
    envelope = gaussian_filter(envelope, 0.12 / PITCH_MM)
    hard_in = np.where(within, near + far + marrow + lining + np.minimum(tooth, hollow), tooth)
    return np.asarray(bone + MU["soft"] * np.clip(envelope - hard_in, 0, None))


def _mandible(border: Map, share: Map, scene: Scene) -> Map:
    """Thicken the ventral cortex and leave the mandibular canal free of struts."""
    rim = np.clip(1.1 - border / (0.22 * scene.bone_mm), 0, 1)
    share = share + (1 - share) * rim
    from_axis = np.abs(border - 0.42 * scene.bone_mm)
    radius = 0.13 * scene.bone_mm
    canal = _smoothstep(radius - from_axis, -0.25, 0.25)
    wall = np.exp(-(((from_axis - radius - 0.15) / 0.15) ** 2))
    return np.asarray(share * (1 - 0.55 * canal) + 0.16 * wall)


def _nasal(border: Map, rng: np.random.Generator, bone_mm: float) -> Map:
    """Add the bright floor of the nasal cavity and fine scrolls beyond it."""
    floor = np.exp(-((border / 0.30) ** 2)) * 0.20 * bone_mm * MU["cortical"]
    scroll = gaussian_filter(rng.standard_normal(border.shape), (0.25 / PITCH_MM, 0.6 / PITCH_MM))
    lines = np.exp(-((scroll / (0.25 * scroll.std())) ** 2)) * (border < -0.3)
    beyond = np.where(border < 0, 0.22 * bone_mm * MU["cortical"], 0.0)
    return np.asarray(floor + beyond + gaussian_filter(lines, 3) * 0.07 * bone_mm * MU["cortical"])


def _hard(parts: list[dict[str, Map]]) -> Map:
    """Add the teeth; overlapping neighbours lie one behind the other, so they sum."""
    each = [
        MU["enamel"] * p["enamel"] + MU["dentine"] * p["dentine"] + MU["soft"] * p["pulp"]
        for p in parts
    ]
    return np.asarray(np.sum(each, axis=0))


def _steel(probe: Probe, x: Map, y: Map) -> Map:
    """Give the path through the probe: bands 3 mm long, turned down in every second one."""
    a = np.deg2rad(probe.direction_deg)
    along = (x - probe.x) * np.cos(a) + (y - probe.y) * np.sin(a)
    off = (y - probe.y) * np.cos(a) - (x - probe.x) * np.sin(a)
    edges = [np.hypot(*(np.array(probe.at(mm)) - (probe.x, probe.y))) for mm in (0, 3, 6, 9, 12)]
    band = np.searchsorted(np.array(edges), along, side="right")
    radius = np.where(along < 0, 0.0, np.where(band % 2 == 0, 0.19, 0.29))
    radius = np.where(band > 4, 0.29 + 0.012 * np.clip(along - edges[-1], 0, None), radius)
    return np.asarray(2 * np.sqrt(np.clip(radius**2 - off**2, 0, None)))
