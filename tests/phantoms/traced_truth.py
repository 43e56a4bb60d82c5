"""Marks and true crests of generator D, from its solids and its beam; calculus beside the CEJ."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from perioview.marks import Mark

from .scene import Key
from .traced_beam import Beam, Frame
from .traced_bone import Ridge
from .traced_teeth import Root, Tooth

Array = NDArray[np.float32]


def _outline(tooth: Tooth, root: Root, beam: Beam, k: int) -> tuple[Array, Array]:
    """The root's projected edge on one side: columns x over rows y of the plane z = 0."""
    p, q, z = root.surface()
    u, v = beam.onto_plane(*tooth.world(p, q), z)
    y = np.linspace(float(v[0].mean()), float(v.max()), 400)
    sign = 2 * k - 1
    # Each strand of the surface runs from CEJ to apex; the edge is the outermost strand.
    strands = [
        np.interp(y, v[:, j], sign * u[:, j], left=-1e9, right=-1e9) for j in range(u.shape[1])
    ]
    best = np.max(strands, axis=0)
    known = best > -1e8
    return sign * best[known].astype(np.float32), y[known].astype(np.float32)


def _crest(
    ridge: Ridge, beam: Beam, edge: tuple[Array, Array], k: int
) -> tuple[float, float, float] | None:
    """Plane (x, y) of the crest on the root's edge, and how far the plates project apart.

    Bone is whole where every depth of the process is below its upper face; the crest is the
    upper end of the whole part, hence the more apical of two margins, or a defect's base.
    """
    x, y = edge
    beside = x + np.float32((2 * k - 1) * (ridge.ligament + 0.1))
    depths = np.linspace(-0.85, 0.85, 25) * ridge.widths[0] + ridge.centre
    below = []
    for z in depths:
        xs, ys = beam.at_depth(beside, y, float(z))
        below.append(ys - ridge.top(xs, float(z)))
    least, most = np.min(below, axis=0), np.max(below, axis=0)
    bare = np.flatnonzero(least < 0)
    if len(bare) == 0 or bare[-1] > len(y) - 4:
        return None
    last = int(bare[-1])
    share = float(-least[last] / (least[last + 1] - least[last]))
    at_y = float(y[last] + share * (y[last + 1] - y[last]))
    upper = np.flatnonzero(most < 0)
    first = float(y[upper[-1]]) if len(upper) else float(y[0])
    return float(np.interp(at_y, y, x)), at_y, at_y - first


def calculus(
    rng: np.random.Generator, teeth: list[Tooth], x: Array, y: Array, paths: dict[str, Array]
) -> set[Key]:
    """Add spurs of calculus near the CEJ of some sides."""
    found: set[Key] = set()
    for tooth in teeth:
        for root in tooth.roots:
            for k, side in enumerate(("mesial", "distal")):
                if not root.sides[k] or rng.random() > 0.12:
                    continue
                found.add((tooth.number, root.name, side))
                for _ in range(3):
                    p = root.p + (2 * k - 1) * root.a * rng.uniform(0.95, 1.1)
                    cx, cy = tooth.world(np.array(p), np.array(rng.uniform(-0.6, 0.7)))
                    r = rng.uniform(0.2, 0.5)
                    apart = (x[None] - cx) ** 2 + 1.6 * (y[:, None] - cy) ** 2
                    paths["bone"] += 2.4 * np.sqrt(np.maximum(r * r - apart, 0)).astype(np.float32)
    return found


def marked(
    teeth: list[Tooth], ridge: Ridge, beam: Beam, frame: Frame, defects: list[float]
) -> tuple[list[Mark], dict[Key, tuple[float, float]], dict[Key, tuple[str, ...]]]:
    """Exact marks of whole teeth inside the picture, crests and traits of their sides."""
    marks: list[Mark] = []
    truth: dict[Key, tuple[float, float]] = {}
    traits: dict[Key, tuple[str, ...]] = {}
    for tooth in teeth:
        own: list[Mark] = []
        sites: dict[Key, tuple[tuple[float, float], tuple[str, ...]]] = {}
        for root in tooth.roots:
            p, q, z = root.surface()
            tip = beam.onto_plane(*tooth.world(p[-1, 0], q[-1, 0]), z[-1, 0])
            own.append(Mark("apex", *frame.pixel(*map(float, tip)), tooth.number, root.name))
            for k, side in enumerate(("mesial", "distal")):
                if root.sides[k]:
                    u, v = beam.onto_plane(*tooth.world(p[0], q[0]), z[0])
                    j = int(np.argmax((2 * k - 1) * u))
                    at = frame.pixel(float(u[j]), float(v[j]))
                    own.append(Mark("cej", *at, tooth.number, root.name, side))
                crest = _crest(ridge, beam, _outline(tooth, root, beam, k), k)
                if crest is None:
                    continue
                x, y, apart = crest
                level = (y - tooth.y) / root.length
                tops = ridge.top(np.array([x - 0.5, x + 0.5], np.float32), 0.0)
                names = {
                    "furcal": not root.sides[k],
                    "two_plates": apart > 0.5,
                    "vertical": any(abs(x - d) < 1.2 for d in defects),
                    "sloping": abs(float(tops[1] - tops[0])) > 0.6,
                    "deep": level > 0.5,
                }
                at = frame.pixel(x, y)
                here = tuple(n for n, yes in names.items() if yes)
                sites[(tooth.number, root.name, side)] = (at, here)
        places = [(m.row, m.col) for m in own] + [at for at, _ in sites.values()]
        edge = 0.5 / frame.mm
        rows, cols = frame.shape
        if all(edge < r < rows - edge and edge < c < cols - edge for r, c in places):
            marks += own
            truth |= {key: at for key, (at, _) in sites.items()}
            traits |= {key: here for key, (_, here) in sites.items()}
    return marks, truth, traits
