"""Generator F, for training: flat pictures painted in random styles over the same varied teeth."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from .finishing import exposed, noise, trabeculae, turned
from .ray_solids import _axes, _gum_top
from .scene import Phantom, packed
from .varied_teeth import Tooth, crest_truth, margin, placed_marks, set_levels, teeth_row

Array = NDArray[Any]


def style_phantom(seed: int) -> Phantom:
    """Make one radiograph of generator F."""
    rng = np.random.default_rng([70, seed])
    teeth, scale = teeth_row(rng)
    set_levels(rng, teeth, scale)
    fine = 0.05 * max(scale, 0.8)
    x, y = _axes(teeth, scale, fine)
    first, second = (margin(rng, x, teeth, which, scale) for which in ("crest", "second"))
    gum = _gum_top(rng, x, teeth, np.minimum(first, second), scale)
    grey = _painted(rng, x, y, teeth, (first, second, gum), scale)
    mm = fine * rng.uniform(0.75, 1.2)
    picture, place = turned(rng, grey, float(x[0]), float(y[0]), fine, mm)
    pixels, inverted = exposed(rng, picture, mm)
    truth = {key: place(*at) for key, at in crest_truth(teeth).items()}
    traits = {
        (r.tooth, r.name, side): ("furcal",) * (not r.outer[k])
        for t in teeth
        for r in t.roots
        for k, side in enumerate(("mesial", "distal"))
    }
    marks = placed_marks(rng, teeth, place)
    image, own, calibration = packed(pixels, inverted, marks, mm, f"f{seed}.png")
    return Phantom(image, own, calibration, truth, traits)


def _ramp(below: Array, soft: float) -> Array:
    return np.clip(below / soft + 0.5, 0, 1)


def _painted(
    rng: np.random.Generator,
    x: Array,
    y: Array,
    teeth: list[Tooth],
    lines: tuple[Array, Array, Array],
    scale: float,
) -> Array:
    shape = (len(y), len(x))
    fine = float(x[1] - x[0])
    air = rng.uniform(0, 0.1)
    bone = rng.uniform(0.3, 0.75)
    gum = air + rng.uniform(0.05, 0.95) ** 1.3 * (bone - air)
    rows = y[:, None]
    solid, round_, roots, behind = _teeth_mask(rng, x, y, teeth)
    # 1 outside air; gum; then bone of the first margin over that of the second.
    gum_soft = scale * 10 ** rng.uniform(-1.7, 0.3)
    cover = _ramp(rows - lines[2][None] - gum_soft / 2, gum_soft)
    flat = np.maximum(cover - rng.uniform(0, 0.3) * noise(rng, shape, 2 / fine) ** 2 * 0.2, 0)
    picture = air + (gum - air) * flat
    soft = scale * (10 ** rng.uniform(-1.8, -0.2))
    share = rng.uniform(0.25, 0.75)
    below = rows - np.maximum(lines[0], lines[1])[None]
    upper = rows - np.minimum(lines[0], lines[1])[None]
    amount = share * _ramp(below, soft) + (1 - share) * _ramp(upper, soft)
    if rng.random() < 0.15:  # one slope from the coronal margin to the apical one
        amount = np.clip(
            upper / np.maximum(upper - below, soft) + 0.5 * (upper - below < soft), 0, 1
        )
    fading = 1 + rng.uniform(-0.25, 0.35) * np.clip(below / (10 * scale), 0, 1)
    texture = 1 + rng.uniform(0.02, 0.4) * trabeculae(rng, shape, fine / scale**0.5)
    lone = (below < 0) & (upper > 0)
    texture = np.where(lone, 1 + rng.uniform(0, 1) * (texture - 1), texture)
    dense = amount * fading * np.clip(texture, 0.05, None)
    dense += (
        amount * rng.uniform(0, 0.6) * (rng.random() < 0.5) * np.exp(-(((below - 0.2) / 0.15) ** 2))
    )
    away = cv2.distanceTransform((~solid).astype(np.uint8), cv2.DIST_L2, 5) * fine
    gap = rng.uniform(0.08, 0.35)
    dark = rng.uniform(0.2, 1.0) * np.exp(-((np.clip(away - 0.4 * gap, 0, None) / gap) ** 4))
    dark = np.where(lone, rng.uniform(0, 1) * dark, dark)
    wall = np.exp(-(((away - gap - 0.15) / 0.12) ** 2)) * rng.uniform(0, 0.6) * (rng.random() < 0.7)
    dense = dense * (1 - dark) + amount * wall * _ramp(below - 0.1, 0.2)
    _landmarks(rng, x, y, teeth, dense, scale)
    picture = picture + (bone - picture * rng.uniform(0, 1)) * dense
    tooth = rng.uniform(max(bone, 0.45), 0.95)
    shade = 1 - rng.uniform(0, 0.6) * (1 - round_)
    over = rng.uniform(0, 0.8) * (picture - air)  # what lies before and behind the root
    inside = tooth * shade + over
    root_part = cv2.GaussianBlur(roots.astype(np.float32), (0, 0), max(0.04 / fine, 0.3))
    picture = picture * (1 - root_part) + inside * root_part
    faint = cv2.GaussianBlur(behind.astype(np.float32), (0, 0), 1) * rng.uniform(0.1, 0.5)
    picture = picture + faint * tooth
    return _crowns(rng, x, y, teeth, picture, (tooth, scale))


def _teeth_mask(
    rng: np.random.Generator, x: Array, y: Array, teeth: list[Tooth]
) -> tuple[Array, Array, Array, Array]:
    """Whatever is tooth below the CEJ, how thick it looks, and the roots behind others."""
    shape = (len(y), len(x))
    thick, behind = np.zeros(shape, np.float32), np.zeros(shape, bool)
    power, canal = rng.uniform(0.3, 0.8), rng.uniform(0.05, 0.3)
    hollow = rng.uniform(0, 0.5) * (rng.random() < 0.8)
    for tooth in teeth:
        for root in tooth.all_roots():
            w = np.maximum(root.width(y), 1e-3)[:, None]
            u = (x[None] - root.centre(y)[:, None]) / w
            own = (np.abs(u) < 1) & ((y >= root.top - 0.5) & (y < root.end))[:, None]
            part = np.clip(1 - u**2, 0, 1) ** power - hollow * np.exp(-((u / canal) ** 2))
            part = np.where(own, np.clip(part, 0.02, None), 0)
            if root.marked:
                thick = np.maximum(thick, part)
            else:
                behind |= own
        if len(tooth.roots) == 2:
            a, b = tooth.roots
            between = (x[None] > a.centre(y)[:, None]) & (x[None] < b.centre(y)[:, None])
            trunk = (y[:, None] < tooth.arch_at(x)[None]) & between
            trunk &= ((y > min(a.top, b.top) - 0.3) & (y < a.end))[:, None]
            thick = np.where(trunk, np.maximum(thick, rng.uniform(0.5, 1)), thick)
    mask = thick > 0
    return mask | behind, thick, mask, behind & ~mask if rng.random() < 0.5 else behind


def _landmarks(
    rng: np.random.Generator, x: Array, y: Array, teeth: list[Tooth], dense: Array, scale: float
) -> None:
    """Canal, sinus or cortex lines deep in the bone, which are no crest."""
    low = max(r.end for t in teeth for r in t.roots)
    for _ in range(int(rng.choice(3, p=[0.6, 0.3, 0.1]))):
        at = low - scale * rng.uniform(-1, 5) + scale * rng.normal(0, 1) * np.sin(x / 6 / scale)
        at = at + rng.normal(0, 0.1) * (x - x.mean())
        wide = scale * rng.uniform(0.1, 1.2)
        line = np.exp(-(((y[:, None] - at[None]) / wide) ** 2))
        dense *= 1 + rng.uniform(-0.6, 0.4) * line
    if rng.random() < 0.2:
        edge = low + scale * rng.uniform(-1, 2)
        dense *= 1 - rng.uniform(0.3, 1) * _ramp(y[:, None] - edge, 0.3)


def _crowns(
    rng: np.random.Generator,
    x: Array,
    y: Array,
    teeth: list[Tooth],
    picture: Array,
    look: tuple[float, float],
) -> Array:
    tooth_grey, scale = look
    crown = min(tooth_grey * rng.uniform(0.9, 1.3), 1.1)
    enamel, shell = crown * rng.uniform(1, 1.3), rng.uniform(0.15, 0.8) * scale
    flare, power = rng.uniform(0, 0.3), rng.uniform(1.2, 4)
    sag = rng.uniform(-0.15, 0.3)
    for tooth in teeth:
        first, last = tooth.roots[0], tooth.roots[-1]
        left, right = first.edge(first.cej[0], 0), last.edge(last.cej[1], 1)
        mid, half = (left + right) / 2, (right - left) / 2
        u = (x - mid) / half
        cej = (first.cej[0] + last.cej[1]) / 2 + u * (last.cej[1] - first.cej[0]) / 2
        cej = cej + sag * half * np.clip(1 - u**2, 0, None)
        up = (cej[None] - y[:, None]) / tooth.crown
        wide = half * (1 + flare * np.sin(np.pi * np.clip(2 * up, 0, 1)))
        wide = wide * np.clip(1 - np.clip(up, 0, 1) ** power, 0, 1)
        depth = wide - np.abs(x[None] - mid)
        on = (up > 0) & (up < 1) & (depth > 0)
        level = np.where(depth < shell * np.clip(4 * up, 0, 1), enamel, crown)
        picture = np.where(on, level, picture)
    return picture
