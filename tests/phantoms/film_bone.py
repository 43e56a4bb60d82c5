"""Alveolar bone of the profile films: two margins over x, sockets, cortex and trabeculae.

The buccal and the lingual margin are each a curve z(x), z growing toward the apex; between them
the septum's top runs straight across. Densities are grams of mineral per cubic centimetre, round
figures of physiology texts from memory: enamel 2.75, dentine 1.45, compact bone 1.15.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from .film_teeth import Field, Tooth, surfaces

ENAMEL, DENTINE, COMPACT = 2.75, 1.45, 1.15


@dataclass(frozen=True, slots=True)
class Grid:
    """World grid of the film's scene: x along columns, z along rows, slabs along y, all in mm."""

    x: NDArray[np.float32]
    z: NDArray[np.float32]
    y: NDArray[np.float32]
    pitch: float
    slab: float


@dataclass(frozen=True, slots=True)
class Jaw:
    """The bone: margins sampled on `knots` (x), its width, sockets and inner texture."""

    knots: NDArray[np.float64]
    buccal: NDArray[np.float64]
    lingual: NDArray[np.float64]
    half: float  # half width at the margins
    spread: float  # how much wider it grows with depth
    ligament: float
    lamina: float
    cortex: float
    crest_cortex: float
    bevel: float
    trabecular: float
    texture: NDArray[np.float32]
    cell: float
    dome: NDArray[np.float64]  # how far the septum's middle lies below its margins, over knots
    lining: float  # how complete the sockets' compact lining is
    border: float  # thickness of the lower border's cortex
    bottom: float
    canal: tuple[float, float]  # z and radius; radius 0 without one

    def margin(self, x: NDArray[np.floating], side: str) -> NDArray[np.float64]:
        """Height z of one margin ('buccal' or 'lingual') at x."""
        return np.interp(x, self.knots, self.buccal if side == "buccal" else self.lingual)

    @property
    def margin_y(self) -> float:
        """How far from the middle a margin counts as such: inside the bevelled edge."""
        return self.half - self.bevel

    def top(self, x: NDArray[np.floating], y: float) -> NDArray[np.float64]:
        """Height z of the bone's top at (x, y)."""
        share = float(np.clip(0.5 + 0.5 * y / self.margin_y, 0, 1))
        straight = (1 - share) * self.margin(x, "buccal") + share * self.margin(x, "lingual")
        inner = max(1 - (y / self.margin_y) ** 2, 0.0)
        over = max(abs(y) - self.margin_y, 0.0)
        hollow = inner * np.interp(x, self.knots, self.dome)
        return straight + hollow + 1.2 * over**2 / max(self.bevel, 0.05)

    def floor(self, x: NDArray[np.floating]) -> NDArray[np.float64]:
        """Depth z of the jaw's lower border."""
        return self.bottom - 0.006 * (x - self.knots.mean() - 3.0) ** 2


def trabeculae(rng: np.random.Generator, grid: Grid, cell: float) -> NDArray[np.float32]:
    """A plate-like network: the neighbourhood of a smooth random field's zero surface."""
    shape = (
        int(np.ptp(grid.z) / cell) + 4,
        int(np.ptp(grid.x) / cell) + 4,
        int(np.ptp(grid.y) / cell) + 4,
    )
    size = rng.uniform(1.1, 1.9)
    raw = rng.normal(size=shape).astype(np.float32)
    fine = ndimage.gaussian_filter(raw, (size, size * rng.uniform(1.0, 1.6), size))
    fine /= fine.std()
    sheets = np.exp(-((fine / rng.uniform(0.3, 0.5)) ** 2))
    slow = ndimage.gaussian_filter(rng.normal(size=shape).astype(np.float32), 9)
    slow /= slow.std() + 1e-6
    return (sheets * np.exp(0.25 * slow)).astype(np.float32)


def _step(distance: Field, width: Field | float) -> Field:
    """Share of a cell inside: 1 where `distance` is well below 0, over `width`."""
    return np.clip(0.5 - distance / width, 0, 1)


def _tooth_window(tooth: Tooth, grid: Grid) -> tuple[slice, slice]:
    """Rows and columns of the grid in which a tooth or its socket can lie."""
    edges = (tooth.x - tooth.reach, tooth.x + tooth.reach)
    a, b = np.searchsorted(grid.x, edges)
    deepest = max(r.length for r in tooth.roots)
    c, d = np.searchsorted(grid.z, (tooth.z - tooth.crown[2] - 1.5, tooth.z + deepest + 1.5))
    return slice(int(c), int(d)), slice(int(a), int(b))


def bone_share(jaw: Jaw, grid: Grid, y: float) -> tuple[Field, Field]:
    """Bone before teeth are cut out of it, in one slab: share of each cell, and its density."""
    x, z = grid.x, grid.z[:, None]
    depth = (z - jaw.top(x, y)[None, :]).astype(np.float32)
    floor = jaw.floor(x)[None, :].astype(np.float32)
    grown = np.clip(depth / 5.0, 0, 1)
    half = jaw.half + jaw.spread * grown
    half = half * (1 - 0.8 * np.clip((z - floor + 1.2 * jaw.half) / (1.2 * jaw.half), 0, 1) ** 2)
    wall = np.abs(y) - half
    share = _step(-depth, grid.pitch * 1.5) * _step(wall, grid.slab) * _step(z - floor, 0.3)
    shell = np.maximum(wall + jaw.cortex * (0.6 + 0.8 * grown), z - floor + jaw.border)
    rim = np.clip(0.5 + (jaw.crest_cortex - depth) / 0.25, 0, 1) * np.float32(0.6 * jaw.lining)
    layer = min(int((y - grid.y[0]) / jaw.cell) + 1, jaw.texture.shape[2] - 1)
    scale = jaw.cell / grid.pitch
    inner = cv2.warpAffine(
        np.ascontiguousarray(jaw.texture[:, :, layer]),
        np.array([[scale, 0, 0], [0, scale, 0]]),
        (len(grid.x), len(grid.z)),
        flags=cv2.INTER_CUBIC,
        borderMode=cv2.BORDER_REFLECT,
    )
    inner = jaw.trabecular * np.maximum(inner, 0.0)
    if jaw.canal[1] > 0:
        off = np.hypot(z - floor - jaw.canal[0], np.float32(y + 0.3)) - jaw.canal[1]
        inner = inner * _step(-off, 0.3)
        rim = np.maximum(rim, np.clip(1 - np.abs(off - 0.1) / 0.2, 0, 1) * np.float32(0.5))
    compact = np.maximum(np.clip(0.5 + shell / 0.25, 0, 1), rim)
    return share.astype(np.float32), (inner + (COMPACT - inner) * compact).astype(np.float32)


def slab_mineral(
    teeth: list[Tooth], jaw: Jaw, grid: Grid, y: float, spurs: list[tuple[float, ...]]
) -> tuple[Field, Field]:
    """Mineral density of one slab, and the share that is bone, on the grid (rows z, columns x)."""
    share, density = bone_share(jaw, grid, y)
    hard = np.zeros_like(share)
    for tooth in teeth:
        rows, columns = here = _tooth_window(tooth, grid)
        x, z = np.broadcast_arrays(grid.x[None, columns], grid.z[rows, None])
        if min(x.shape) < 3 or abs(y - tooth.y) > 1.15 * tooth.crown[1] + 0.8:
            continue
        d, cap, pulp, slope = surfaces(tooth, x, y, z, grid.pitch)
        # A cell is as long as the slab along y: edges facing the beam are spread accordingly.
        gz, gx = np.gradient(d, grid.pitch)
        size = np.sqrt(gx**2 + gz**2) + 1e-3
        width = (size * grid.pitch * 1.2 + np.abs(slope) * grid.slab) / np.sqrt(size**2 + slope**2)
        inside = _step(d, width)
        dentine = inside * (1 - _step(pulp, grid.pitch * 2))
        solid = DENTINE * dentine + ENAMEL * np.maximum(_step(d - cap, width) - inside, 0)
        hard[here] = np.maximum(hard[here], solid)
        socket = _step(d - jaw.ligament, width)
        dens = density[here]
        lining = np.clip(0.5 + (jaw.lamina + jaw.ligament - d) / width, 0, 1)
        lining = lining * np.clip(jaw.lining + 0.5 * dens / jaw.trabecular - 0.25, 0, 1)
        density[here] = dens + np.maximum(COMPACT - dens, 0) * lining
        share[here] *= 1 - socket
    for x0, y0, z0, rx, ry, rz in spurs:
        level = (
            ((grid.x - x0) / rx) ** 2 + ((y - y0) / ry) ** 2 + ((grid.z[:, None] - z0) / rz) ** 2
        )
        near = level < 1.6
        stone = 0.9 * np.clip(1.5 - level[near], 0, 1)
        hard[near] = np.maximum(hard[near], stone)
    return np.maximum(hard, share * density), share
