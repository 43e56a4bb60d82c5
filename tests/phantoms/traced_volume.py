"""Generator D, for judging only: a jaw of implicit solids, ray-summed from a point source.

Unlike A, B and C: a diverging beam, three energies through four materials, bent superelliptic
roots joined by an arched trunk, plates with margins of their own, and a foam of random waves as
marrow. Anatomy and physics are general knowledge, from memory, not clinical truth.
"""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from .scene import Phantom, packed
from .traced_beam import Beam, Frame, exposure
from .traced_bone import Foam, Ridge, ridge_around
from .traced_teeth import Tooth, row_of_teeth
from .traced_truth import calculus, marked

Array = NDArray[np.float32]
SLAB = 0.25  # mm of depth
CELLS = 110_000  # of the grid on which the rays are summed


def _share(distance: Array, soft: float) -> Array:
    """Share of a cell inside a surface at this signed distance."""
    return np.asarray(np.clip(0.5 - distance / np.float32(soft), 0, 1), np.float32)


def _tooth_slab(
    tooth: Tooth, x: Array, y: Array, z: float, soft: float
) -> tuple[tuple[slice, slice], tuple[Array, Array, Array]] | None:
    """Dentin, enamel and distance outside the tooth, within the box it takes of the slab."""
    most = max(r.length for r in tooth.roots)
    lean = max(abs(r.z_lean) for r in tooth.roots)
    if abs(z) > tooth.deep * (1 + tooth.bulge) + lean + 0.7:
        return None
    spread = tooth.half * (1 + tooth.bulge) + 0.2 * most + 0.8
    up, down = tooth.height * 1.2, most + 0.8
    rows = slice(*np.searchsorted(y, (tooth.y - up, tooth.y + down)).tolist())
    cols = slice(*np.searchsorted(x, (tooth.x - spread, tooth.x + spread)).tolist())
    if rows.start >= rows.stop or cols.start >= cols.stop:
        return None
    p, q = tooth.local(x[None, cols], y[rows, None])
    body, thick, hollow = tooth.crown(p, q, z)
    away = np.maximum(body, q)
    for root in tooth.roots:
        outer, canal = root.distances(p, q, z)
        away, hollow = np.minimum(away, outer), np.minimum(hollow, canal)
    if len(tooth.roots) > 1:
        away = np.minimum(away, tooth.trunk(p, q, z))
    hard = _share(away, soft)
    # The crown's faces lie flat to the slabs, whose steps a softer edge hides.
    enamel = np.minimum(_share(body, 0.25), _share(-body - thick, 0.25))
    enamel = enamel * (q < 0) * (thick > 0.02)
    dentin = np.maximum(hard - enamel, 0) * (1 - _share(hollow, soft))
    return (rows, cols), (dentin, enamel, away)


def _bone_slab(
    ridge: Ridge, foam: Foam, x: Array, y: Array, z: float, away: Array, soft: float
) -> tuple[Array, Array]:
    """Share of mineral, and of soft tissue, in a slab whose teeth are `away`."""
    below = y[:, None] - ridge.top(x, z)[None]
    half = ridge.half_width(below)
    outside = abs(z - ridge.centre) - half
    bone = _share(-below, soft) * _share(outside, 0.3) * _share(ridge.ligament - away, soft)
    plate = ridge.plates[int(z > ridge.centre)]
    dense = _share(-outside - plate, 0.3)
    if ridge.crestal:
        dense = np.maximum(dense, _share(below - ridge.crestal, soft))
    if ridge.lamina:
        lining = _share(away - ridge.ligament - ridge.lamina, soft)
        dense = np.maximum(dense, lining * np.float32(ridge.lamina_weight))
    if (bone * (1 - dense)).any():
        dense = np.maximum(dense, foam.struts(x, y, z))
    depth, fall, at_z, radius = ridge.canal
    if radius > 0:
        tube = np.hypot(y[:, None] - depth - fall * (x - ridge.left)[None], z - at_z) - radius
        dense = np.asarray(dense * (1 - _share(np.asarray(tube, np.float32), soft)), np.float32)
    mineral = bone * dense
    flesh = _share(-below - ridge.gum, 0.25) * _share(outside - 1.0, 0.4)
    return mineral, np.maximum(flesh, bone) - mineral


def _paths(
    teeth: list[Tooth], ridge: Ridge, foam: Foam, beam: Beam, x: Array, y: Array, soft: float
) -> dict[str, Array]:
    paths = {
        name: np.zeros((len(y), len(x)), np.float32)
        for name in ("soft", "bone", "dentin", "enamel")
    }
    reach = max(ridge.widths[1] + abs(ridge.centre) + 1.3, max(t.deep for t in teeth) + 1)
    for z in np.arange(-reach, reach, SLAB):
        xs, ys = beam.at_depth(x, y, float(z))
        away = np.full((len(y), len(x)), 9, np.float32)
        solid = np.zeros_like(away)
        for tooth in teeth:
            found = _tooth_slab(tooth, xs, ys, float(z), soft)
            if found is None:
                continue
            box, (dentin, enamel, far) = found
            paths["dentin"][box] += dentin
            paths["enamel"][box] += enamel
            solid[box] = np.maximum(solid[box], _share(far, soft))
            away[box] = np.minimum(away[box], far)
        mineral, flesh = _bone_slab(ridge, foam, xs, ys, float(z), away, soft)
        paths["bone"] += mineral * (1 - solid)
        paths["soft"] += np.maximum(flesh, 0) * (1 - solid)
    slant = beam.slant(x, y) * np.float32(SLAB)
    return {name: path * slant for name, path in paths.items()}


def traced_phantom(seed: int, mark_sd: float = 0.0) -> Phantom:
    """Make one radiograph of generator D; marks are exact unless `mark_sd` (mm) shakes them."""
    for attempt in range(20):
        rng = np.random.default_rng([4, seed, attempt])
        teeth, small = row_of_teeth(rng)
        ridge, defects = ridge_around(rng, teeth)
        slant = np.tan(rng.normal(0, [0.09, 0.14]))
        beam = _beam(rng, teeth, slant)
        frame = _frame(rng, teeth)
        marks, truth, traits = marked(teeth, ridge, beam, frame, defects)
        if truth:
            break
    else:
        raise AssertionError(f"seed {seed} gives no whole tooth")
    x0, x1, y0, y1 = frame.bounds(0.3)
    grid = max(0.045, math.sqrt((x1 - x0) * (y1 - y0) / CELLS))
    x, y = np.arange(x0, x1, grid).astype(np.float32), np.arange(y0, y1, grid).astype(np.float32)
    paths = _paths(teeth, ridge, Foam(rng), beam, x, y, grid * 1.2)
    paths["soft"] += np.float32(ridge.cheek)
    spurs = calculus(rng, teeth, x, y, paths)
    paths = {k: cv2.GaussianBlur(v, (0, 0), 0.6) for k, v in paths.items()}
    pixels, inverted = exposure(rng, paths, frame, (x0, y0), grid)
    for key, here in traits.items():
        traits[key] = here + ("calculus",) * (key in spurs) + ("cat_sized",) * small
    if mark_sd:
        shake = rng.normal(0, mark_sd / frame.mm, (len(marks), 2))
        marks = [
            replace(m, row=m.row + float(d[0]), col=m.col + float(d[1]))
            for m, d in zip(marks, shake, strict=True)
        ]
    image, held, scale = packed(pixels, inverted, marks, frame.mm, f"d{seed}.png")
    return Phantom(image, held, scale, truth, traits)


def _beam(rng: np.random.Generator, teeth: list[Tooth], slant: NDArray[np.float64]) -> Beam:
    distance = rng.uniform(180, 400)
    middle = (teeth[0].x + teeth[-1].x) / 2
    return Beam(
        float(middle + distance * slant[0]), float(5 + distance * slant[1]), float(distance)
    )


def _frame(rng: np.random.Generator, teeth: list[Tooth]) -> Frame:
    left, right = teeth[0].x - teeth[0].half, teeth[-1].x + teeth[-1].half
    width = float(np.clip(right - left + rng.uniform(1.5, 4), 10, 20))
    end = max(r.length for t in teeth for r in t.roots)
    up = max(t.height for t in teeth) * rng.uniform(0.5, 1.1)
    low, high = -up, end + rng.uniform(1.5, 4)
    mm = rng.uniform(0.02, 0.05)
    mm = max(mm, math.sqrt(width * (high - low) / 1.3e6))
    return Frame(
        mm,
        (int((high - low) / mm), int(width / mm)),
        ((low + high) / 2, (left + right) / 2),
        float(rng.normal(0, 0.1)),
        (int(rng.choice([-1, 1])), int(rng.choice([-1, 1]))),
    )
