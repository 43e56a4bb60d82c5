"""Generator E, for training: implicit solids in three dimensions, summed along tilted rays."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .finishing import exposed, trabeculae, turned
from .scene import Phantom, packed
from .varied_teeth import Root, Tooth, margin, placed_marks, set_levels, teeth_row

Array = NDArray[Any]
SLICES = 20


@dataclass(frozen=True)
class _Jaw:
    """Draws of one jaw: how its margins run across, its layers and what they absorb."""

    half: float
    crest_share: float
    spread: float
    cross_kind: int
    cross_at: float
    cross_way: float
    tilt: float
    ligament: float
    cortex: float
    cortex_top: float
    cancellous: float
    dura: float
    texture: float
    soft: float
    mu: tuple[float, float, float, float]

    def across(self, z: float) -> float:
        """Share of the second, coronal margin in the jaw's section at depth z."""
        t = self.cross_way * z / self.half
        if self.cross_kind == 0:
            return float(t > self.cross_at)
        if self.cross_kind == 1:
            return float(np.clip(0.5 + t / 2, 0, 1))
        return float(1 / (1 + np.exp(-(t - self.cross_at) / 0.15)))

    def half_at(self, below: Array) -> Array:
        grown = np.sqrt(np.clip(below / self.spread, 0, 1))
        return self.half * (self.crest_share + (1 - self.crest_share) * grown)


def _jaw(rng: np.random.Generator, scale: float) -> _Jaw:
    return _Jaw(
        half=scale * rng.uniform(2.5, 6),
        crest_share=rng.uniform(0.25, 1),
        spread=scale * rng.uniform(0.5, 6),
        cross_kind=int(rng.integers(0, 3)),
        cross_at=rng.uniform(-0.4, 0.4),
        cross_way=rng.choice([-1.0, 1.0]),
        tilt=np.tan(np.radians(rng.normal(0, rng.choice([0.5, 4.0, 9.0])))),
        ligament=rng.uniform(0.08, 0.35),
        cortex=rng.uniform(0.2, 1.0),
        cortex_top=rng.uniform(0.0, 0.5),
        cancellous=rng.uniform(0.25, 0.9),
        dura=rng.uniform(0, 1.0) * (rng.random() < 0.7),
        texture=rng.uniform(0.02, 0.2),
        soft=rng.uniform(0.05, 0.4) * scale,
        mu=(
            rng.uniform(0.008, 0.06),
            rng.uniform(0.05, 0.12),
            rng.uniform(0.08, 0.18),
            rng.uniform(0.1, 0.25),
        ),
    )


def ray_phantom(seed: int) -> Phantom:
    """Make one radiograph of generator E."""
    rng = np.random.default_rng([69, seed])
    teeth, scale = teeth_row(rng)
    set_levels(rng, teeth, scale)
    jaw = _jaw(rng, scale)
    if jaw.cross_kind:  # a margin sloping far from plate to plate has no apical edge to see
        _drawn_together(teeth, 0.8 * scale)
    fine = 0.05 * max(scale, 0.8)
    x, y = _axes(teeth, scale, fine)
    first, second = (margin(rng, x, teeth, which, scale) for which in ("crest", "second"))
    gum = _gum_top(rng, x, teeth, np.minimum(first, second), scale)
    path = _summed(rng, x, y, teeth, jaw, (first, second, gum), scale)
    grey = path if rng.random() < 0.4 else 1 - np.exp(-path * rng.uniform(0.6, 1.8))
    mm = fine * rng.uniform(0.75, 1.2)
    picture, place = turned(rng, grey, float(x[0]), float(y[0]), fine, mm)
    pixels, inverted = exposed(rng, picture, mm)
    truth, traits = {}, {}
    depths = np.linspace(-0.9, 0.9, 19) * jaw.half * jaw.crest_share
    for tooth in teeth:
        for root in tooth.roots:
            for k, side in enumerate(("mesial", "distal")):
                at = _projected_crest(root, k, x, first, second, jaw, depths)
                key = (root.tooth, root.name, side)
                truth[key] = place(*at)
                traits[key] = ("furcal",) * (not root.outer[k])
    marks = placed_marks(rng, teeth, place)
    image, own, calibration = packed(pixels, inverted, marks, mm, f"e{seed}.png")
    return Phantom(image, own, calibration, truth, traits)


def _drawn_together(teeth: list[Tooth], most: float) -> None:
    for tooth in teeth:
        for root in tooth.all_roots():
            root.second = [max(s, c - most) for s, c in zip(root.second, root.crest, strict=True)]


def _axes(teeth: list[Tooth], scale: float, fine: float) -> tuple[Array, Array]:
    roots = [r for t in teeth for r in t.all_roots()]
    ys = [np.linspace(r.top, r.end, 15) for r in roots]
    left = min(float((r.centre(y) - r.width(y)).min()) for r, y in zip(roots, ys, strict=True))
    right = max(float((r.centre(y) + r.width(y)).max()) for r, y in zip(roots, ys, strict=True))
    top = min(r.top for r in roots) - max(4 * scale, 0.7 * max(t.crown for t in teeth))
    x = np.arange(left - 2.5 * scale, right + 2.5 * scale, fine)
    y = np.arange(top, max(r.end for r in roots) + 2 * scale, fine)
    return x.astype(np.float32), y.astype(np.float32)


def _gum_top(
    rng: np.random.Generator, x: Array, teeth: list[Tooth], bone: Array, scale: float
) -> Array:
    """Gum's border with air: after the bone, at the crown, or anywhere between."""
    wide = int(scale * rng.uniform(0.5, 4) / float(x[1] - x[0]))
    kernel = np.hanning(2 * wide + 3)
    padded = np.pad(bone, wide + 1, mode="edge")
    smooth = np.convolve(padded, kernel / kernel.sum(), mode="valid")
    cej = np.mean([r.top for t in teeth for r in t.roots])
    share = rng.choice([0.0, 1.0, rng.uniform(0, 1)])
    over = scale * (rng.uniform(0.1, 0.6) if rng.random() < 0.25 else rng.uniform(0.4, 3))
    wave = scale * rng.uniform(0, 0.5) * np.sin(x / scale / rng.uniform(0.5, 2) + rng.uniform(0, 6))
    top = np.minimum((1 - share) * smooth + share * cej, bone) - over + wave
    return np.minimum(top, bone - 0.02 * scale)


def _section(root: Root, x: Array, y: Array, z: float, power: float) -> Array:
    """Signed distance, roughly, from a root's surface in the plane at depth z; y and x 1-D."""
    w = np.maximum(root.width(y), 0.03).astype(np.float32)
    b = np.maximum(root.depth * (w / root.half) ** power, 0.03)
    u = (x[None] - root.centre(y).astype(np.float32)[:, None]) / w[:, None]
    rho = np.sqrt(u**2 + ((z / b) ** 2)[:, None])
    away = (rho - 1) * np.minimum(w, b)[:, None]
    beyond = np.maximum(y - root.end, root.top - y)
    far = beyond > 0
    away[far] = np.hypot(np.maximum(away[far], 0), beyond[far, None])
    signed: Array = away
    return signed


def _summed(
    rng: np.random.Generator,
    x: Array,
    y: Array,
    teeth: list[Tooth],
    jaw: _Jaw,
    lines: tuple[Array, Array, Array],
    scale: float,
) -> Array:
    shape = (len(y), len(x))
    fine = float(x[1] - x[0])
    textures = [trabeculae(rng, shape, fine / scale**0.5) for _ in range(2)]
    bulk = jaw.half * rng.uniform(1.05, 1.6)
    depths = np.linspace(-bulk, bulk, SLICES)
    thick = float(depths[1] - depths[0])
    power, crown_flare = rng.uniform(0.6, 1.2), rng.uniform(0, 0.25)
    crown_power, shell = rng.uniform(1.2, 3), rng.uniform(0.2, 0.7) * scale
    canal, canal_deep = rng.uniform(0.1, 0.3), rng.uniform(0, 1)
    gum_soft = scale * 10 ** rng.uniform(-1.7, 0)
    path = np.zeros(shape, np.float32)
    for number, z in enumerate(depths):
        own_y = y - np.float32(jaw.tilt * z)
        away = np.full(shape, 9.0, np.float32)
        tooth_part = np.zeros(shape, np.float32)
        for tooth in teeth:
            for root in tooth.all_roots():
                reach = np.abs(x - root.x) < root.half * 1.3 + abs(root.bend) + 2.0 + 0.2 * scale
                cols = np.flatnonzero(reach)
                part = slice(cols[0], cols[-1] + 1)
                d = _section(root, x[part], own_y, float(z), power)
                away[:, part] = np.minimum(away[:, part], d)
                inner: Any = 0
                if abs(z) / canal < root.depth:
                    hollow = _section(root, x[part], own_y, float(z) / canal, power) / canal
                    deep = hollow < -0.7 * root.half * (1 - canal)
                    inner = np.clip(0.5 - hollow / 0.2, 0, 1) * deep
                tooth_part[:, part] = np.maximum(
                    tooth_part[:, part],
                    np.clip(0.5 - d / 0.08, 0, 1) * (1 - canal_deep * inner),
                )
            _trunk(tooth, x, own_y, float(z), away, tooth_part)
            _crown(
                tooth, x, own_y, float(z), (crown_flare, crown_power, shell), away, tooth_part, jaw
            )
        level = (1 - (s := jaw.across(float(z)))) * lines[0] + s * lines[1]
        below = own_y[:, None] - level[None].astype(np.float32)
        half = jaw.half_at(below)
        inside = np.clip((half - abs(z)) / thick + 0.5, 0, 1) * np.clip(below / 0.06 + 0.5, 0, 1)
        rim = np.clip((jaw.cortex - (half - abs(z))) / thick + 0.5, 0, 1)
        rim = np.maximum(rim, (below < jaw.cortex_top) * 1.0)
        spongy = jaw.cancellous * np.clip(1 + jaw.texture * 2 * textures[number % 2], 0, None)
        dense = rim + (1 - rim) * spongy
        wall = np.exp(-(((away - jaw.ligament - 0.12) / 0.1) ** 2))
        dense += jaw.dura * wall
        bone = inside * dense * np.clip((away - jaw.ligament) / 0.08 + 0.5, 0, 1)
        gum = np.clip((own_y[:, None] - lines[2][None]) / gum_soft, 0, 1)
        gum = gum * np.clip((bulk - abs(z)) / thick, 0, 1) * (away > 0) * (1 - 0.6 * inside)
        path += np.float32(thick) * (jaw.mu[0] * gum + jaw.mu[1] * bone + tooth_part * jaw.mu[2])
    total: Array = path / np.float32(scale)
    return total


def _trunk(tooth: Tooth, x: Array, y: Array, z: float, away: Array, solid: Array) -> None:
    if len(tooth.roots) < 2:
        return
    a, b = tooth.roots
    if abs(z) > 0.85 * a.depth:
        return
    left, right = a.centre(y)[:, None], b.centre(y)[:, None]
    cols = np.flatnonzero((x > left.min()) & (x < right.max()))
    part = slice(cols[0], cols[-1] + 1)
    between = (x[None, part] > left) & (x[None, part] < right)
    d = y[:, None] - tooth.arch_at(x[part])[None].astype(np.float32)
    d = np.where(between & (y < a.end)[:, None], d, 9.0)
    away[:, part] = np.minimum(away[:, part], d)
    on = np.clip(0.5 - d / 0.08, 0, 1) * (y > min(a.top, b.top))[:, None]
    solid[:, part] = np.maximum(solid[:, part], on)


def _crown(
    tooth: Tooth,
    x: Array,
    y: Array,
    z: float,
    form: tuple[float, float, float],
    away: Array,
    solid: Array,
    jaw: _Jaw,
) -> None:
    flare, power, shell = form
    first, last = tooth.roots[0], tooth.roots[-1]
    left, right = first.edge(first.cej[0], 0), last.edge(last.cej[1], 1)
    mid, half = (left + right) / 2, (right - left) / 2
    cej = first.cej[0] + (x - left) / (2 * half) * (last.cej[1] - first.cej[0])
    part = (
        slice(0, int(np.searchsorted(y, max(cej.max(), 0)))),
        slice(*np.searchsorted(x, [mid - 1.4 * half, mid + 1.4 * half])),
    )
    x, y, away, solid = x[part[1]], y[part[0]], away[part], solid[part]
    up = (cej[None, part[1]] - y[:, None]) / tooth.crown
    wide = half * (1 + flare * np.sin(np.pi * np.clip(2 * up, 0, 1)))
    wide = wide * np.clip(1 - np.clip(up, 0, 1) ** power, 0, 1)
    deep = first.depth * 1.1
    rho = np.sqrt(((x[None] - mid) / np.maximum(wide, 0.05)) ** 2 + (z / deep) ** 2)
    d = (rho - 1) * np.minimum(wide, deep)
    d = np.where((up > 0) & (up < 1), d, 9.0)
    np.minimum(away, d, out=away)
    coat = jaw.mu[3] / jaw.mu[2] * (d > -shell * np.clip(up * 4, 0, 1)) * (d < 0)
    np.maximum(solid, np.clip(0.5 - d / 0.08, 0, 1), out=solid)
    np.maximum(solid, coat, out=solid)


def _projected_crest(
    root: Root, k: int, x: Array, first: Array, second: Array, jaw: _Jaw, depths: Array
) -> tuple[float, float]:
    """Where the most apical margin beside a root's edge is projected: the contract's crest."""
    y = root.crest[k]
    for _ in range(6):
        at = root.edge(y, k) + (2 * k - 1) * 0.15
        a, b = float(np.interp(at, x, first)), float(np.interp(at, x, second))
        levels = [
            (1 - jaw.across(float(z))) * a + jaw.across(float(z)) * b + jaw.tilt * float(z)
            for z in depths
        ]
        y = float(np.quantile(levels, 0.93))  # a last sliver of margin is seen by no one
    return root.edge(y, k), y
