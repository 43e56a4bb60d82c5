"""Radiographs by projecting a jaw slab by slab from a point source: a generator only to judge.

Not clinical truth: sizes, densities and the mix of cases are stated in the modules and are
mostly from memory or our choice. Nothing here was tuned to what the program finds.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from perioview.marks import Mark

from .film_beam import Camera, camera, exposure, scattered
from .film_bone import slab_mineral
from .film_export import exported, grey, recorded
from .film_scene import Scene, scene_drawn
from .film_teeth import Root, Tooth
from .film_truth import crest, site_points
from .scene import Key, Phantom, packed

CEJ_SD, APEX_SD, FURCATION_SD = 0.12, 0.18, 0.15  # mm, an observer's jitter (our choice)
FAR = 0.5  # mm apart on the film: two plates


def _film(rng: np.random.Generator, scene: Scene) -> Camera:
    """Source, plate and pixel grid: parallel for lower cheek teeth, else bisecting the angle.

    The tooth-to-plate angle in bisecting is 40 degrees (facts.md 4b) and in upper cheek teeth
    more; the beam misses the right angle to the bisector by 5 degrees SD (our choice).
    """
    if "cheek" in scene.view:
        beam, plate = rng.normal(0, 3.0), rng.normal(0, 3.0)
    else:
        cheek = scene.upper and scene.teeth[-1].number % 100 > 5
        plate = -rng.uniform(45, 70) if cheek else -rng.uniform(25, 50)
        beam = plate / 2 + rng.normal(0, 5.0)
    sideways = rng.normal(0, 8.0 if rng.random() < 0.2 else 3.0)
    found = camera(
        distance=float(rng.uniform(220, 350)),
        gap=float(rng.uniform(6, 12)) * (0.7 if scene.cat else 1.0),
        beam=float(np.radians(beam)),
        sideways=float(np.radians(sideways)),
        plate=float(np.radians(plate)),
        roll=float(np.radians(rng.normal(0, 4.0))),
    )
    middle = float(np.mean([t.x for t in scene.teeth]))
    shift = np.array([middle, 0.0, 4.0])
    found = replace(found, source=found.source + shift, origin=found.origin + shift)
    pitch = float(rng.choice([0.03, 0.035, 0.04, 0.05, 0.06], p=[0.2, 0.2, 0.25, 0.25, 0.1]))
    found = replace(
        found,
        pitch=pitch,
        flip_u=int(rng.choice([-1, 1])),
        flip_v=-1 if scene.upper else 1,
    )
    return _cropped(rng, scene, found)


def _neck(tooth: Tooth, root: Root, way: int) -> tuple[float, float, float]:
    """The junction on one side of a root, `way` in the tooth's own x."""
    return tooth.placed(root.x0 + way * root.half_x, 0.0, 0.0)


def _apex(tooth: Tooth, root: Root) -> tuple[float, float, float]:
    return tooth.placed(float(root.centre(1.0)), 0.0, root.length)


def _cropped(rng: np.random.Generator, scene: Scene, film: Camera) -> Camera:
    """Put the film's edges round the marked teeth, within the largest plate (57 by 76 mm)."""
    points = []
    for tooth, shown in zip(scene.teeth, scene.marked, strict=True):
        if shown:
            half, _, height = tooth.crown
            points += [tooth.placed(w * half, 0.0, -0.75 * height) for w in (-1, 1)]
            points += [_apex(tooth, root) for root in tooth.roots]
    uv = film.on_plate(np.array(points)) * (film.flip_u, film.flip_v)
    low = uv.min(axis=0) - (rng.uniform(1.5, 4.0), rng.uniform(0.5, 3.0))
    return replace(film, u0=float(low[0]), v0=float(low[1]))


def _shape(rng: np.random.Generator, scene: Scene, film: Camera) -> tuple[int, int]:
    points = []
    for tooth, shown in zip(scene.teeth, scene.marked, strict=True):
        if shown:
            half, _, height = tooth.crown
            points += [tooth.placed(w * half, 0.0, -0.75 * height) for w in (-1, 1)]
            points += [_apex(tooth, root) for root in tooth.roots]
    far = (
        film.pixel(np.array(points)).max(axis=0)
        + np.array([rng.uniform(2.0, 4.0), rng.uniform(1.5, 4.0)]) / film.pitch
    )
    return min(int(far[0]), int(57 / film.pitch)), min(int(far[1]), int(76 / film.pitch))


def mineral_shadow(scene: Scene, film: Camera, shape: tuple[int, int]) -> NDArray[np.float32]:
    """Mineral met by every pixel's ray in g/cm2, slab by slab."""
    grid = scene.grid
    total = np.zeros(shape, dtype=np.float32)
    central = film.origin - film.source
    slant = np.linalg.norm(central) / abs(central[1])
    for y in grid.y:
        slab = slab_mineral(scene.teeth, scene.jaw, grid, float(y), scene.spurs)[0]
        seen = film.slab_map(float(grid.x[0]), float(grid.z[0]), grid.pitch, float(y))
        total += cv2.warpPerspective(
            slab, seen, shape[::-1], flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT
        )
    return total * np.float32(grid.slab / 10 * slant)


def _soft_shadow(
    rng: np.random.Generator, scene: Scene, film: Camera, shape: tuple[int, int]
) -> NDArray[np.float32]:
    """Gum, cheek and tongue as g/cm2 of water, from a mid-plane outline."""
    grid, jaw = scene.grid, scene.jaw
    margin = np.minimum(jaw.margin(grid.x, "buccal"), jaw.margin(grid.x, "lingual"))
    edge = cv2.GaussianBlur(margin.astype(np.float32)[None, :], (0, 0), 0.5 / grid.pitch)[0]
    depth = grid.z[:, None] - (edge - scene.gum)[None, :]
    thick = 2 * (jaw.half + 1.2) * np.clip(depth / 1.5 + 0.2, 0, 1) ** 0.7
    wave = 1.2 * np.sin(grid.x / float(rng.uniform(6, 12)) + float(rng.uniform(0, 6)))
    lip = np.clip((grid.z[:, None] - float(rng.uniform(-14, -1)) + wave) / 2.5, 0, 1)
    thick = thick + float(rng.uniform(2, 7)) * lip
    seen = film.slab_map(float(grid.x[0]), float(grid.z[0]), grid.pitch, 0.0)
    water = cv2.warpPerspective(
        thick.astype(np.float32), seen, shape[::-1], borderMode=cv2.BORDER_REPLICATE
    )
    return cv2.GaussianBlur(water, (0, 0), 0.4 / film.pitch) / 10


def _room(scene: Scene, tooth: Tooth, root: Root, side: str, furcal: bool) -> float:
    """How far beside a root its bone may be looked for: to the midst of the gap."""
    if furcal:
        apart = abs(tooth.roots[0].x0 - tooth.roots[1].x0)
        return max(apart / 2 - root.half_x, 0.4)
    way = tooth.sense * (1 if side == "distal" else -1)
    edge = tooth.x + way * tooth.crown[0]
    gaps = [
        way * (o.x - edge) - o.crown[0]
        for o in scene.teeth
        if o is not tooth and way * (o.x - tooth.x) > 0
    ]
    return max(min([g / 2 for g in gaps] + [2.5]), 0.3) + 0.6


def site_margins(
    scene: Scene, tooth: Tooth, root: Root, side: str
) -> tuple[list[NDArray[np.float64]], tuple[str, ...]]:
    """Both margins of a site as points of the jaw, and the site's own traits."""
    traits = scene.traits[(tooth.number, root.name, side)]
    furcal = "furcal" in traits
    room = _room(scene, tooth, root, side, furcal)
    return site_points(tooth, root, side, scene.jaw, room, furcal), traits


def _tooth_marks(
    rng: np.random.Generator, scene: Scene, tooth: Tooth, film: Camera, furcation: bool
) -> tuple[list[Mark], dict[Key, tuple[float, float]], dict[Key, tuple[str, ...]]]:
    def mark(kind: str, at: tuple[float, float, float], sd: float, **where: str) -> Mark:
        row, col = film.pixel(np.array(at))[0] + rng.normal(0, sd / film.pitch, 2)
        return Mark(kind, float(row), float(col), tooth.number, **where)

    marks, truth, traits = [], {}, {}
    for root in tooth.roots:
        marks.append(mark("apex", _apex(tooth, root), APEX_SD, root=root.name))
        axis = film.pixel(np.array([tooth.placed(root.x0, 0.0, 0.0), _apex(tooth, root)]))
        for side in ("mesial", "distal"):
            points, found = site_margins(scene, tooth, root, side)
            at, apart = crest(points, (axis[0], axis[1]), film)
            key = (tooth.number, root.name, side)
            truth[key] = (float(at[0]), float(at[1]))
            traits[key] = (*found, *(("two_plates",) if apart > FAR else ()))
            if "furcal" not in found:
                way = 1 if side == "distal" else -1
                marks.append(
                    mark("cej", _neck(tooth, root, way), CEJ_SD, root=root.name, side=side)
                )
    if furcation and len(tooth.roots) > 1:
        low = tooth.placed(sum(r.x0 for r in tooth.roots) / 2, 0.0, tooth.trunk)
        marks.append(mark("furcation", low, FURCATION_SD))
    return marks, truth, traits


def _held(tooth: Tooth, truth: dict[Key, tuple[float, float]], film: Camera) -> bool:
    """Whether bone reaches up to every root: no site beyond 95 % of its root is handed over."""
    for root in tooth.roots:
        ends = np.array([tooth.placed(root.x0, 0.0, 0.0), _apex(tooth, root)])
        neck, apex = film.pixel(ends)
        u = (apex - neck) / ((apex - neck) @ (apex - neck))
        sites = [at for (_, name, _), at in truth.items() if name == root.name]
        if any((np.array(at) - neck) @ u > 0.95 for at in sites):
            return False
    return True


def film_phantom(seed: int) -> Phantom:
    """Make one synthetic radiograph and its truth.

    Parameters
    ----------
    seed : int
        Not negative; the same seed gives the same film.

    Returns
    -------
    Phantom
        Image (uint8 or uint16 greys, shape (rows, cols)), cementoenamel and apex marks with an
        observer's jitter (furcation marks on half of the films), scale in mm per px, and per
        site (tooth, root, side) the true crest as (row, col) in px and its traits: "furcal",
        "two_plates", "vertical", "cat". The image names no species where it is a cat's.
    """
    rng = np.random.default_rng([seed, 90217])
    scene = scene_drawn(seed)
    film = _film(rng, scene)
    shape = _shape(rng, scene, film)
    mineral = mineral_shadow(scene, film, shape)
    dose = exposure(mineral, _soft_shadow(rng, scene, film, shape))
    dose = scattered(dose, float(rng.uniform(0.08, 0.25)), 5.0 / film.pitch)
    greys = grey(rng, recorded(rng, dose, film.pitch), film.pitch)
    pixels, inverted = exported(rng, greys)
    marks: list[Mark] = []
    truth: dict[Key, tuple[float, float]] = {}
    traits: dict[Key, tuple[str, ...]] = {}
    furcation = bool(rng.random() < 0.5)
    for tooth, shown in zip(scene.teeth, scene.marked, strict=True):
        if not shown:
            continue
        own, at, kind = _tooth_marks(rng, scene, tooth, film, furcation)
        spots = [(m.row, m.col) for m in own] + list(at.values())
        if _held(tooth, at, film) and all(
            4 < r < shape[0] - 5 and 4 < c < shape[1] - 5 for r, c in spots
        ):
            marks, truth, traits = marks + own, truth | at, traits | kind
    image, placed, scale = packed(pixels, inverted, marks, film.pitch, f"profile-{seed}.png")
    if scene.cat:
        image = replace(image, species=None)
    return Phantom(image, placed, scale, truth, traits)
