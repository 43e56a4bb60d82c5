"""Bone of generator H: how high it stands on each root, its margins, and where they meet roots."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from .jaw_teeth import JawTooth
from .varied_teeth import Root

Array = NDArray[Any]


def set_crests(rng: np.random.Generator, teeth: list[JawTooth], size: float, gap: float) -> None:
    """Draw each root side's crest, the more apical margin; `gap` is the ligament's width."""
    mood = int(rng.choice(5, p=[0.36, 0.18, 0.19, 0.13, 0.14]))
    healthy = rng.uniform(0.4, 2.0) * min(size, 1.3)
    share = (0.0, rng.uniform(0.08, 0.25), rng.uniform(0.2, 0.5), rng.uniform(0.45, 0.95), 0.0)[
        mood
    ]
    spread = rng.choice([0.03, 0.1, 0.22]) if share else 0.0
    focus = int(rng.integers(0, len(teeth))) if mood == 4 else -1
    sound = (0.92, 0.65, 0.35, 0.12, 0.85)[mood]
    before: float | None = None
    for i, tooth in enumerate(teeth):
        hit = i == focus
        for root in tooth.ends:
            for k in (0, 1):
                loss = rng.uniform(0, 0.95) if hit or rng.random() < 0.06 else share
                y = root.cej[k] + max(healthy + rng.normal(0, 0.25), loss * root.length)
                y += rng.normal(0, spread) * root.length
                if k == 0 and before is not None and rng.random() < 0.7:
                    y = before + rng.normal(0, 0.35) * size
                if root.outer[k]:
                    root.crest[k] = _within(root, k, y, size)
                    before = root.crest[k]
        if len(tooth.ends) == 2:
            _furcal(rng, tooth, 0.1 if hit else sound, size, gap)


def _within(root: Root, k: int, y: float, size: float) -> float:
    return float(np.clip(y, root.cej[k] + 0.1 * size, root.top + 0.96 * root.length))


def _furcal(
    rng: np.random.Generator, tooth: JawTooth, sound: float, size: float, gap: float
) -> None:
    """Levels of the bone between the roots: at the roof, or anything down to the apices."""
    a, b = tooth.ends
    top = tooth.parted(2 * gap + 0.3)
    y = max(tooth.roof + rng.uniform(0.15, 1.0) * min(size, 1.2) ** 0.5, top)
    levels = np.array([y, y]) + rng.normal(0, 0.08, 2)
    if rng.random() > sound:
        outer = (a.crest[0] + b.crest[1]) / 2
        last = min(a.end, b.end)
        low = max(outer, y) + rng.normal(0, 0.12) * a.length
        if rng.random() < 0.5:
            low = y + rng.uniform(0, 1) * (last - y)
        levels = low + rng.normal(0, rng.choice([0.15, 0.8])) * np.array([1, -1]) * size
    else:
        tooth.low = float(top < tooth.roof + 1.2)  # healthy, and said so by the traits
    levels = np.maximum(levels, top)
    a.crest[1] = _within(a, 1, levels[0], size)
    b.crest[0] = _within(b, 0, levels[1], size)


def apical_margin(
    rng: np.random.Generator, x: Array, teeth: list[JawTooth], size: float, gap: float
) -> Array:
    """Level of the more apical margin along x: through every root side, drawn freely between."""
    sides = [(t, r, k) for t in teeth for r in t.ends for k in (0, 1)]
    places = []
    for tooth, root, k in sides:
        y = root.crest[k]
        places.append((float(tooth.seen_edge(root, k, np.array([y]))[0]), y, root.cej[k]))
    knots: list[tuple[float, float]] = []
    flat = gap + rng.uniform(0.1, 0.25)
    for i, (at, y, _) in enumerate(places):
        out = 2 * sides[i][2] - 1
        knots += [(at - out * 0.3, y), (at + out * flat, y)]
    angular = rng.choice([0.05, 0.3, 0.7], p=[0.4, 0.4, 0.2])
    for i in range(-1, len(places), 2):  # from each right side to the next left side
        a = places[i] if i >= 0 else (places[0][0] - 6 * size, places[0][1], places[0][2])
        b = places[i + 1] if i + 1 < len(places) else (places[-1][0] + 6 * size, *places[-1][1:])
        within = 0 <= i < len(places) - 1 and sides[i][0] is sides[i + 1][0]
        sound = within and sides[i][0].low > 0
        knots += _between(rng, a, b, flat, 0.0 if sound else angular, size)
    knots.sort()
    xs, ys = np.array(knots).T
    step = float(x[1] - x[0])
    level = np.interp(x, xs, ys)
    sigma = rng.uniform(0.05, 0.12) / step
    return np.asarray(
        cv2.GaussianBlur(level[None], (0, 0), sigma, borderType=cv2.BORDER_REPLICATE)
    )[0]


def _between(
    rng: np.random.Generator,
    a: tuple[float, float, float],
    b: tuple[float, float, float],
    flat: float,
    angular: float,
    size: float,
) -> list[tuple[float, float]]:
    free = b[0] - a[0] - 2 * flat
    if free < 0.25:
        return []
    found = []
    limit = min(a[2], b[2]) + 0.2 * size  # no bone above the CEJs
    for end, way in ((a, 1), (b, -1)):
        if rng.random() < angular:
            wide = free * rng.uniform(0.1, 0.45)
            rise = rng.uniform(0.2, 1) ** 2 * min(6 * size, 8 * wide)
            found.append((end[0] + way * (flat + wide), max(end[1] - rise, min(limit, end[1]))))
    if not found:
        middle = (a[1] + b[1]) / 2
        bow = rng.choice(
            [0.0, rng.normal(0, 0.15), rng.normal(0, 0.12 * free)], p=[0.4, 0.35, 0.25]
        )
        at = a[0] + flat + free * rng.uniform(0.35, 0.65)
        found.append((at, max(middle + float(np.clip(bow, -1.5, 1.5)), min(limit, middle))))
    return found


def apart(
    rng: np.random.Generator, x: Array, teeth: list[JawTooth], size: float, most: float
) -> Array:
    """How far the other plate's margin stands coronal to the apical one, along x; 0 or more."""
    parted = rng.choice([0.0, 0.3, 0.8, 1.6], p=[0.3, 0.35, 0.25, 0.1]) * size
    at, far = [], []
    for tooth in teeth:
        for root in tooth.ends:
            for k in (0, 1):
                at.append(root.edge(root.crest[k], k))
                room = max(root.crest[k] - root.cej[k] + rng.uniform(0, 0.6) * size, 0.0)
                own = 0.0 if rng.random() < 0.25 else abs(rng.normal(0, parted))
                far.append(min(own, room, most))
    order = np.argsort(at)
    line = np.interp(x, np.array(at)[order], np.array(far)[order])
    sigma = rng.uniform(0.1, 0.6) / float(x[1] - x[0])
    return np.asarray(cv2.GaussianBlur(line[None], (0, 0), sigma, borderType=cv2.BORDER_REPLICATE))[
        0
    ]


def crest_on(
    tooth: JawTooth, root: Root, k: int, x: Array, margin: Array, gap: float
) -> tuple[float, float]:
    """Where the drawn margin meets the outline of a root side, just outside its ligament."""
    y = np.linspace(min(root.crest[k] - 2.5, root.top - 1), root.end, 700)
    edge = tooth.seen_edge(root, k, y)
    level = np.interp(edge + (2 * k - 1) * (gap + 0.06), x, margin)
    if not root.outer[k]:
        y, edge, level = (v[y > tooth.roof] for v in (y, edge, level))
    under = y - level
    cross = np.flatnonzero((under[:-1] < 0) & (under[1:] >= 0))
    if len(cross):
        i = (
            int(cross[np.abs(y[cross] - root.crest[k]).argmin()])
            if root is not tooth.third
            else int(cross[0])
        )
        part = -under[i] / (under[i + 1] - under[i])
        at = float(y[i] + part * (y[i + 1] - y[i]))
    else:
        at = float(y[-1] if under[-1] < 0 else y[0])
    own, seen = root.edge(at, k), float(np.interp(at, y, edge))
    # Under a wide arch the bone's top lies far from the root's own side, whose level it is.
    return own + float(np.clip(seen - own, -0.2, 0.2)), at
