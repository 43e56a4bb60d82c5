"""Which teeth the section generator shows, their shapes, and how much bone each side has lost.

All ranges are this generator's own choice, wider than believable. Lengths in mm.
"""

from __future__ import annotations

import itertools

import numpy as np

from .section_teeth import Root, Tooth

# Rows of neighbours with the names of their marked roots; a third root lies behind, unmarked.
TWO, THREE = ("mesial", "distal"), ("mesiobuccal", "distobuccal")
ROWS: dict[str, list[dict[int, tuple[str, ...]]]] = {
    "dog": [
        {n: TWO if 306 <= n <= 310 else ("single",) for n in range(301, 312)},
        {n: TWO if 306 <= n <= 310 else ("single",) for n in range(305, 312)},
        {n: TWO if 206 <= n <= 208 else ("single",) for n in range(203, 209)}
        | {209: THREE, 210: THREE},
    ],
    "cat": [
        {304: ("single",), 307: TWO, 308: TWO, 309: TWO},
        {203: ("single",), 204: ("single",), 206: ("single",), 207: TWO, 208: TWO},
    ],
}


def tooth_row(rng: np.random.Generator) -> tuple[str, list[Tooth], float]:
    """Species, one to four neighbours from left to right, and the picture's overall scale."""
    species = "dog" if rng.random() < 0.7 else "cat"
    scale = float(np.exp(rng.uniform(np.log(0.6), np.log(1.6))))
    rows = ROWS[species][int(rng.integers(0, len(ROWS[species])))]
    numbers = list(rows)
    count = int(rng.choice([1, 2, 3, 4], p=[0.2, 0.4, 0.3, 0.1]))
    start = int(rng.integers(0, max(len(numbers) - count, 0) + 1))
    height, x, teeth = scale * rng.uniform(6, 14), 0.0, []
    depth = scale * rng.uniform(1.0, 2.6)
    for number in numbers[start : start + count]:
        length = height * rng.uniform(0.75, 1.3)
        tooth = _tooth(rng, number, rows[number], x, length, depth, scale)
        teeth.append(tooth)
        last = tooth.roots[-1]
        ys = np.linspace(last.top, last.end, 12)
        centre, _, half, _ = last.at(ys)
        gap = rng.choice(
            [rng.uniform(-0.5, 0.3), rng.uniform(0.3, 1.4), rng.uniform(1.4, 5)],
            p=[0.1, 0.65, 0.25],
        )
        x = float((centre + half).max()) + gap * scale
    return species, teeth, scale


def part_roots(
    rng: np.random.Generator, teeth: list[Tooth], scale: float, beam: tuple[float, float]
) -> None:
    """Move roots apart that the oblique beam would throw upon each other, but for a few."""
    roots = [r for t in teeth for r in t.roots]
    for i, (one, two) in enumerate(itertools.pairwise(roots)):
        wanted = (-0.3 if rng.random() < 0.12 else 0.35) * scale
        start, stop = min(one.top, two.top), min(one.end, two.end)
        if one.tooth == two.tooth:
            wanted = 0.35 * scale
            start = next(t.roof for t in teeth if t.number == one.tooth)
        levels = np.linspace(start, stop, 9)
        gap = min(two.outline(v, 0, *beam) - one.outline(v, 1, *beam) for v in levels)
        for later in roots[i + 1 :]:
            later.x += max(wanted - gap, 0.0)
        for tooth in teeth:
            if tooth.behind and tooth.roots[0] in roots[i + 1 :]:
                tooth.behind.x += max(wanted - gap, 0.0)


def _form(rng: np.random.Generator) -> tuple[float, ...]:
    if rng.random() < 0.4:
        return (rng.uniform(1.2, 4), rng.uniform(0.4, 0.9), 0, 0, 0, 0)
    odd = rng.random()
    waist, bulge = rng.uniform(0, 0.25) * (odd < 0.3), rng.uniform(0.1, 0.6) * (odd > 0.75)
    return (0, 0, rng.uniform(0.1, 0.75), waist, bulge, rng.uniform(4, 16))


def _tooth(
    rng: np.random.Generator, number: int, names: tuple[str, ...], x: float,
    length: float, depth: float, scale: float,
) -> Tooth:  # fmt: skip
    form, lean = _form(rng), np.tan(np.radians(rng.normal(0, 6)))
    cej, tip = rng.normal(0, 0.5) * scale, rng.normal(0, 0.3) * scale
    halves = length * rng.uniform(0.09, 0.22) * np.array([1, rng.uniform(0.75, 1.35)])
    hook = length * (rng.normal(0, 0.05) if rng.random() < 0.75 else rng.normal(0, 0.14))
    z = rng.normal(0, 0.15) * depth

    def root(k: int, at: float, outer: tuple[bool, bool]) -> Root:
        return Root(
            number, names[k % len(names)], at, z, float(halves[k % 2]),
            depth * rng.uniform(0.7, 1.1), cej, length * rng.uniform(0.85, 1.15), lean,
            rng.normal(0, 0.04), hook * rng.uniform(0.4, 1.3), rng.uniform(1.5, 6),
            form if rng.random() < 0.6 else _form(rng), outer,
        )  # fmt: skip

    cusps = (rng.uniform(0, 0.22), rng.uniform(1, 3.5), rng.uniform(0, 3), rng.uniform(0, 6.3))
    sides, bow = (cej - tip, cej + tip), rng.normal(0, 0.25) * scale
    crown, enamel = length * rng.uniform(0.35, 0.9), scale * rng.uniform(0.1, 0.6)
    if len(names) == 1:
        one = root(0, x + float(halves[0]), (True, True))
        one.half *= rng.uniform(0.9, 1.6)
        return Tooth(number, [one], sides, bow, crown, cusps, enamel)
    inner = length * rng.uniform(0.08, 0.4) + 0.3 * scale
    m = root(0, x + float(halves[0]), (True, False))
    d = root(1, m.x + float(halves.sum()) + inner, (False, True))
    splay = length * rng.normal(0.03, 0.06)
    m.bend, d.bend = m.bend - splay, d.bend + splay
    roof = cej + length * rng.uniform(0.06, 0.3)
    below = np.linspace(roof, cej + 0.98 * length, 16)
    for _ in range(25):  # roots of one tooth leave bone between them
        (mx, _, ma, _), (dx, _, da, _) = m.at(below), d.at(below)
        if float((dx - da - mx - ma).min()) > 0.35 * scale:
            break
        m.bend, d.bend, d.x = m.bend - 0.015 * length, d.bend + 0.015 * length, d.x + 0.02 * length
    free = max((d.outline(roof, 0, 0, 0) - m.outline(roof, 1, 0, 0)) / 2, 0.15)
    arch = rng.uniform(0.2, 1.3) / free
    low = min(roof + arch * (1.25 * free) ** 2, cej + 0.6 * length)
    tooth = Tooth(number, [m, d], sides, bow, crown, cusps, enamel, roof, arch, low)
    tooth.rounding = scale * rng.uniform(0.05, 0.7)
    if names == THREE or (number == 208 and rng.random() < 0.7):
        at = rng.uniform(0.2, 0.8) if names == THREE else rng.uniform(0.0, 0.3)
        b = root(2, m.x + at * (d.x - m.x), (False, False))
        b.marked, b.z, b.z_lean, b.half = False, z - 1.3 * depth, -0.1, b.half * 0.9
        tooth.behind = b
    return tooth


def set_levels(
    rng: np.random.Generator, teeth: list[Tooth], scale: float, beam: tuple[float, float]
) -> None:
    """Draw, for each side of each root, where its two margins are to be projected."""
    mood = rng.choice(4, p=[0.42, 0.3, 0.18, 0.1])
    base = (0.0, rng.uniform(0.05, 0.3), rng.uniform(0.2, 0.6), rng.uniform(0.4, 0.8))[mood]
    spread = rng.choice([0.02, 0.08, 0.2])
    healthy = scale * rng.uniform(0.2, 1.6)
    apart = rng.choice([0.0, 0.2, 0.8, 1.8]) * scale
    everywhere = rng.random() < 0.5
    sign = rng.choice([-1.0, 1.0])
    before: float | None = None
    last: Root | None = None
    for tooth in teeth:
        for root in tooth.roots:
            root.levels = []
            for k in (0, 1):
                share = base + rng.normal(0, spread)
                if rng.random() < 0.1:
                    share = rng.uniform(0, 0.85)
                cej = tooth.cej[k] if root.outer[k] else root.top
                v = cej + healthy + max(share, 0.0) * root.length
                if k == 0 and before is not None and rng.random() < 0.7:
                    v = before + rng.normal(0, 0.35) * scale
                if k == 0 and last is not None and before is not None and root.outer[0]:
                    gap = root.outline(v, 0, *beam) - last.outline(v, 1, *beam)
                    if gap < scale:  # a narrow septum has one level
                        v = before + rng.normal(0, 0.12) * scale
                v = float(np.clip(v, cej + 0.1 * scale, root.top + 0.86 * root.length))
                if not root.outer[k]:
                    v = _under_roof(rng, tooth, root, k, v, scale)
                gap = 0.0
                if everywhere or rng.random() < 0.35:
                    gap = min(abs(rng.normal(0, 1)) * apart, 2.5)
                if rng.random() < 0.1:
                    sign = -sign
                root.levels.append((v, v - gap) if sign > 0 else (v - gap, v))
                before = v
            last = root


def _under_roof(
    rng: np.random.Generator, tooth: Tooth, root: Root, k: int, v: float, scale: float
) -> float:
    """A furcal side's level: no bone over the furcation's roof."""
    under = scale * (rng.uniform(0.1, 0.35) if rng.random() < 0.5 else rng.uniform(0.2, 1.2))
    for _ in range(6):
        at = np.array(root.outline(v, k, 0.0, 0.0))
        v = max(v, float(tooth.arch_at(at)) + under)
    return min(v, root.top + 0.9 * root.length)
