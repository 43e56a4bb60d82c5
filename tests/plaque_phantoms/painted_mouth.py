"""What the held-out plaque generator paints before any light falls: teeth, gum, plaque, dyes.

General knowledge, from memory; not clinical truth.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from .painted_surfaces import BANDS, crown, field, hump

Array = NDArray[np.float32]
Flags = NDArray[np.bool_]


@dataclass
class Mouth:
    """What is painted on the picture, before any light."""

    regions: NDArray[np.uint16]
    relief: Array
    edge: Array
    new: Array
    old: Array
    brown: Array
    yellow: Array
    shade: Array
    gum: Flags
    kinds: dict[int, str]


def _gum_line(rng: np.random.Generator, rows: int, cols: int, pitch: float, size: float) -> Array:
    """Row of the gum margin by column: arches over crowns, papillae between."""
    x = np.arange(cols, dtype=np.float32)
    arch = np.abs(np.sin(np.pi * (x - 20) / pitch)) ** 0.7
    slow = field(rng, (4, cols), size)[0] * 0.03
    return np.asarray(rows * 0.33 + size * (0.13 - 0.13 * arch + slow), np.float32)


def _plaque(
    rng: np.random.Generator, kind: str, away: Array, u: Array, size: float, shape: tuple[int, int]
) -> Array:
    """Thickness of plaque: from the gum line, from the sides, in islands; 0 where there is none."""
    if kind == "clean":
        return np.zeros(shape, np.float32)
    lumps = np.exp(0.35 * field(rng, shape, size / rng.uniform(3, 9))).astype(np.float32)
    wander = field(rng, shape, size / rng.uniform(2, 5))
    soft = rng.uniform(0.02, 0.09)
    reach = {"all": 3.0, "margin": rng.uniform(0.05, 0.35), "patchy": rng.uniform(-0.1, 0.3)}[kind]
    near = reach + 0.1 * wander - away
    flank = 0.35 * (np.abs(u) - rng.uniform(0.62, 1.05)) + 0.05 * wander
    front = np.maximum(near, flank)
    if kind == "patchy":
        islands = field(rng, shape, size / rng.uniform(2, 6)) - 0.7 * away - rng.uniform(0, 1.4)
        front = np.maximum(front, 0.12 * islands)
    grown = 1 / (1 + np.exp(-np.clip(front / soft, -40, 40)))
    thick = lumps * (0.75 + 0.5 * np.exp(-4 * np.maximum(away, 0)))
    return np.asarray(grown * thick * rng.uniform(0.5, 1.5), np.float32)


def _kind(rng: np.random.Generator, case: str) -> str:
    if case in ("clean", "all"):
        return case
    return str(rng.choice(["clean", "margin", "patchy", "all"], p=[0.14, 0.42, 0.34, 0.1]))


def painted_mouth(
    rng: np.random.Generator,
    names: tuple[int, ...],
    size: float,
    dye: str,
    case: str,
    kinds: dict[int, str],
    tartar: float,
) -> Mouth:
    """Paint teeth under a gum at the picture's top."""
    pitch = size * rng.uniform(0.86, 1.0)
    rows, cols = int(size * 1.9), int(pitch * len(names) + 40)
    shape = (rows, cols)
    line = _gum_line(rng, rows, cols, pitch, size)
    y, x = np.mgrid[:rows, :cols].astype(np.float32)
    away_px = y - line[None]
    mouth = Mouth(
        regions=np.zeros(shape, np.uint16),
        relief=np.zeros(shape, np.float32),
        edge=np.zeros(shape, np.float32),
        new=np.zeros(shape, np.float32),
        old=np.zeros(shape, np.float32),
        brown=np.zeros(shape, np.float32),
        yellow=np.zeros(shape, np.float32),
        shade=np.ones(shape, np.float32),
        gum=away_px < 0,
        kinds={},
    )
    for i, name in enumerate(names):
        centre = 20 + pitch * (i + 0.5)
        box = np.s_[:, max(0, int(centre - size * 0.62)) : int(centre + size * 0.62)]
        here = x[box].shape
        neck = float(line[int(centre)])
        width, height = size * rng.uniform(0.4, 0.49), size * rng.uniform(0.7, 1.05)
        inside, relief, u, v = crown(rng, x[box] - centre, y[box] - neck, width, height)
        inside &= (mouth.regions[box] == 0) & ~mouth.gum[box]
        kind = kinds.get(i) or _kind(rng, case)
        mouth.kinds[name] = kind
        away = (away_px[box] / np.float32(height)).astype(np.float32)
        thick = _plaque(rng, kind, away, u, size, here)
        old = np.zeros(here, np.float32)
        if dye == "two-tone":
            ripe = rng.uniform(-0.05, 0.4) - away + 0.1 * field(rng, here, size / 3)
            old = 1 / (1 + np.exp(-np.clip(ripe / 0.03, -40, 40)))
        brown = np.zeros(here, np.float32)
        if rng.random() < tartar:
            crust = rng.uniform(0.08, 0.35) - away + 0.08 * field(rng, here, size / 4)
            brown = rng.uniform(0.3, 1.1) * np.clip(crust * 8, 0, 1)
            relief = relief + brown * size * 0.012 * (1 + 0.4 * field(rng, here, 6))
        yellow = rng.uniform(0.03, 0.2) * np.clip(1 - away, 0, 1) ** 1.5 + rng.uniform(0, 0.06)
        depth = cv2.distanceTransform(inside.astype(np.uint8), cv2.DIST_L2, 3)
        shade = rng.uniform(0.88, 1.04) * (1 + 0.02 * field(rng, here, size / 6))
        for target, value in (
            (mouth.regions, name),
            (mouth.relief, relief),
            (mouth.edge, np.exp(-depth / (0.07 * size)) * (v > 0.3)),
            (mouth.new, thick * (1 - old)),
            (mouth.old, thick * old),
            (mouth.brown, brown),
            (mouth.yellow, yellow),
            (mouth.shade, shade),
        ):
            target[box] = np.where(inside, value, target[box])
    swell = np.clip(-away_px / (0.16 * size), 0, 1)
    gum_relief = 0.14 * size * np.sqrt(1 - (1 - swell) ** 2) + 0.25 * size
    mouth.relief = np.where(mouth.gum, gum_relief, mouth.relief).astype(np.float32)
    return mouth


def dyes_drawn(rng: np.random.Generator) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Absorption of new and of old plaque's dye, of unit height."""
    peak = rng.uniform(522, 541)
    new = hump(peak, 13, -0.2) + rng.uniform(0.35, 0.55) * hump(peak - 35, 14)
    blue = hump(rng.uniform(615, 635), 22, 0.2) + 0.4 * hump(575, 20)
    old = rng.uniform(0.5, 0.9) * new + rng.uniform(0.8, 1.0) * blue
    return new / new.max(), old / old.max()


def reflectance(
    mouth: Mouth, dyes: tuple[NDArray[np.float64], NDArray[np.float64]], flesh: Array
) -> tuple[Array, Array]:
    """Reflectance by band without and with the dye."""
    yellow_curve = np.exp(-(BANDS - 405) / 95)
    brown_curve = 0.25 + np.exp(-(BANDS - 405) / 120)
    gum_curve = 0.07 + 0.36 / (1 + np.exp(-(BANDS - 597) / 11)) + 0.05 * hump(475, 30)
    gum_curve *= 1 - 0.25 * hump(545, 8) - 0.25 * hump(576, 7)
    tooth = mouth.regions > 0
    plain, dyed = [], []
    for b in range(len(BANDS)):
        # Thin edges let light through, blue the least.
        through = 1 - mouth.edge * (0.22 + 0.12 * (BANDS[b] - 405) / 280)
        enamel = 0.66 * mouth.shade * through
        enamel *= 10 ** -(mouth.yellow * yellow_curve[b] + mouth.brown * 0.7 * brown_curve[b])
        other = np.where(mouth.gum, gum_curve[b] * flesh, 0.12 * gum_curve[b] * flesh)
        film = 10 ** -(mouth.new * dyes[0][b] + mouth.old * dyes[1][b])
        plain.append(np.where(tooth, enamel, other))
        dyed.append(np.where(tooth, enamel * film, other))
    return np.stack(plain, -1).astype(np.float32), np.stack(dyed, -1).astype(np.float32)
