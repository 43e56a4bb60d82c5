"""Generator M: flat density maps drawn from ranges far wider than believable.

Made for training; the committed networks have seen none of it, so it judges them.

What is drawn, and how likely it is, is our own choice and not clinical truth; the plan is that
nothing but what a crest is stays the same from picture to picture. Bone is the sum of one to four
sheets. Truth at each side of each root follows the contract: of the margins of the sheets that
count as a buccal or lingual plate - those with at least 20 % of the bone's density
(`mixed_bone.COUNTS`) - the more apical one, where it meets the root's outline and is half risen.
Furcal sides lie at or below the furcation's roof. Marks are CEJ on free sides and apex, each with
a marker's error.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from perioview.marks import Mark

from .finishing import noise
from .mixed_bone import Sheet, crest_levels, sheets_drawn
from .mixed_clutter import Canvas, bony_marks, crossing_root, soft_marks, tooth_marks
from .mixed_film import developed, warped
from .mixed_teeth import SIDES, Root, teeth_row
from .mixed_textures import bone_texture
from .scene import Phantom, packed

Array = NDArray[Any]
MOST_PX = 3e5  # of the maps in jaw coordinates, so that a picture takes well under a second


@dataclass
class Layout:
    """Geometry of one picture before anything is drawn; `rng` is where it left off."""

    rng: np.random.Generator
    species: str
    canvas: Canvas
    sheets: list[Sheet]


def mixed_layout(seed: int) -> Layout:
    """Draw teeth, sheets and crest of one picture of generator M."""
    rng = np.random.default_rng([77, seed])
    species, teeth, scale = teeth_row(rng)
    roots = [r for t in teeth for r in t.roots]
    left = min(float(r.edge(r.ys, 0).min()) for r in roots) - 3.5 * scale
    right = max(float(r.edge(r.ys, 1).max()) for r in roots) + 3.5 * scale
    top = min(r.top - 0.9 * t.crown for t in teeth for r in t.roots)
    low = max(r.end for r in roots) + 2.5 * scale
    fine = 0.055 * float(np.clip(scale, 0.6, 1.4))
    fine = max(fine, float(np.sqrt((right - left) * (low - top) / MOST_PX)))
    x, y = np.arange(left, right, fine), np.arange(top, low, fine)
    sheets = sheets_drawn(rng, x, teeth, scale)
    crest = crest_levels(x, teeth, sheets)
    canvas = Canvas(x.astype(np.float32), y.astype(np.float32), fine, scale, teeth, crest)
    return Layout(rng, species, canvas, sheets)


def mixed_phantom(seed: int) -> Phantom:
    """Make one radiograph of generator M."""
    plan = mixed_layout(seed)
    rng, c = plan.rng, plan.canvas
    density = _density(rng, c, plan.sheets)
    grey = density if rng.random() < 0.4 else 1 - np.exp(-density * rng.uniform(0.1, 0.8))
    ideal, marked = _ideal_marks(rng, c)
    keep = np.array([*[at for at, _ in marked], *ideal.values()])
    mm = float(np.exp(rng.uniform(np.log(0.025), np.log(0.08))))
    picture, place, mm = warped(rng, grey, (float(c.x[0]), float(c.y[0])), c.fine, mm, keep)
    pixels, inverted = developed(rng, picture, mm)
    marks = [replace(m, **dict(zip(("row", "col"), place(*at), strict=True))) for at, m in marked]
    image, own, scale = packed(pixels, inverted, marks, mm, f"m{seed}.png")
    truth, traits = {}, {}
    for (t, r, k), at in ideal.items():
        root = c.teeth[t].roots[r]
        key = (root.number, root.name, SIDES[k])
        truth[key], traits[key] = place(*at), _traits(plan, (t, r, k))
    return Phantom(replace(image, species=plan.species), own, scale, truth, traits)


def _traits(plan: Layout, site: tuple[int, int, int]) -> tuple[str, ...]:
    t, r, k = site
    levels = [s.wanted[site] for s in plan.sheets]
    root, y, found = plan.canvas.teeth[t].roots[r], plan.canvas.crest[site], []
    beside = float(root.edge(y, k)) + (2 * k - 1) * 0.3
    others = [o for tooth in plan.canvas.teeth for o in tooth.roots if o is not root]
    if any(abs(beside - o.centre(y)) < o.width(y) and o.top < y < o.end for o in others):
        found.append("covered")
    if not root.outer[k]:
        found.append("furcal")
    if np.ptp(levels) > 0.4 * plan.canvas.scale:
        found.append("apart")
    if max(s.soft for s in plan.sheets) > 0.4 * plan.canvas.scale:
        found.append("soft")
    return tuple(found)


def _ideal_marks(
    rng: np.random.Generator, c: Canvas
) -> tuple[dict[tuple[int, int, int], tuple[float, float]], list[tuple[Array, Mark]]]:
    """Crest, and CEJ and apex with a marker's error, in jaw coordinates (x, y)."""
    cej_sd, apex_sd = rng.uniform(0.02, 0.2, 2) * min(c.scale, 1) * [1, 1.5]
    crest, marked = {}, []
    last = len(c.teeth) - 1  # an unmarked neighbour at either end, perhaps cut by the film's edge
    bare = int(rng.choice([0, last])) if last and rng.random() < 0.35 else -1
    for t, tooth in enumerate(c.teeth):
        if t == bare:
            continue
        for r, root in enumerate(tooth.roots):
            for k in (0, 1):
                y = c.crest[t, r, k]
                crest[t, r, k] = (float(root.edge(y, k)), y)
                if root.outer[k]:
                    at = np.array([float(root.edge(root.cej[k], k)), root.cej[k]])
                    mark = Mark("cej", 0, 0, root.number, root.name, SIDES[k])
                    marked.append((at + rng.normal(0, cej_sd, 2), mark))
            at = np.array([float(root.centre(root.end)), root.end]) + rng.normal(0, apex_sd, 2)
            marked.append((at, Mark("apex", 0, 0, root.number, root.name)))
    return crest, marked


def _root_part(c: Canvas, root: Root, look: Array) -> tuple[slice, Array, Array]:
    """Columns of a root, coverage of the pixels, and density: flat to elliptical, hollow or not."""
    w = np.maximum(root.width(c.y), 1e-3).astype(np.float32)[:, None]
    axis = root.centre(c.y).astype(np.float32)[:, None]
    ends = float((axis - w).min()) - 2 * c.fine, float((axis + w).max()) + 2 * c.fine
    part = slice(*np.searchsorted(c.x, ends))
    off = c.x[None, part] - axis
    cover = np.clip((w - np.abs(off)) / c.fine + 0.5, 0, 1)
    cover *= ((c.y >= root.top - 0.02 * root.length) & (c.y < root.end))[:, None]
    dense = np.clip(1 - (off / w) ** 2, 0, 1) ** float(look[0])
    canal = float(look[2] * w[len(w) // 2 - 1, 0] + 0.05)
    dense = dense - float(look[1]) * np.exp(-((off / canal) ** 2))
    return part, cover, np.clip(dense, 0.05, None).astype(np.float32)


def _teeth(rng: np.random.Generator, c: Canvas) -> tuple[Array, Array]:
    """Coverage by any tooth and density of the teeth, crowns with enamel included."""
    cover, dense = np.zeros(c.shape, np.float32), np.zeros(c.shape, np.float32)
    look = np.array(
        [rng.choice([0.0, rng.uniform(0.1, 0.8)]), rng.uniform(0, 0.5), rng.uniform(0.1, 0.5)]
    )
    add, trunk = rng.random() < 0.5, rng.uniform(0.5, 1.1)
    crown, enamel = rng.uniform(0.8, 1.6), rng.uniform(0, 0.8)
    for tooth in c.teeth:
        own, level = np.zeros(c.shape, np.float32), np.zeros(c.shape, np.float32)
        for root in tooth.roots:
            cols, part, inner = _root_part(c, root, look)
            own[:, cols] = np.maximum(own[:, cols], part)
            level[:, cols] = np.maximum(level[:, cols], part * inner)
        a, b = tooth.roots[0], tooth.roots[-1]
        if a is not b:
            depth = (tooth.arch_at(c.x)[None] - c.y[:, None]) / c.fine + 0.5
            between = (c.x[None] > a.centre(c.y)[:, None]) & (c.x[None] < b.centre(c.y)[:, None])
            part = np.clip(depth, 0, 1) * between * (c.y > min(a.top, b.top) - 0.1)[:, None]
            inner = cv2.GaussianBlur(part.astype(np.float32), (0, 0), 0.25 * c.scale / c.fine)
            own, level = np.maximum(own, part), np.maximum(level, inner * trunk)
        part, shell = _crown(rng, c, a, b, tooth.crown, tooth.cusps)
        own, level = np.maximum(own, part), np.maximum(level, part * crown + enamel * shell)
        dense = dense + level if add else np.maximum(dense, level)
        cover = np.maximum(cover, own)
    return cover, dense


def _crown(
    rng: np.random.Generator,
    c: Canvas,
    a: Root,
    b: Root,
    height: float,
    cusps: list[tuple[float, float, float]],
) -> tuple[Array, Array]:
    left, right = float(a.edge(a.cej[0], 0)), float(b.edge(b.cej[1], 1))
    mid, half = (left + right) / 2, (right - left) / 2
    u = np.linspace(-1, 1, 60)
    tall = np.max([h * np.clip(1 - np.abs(u - at) / 1.8, 0, 1) ** (1 / p) for at, h, p in cusps], 0)
    tall = height * tall * np.clip(1 - u**2, 0, 1) ** rng.uniform(0.15, 0.6)
    flare = 1 + rng.uniform(0, 0.3) * np.sin(np.pi * np.clip(tall / height, 0, 1))
    cej = (a.cej[0] + b.cej[1]) / 2 + u * (b.cej[1] - a.cej[0]) / 2
    sag = cej + rng.uniform(-0.1, 0.3) * half * np.clip(1 - u**2, 0, 1)
    top = np.stack([mid + u * half * flare, cej - tall], -1)
    base = np.stack([mid + u * half, sag], -1)
    mask = c.filled(np.vstack([top, base[::-1]]))
    thick = min(c.scale * rng.uniform(0.2, 0.7), 0.6 * half)
    core = cv2.GaussianBlur(mask, (0, 0), thick / c.fine)
    return mask, mask * np.clip(2 * (1 - core), 0, 1)


def _density(rng: np.random.Generator, c: Canvas, sheets: list[Sheet]) -> Array:
    cover, dense = _teeth(rng, c)
    solid = (cover > 0.5).astype(np.uint8)
    away = cv2.distanceTransform(1 - solid, cv2.DIST_L2, 5) * np.float32(c.fine)
    away = cv2.GaussianBlur(away, (0, 0), 1.2)  # no stairs of the mask's pixels
    rows = c.y[:, None]
    gap = rng.uniform(0.08, 0.4) * min(c.scale, 1.0) ** 0.5
    clear = rng.uniform(0, 1) if rng.random() < 0.85 else 0.0  # ligament space seen, or not
    if rng.random() < 0.5:  # a ligament space that is wider here and narrower there
        uneven = 1 + rng.uniform(0, 0.3) * noise(rng, c.shape, c.scale / c.fine)
        away = away / np.clip(uneven, 0.5, 2)
    dark = clear * np.exp(-((np.clip(away - 0.4 * gap, 0, None) / (0.7 * gap)) ** 4))
    wall = np.exp(-(((away - gap - 0.12) / rng.uniform(0.06, 0.15)) ** 2))
    wall = wall * rng.uniform(0, 0.7) * (rng.random() < 0.65)
    common = bone_texture(rng, c.shape, c.fine, away)
    beside, across = np.zeros(c.shape, np.float32), np.zeros(c.shape, np.float32)
    for sheet in sheets:
        below = rows - sheet.margin[None].astype(np.float32)
        texture = common if rng.random() < 0.4 else bone_texture(rng, c.shape, c.fine, away)
        sets_in = np.clip(below / max(sheet.fade, 0.02), 0, 1)
        grown = sheet.share * sheet.along[None] * sheet.profile(below)
        grown = grown * np.clip(1 + sheet.contrast * sets_in * texture, 0.1, 2.5)
        plate = sheet.floor + (1 - sheet.floor) * np.clip(away / sheet.taper, 0, 1)
        beside += grown * plate * (1 - sheet.ligament * dark)
        beside += wall * grown * np.clip(below / 0.15, 0, 1) * sheet.ligament
        across += sheet.over * grown
    depth = (rows - min(c.crest.values())) / (10 * c.scale)
    graded = 1 + rng.uniform(-0.3, 0.5) * np.clip(depth, 0, 1)
    graded = graded * 10 ** rng.uniform(-0.5, 0.1)
    beside, across = beside * graded, across * graded
    bony_marks(rng, c, beside)
    gum = _gum(rng, c, sheets)
    tooth = rng.uniform(0.6, 2.2) * dense + across + rng.uniform(0, 1) * gum
    total = (gum + beside) * (1 - cover) + tooth * cover
    crossing_root(rng, c, total)
    tooth_marks(rng, c, total, cover)
    soft_marks(rng, c, total)
    return np.clip(total, 0, None).astype(np.float32)


def _gum(rng: np.random.Generator, c: Canvas, sheets: list[Sheet]) -> Array:
    """Soft tissue coronal to the bone; its edge may be as strong and as sharp as bone's."""
    bone = np.min([s.margin for s in sheets], 0)
    wide = max(int(c.scale * rng.uniform(0.5, 4) / c.fine), 1)
    kernel = np.hanning(2 * wide + 3)
    padded = np.pad(bone, wide + 1, mode="edge")
    line = np.convolve(padded, kernel / kernel.sum(), mode="valid")
    neck = float(np.mean([r.top for t in c.teeth for r in t.roots]))
    share = rng.choice([0.0, 1.0, rng.uniform(0, 1)])
    line = np.minimum((1 - share) * line + share * neck, bone) - c.scale * rng.uniform(0.4, 3)
    line = line + c.scale * rng.uniform(0, 0.4) * np.sin(c.x / c.scale * rng.uniform(0.5, 3))
    soft = c.scale * 10 ** rng.uniform(-1.5, 0.2)
    below = c.y[:, None] - line[None].astype(np.float32)
    level = rng.uniform(0, 1) ** 1.5
    cloudy = 1 + rng.uniform(0, 0.12) * noise(rng, c.shape, 1.5 / c.fine, 0.4)
    return np.asarray(level * np.clip(below / soft, 0, 1) * cloudy, np.float32)
