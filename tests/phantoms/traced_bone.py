"""Bone of generator D: two plates with margins of their own and a foam of random waves between.

Shapes are general knowledge of radiographic anatomy, from memory, not clinical truth.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from .traced_teeth import Tooth

Array = NDArray[np.float32]
STEP = 0.05  # mm between samples of a margin
MOST = 0.9  # of the root, the deepest horizontal loss


@dataclass(frozen=True)
class Ridge:
    """Alveolar process: margins along x, its width over depth, cortices and marrow."""

    left: float
    buccal: Array
    lingual: Array
    widths: tuple[float, float]
    centre: float
    plates: tuple[float, float]
    crestal: float
    gum: float
    cheek: float
    ligament: float
    lamina: float
    lamina_weight: float
    canal: tuple[float, float, float, float]

    def top(self, x: Array, z: float) -> Array:
        """Height of the bone's upper face at depth z, in mm apical."""
        share = 0.5 + 0.5 * math.tanh((z - self.centre) / (0.35 * self.widths[0]))
        at = (x - self.left) / STEP
        index = np.arange(len(self.buccal))
        line = self.lingual + share * (self.buccal - self.lingual)
        return np.asarray(np.interp(at, index, line), np.float32)

    def half_width(self, below: Array) -> Array:
        """Half the thickness of the process, by mm below its upper face."""
        narrow, wide = self.widths
        grown = 1 - np.exp(-np.maximum(below, 0) / 3)
        rim = np.sqrt(np.clip(below / 0.2, 0.02, 1))
        return np.asarray((narrow + (wide - narrow) * grown) * rim, np.float32)


class Foam:
    """Trabeculae: the thin or thick side of a sum of random waves, cut at a level."""

    def __init__(self, rng: np.random.Generator, waves: int = 120) -> None:
        direction = rng.standard_normal((waves, 3)) * np.array(
            [1.0, rng.uniform(0.6, 1.3), rng.uniform(0.6, 1.3)]
        )
        direction /= np.linalg.norm(direction, axis=1, keepdims=True)
        pitch = np.maximum(rng.uniform(0.7, 1.9) * np.exp(rng.normal(0, 0.38, waves)), 0.45)
        self.k = (direction * (2 * math.pi / pitch)[:, None]).astype(np.float32)
        # A slow seventh of the waves makes dense and empty regions.
        self.k[: waves // 7] *= np.float32(0.22)
        self.phase = rng.uniform(0, 2 * math.pi, waves).astype(np.float32)
        # Waves bent in all three directions: straight ones sum to a weave along the rays.
        self.bend = (2 * math.pi / rng.uniform(2.5, 7, (3, waves))).astype(np.float32)
        self.start = rng.uniform(0, 2 * math.pi, (3, waves)).astype(np.float32)
        self.sheets = bool(rng.random() < 0.6)
        self.level = rng.uniform(0.12, 0.42) if self.sheets else rng.uniform(0.4, 1.1)

    def struts(self, x: Array, y: Array, z: float) -> Array:
        """Share of bone on the grid of columns x and rows y at depth z."""
        turns = [
            np.float32(1.6) * np.sin(at * self.bend[j] + self.start[j])
            for j, at in enumerate((x[:, None], y[:, None], np.float32(z)))
        ]
        u = y[:, None] * self.k[:, 1] + z * self.k[:, 2] + self.phase + turns[1] + turns[2]
        v = x[:, None] * self.k[:, 0] + turns[0]
        scale = np.float32(math.sqrt(2 / len(self.phase)))
        rows = np.concatenate([np.cos(u), -np.sin(u)], 1) * scale
        field = rows @ np.concatenate([np.cos(v), np.sin(v)], 1).T
        inside = self.level - np.abs(field) if self.sheets else field - self.level
        return np.asarray(np.clip(inside * 4 + 0.5, 0, 1), np.float32)


def _nodes(
    rng: np.random.Generator, teeth: list[Tooth], general: float, apart: float
) -> tuple[list[tuple[float, float, float]], list[tuple[float, float, float, int]]]:
    """Margin nodes (x, lingual, buccal) and defects (x, depth, width, side)."""
    nodes, defects = [], []
    slope = rng.normal(0, 0.08)
    lean = rng.normal(0, apart)
    usual = float(np.mean([r.length for t in teeth for r in t.roots]))
    for at, tooth in enumerate(teeth):
        own = general + slope * (at - len(teeth) / 2) + rng.normal(0, 0.05)
        for root in tooth.roots:
            for k in (0, 1):
                loss = own + rng.normal(0, 0.05)
                gap = lean + rng.normal(0, 0.3 * apart)
                ends = []
                for share in (loss - gap / 2, loss + gap / 2):
                    q = share * (0.5 * root.length + 0.5 * usual)
                    q = float(np.clip(q, 0.02 * root.length, MOST * root.length))
                    if not root.sides[k]:
                        q = max(q, tooth.roof + 0.95)
                    ends.append(q)
                q = float(np.mean(ends))
                e = np.float32(q / root.length)
                p = float(root.axis(np.array(e))[0])
                p += (2 * k - 1) * (root.a * (1 - root.taper * float(e)) + 0.2)
                x, y = tooth.world(np.array(p), np.array(q))
                nodes.append((float(x), float(y) + ends[0] - q, float(y) + ends[1] - q))
                if rng.random() < 0.07:
                    deepest = (0.93 * root.length) - max(ends)
                    deep = float(min(rng.uniform(1.2, 4.5), deepest))
                    if deep > 0.8:
                        defects.append((float(x), deep, rng.uniform(0.7, 1.8), 2 * k - 1))
    return sorted(nodes), defects


def ridge_around(rng: np.random.Generator, teeth: list[Tooth]) -> tuple[Ridge, list[float]]:
    """Draw the bone round a row of teeth; also where along x vertical defects are."""
    general = float(
        rng.choice([rng.uniform(0.02, 0.15), rng.uniform(0.1, 0.4), rng.uniform(0.35, 0.9)])
    )
    apart = float(rng.choice([0.0, rng.uniform(0.01, 0.05), rng.uniform(0.05, 0.16)]))
    nodes, defects = _nodes(rng, teeth, general, apart)
    left, right = nodes[0][0] - 12, nodes[-1][0] + 12
    x = np.arange(left, right, STEP)
    known = np.array(nodes)
    margins = []
    for column in (1, 2):
        line = np.interp(x, known[:, 0], known[:, column])
        line = ndimage.gaussian_filter1d(line, rng.uniform(0.15, 0.45) / STEP)
        # Fine unevenness of a real margin.
        line += ndimage.gaussian_filter1d(rng.standard_normal(len(x)), 0.6 / STEP) * 0.12
        for at, deep, wide, side in defects:
            away = (x - at) * side
            reach = np.where(away > 0, away / wide, -away / 0.9)
            line += deep * np.clip(1 - reach, 0, 1) * (1 if rng.random() < 0.7 else 0.25)
        margins.append(ndimage.gaussian_filter1d(line, 1.5).astype(np.float32))
    deep = max(t.deep for t in teeth)
    narrow = deep + rng.uniform(0.1, 0.7)
    end = max(r.length for t in teeth for r in t.roots)
    canal = rng.random() < 0.4
    ridge = Ridge(
        left,
        margins[1],
        margins[0],
        (narrow, narrow + rng.uniform(0.3, 1.6)),
        rng.normal(0, 0.25),
        (rng.uniform(0.25, 0.9), rng.uniform(0.25, 0.9)),
        float(rng.choice([0.0, rng.uniform(0.1, 0.35)])),
        rng.uniform(0.8, 2.2),
        rng.uniform(0, 7) if rng.random() < 0.6 else 0.0,
        rng.uniform(0.15, 0.3),
        float(rng.choice([0.0, rng.uniform(0.1, 0.3)], p=[0.25, 0.75])),
        rng.uniform(0.5, 1.0),
        (
            end + rng.uniform(-1, 1.5),
            rng.normal(0, 0.04),
            rng.uniform(-1, 1),
            rng.uniform(0.5, 1.1) if canal else 0.0,
        ),
    )
    return ridge, [d[0] for d in defects]
