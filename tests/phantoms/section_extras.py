"""What else a radiograph of the section generator may show: gum, canals, calculus, shadows."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from .section_bone import wander
from .section_scene import SIDES, Scene

Array = NDArray[Any]


def gum(rng: np.random.Generator, scene: Scene) -> Array:
    """Share of the full soft tissue at each pixel: none in air, all over the bone."""
    high = np.minimum(scene.jaw.halves[0].margin, scene.jaw.halves[1].margin)
    cej = np.mean([t.cej for t in scene.teeth])
    follow = rng.choice([0.0, 1.0, rng.uniform(0, 1)])
    over = scene.scale * wander(rng, scene.u, 0.2, 4, 3)
    top = np.minimum(follow * high + (1 - follow) * cej, high) - over
    soft = scene.scale * np.exp(rng.uniform(np.log(0.05), np.log(4)))
    return np.sqrt(np.clip((scene.y[:, None] - top[None]) / soft, 0, 1))


def canal(rng: np.random.Generator, scene: Scene, dense: Array, marrow: float) -> None:
    """A canal along the row, or one foramen, apical of the teeth's middle."""
    u, y, scale = scene.u, scene.y, scene.scale
    end = max(r.end for t in scene.teeth for r in t.roots)
    level = end + wander(rng, u, -2.5, 2.5, 6) * scale
    radius = scale * rng.uniform(0.3, 1.1) * np.ones_like(u)
    if rng.random() < 0.4:
        at, wide = rng.uniform(u[0], u[-1]), scale * rng.uniform(0.5, 1.5)
        radius = radius * np.sqrt(np.clip(1 - ((u - at) / wide) ** 2, 0, None))
    away = np.abs(y[:, None] - level[None])
    hole = 2 * np.sqrt(np.clip(radius**2 - away**2, 0, None))
    rim = 2 * np.sqrt(np.clip((radius + 0.12 * scale) ** 2 - away**2, 0, None)) * (radius > 0.05)
    dense -= np.minimum(hole * marrow, 0.7 * dense)
    dense += rng.uniform(0, 0.5) * (rim - hole) * (dense > 0)


def bud(rng: np.random.Generator, scene: Scene, total: Array) -> None:
    """An unerupted tooth in its follicle, apical of a row's apices."""
    u, y, scale = scene.u, scene.y, scene.scale
    end = max(r.end for t in scene.teeth for r in t.roots)
    high, wide = scale * rng.uniform(1.5, 3, 2)
    top = (y[:, None] - end - high * rng.uniform(0.4, 1.2)) / high
    side = (u[None] - rng.uniform(u[0], u[-1])) / wide
    for grow, gain in ((1 + 0.4 * scale / high, -0.25), (1.0, 1.0), (0.8, -0.4)):
        total += gain * scale * np.sqrt(np.clip(grow**2 - top**2 - side**2, 0, None))
    np.maximum(total, 0, out=total)


def calculus(rng: np.random.Generator, scene: Scene, total: Array, typical: float) -> None:
    """Dense lumps on outer tooth edges between the crown and half way to the crest."""
    fine = float(scene.u[1] - scene.u[0])
    layer = np.zeros(total.shape, np.float32)
    for tooth in scene.teeth:
        for k, root in ((0, tooth.roots[0]), (1, tooth.roots[-1])):
            if rng.random() < 0.5:
                continue
            crest_v = scene.crests[root.tooth, root.name, SIDES[k]][1]
            v = rng.uniform(tooth.cej[k] - 0.15 * tooth.crown, (tooth.cej[k] + crest_v) / 2)
            at = root.outline(v, k, *scene.beam)
            middle = (int((at - scene.u[0]) / fine), int((v - scene.y[0]) / fine))
            high = min(rng.uniform(0.15, 0.9) * scene.scale, max(crest_v - v, 0) / 2)
            axes = (int(rng.uniform(0.1, 0.5) * scene.scale / fine) + 1, int(high / fine) + 1)
            cv2.ellipse(layer, middle, axes, rng.normal(0, 15), 0, 360, rng.uniform(0.1, 0.6), -1)
    total += typical * cv2.GaussianBlur(layer, (0, 0), max(0.08 / fine, 0.6))


def shadow(rng: np.random.Generator, shape: tuple[int, int]) -> Array:
    """Another jaw's or the cheek bone's shadow: a broad band with one or two soft edges."""
    rows, cols = np.mgrid[: shape[0], : shape[1]] / np.float32(max(shape))
    turn = rng.normal(0, 0.5)
    along = np.cos(turn) * rows + np.sin(turn) * cols + rng.uniform(-0.5, 0.5) * (cols - 0.5) ** 2
    start, edge = rng.uniform(-0.2, 1.0), rng.uniform(0.01, 0.15)
    band = np.clip((along - start) / edge, 0, 1)
    return band - np.clip((along - start - rng.uniform(0.1, 1)) / edge, 0, 1)
