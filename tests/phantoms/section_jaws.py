"""Generator L: radiographs from bucco-lingual cross-sections of a jaw.

Made for training; the committed networks have seen none of it, so it judges them.

A jaw is a row of sections that change smoothly: two plates with their own margins, a compact
shell around marrow, elliptical roots with ligament and lamina dura. Every column of the picture
is the exact projection of its section along an oblique beam. Not clinical truth: shapes and
ranges are this generator's own choice, drawn wider than believable.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from perioview.marks import Mark

from .scene import Key, Phantom, packed
from .section_beam import bone_paths, tooth_paths
from .section_extras import bud, calculus, canal, gum, shadow
from .section_film import Place, developed, grain_of_bone, viewed
from .section_scene import SIDES, Scene, section_scene

Array = NDArray[Any]
TRIES = 4


def section_phantom(seed: int) -> Phantom:
    """Make one radiograph of the section generator, with its marks and true crests.

    Parameters
    ----------
    seed : int
        The same seed gives the same picture.

    Returns
    -------
    Phantom
        Traits name furcal sides (`furcal`), margins over 0.5 mm apart (`apart`) and sites with
        an unmarked third root projected over them (`hidden`).
    """
    rng = np.random.default_rng([77, seed])
    scene = section_scene(rng)
    marks = _marks(rng, scene)
    points = [*scene.crests.values(), *((m[1], m[2]) for m in marks)]
    fine, corner = float(scene.u[1] - scene.u[0]), (float(scene.u[0]), float(scene.y[0]))
    asked = float(np.exp(rng.uniform(np.log(0.025), np.log(0.08))))
    solids, best = _solids(rng, scene), -np.inf
    for _ in range(TRIES):  # a margin nobody could see teaches nothing
        picture, where = viewed(rng, _path(rng, scene, solids), *corner, fine, asked, points)
        spacing = _spacing(where)
        film, negative = developed(rng, picture, spacing, [where(*p) for p in points])
        if (seen := _visibility(scene, film, negative, where)) > best:
            best, place, mm, pixels, inverted = seen, where, spacing, film, negative
        if best > 1:
            break
    made = []
    for (landmark, tooth, root, side), u, v in marks:
        row, col = place(u, v)
        made.append(Mark(landmark, row, col, tooth, root, side))
    image, own, calibration = packed(pixels, inverted, made, mm, f"s{seed}.png")
    traits: dict[Key, tuple[str, ...]] = {}
    for key, (one, two) in scene.margins.items():
        apart = ("apart",) if abs(one - two) > 0.5 else ()
        hidden = ("hidden",) if _hidden(scene, key) else ()
        traits[key] = (*(() if scene.outer[key] else ("furcal",)), *apart, *hidden)
    truth = {key: place(*at) for key, at in scene.crests.items()}
    return Phantom(replace(image, species=scene.species), own, calibration, truth, traits)


def _spacing(place: Place) -> float:
    one, two = np.array(place(0.0, 0.0)), np.array(place(1.0, 0.0))
    return float(1 / np.hypot(*(two - one)))


def _hidden(scene: Scene, key: Key) -> bool:
    u, v = scene.crests[key]
    behind = next(t.behind for t in scene.teeth if t.number == key[0])
    if behind is None or v > behind.end:
        return False
    left, right = (behind.outline(v, k, *scene.beam) for k in (0, 1))
    return left - 0.2 < u < right + 0.2


def _visibility(scene: Scene, pixels: NDArray[np.generic], inverted: bool, place: Place) -> float:
    """Median over sites of grey's rise across the truth, in units of what can be told apart."""
    grey = pixels.astype(np.float32) * (-1 if inverted else 1)
    low, high = np.quantile(grey[::5, ::5], [0.02, 0.98])
    smooth = cv2.GaussianBlur(grey, (0, 0), max(0.08 / _spacing(place), 0.5))
    rows, cols = np.array(grey.shape) - 1
    rises = []
    for key, (u, v) in scene.crests.items():
        out = 2 * SIDES.index(key[2]) - 1
        samples = []
        for way in (1, -1):
            at = [
                place(u + out * (scene.jaw.ligament + 0.25 + 0.15 * i), v + way * (0.3 + 0.15 * j))
                for i in range(3)
                for j in range(3)
            ]
            r, c = np.clip(np.round(np.array(at).T), 0, [[rows], [cols]]).astype(int)
            samples.append(smooth[r, c])
        unclear = 0.035 * (high - low) + 0.5 * (samples[0].std() + samples[1].std())
        rises.append((samples[0].mean() - samples[1].mean()) / max(unclear, 1e-6))
    return float(np.median(rises))


def _solids(rng: np.random.Generator, scene: Scene) -> tuple[Array, Array, Array, Array]:
    """Paths through bone, its marrow, dentine and enamel."""
    u, y, jaw = scene.u, scene.y, scene.jaw
    fine = float(u[1] - u[0])
    below = np.arange(1, int(5 * scene.scale * abs(scene.beam[1]) / fine) + 2) * fine
    tall = np.append(y, y[-1] + below)  # bone under the picture is projected into it
    bone, marrow = (b[: len(y)] for b in bone_paths(jaw, scene.teeth, u, tall, scene.beam[0]))
    pulp = (rng.uniform(0.08, 0.35), rng.uniform(0, 1))
    return bone, marrow, *tooth_paths(scene.teeth, u, y, scene.beam, pulp)


def _path(
    rng: np.random.Generator, scene: Scene, solids: tuple[Array, Array, Array, Array]
) -> Array:
    """What the rays meet, weighted by what each material absorbs."""
    bone, marrow, dentine, enamel = solids
    jaw, fine, shape = scene.jaw, float(scene.u[1] - scene.u[0]), bone.shape
    texture = grain_of_bone(rng, shape, fine) * 0.4 * rng.uniform(0, 1) ** 1.5
    dense = bone - marrow * (1 - jaw.marrow * np.clip(1 + texture, 0.1, 2.5))
    if rng.random() < 0.3:
        canal(rng, scene, dense, jaw.marrow)
    mu_bone = float(np.exp(rng.uniform(np.log(0.2), np.log(0.75))))
    total: Array = mu_bone * dense + dentine + enamel * rng.uniform(0.3, 1.2)
    if rng.random() < 0.08:
        bud(rng, scene, total)
    typical = float(np.median(total[dense > 0])) if (dense > 0).any() else 1.0
    total += gum(rng, scene) * np.exp(rng.uniform(np.log(0.01), np.log(0.15))) * typical
    if rng.random() < 0.35:
        calculus(rng, scene, total, typical)
    if rng.random() < 0.3:
        total += shadow(rng, shape) * rng.uniform(0.03, 0.3) * typical
    if rng.random() < 0.3:
        row, col = np.mgrid[: shape[0], : shape[1]] / max(shape)
        total += typical * (rng.normal(0, 0.25) * row + rng.normal(0, 0.25) * col)
    return total


def _marks(
    rng: np.random.Generator, scene: Scene
) -> list[tuple[tuple[str, int, str, str | None], float, float]]:
    """CEJ marks of outer sides and apices, with a marker's error, as (what, u, v)."""
    made: list[tuple[tuple[str, int, str, str | None], float, float]] = []
    cej_sd, apex_sd = rng.uniform(0.02, 0.2), rng.uniform(0.04, 0.35)
    across, tilt = scene.beam
    for tooth in scene.teeth:
        for root in tooth.roots:
            for k, side in enumerate(SIDES):
                if root.outer[k]:
                    v = tooth.cej[k] - root.z * tilt
                    at = root.outline(v, k, across, tilt)
                    du, dv = rng.normal(0, cej_sd, 2)
                    made.append((("cej", root.tooth, root.name, side), at + du, v + dv))
            x, z, _, _ = (float(p) for p in root.at(np.array(root.end)))
            du, dv = rng.normal(0, apex_sd, 2)
            at, v = x - z * across + du, root.end - z * tilt + dv
            made.append((("apex", root.tooth, root.name, None), at, v))
    return made
