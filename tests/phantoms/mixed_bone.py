"""Alveolar bone of generator M, for training: one to four sheets, each with its own margin.

A sheet stands for a buccal or lingual plate, for the cancellous bone between, or for haze. Those
with at least 20 % of the bone's density count as plates (`COUNTS`, our own choice); the crest
beside a root is where the most apical of their margins meets its outline, where it is half risen.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from .mixed_profiles import Profile, edge_profile
from .mixed_teeth import Root, Tooth

Array = NDArray[Any]
COUNTS = 0.2
BESIDE = 0.1  # mm off the outline where the margin is read, inside a usual ligament space


@dataclass
class Sheet:
    """One sheet: share of the density, margin over x, profile across it, look beside a root."""

    share: float
    margin: Array
    shape: str
    soft: float
    profile: Profile
    floor: float  # what is left of it at the outline
    taper: float  # mm over which it thickens away from the root
    along: Array  # its strength over x, about 1
    over: float  # how much shows across the root
    ligament: float  # how dark it is in the ligament space
    contrast: float
    fade: float  # mm below the margin over which the texture sets in
    wanted: dict[tuple[int, int, int], float] = field(default_factory=dict)


def _common_levels(
    rng: np.random.Generator, teeth: list[Tooth], scale: float
) -> dict[tuple[int, int, int], float]:
    """Level of the bone at every side of every root, healthy to 85 % lost."""
    mood = int(rng.choice(4, p=[0.25, 0.35, 0.3, 0.1]))
    low, high = ((0.0, 0.15), (0.1, 0.4), (0.3, 0.7), (0.6, 0.8))[mood]
    base, spread = rng.uniform(low, high), float(rng.choice([0.03, 0.1, 0.25]))
    levels, before = {}, None
    for t, tooth in enumerate(teeth):
        for r, root in enumerate(tooth.roots):
            for k in (0, 1):
                share = base + rng.normal(0, spread)
                if rng.random() < 0.12:
                    share = rng.uniform(0, 0.85)
                y = root.top + share * root.length
                if k == 0 and before is not None and rng.random() < 0.6:
                    y = before + rng.normal(0, 0.5) * scale
                levels[t, r, k] = before = _held(rng, tooth, root, k, y, scale)
    return levels


def _held(
    rng: np.random.Generator, tooth: Tooth, root: Root, k: int, y: float, scale: float
) -> float:
    """Keep a level between CEJ and 85 % of the root, on a furcal side below the roof."""
    low, high = root.cej[k] - 0.2 * scale, root.top + 0.85 * root.length
    y = float(np.clip(y, low, high))
    if root.outer[k]:
        return y
    gap = scale * (rng.uniform(0.1, 0.3) if rng.random() < 0.5 else rng.uniform(0.2, 1.5))
    for _ in range(8):
        arch = float(tooth.arch_at(root.edge(y, k)))
        y = max(y, max(arch, tooth.roof) + gap)
        gap = min(gap, 0.3 * scale)
    return min(y, high)


def sheets_drawn(
    rng: np.random.Generator, x: Array, teeth: list[Tooth], scale: float
) -> list[Sheet]:
    """Draw the sheets of one picture."""
    count = int(rng.choice([1, 2, 3, 4], p=[0.28, 0.4, 0.2, 0.12]))
    shares = rng.dirichlet(np.full(count, rng.uniform(1.5, 6)))
    common = _common_levels(rng, teeth, scale)
    held_back = int(rng.integers(0, count))  # the sheet nearest to the common level
    alike = rng.random() < 0.3
    sheets: list[Sheet] = []
    for i in range(count):
        away = rng.choice([0.1, 0.5, 1.2, 2.5], p=[0.25, 0.3, 0.3, 0.15])
        offset, uneven = abs(rng.normal(0, away)), rng.choice([0.0, 0.15, 0.5])
        if i == held_back:
            offset = uneven = 0.0
        wanted = {}
        for (t, r, k), y in common.items():
            own = y - scale * min(max(offset + rng.normal(0, uneven), -0.5), 3.5)
            wanted[t, r, k] = _held(rng, teeth[t], teeth[t].roots[r], k, own, scale)
        shape, soft, profile = edge_profile(rng, scale)
        if alike and sheets:
            shape, soft, profile = sheets[0].shape, sheets[0].soft, sheets[0].profile
        front = rng.random() < 0.5
        sheets.append(
            Sheet(
                share=float(shares[i]),
                margin=margin_curve(rng, x, teeth, wanted, scale),
                shape=shape,
                soft=soft,
                profile=profile,
                floor=1.0 if rng.random() < 0.5 else rng.uniform(0.35, 1),
                taper=scale * rng.uniform(0.15, 1.5),
                along=_along(rng, x, scale),
                over=rng.uniform(0, 0.9) if front else rng.uniform(0, 0.15),
                ligament=rng.uniform(0, 0.5) if front else rng.uniform(0.4, 1),
                contrast=rng.uniform(0, 0.45),
                fade=scale * rng.uniform(0, 2) * (rng.random() < 0.7),
                wanted=wanted,
            )
        )
    return sheets


def _along(rng: np.random.Generator, x: Array, scale: float) -> Array:
    """A plate thicker here and thinner there along the row, by up to a quarter."""
    deep = rng.uniform(0, 0.25) * (rng.random() < 0.5)
    wave = np.sin(x / scale * rng.uniform(0.2, 1.5) + rng.uniform(0, 6))
    return np.asarray(1 + deep * wave, np.float32)


def _between(
    rng: np.random.Generator, left: tuple[float, float], right: tuple[float, float], scale: float
) -> list[tuple[float, float]]:
    """Knots of a margin between two neighbouring outlines: flat, peak, crater, angles or steps."""
    gap = right[0] - left[0]
    if gap < 0.7 * scale:
        return []
    mean, kind = (left[1] + right[1]) / 2, int(rng.integers(0, 5))
    flat = min(0.2 + rng.uniform(0, 0.25) * scale, 0.35 * gap)
    knots = [(left[0] + flat, left[1]), (right[0] - flat, right[1])]
    if kind in (1, 2):
        bow = min(scale, 0.6 * gap) * rng.uniform(0.1, 1.6) * (-1 if kind == 1 else 0.7)
        knots.append((left[0] + gap * rng.uniform(0.4, 0.6), mean + bow))
    elif kind == 3:  # angular defects: the margin climbs steeply a little away from the root
        reach = min(scale * rng.uniform(0.4, 1.3), 0.3 * gap)
        for (at, y), way in ((left, 1), (right, -1)):
            if rng.random() < 0.7:
                rise = min(scale * rng.uniform(0.3, 3), 3.5 * reach)
                knots.append((at + way * (flat + reach), y - rise))
    elif kind == 4:
        at = left[0] + gap * rng.uniform(0.35, 0.65)
        knots += [(at - 0.05, left[1]), (at + 0.05, right[1])]
    return knots


def margin_curve(
    rng: np.random.Generator,
    x: Array,
    teeth: list[Tooth],
    wanted: dict[tuple[int, int, int], float],
    scale: float,
) -> Array:
    """Level of one margin over x: through the wanted levels at the outlines, free between."""
    knots: list[tuple[float, float]] = []
    last: tuple[float, float] | None = None
    for (t, r, k), y in sorted(wanted.items()):
        here = (float(teeth[t].roots[r].edge(y, k)), y)
        inner = here[0] + (1 - 2 * k) * min(0.25, 0.4 * float(teeth[t].roots[r].width(y)))
        if k == 0 and last is not None:
            knots += _between(rng, last, here, scale)
        knots += [here, (inner, y)]
        if k == 1:
            last = here
        elif rng.random() < 0.4:  # what the margin does across the root
            middle = float(teeth[t].roots[r].centre(y))
            knots.append((middle, y + scale * rng.normal(0, 0.5)))
    for at, way in ((knots[0][0], -1), (knots[-1][0], 1)):
        rise = rng.normal(0, 1) * (rng.random() < 0.6)
        end = min if way < 0 else max
        y = end(knots)[1]
        knots += [(at + way * 0.4, y), (at + way * scale * rng.uniform(0.8, 2.5), y + scale * rise)]
    knots.sort()
    xs, ys = np.array(knots).T
    fresh = np.append(True, np.diff(xs) > 1e-3)
    xs, ys = xs[fresh], ys[fresh]
    if rng.random() < 0.5:
        level = PchipInterpolator(xs, ys)(np.clip(x, xs[0], xs[-1]))
    else:
        level = np.interp(x, xs, ys)
    if rng.random() < 0.5:
        wave = scale * rng.uniform(0.02, 0.25)
        level = level + wave * np.sin(x / scale * rng.uniform(1, 7) + rng.uniform(0, 6))
    step = float(x[1] - x[0])
    width = max(int(10 ** rng.uniform(-1.5, -0.6) / step), 1)
    kernel = np.hanning(2 * width + 3)
    padded = np.pad(level, len(kernel) // 2, mode="edge")
    return np.convolve(padded, kernel / kernel.sum(), mode="valid")


def met(x: Array, sheet: Sheet, root: Root, k: int, near: float) -> float:
    """Level where a sheet's margin meets a root's outline, of several the one nearest `near`."""
    ys = np.linspace(root.top - 0.1 * root.length, root.top + 0.98 * root.length, 600)
    below = ys - np.interp(root.edge(ys, k) + (2 * k - 1) * BESIDE, x, sheet.margin)
    turns = np.flatnonzero((below[:-1] < 0) & (below[1:] >= 0))
    if not len(turns):
        return near
    share = -below[turns] / (below[turns + 1] - below[turns])
    at = ys[turns] + share * (ys[1] - ys[0])
    return float(at[np.argmin(np.abs(at - near))])


def crest_levels(
    x: Array, teeth: list[Tooth], sheets: list[Sheet]
) -> dict[tuple[int, int, int], float]:
    """Level of the crest at (tooth, root, side): the most apical margin among the plates."""
    return {
        (t, r, k): max(met(x, s, root, k, s.wanted[t, r, k]) for s in sheets if s.share >= COUNTS)
        for t, tooth in enumerate(teeth)
        for r, root in enumerate(tooth.roots)
        for k in (0, 1)
    }
