"""Teeth of dog and cat jaws for generator H: kinds by number, roots, furcations, crown outlines.

Sizes are orders of magnitude of a middling animal, from memory, and drawn much wider than
believable. Lengths in mm; y runs apically, x distally.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .varied_teeth import Root, Tooth

Array = NDArray[Any]
# Width at the CEJ, root length, crown height, number of roots; by jaw and number.
DOG_LOWER = {
    1: (3.2, 11, 6, 1),
    2: (3.6, 12, 7, 1),
    3: (4.2, 13, 7.5, 1),
    4: (8, 23, 16, 1),
    5: (4, 7, 4.5, 1),
    6: (8.5, 10, 6, 2),
    7: (10, 11, 7, 2),
    8: (12, 12, 8, 2),
    9: (18, 15, 12, 2),
    10: (9, 8, 5, 2),
    11: (4.5, 6, 3, 1),
}
DOG_UPPER = {
    1: (4, 12, 8, 1),
    2: (4.6, 13, 9, 1),
    3: (5.5, 15, 10, 1),
    4: (8.5, 24, 17, 1),
    5: (5, 8, 5, 1),
    6: (10, 10, 6.5, 2),
    7: (12, 11, 7.5, 2),
    8: (17, 13, 11, 3),
    9: (13, 9, 6, 3),
    10: (8, 6.5, 4, 3),
}
CAT_LOWER = {
    3: (1.6, 5, 2.2, 1),
    4: (4, 10, 9, 1),
    7: (5.5, 6.5, 4.5, 2),
    8: (7, 7.5, 5.5, 2),
    9: (8, 8, 7, 2),
}
CAT_UPPER = {
    3: (2, 6, 3, 1),
    4: (4.2, 11, 10, 1),
    6: (2.4, 5, 2.4, 1),
    7: (6, 6.5, 5, 2),
    8: (10.5, 8, 7.5, 3),
    9: (2.6, 4, 1.8, 1),
}
THIRD = {7: "palatal", 8: "mesiopalatal", 9: "palatal", 10: "palatal"}


@dataclass
class JawTooth(Tooth):
    """A tooth whose roots part below an arch; `third` is a root behind, of which some are marked.

    Parameters
    ----------
    height : float
        From the furcation's roof to where the roots are their full distance apart.
    round_ : float
        1 for a pointed arch, more for a round and then a flat one.
    third : Root or None
    known : bool
        Whether the tooth carries marks.
    upper : bool
    """

    height: float = 0.0
    round_: float = 2.0
    third: Root | None = None
    known: bool = True
    upper: bool = False

    @property
    def ends(self) -> list[Root]:
        """The roots that span the furcation, or the only one."""
        return [self.roots[0], self.roots[-1]] if len(self.roots) > 1 else self.roots

    def opening(self, y: Array) -> tuple[Array, Array]:
        """Left and right border of the space between the roots; crossed above the roof."""
        a, b = self.ends
        left, right = a.centre(y) + a.width(y), b.centre(y) - b.width(y)
        t = np.clip((y - self.roof) / self.height, 0, 1)
        s = np.sqrt(np.clip(1 - (1 - t) ** self.round_, 0, 1))
        s = np.where(y < self.roof, -0.05, s)
        middle, half = (left + right) / 2, s * (right - left) / 2
        return middle - half, middle + half

    def seen_edge(self, root: Root, k: int, y: Array) -> Array:
        """x of the tooth's outline on side k of a root; in a furcation that of the arch."""
        if root.outer[k] or root is self.third:
            return root.centre(y) + (2 * k - 1) * root.width(y)
        left, right = self.opening(y)
        return left if root is self.ends[0] else right

    def parted(self, wide: float) -> float:
        """Level below which the roots lie at least `wide` apart, or three fifths down."""
        last = self.roof + 0.6 * (min(r.end for r in self.ends) - self.roof)
        y = np.linspace(self.roof, last, 120)
        left, right = self.opening(y)
        found = np.flatnonzero(right - left >= wide)
        return float(y[found[0]]) if len(found) else last


def jaw_row(rng: np.random.Generator) -> tuple[list[JawTooth], float]:
    """Neighbouring teeth left to right, some at the ends unmarked, and the animal's size."""
    cat, upper = rng.random() < 0.35, rng.random() < 0.45
    table = {(0, 0): DOG_LOWER, (0, 1): DOG_UPPER, (1, 0): CAT_LOWER, (1, 1): CAT_UPPER}
    kinds = table[int(cat), int(upper)]
    size = float(np.exp(rng.uniform(np.log(0.55), np.log(1.5)))) * (1.1 if cat else 1.0)
    numbers, quadrant = sorted(kinds), int(rng.choice([100, 200] if upper else [300, 400]))
    if rng.random() < 0.7:  # teeth of many roots more often than their share
        numbers = [n for n in numbers if n > 4]
    first = int(rng.integers(0, len(numbers)))
    want, chosen, roots = int(rng.integers(3, 7)), [], 0
    for n in numbers[first:] + numbers[:first][::-1]:
        chosen.append(n)
        roots += min(kinds[n][3], 2)
        if roots >= want or sum(kinds[m][0] for m in chosen) > 36:
            break
    chosen.sort()
    ends = rng.random(2) < 0.45
    before = [n for n in numbers if n < chosen[0]][-1:] if ends[0] else []
    after = [n for n in numbers if n > chosen[-1]][:1] if ends[1] else []
    x, teeth, cej = 0.0, [], 0.0
    slope = rng.normal(0, 0.03)
    close = rng.choice([0.0, 0.4, 1.5], p=[0.3, 0.5, 0.2])
    for n in [*before, *chosen, *after]:
        cej += size * rng.normal(0, 0.4) + slope
        tooth = _tooth(rng, quadrant + n, kinds[n], x, cej, size, upper)
        tooth.known = n in chosen
        teeth.append(tooth)
        y = np.linspace(cej, cej + tooth.roots[-1].length, 20)
        last = tooth.roots[-1]
        reach = float((last.centre(y) + last.width(y)).max())
        x = max(reach, last.edge(cej, 1) + 0.2) + size * (abs(rng.normal(0, 1)) * close + 0.15)
        x += size * rng.choice(
            [0.0, rng.uniform(0.5, 3), -rng.uniform(0, 0.5)], p=[0.75, 0.15, 0.1]
        )
    return teeth, size


def _tooth(
    rng: np.random.Generator,
    number: int,
    kind: tuple[float, float, float, int],
    x: float,
    cej: float,
    size: float,
    upper: bool,
) -> JawTooth:
    n, cat = number % 100, kind[0] < 9 and kind[1] < 9
    wide, length, crown = size * np.array(kind[:3]) * np.exp(rng.normal(0, 0.15, 3))
    form = (rng.uniform(1.1, 4.5), rng.uniform(0.35, 0.95))
    depth = 0.3 * wide
    tilt = rng.normal(0, 0.05) * min(wide, 8)
    lean = np.tan(np.radians(rng.normal(0, 4)))

    def root(name: str, at: float, half: float, share: float, outer: tuple[bool, bool]) -> Root:
        own = (cej - tilt if outer[0] else cej, cej + tilt if outer[1] else cej)
        bend, power = rng.normal(0, 0.06) * length, rng.uniform(1.5, 4)
        belly = rng.uniform(-0.05, 0.2) * (rng.random() < 0.5)
        return Root(
            number,
            name,
            at,
            half,
            depth,
            own,
            length * share,
            lean,
            bend,
            power,
            *form,
            belly,
            outer,
        )

    if kind[3] == 1:
        only = root("single", x + wide / 2, wide / 2, 1.0, (True, True))
        if n == 4:
            only.bend, only.bend_power = length * rng.uniform(0.05, 0.35), rng.uniform(1.6, 2.5)
            only.belly = rng.uniform(0.1, 0.35)
        return JawTooth(number, [only], 0.0, 0.0, crown, upper=upper)
    shares = rng.uniform(0.12, 0.22, 2)
    if cat and n == 9:
        shares = np.array([rng.uniform(0.2, 0.3), rng.uniform(0.08, 0.14)])
    names = ("mesiobuccal", "distobuccal") if upper and n in (9, 10) else ("mesial", "distal")
    if upper and n == 8 and rng.random() < 0.5:
        names = ("mesiobuccal", "distal")
    halves = np.minimum(shares * wide, rng.uniform(0.15, 0.22, 2) * length)
    a = root(names[0], x + halves[0], halves[0], 1.0, (True, False))
    b = root(names[1], x + wide - halves[1], halves[1], rng.uniform(0.75, 1.15), (False, True))
    splay = rng.normal(0.02, 0.06) * length
    a.bend -= splay
    b.bend += splay
    tooth = JawTooth(
        number, [a, b], cej + length * rng.uniform(0.05, 0.32), 0.0, crown, upper=upper
    )
    below = np.linspace(tooth.roof, min(a.end, b.end), 15)
    least = rng.choice([0.3, 0.8, 1.4]) * size**0.5
    for _ in range(25):  # the roots of one tooth do not meet
        if ((b.centre(below) - b.width(below)) - (a.centre(below) + a.width(below))).min() > least:
            break
        a.bend -= 0.007 * length
        b.bend += 0.007 * length
        for r, way in ((a, -1), (b, 1)):
            r.x += way * 0.03 * r.half
            r.half *= 0.97
    for r in (a, b):
        r.bend = float(np.clip(r.bend, -0.16 * length, 0.16 * length))
    shift = x - float((a.centre(below) - a.width(below)).min())
    for r in (a, b):
        r.x += max(shift, 0)
    gap = max(b.edge(tooth.roof, 0) - a.edge(tooth.roof, 1), 0.3)
    tooth.height = float(np.clip(gap * rng.uniform(0.1, 0.8), 0.2, 0.3 * length))
    tooth.round_ = rng.uniform(1.2, 5.0)
    if kind[3] == 3 or (upper and rng.random() < 0.12) or rng.random() < 0.03:
        near = rng.uniform(0.05, 0.5) if n == 8 else rng.uniform(0.2, 0.8)
        name = THIRD.get(n, "palatal")
        third = root(
            name, a.x + near * (b.x - a.x), halves.mean() * rng.uniform(0.5, 1), 0.9, (False,) * 2
        )
        third.length *= rng.uniform(0.6, 1.1)
        third.bend = rng.normal(0, 0.15) * length
        third.marked = names[0] == "mesiobuccal" and 0.3 < near < 0.7 and rng.random() < 0.5
        tooth.third = third
        if third.marked:
            tooth.roots = [a, third, b]
    return tooth
