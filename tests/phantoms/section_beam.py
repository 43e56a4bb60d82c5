"""Projection of cross-sections along an oblique beam, in closed form.

Material of one section is, at each level, an interval of z. A beam that rises by `tilt` per mm
across the jaw smears that interval evenly over the picture's levels from y - z tilt of its one
end to that of its other; all levels' smears are summed exactly as running sums of their ends.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from .section_bone import Half, Jaw
from .section_teeth import Root, Tooth

Array = NDArray[Any]


def smear(
    out: Array, cols: slice, lo: Array, hi: Array, weight: Array, fine: float, tilt: float
) -> None:
    """Add to `out` (rows by columns) the length of rays inside the intervals of these columns."""
    rows, width = hi.shape
    weight = np.broadcast_to(weight, hi.shape)
    hit = np.flatnonzero((hi > lo) & (weight != 0))
    if not len(hit):
        return
    low, high, w = lo.ravel()[hit], hi.ravel()[hit], weight.ravel()[hit]
    if abs(tilt) < 1e-3:
        out[:, cols].flat[hit] += w * (high - low)
        return
    row, col = np.divmod(hit, width)
    total = np.zeros((rows + 2) * width)
    for z, sign in ((high, 1.0), (low, -1.0)):
        at = np.clip(row - z * (tilt / fine), -0.5, rows - 0.5) + 0.5
        cell = at.astype(np.int64)
        part = at - cell
        index = cell * width + col
        step = sign * w
        total += np.bincount(index, step * (1 - part), minlength=len(total))[: len(total)]
        total += np.bincount(index + width, step * part, minlength=len(total))[: len(total)]
    summed = np.cumsum(total.reshape(rows + 2, width)[:rows], axis=0) * (fine / tilt)
    out[:, cols] += summed


def bone_paths(
    jaw: Jaw, teeth: list[Tooth], u: Array, y: Array, across: float
) -> tuple[Array, ...]:
    """Path through all bone and through its marrow, with holes for roots and ligament."""
    fine, shape = float(y[1] - y[0]), (len(y), len(u))
    bone, marrow = np.zeros(shape), np.zeros(shape)
    tilt = jaw.halves[0].tilt
    near = [s for t in teeth for s in t.spans(u, y, across, jaw.ligament)]
    ring = jaw.ligament + jaw.dura * jaw.dura_thick
    far = [s for t in teeth for s in t.spans(u, y, across, ring)] if jaw.dura else near
    for half in jaw.halves:
        for out, holes, inset in ((bone, near, False), (marrow, far, True)):
            own = np.zeros(shape)
            lo, hi, weight = half.spans(y, inset)
            smear(own, slice(None), lo, hi, weight, fine, tilt)
            for cols, one, two, w in holes:
                one, two = np.maximum(one, lo[:, cols]), np.minimum(two, hi[:, cols])
                smear(own, cols, one, two, -w * weight[:, cols], fine, tilt)
            out += half.density * np.clip(own, 0, None)
    return bone, np.minimum(marrow, bone)


def tooth_paths(
    teeth: list[Tooth], u: Array, y: Array, beam: tuple[float, float], pulp: tuple[float, float]
) -> tuple[Array, Array]:
    """Path through dentine (less pulp) and through enamel; `pulp` is width and depth share."""
    across, tilt = beam
    fine, shape = float(y[1] - y[0]), (len(y), len(u))
    dentine, enamel = np.zeros(shape), np.zeros(shape)
    for tooth in teeth:
        for cols, lo, hi, w in tooth.spans(u, y, across):
            smear(dentine, cols, lo, hi, w, fine, tilt)
        columns = u[tooth_cols(tooth, u, across)]
        cols = tooth_cols(tooth, u, across)
        for grow, sign in ((0.0, 1.0), (-tooth.enamel, -1.0)):
            _, lo, hi, w = tooth.crown_span(columns, y, across, grow, cols)
            smear(enamel, cols, lo, hi, sign * w, fine, tilt)
        for root in tooth.all_roots():
            lo, hi = root.span(columns, y, across, share=pulp[0])
            start = root.top - 0.2 * tooth.crown
            inside = np.clip((y - start) / (0.4 * tooth.crown), 0, 1) * (
                y < root.end - 0.04 * root.length
            )
            smear(dentine, cols, lo, hi, (-pulp[1] * inside)[:, None], fine, tilt)
    return np.clip(dentine, 0, None), np.clip(enamel, 0, None)


def tooth_cols(tooth: Tooth, u: Array, across: float) -> slice:
    """Columns a tooth may touch."""
    reach = 1.3 * max(r.half + abs(r.bend) + r.depth * abs(across) for r in tooth.all_roots())
    drift = max(abs(r.lean) * r.length + abs(r.z * across) for r in tooth.all_roots())
    xs = [r.x for r in tooth.all_roots()]
    low, high = np.searchsorted(u, [min(xs) - reach - drift, max(xs) + reach + drift])
    return slice(int(low), int(high))


def half_risen(half: Half, column: int, y: Array) -> float:
    """Picture level at which one plate alone, unbroken by teeth, has half its first density."""
    fine = float(y[1] - y[0])
    lo, hi, weight = half.spans(y, at=slice(column, column + 1))
    path = np.zeros((len(y), 1))
    smear(path, slice(None), lo, hi, weight, fine, half.tilt)
    rise = path[:, 0]
    start = int(np.argmax(rise > 0.02 * rise.max()))
    goal = 0.5 * float(rise[start : start + int(1.2 / fine) + 1].max())
    k = start + int(np.argmax(rise[start:] >= goal))
    before = rise[k - 1] if k else 0.0
    share = (goal - before) / max(float(rise[k] - before), 1e-9)
    return float(y[0] + (k - 1 + share) * fine)


def crest(
    jaw: Jaw, root: Root, k: int, u: Array, y: Array, across: float
) -> tuple[float, float, tuple[float, float]]:
    """The contract's crest (u, v) of one side, and both margins' half-risen levels there."""
    tilt = jaw.halves[0].tilt

    def beside(v: float) -> tuple[float, float]:
        at = root.outline(v, k, across, tilt) + (2 * k - 1) * (jaw.ligament + 0.06)
        column = int(np.clip(np.searchsorted(u, at), 0, len(u) - 1))
        return half_risen(jaw.halves[0], column, y), half_risen(jaw.halves[1], column, y)

    v = max(root.levels[k])
    for _ in range(4):
        before, v = v, max(beside(v))
    if abs(v - before) > 0.05:  # a margin as steep as the root: the last level still without bone
        steps = np.arange(root.top - 0.5, root.end, 0.05)
        bare = [s for s in steps if max(beside(float(s))) > s]
        v = float(bare[-1]) if bare else v
    return root.outline(v, k, across, tilt), v, beside(v)
