"""Teeth of generator H as path lengths: roots, trunks, crowns with enamel, what clings to them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from .jaw_crowns import crowns, deposits
from .jaw_mix import Mix
from .jaw_teeth import JawTooth
from .varied_teeth import Root

Array = NDArray[Any]


@dataclass
class Solids:
    """Pictures of one row of teeth on a grid of jaw coordinates; shapes are equal.

    Parameters
    ----------
    cover : ndarray of float32
        1 in roots and trunks, 0 outside, between at their outline.
    dentin, enamel : ndarray of float32
        Path lengths; a thick root's is about 1.
    behind : ndarray of float32
        Path length of the roots behind others.
    away, away_behind : ndarray of float32
        Distance from the roots in mm, from the ones behind; great where there is none.
    """

    cover: Array
    dentin: Array
    enamel: Array
    behind: Array
    away: Array
    away_behind: Array


@dataclass(frozen=True)
class _Look:
    """How the roots of one picture are shaded."""

    power: float
    thin: float
    canal: float
    hollow: float
    groove: float
    groove_at: float
    neck: float
    neck_high: float
    into: float


def solids(mix: Mix, x: Array, y: Array, teeth: list[JawTooth], fine: float) -> Solids:
    """Draw every tooth's roots and crown."""
    rng, shape = mix.rng, (len(y), len(x))
    cover, dentin, behind = (np.zeros(shape, np.float32) for _ in range(3))
    look = _Look(
        power=rng.uniform(0.2, 0.7),
        thin=rng.uniform(0, 0.8),
        canal=rng.uniform(0.06, 0.28),
        hollow=rng.uniform(0.05, 0.45) * mix.on(0.55),
        groove=rng.uniform(0.03, 0.2) * mix.on(0.2),
        groove_at=rng.uniform(-0.7, 0.7),
        neck=rng.uniform(0.1, 0.7) * mix.on(0.45),
        neck_high=rng.uniform(0.3, 1.2),
        into=10 ** rng.uniform(-0.8, 0.5),
    )
    for tooth in teeth:
        for root in tooth.ends:
            _root(root, x, y, fine, look, cover, dentin)
        if len(tooth.ends) == 2:
            _trunk(tooth, x, y, fine, look.into, rng.uniform(0.55, 1.0), cover, dentin)
    cloak = np.zeros(shape, np.float32)
    for tooth in teeth:
        if tooth.third:
            _root(tooth.third, x, y, fine, look, cloak, behind)
    if mix.on(0.12):  # a root of the other side, projected anywhere
        model = teeth[int(rng.integers(0, len(teeth)))].ends[0]
        ghost = Root(**{f: getattr(model, f) for f in Root.__dataclass_fields__})
        ghost.x += rng.normal(0, 4)
        ghost.bend += rng.normal(0, 0.1) * ghost.length
        faint = np.zeros(shape, np.float32)
        _root(ghost, x, y, fine, look, cloak, faint)
        behind += rng.uniform(0.2, 0.8) * faint
    away = _distance(cover, fine)
    away_behind = _distance(cloak, fine) if cloak.any() else np.full(shape, 9, np.float32)
    body, enamel = crowns(mix, x, y, teeth, fine)
    dentin = np.maximum(dentin, body)
    deposits(mix, x, y, teeth, fine, enamel)
    return Solids(cover, dentin, enamel, behind, away, away_behind)


def _distance(cover: Array, fine: float) -> Array:
    outside = (cover < 0.5).astype(np.uint8)
    return cv2.distanceTransform(outside, cv2.DIST_L2, 5) * np.float32(fine)


def _root(
    root: Root, x: Array, y: Array, fine: float, look: _Look, cover: Array, path: Array
) -> None:
    centre, width = root.centre(y), np.maximum(root.width(y), 1e-3)
    rows = slice(*np.searchsorted(y, [root.top - 0.5 - look.into, root.end + fine]))
    if rows.stop - rows.start < 3:
        return
    c, w = centre[rows].astype(np.float32), width[rows].astype(np.float32)
    cols = slice(*np.searchsorted(x, [(c - w).min() - fine, (c + w).max() + fine]))
    if cols.stop - cols.start < 2:
        return
    u = (x[None, cols].astype(np.float32) - c[:, None]) / w[:, None]
    on = np.clip(0.5 + (1 - np.abs(u)) * w[:, None] / fine, 0, 1)
    line = root.cej[0] + (u + 1) / 2 * (root.cej[1] - root.cej[0])
    under = y[rows, None].astype(np.float32) - line
    rise = np.clip(1 + (under + 0.3) / look.into, 0, 1)  # fades into the crown
    on *= rise > 0
    thick = np.clip(1 - u**2, 0, 1) ** look.power * (w / root.half)[:, None] ** look.thin
    if look.hollow:
        thick -= look.hollow * np.exp(-((u / look.canal) ** 2))
    if look.groove:
        thick -= look.groove * np.exp(-(((u - look.groove_at) / 0.2) ** 2))
    if look.neck:  # no bone and no enamel: the root's sides burn out beside the neck
        near = np.exp(-(((under - 0.5 * look.neck_high) / look.neck_high) ** 2))
        thick -= look.neck * near * np.clip(u**4, 0, 1) * thick
    part = (rows, cols)
    np.maximum(path[part], np.clip(thick, 0.03, None) * rise * on, out=path[part])
    np.maximum(cover[part], on, out=cover[part])


def _trunk(
    tooth: JawTooth,
    x: Array,
    y: Array,
    fine: float,
    into: float,
    depth: float,
    cover: Array,
    path: Array,
) -> None:
    a, b = tooth.ends
    top = min(a.top, b.top)
    rows = slice(*np.searchsorted(y, [top - 0.3 - into, tooth.roof + tooth.height]))
    own = y[rows]
    left, right = tooth.opening(own)
    ca, cb = a.centre(own), b.centre(own)
    cols = slice(*np.searchsorted(x, [ca.min(), cb.max()]))
    if rows.stop <= rows.start or cols.stop - cols.start < 2:
        return
    xs = x[None, cols]
    open_ = np.minimum(xs - left[:, None], right[:, None] - xs) / fine
    on = np.clip(0.5 - open_, 0, 1) * ((xs >= ca[:, None]) & (xs <= cb[:, None]))
    above = np.clip((tooth.roof - own) / max(tooth.roof - top, 0.1), 0, 1)[:, None]
    part = (rows, cols)
    side = np.minimum((xs - ca[:, None]) / a.half, (cb[:, None] - xs) / b.half)
    thick = depth * (0.55 + 0.45 * above) * np.clip(0.3 + 1.2 * side, 0, 1) * on
    thick = (thick * np.clip(1 + (own - top + 0.3) / into, 0, 1)[:, None]).astype(np.float32)
    np.maximum(path[part], thick, out=path[part])
    np.maximum(cover[part], on.astype(np.float32), out=cover[part])
