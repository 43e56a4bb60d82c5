"""How much bone a scanned jaw has lost, where, and the jaw that is left.

Patterns are those of facts.md 1g (horizontal, vertical, furcation). The normal distance from CEJ to
crest is the teaching value of facts.md 1f; how often each pattern occurs is my own choice.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from scipy.ndimage import gaussian_filter1d, maximum_filter1d

from .scanned_bone import GRID, Defect, Jaw, edge, furcal, margin, sites
from .scanned_teeth import ScannedTooth

MOST = 0.66  # share of the root that may lose its bone
Levels = dict[tuple[int, str, str], float]


def _levels(
    rng: np.random.Generator, teeth: list[ScannedTooth], cat: bool, severity: float
) -> tuple[Levels, Levels, dict[int, float], dict[int, float]]:
    """Draw the margins' v of both plates beside outer sides and between roots."""
    normal = rng.uniform(0.4, 0.9) if cat else rng.uniform(0.9, 1.7)
    buccal: Levels = {}
    lingual: Levels = {}
    forks_b: dict[int, float] = {}
    forks_l: dict[int, float] = {}
    tilt = rng.normal(0, 0.25) * severity
    for k, tooth in enumerate(teeth):
        along = k / max(len(teeth) - 1, 1) - 0.5
        own = severity * np.clip(1 + rng.normal(0, 0.3), 0.3, 1.6) + tilt * along
        if tooth.number % 100 == 4:
            own *= 0.6  # the canine's deep root rarely loses as large a share
        lost = []
        for name, side, sign in sites(tooth):
            if furcal(tooth, name, sign):
                continue
            length = tooth.roots[name].end
            share = float(np.clip(own + 0.12 * severity * rng.normal(), 0.0, 0.68))
            v = min(normal * rng.uniform(0.85, 1.15) + share * length, MOST * length)
            apart = rng.normal(0, (0.08 if cat else 0.12) + 0.06 * share * length)
            apart = float(np.clip(apart, -0.18 * length, 0.18 * length))
            key = (tooth.number, name, side)
            most = MOST * length
            buccal[key] = min(v + max(apart, 0), most)
            lingual[key] = min(v + max(-apart, 0), most)
            lost.append((v - normal, apart))
        if len(tooth.roots) > 1:
            mean, apart = np.mean(lost, axis=0)
            full = tooth.roof - rng.uniform(0.1, 0.6)
            # Bone between the roots follows the loss outside once that passes the roof.
            lag = rng.uniform(0.7, 1.05)
            level = max(full, normal + lag * mean) if mean > 0.8 else full
            extra = rng.exponential(0.6) * severity * 3 if rng.random() < 0.4 else 0.0
            most = MOST * min(r.end for r in tooth.roots.values())
            forks_b[tooth.number] = min(level + max(apart, 0) + extra, most)
            forks_l[tooth.number] = min(level + max(-apart, 0), most)
    for levels in (buccal, lingual):
        for one, two in pairwise(teeth):
            _share_septum(one, two, levels)
    return buccal, lingual, forks_b, forks_l


def _share_septum(one: ScannedTooth, two: ScannedTooth, levels: Levels) -> None:
    """Keep the two sides of a septum about as high as its width allows."""
    (n, s, sign), (m, q, sing) = sites(one)[-1], sites(two)[0]
    a, b = (one.number, n, s), (two.number, m, q)
    left, right = edge(one, n, sign, levels[a], 0.2), edge(two, m, sing, levels[b], 0.2)
    step = 0.8 + 0.8 * max(right[0] - left[0], 0.0)
    levels[a] -= max(left[1] - right[1] - step, 0.0)
    levels[b] -= max(right[1] - left[1] - step, 0.0)


def _defects(
    rng: np.random.Generator,
    teeth: list[ScannedTooth],
    buccal: Levels,
    lingual: Levels,
    severity: float,
) -> tuple[Defect, ...]:
    chance = 0.06 if severity < 0.05 else 0.22
    found = []
    for tooth in teeth:
        for name, side, sign in sites(tooth):
            if furcal(tooth, name, sign) or rng.random() > chance:
                continue
            r = tooth.roots[name]
            key = (tooth.number, name, side)
            room = MOST * r.end - max(buccal[key], lingual[key])
            deep = min(rng.uniform(0.12, 0.42) * min(r.end, 14.0), room)
            if deep < 0.08 * r.end:
                continue
            kind = rng.choice(["through", "buccal", "lingual"], p=[0.5, 0.25, 0.25])
            edge = rng.uniform(-0.2, 0.4) * tooth.depth
            wall = {"through": None, "buccal": (-50.0, edge), "lingual": (-edge, 50.0)}[str(kind)]
            wide = rng.uniform(0.35, 0.8) * deep
            found.append(Defect(tooth, name, side, deep, wide, wall))
    return tuple(found)


def diseased_jaw(
    rng: np.random.Generator,
    teeth: list[ScannedTooth],
    cat: bool,
    scale: float,
    severity: float,
    low: float,
) -> Jaw:
    """Draw the jaw that holds the teeth.

    Parameters
    ----------
    rng : Generator
    teeth : list
        From small to large x.
    cat : bool
    scale : float
        Size of the animal against a middling one.
    severity : float
        Mean share of the root that has lost its bone.
    low : float
        The jaw's lower border below x = 0, y in mm.
    """
    ligament = (0.18 if cat else 0.25) * rng.uniform(0.85, 1.25)
    buccal, lingual, forks_b, forks_l = _levels(rng, teeth, cat, severity)
    start = min(t.origin[0] for t in teeth) - 45.0
    x = np.arange(start, max(t.origin[0] for t in teeth) + 45.0, GRID)
    scallop = (0.25 if cat else 0.5) * scale * rng.uniform(0.4, 1.2)
    bump = rng.uniform(0.0, 0.5) * (1 if severity < 0.2 else 0.4)
    margins = []
    for levels, forks in ((buccal, forks_b), (lingual, forks_l)):
        curve = margin(teeth, levels, forks, scallop, bump, ligament, x)
        wave = gaussian_filter1d(rng.normal(size=len(x)), 1.2 / GRID, mode="nearest")
        wave *= (0.03 + 0.07 * min(severity * 3, 1)) / max(wave.std(), 1e-9)
        margins.append(curve + wave)
    # The ridge is as thick as the roots it holds with a thin plate on either side.
    half = np.full(len(x), 0.0)
    middle = np.interp(x, [t.origin[0] for t in teeth], [t.origin[2] for t in teeth])
    for tooth in teeth:
        for r in tooth.roots.values():
            for v in np.linspace(0, 0.5 * r.end, 6):
                i = int(r.at(np.array(v)))
                at = tooth.world(r.centre_u[i], v, r.centre_w[i])
                reach = r.b[i] + abs(at[2] - tooth.origin[2]) + ligament
                on = np.abs(x - at[0]) < r.a[i]
                half[on] = np.maximum(half[on], reach)
    half = np.maximum(half, 0.75 * maximum_filter1d(half, round(4 * scale / GRID)))
    plate = (0.4 if cat else 0.65) * scale**0.5 * rng.uniform(0.8, 1.4)
    half = gaussian_filter1d(half, 1.0 * scale / GRID) + plate
    half = np.maximum(half, 0.45 * half.max())
    return Jaw(
        start=start,
        buccal=margins[0],
        lingual=margins[1],
        middle=gaussian_filter1d(middle, 3.0 / GRID),
        top_half=half,
        body_half=max((2.6 if cat else 5.0) * scale, half.max() * 1.08),
        top=0.0,
        low=low,
        bow=rng.uniform(-0.001, 0.005) / scale,
        split=rng.uniform(-0.4, 0.4),
        abrupt=rng.uniform(0.25, 1.0),
        plate_top=plate,
        plate_body=(0.9 if cat else 1.9) * scale * rng.uniform(0.8, 1.2),
        ligament=ligament,
        lamina=(0.18 if cat else 0.25) * rng.uniform(0.7, 1.4),
        lamina_share=rng.uniform(0.4, 1.0),
        defects=_defects(rng, teeth, buccal, lingual, severity),
    )
