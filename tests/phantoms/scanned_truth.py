"""Marks and the true crest of a scanned jaw, from its geometry alone.

The crest is read along rays just beside the root's shadow: the level from which a ray meets bone
all the way from cheek to tongue is the more apical margin of the contract, and the level at which
it first meets bone is the more coronal one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from perioview.marks import Mark

from .scanned_bone import Jaw, furcal, sites
from .scanned_teeth import ScannedTooth, Sweep
from .scanned_view import View

Array = NDArray[np.float64]
CLEAR_OF_ROOF = 0.4  # mm; nearer to it the furcal bone has no margin beside the root
ROUND = np.linspace(0, 2 * np.pi, 121)


@dataclass(frozen=True, slots=True)
class Crest:
    """Where a crest lies on the plate (row, col), and how far apart, in mm, its margins project."""

    place: Array
    apart: float
    angular: bool


def outline(tooth: ScannedTooth, sweep: Sweep, sign: int, v: Array, view: View) -> Array:
    """Return the outline (row, col) of a solid's side at each v, shape (len(v), 2)."""
    i = sweep.at(v)
    cos, sin = np.cos(ROUND), np.sin(ROUND)
    power = 2 / sweep.power
    du = np.sign(cos) * np.abs(cos) ** power
    dw = np.sign(sin) * np.abs(sin) ** power
    u = sweep.centre_u[i][:, None] + sweep.a[i][:, None] * du
    w = sweep.centre_w[i][:, None] + sweep.b[i][:, None] * dw
    ring = view.project(tooth.world(u, v[:, None], w))
    across = view.project(tooth.world(np.array([0.0, 1.0]), 0.0, 0.0))
    across = (across[1] - across[0]) * sign
    far = (ring @ across).argmax(1)
    return ring[np.arange(len(v)), far]


def crest(
    tooth: ScannedTooth, name: str, side: str, sign: int, jaw: Jaw, view: View
) -> Crest | None:
    """Return the true crest beside one side of a root, or None where no margin lies beside it."""
    r = tooth.roots[name]
    socket = tooth.sockets[name][0]
    v = np.arange(max(-1.5, r.start + 0.05), 0.95 * r.end, 0.02)
    inner = furcal(tooth, name, sign)
    if inner:
        # Only where the ray passes the fillet of the trunk's underside.
        i = socket.at(v)
        clear = v - tooth.arch(socket.centre_u[i] + sign * socket.a[i]) > jaw.ligament + 0.1
        v = v[np.nonzero(~clear)[0][-1] + 1 :] if not clear.all() else v
    places = outline(tooth, socket, sign, v, view)
    across = view.project(tooth.world(np.array([0.0, 1.0]), 0.0, 0.0))
    across = (across[1] - across[0]) * sign
    beside = places + across / np.hypot(*across) * (0.1 / view.pitch)
    mid = float(jaw.middle[jaw.at(np.array(tooth.origin[0]))])
    deep = jaw.body_half + 0.5
    points = view.ray(beside, np.linspace(mid - deep, mid + deep, 161))
    x, y, z = points[..., 0], points[..., 1], points[..., 2]
    within = jaw.inside(x, y, z) > 0.05
    bone = within & (jaw.below(x, y, z) > 0)
    share = bone.sum(1) / np.maximum(within.sum(1), 1)
    lacking = np.nonzero(share < 0.97)[0]
    if not len(lacking) or lacking[-1] + 1 >= len(v):
        return None
    apical = lacking[-1] + 1
    if inner and v[apical] - v[0] < CLEAR_OF_ROOF:
        return None
    begun = np.nonzero(share > 0.12)[0]
    coronal = min(begun[0], apical) if len(begun) else apical
    scale = view.pitch * np.hypot(*(places[apical] - places[coronal]))
    at = outline(tooth, r, sign, v[apical : apical + 1], view)[0]
    # Half-way across the ligament: beside the root, at the margin's height.
    place = (at + places[apical]) / 2
    angular = any(
        d.tooth is tooth and d.root == name and d.side == side and d.deep > 0.8 for d in jaw.defects
    )
    return Crest(place, float(scale), angular)


def behind(
    place: Array, tooth: ScannedTooth, teeth: list[ScannedTooth], jaw: Jaw, view: View
) -> bool:
    """Whether the ray to a place of the plate passes through another tooth."""
    deep = jaw.body_half + 3.0
    x, y, z = view.ray(place[None], tooth.origin[2] + np.linspace(-deep, deep, 81))[0].T
    others = (t for t in teeth if t is not tooth)
    return any(bool((t.distance(*t.local(x, y, z)) < 0).any()) for t in others)


def clinician(
    rng: np.random.Generator, teeth: list[ScannedTooth], view: View, error: float
) -> list[Mark]:
    """Return CEJ and apex marks with `error` mm of random error on each axis, judged teeth only."""
    marks: list[Mark] = []
    for tooth in teeth:
        if not tooth.judged:
            continue
        for name, side, sign in sites(tooth):
            r = tooth.roots[name]
            if not furcal(tooth, name, sign):
                row, col = outline(tooth, r, sign, np.array([0.0]), view)[0]
                row, col = np.array([row, col]) + rng.normal(0, error / view.pitch, 2)
                marks.append(Mark("cej", row, col, tooth.number, name, side))
        for name, r in tooth.roots.items():
            i = len(r.a) - 1
            tip = view.project(tooth.world(r.centre_u[i], r.end, r.centre_w[i]))
            row, col = tip + rng.normal(0, error / view.pitch, 2)
            marks.append(Mark("apex", row, col, tooth.number, name))
    return marks
