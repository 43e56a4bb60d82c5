"""Voxels of a scanned jaw, slice by slice from cheek to tongue, and their shadow on the plate.

Attenuation in 1/mm is rounded from memory for about 40 keV effective (soft tissue 0.025, compact
bone 0.11, dentine 0.12, enamel 0.20); marrow counts as soft tissue. Edges are spread over about a
voxel, and slices lie at slightly different places on the plate, so that voxel steps do not show.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from .scanned_bone import Jaw
from .scanned_teeth import ScannedTooth
from .scanned_view import View

Array = NDArray[np.float32]
SOFT, BONE, DENTINE, ENAMEL, STONE = 0.025, 0.112, 0.120, 0.205, 0.135
STEP, THICK = 0.12, 0.14  # voxel in the slice and across, mm


@dataclass(frozen=True, slots=True)
class Calculus:
    """A lump on a tooth: centre in its frame and half axes, mm."""

    tooth: ScannedTooth
    centre: tuple[float, float, float]
    half: tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Fabric:
    """How bone and gum look: bone in the marrow space, softness of the margin, and so on."""

    struts: float
    coarse: float
    crest: float
    soft_edge: float
    demineralised: float
    gum: float
    canal: float
    symphysis: bool
    cheek: float


def _soft(distance: Array, width: float) -> Array:
    """Return how full voxels are whose centres lie `distance` outside a surface."""
    return np.clip(0.5 - distance / width, 0.0, 1.0)


def _network(rng: np.random.Generator, shape: tuple[int, int, int], coarse: float) -> Array:
    """Return marrow plates and struts, 0 to 1: the zero surfaces of smoothed noise."""
    fields = []
    for size in (coarse, 2.2 * coarse):
        half = (shape[0] // 2 + 1, shape[1], shape[2])
        sigma = 0.42 * size / np.array([2 * THICK, STEP, STEP])
        noise = gaussian_filter(rng.standard_normal(half, np.float32), sigma, truncate=3.0)
        fields.append(noise / noise.std())
    thin = np.exp(-((fields[0] / 0.38) ** 2)) + 0.5 * np.exp(-((fields[1] / 0.25) ** 2))
    return np.minimum(thin, 1.0)


def _bone(
    jaw: Jaw, fabric: Fabric, x: Array, y: Array, z: float, struts: Array, low: Array
) -> tuple[Array, Array]:
    """Return how full voxels are with jaw and the attenuation of that bone."""
    under = jaw.inside(x, y, z)
    below = jaw.below(x, y, z)
    full = _soft(-under, 0.2) * np.clip(0.5 + below / fabric.soft_edge, 0, 1)
    compact = np.clip(0.5 + (jaw.plate(x, y) - under) / 0.25, 0, 1)
    low_border = (jaw.down(x, y) - 1) * jaw.low / 1.5 + jaw.plate_body
    compact = np.maximum(compact, np.clip(low_border, 0, 1))
    compact = np.maximum(compact, fabric.crest * np.clip((0.45 - below) / 0.25, 0, 1))
    marrow = np.clip(fabric.struts * struts * (0.9 + 0.25 * low), 0, 1)
    mineral = marrow + (1 - marrow) * compact
    loss = fabric.demineralised * np.exp(-np.maximum(below, 0) / 0.7)
    return full, SOFT + (BONE - SOFT) * mineral * (1 - loss)


def _tooth_slice(
    mu: Array,
    tooth: ScannedTooth,
    jaw: Jaw,
    lumps: list[Calculus],
    x: Array,
    y: Array,
    z: float,
    full: Array,
) -> None:
    """Put one tooth, its ligament and lamina dura into a slice, where it reaches."""
    corners = [tooth.world(u, v, 0.0) for u in _span(tooth) for v in _rise(tooth)]
    box = np.array(corners)
    pad = 1.5
    off = max(box[:, 2].min() - z, z - box[:, 2].max())
    if off > tooth.depth + 1.2:
        return
    cols = slice(*np.searchsorted(x[0], [box[:, 0].min() - pad, box[:, 0].max() + pad]))
    rows = slice(*np.searchsorted(y[:, 0], [box[:, 1].min() - pad, box[:, 1].max() + pad]))
    if cols.start >= cols.stop or rows.start >= rows.stop:
        return
    u, v, w = tooth.local(x[:, cols], y[rows], z)
    part = mu[rows, cols]
    bone = full[rows, cols]
    cup = np.full(part.shape, 1e3, np.float32)
    shell = cup.copy()
    for socket, lamina in tooth.sockets.values():
        cup = np.minimum(cup, socket.distance(u, v, w))
        shell = np.minimum(shell, lamina.distance(u, v, w))
    trunk = tooth.trunk_distance(u, v, w)
    cup = np.minimum(cup, trunk - jaw.ligament)
    shell = np.minimum(shell, trunk - jaw.ligament - jaw.lamina)
    wall = _soft(shell, 0.14) * bone * jaw.lamina_share
    part += wall * np.maximum(0.95 * BONE - part, 0)
    part += _soft(cup, 0.12) * (SOFT - part) * (part > SOFT)
    d = tooth.distance(u, v, w)
    pulp = np.full(part.shape, 1e3, np.float32)
    for chamber in tooth.pulp:
        pulp = np.minimum(pulp, chamber.distance(u, v, w))
    for lump in lumps:
        a, b, c = lump.half
        p, q, s = lump.centre
        f = np.sqrt(((u - p) / a) ** 2 + ((v - q) / b) ** 2 + ((w - s) / c) ** 2)
        part += _soft((f - 1) * min(a, b), 0.2) * np.maximum(STONE - part, 0)
    hard = DENTINE + (ENAMEL - DENTINE) * np.clip(0.5 + (d + tooth.enamel_depth(v, w)) / 0.16, 0, 1)
    hard = np.where(v < tooth.scallop * (w / tooth.depth) ** 2, hard, DENTINE)
    hard += (SOFT - hard) * _soft(pulp, 0.12)
    part += _soft(d, 0.15) * (hard - part)


def _span(tooth: ScannedTooth) -> tuple[float, float]:
    ends = [c for r in tooth.roots.values() for c in (r.centre_u - r.a, r.centre_u + r.a)]
    tips = [c for s in tooth.crown for c in (s.centre_u - s.a, s.centre_u + s.a)]
    low = min(min(c.min() for c in ends), min(c.min() for c in tips))
    return float(low), float(max(max(c.max() for c in ends), max(c.max() for c in tips)))


def _rise(tooth: ScannedTooth) -> tuple[float, float]:
    return -tooth.height, max(r.end for r in tooth.roots.values())


def shadow(
    rng: np.random.Generator,
    teeth: list[ScannedTooth],
    jaw: Jaw,
    fabric: Fabric,
    lumps: list[Calculus],
    view: View,
) -> Array:
    """Return the line integral of attenuation on the plate.

    Parameters
    ----------
    rng : Generator
        For the marrow.
    teeth : list
    jaw : Jaw
    fabric : Fabric
    lumps : list
    view : View
    """
    corners = np.array([[0, 0], [0, view.cols], [view.rows, 0], [view.rows, view.cols]], float)
    deep = jaw.body_half + 1.6
    mid = float(np.median([t.origin[2] for t in teeth]))
    ends = view.ray(corners, np.array([mid - deep, mid + deep])).reshape(-1, 3)
    (x0, y0), (x1, y1) = ends[:, :2].min(0) - 0.5, ends[:, :2].max(0) + 0.5
    x = np.arange(x0, x1, STEP, np.float32)[None]
    y = np.arange(y0, y1, STEP, np.float32)[:, None]
    depths = np.arange(mid - deep, mid + deep, THICK)
    network = _network(rng, (len(depths), y.size, x.size), fabric.coarse)
    low = gaussian_filter(rng.standard_normal((y.size // 8 + 2, x.size // 8 + 2)), 2.0)
    low = cv2.resize((low / low.std()).astype(np.float32), (x.size, y.size))
    total = np.zeros((view.rows, view.cols), np.float32)
    gum = jaw.at(x)
    ridge = np.minimum(jaw.buccal, jaw.lingual)[gum] * 0.6 - fabric.gum
    for k, z in enumerate(depths):
        struts = network[k // 2]
        outer = np.abs(z - jaw.middle[gum]) - jaw.half(x, np.maximum(y, ridge + 1.5)) - 0.8
        round_top = np.sqrt(np.clip((y - ridge) / 2.0, 0, 1)) * 2.0 - 2.0
        mu = SOFT * _soft(outer - round_top, 0.3) * _soft(ridge - y, 0.4)
        full, mineral = _bone(jaw, fabric, x, y, float(z), struts, low)
        mu += full * (mineral - mu)
        if fabric.canal > 0:
            tube = np.hypot(y - jaw.low * 0.74, (z - mid) * 1.1) - fabric.canal
            mu += _soft(tube, 0.3) * full * (SOFT - mu)
        if fabric.symphysis:
            seam = np.exp(-(((x - 0.25 * np.sin(1.3 * y)) / 0.3) ** 2)) * np.clip(
                (y - 5) / 4, 0, 0.8
            )
            mu += seam * full * (SOFT - mu)
        for tooth in teeth:
            own = [lump for lump in lumps if lump.tooth is tooth]
            _tooth_slice(mu, tooth, jaw, own, x, y, float(z), full)
        place = view.onto_slice(x0, y0, STEP, float(z))
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        size = (view.cols, view.rows)
        total += cv2.warpPerspective(mu.astype(np.float32), place, size, flags=flags)
    return total * THICK * view.obliquity + SOFT * fabric.cheek
