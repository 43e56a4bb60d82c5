"""Which teeth stand on one scanned picture, how big they are and how they are set.

Sizes in mm of a dog of middle size and of a cat are from memory, rounded, and vary by my own
choice; numbers and roots are those of facts.md section 2.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from .scanned_teeth import STEP, ScannedTooth, Sweep, canal, cusp, root


@dataclass(frozen=True, slots=True)
class Size:
    """Neck width and depth, crown height, root lengths and the neck's share of the first root."""

    width: float
    depth: float
    crown: float
    lengths: tuple[float, ...]
    share: float = 0.5
    gap: float = 0.8  # to the next tooth


DOG = {
    1: Size(2.7, 4.2, 5.0, (11.0,), gap=0.9),
    2: Size(3.1, 4.6, 5.6, (12.5,), gap=0.9),
    3: Size(3.6, 5.0, 6.0, (13.5,), gap=1.2),
    4: Size(8.5, 6.4, 16.0, (25.0,), gap=3.0),
    5: Size(4.0, 3.2, 3.4, (8.0,), gap=2.4),
    6: Size(8.0, 4.0, 5.5, (10.5, 10.5), gap=1.8),
    7: Size(9.2, 4.5, 6.2, (11.5, 11.5), gap=1.3),
    8: Size(10.8, 5.4, 8.0, (13.0, 12.5), gap=0.8),
    9: Size(19.5, 7.2, 12.0, (16.0, 14.5), 0.54, 0.7),
    10: Size(8.4, 5.8, 4.6, (10.0, 9.0), gap=1.1),
    11: Size(4.4, 4.0, 2.8, (7.0,)),
}
CAT = {
    1: Size(1.2, 1.9, 2.2, (5.0,), gap=0.5),
    2: Size(1.35, 2.1, 2.4, (5.4,), gap=0.5),
    3: Size(1.5, 2.3, 2.7, (6.0,), gap=0.8),
    4: Size(4.4, 3.6, 9.0, (12.5,), gap=6.5),
    7: Size(4.9, 2.5, 4.4, (6.5, 6.5), gap=1.2),
    8: Size(6.3, 2.9, 5.8, (7.6, 7.6), gap=0.9),
    9: Size(7.3, 3.2, 6.3, (8.6, 6.0), 0.64),
}
# The teeth of each view from mesial to distal, height and width of the plate or
# of the part of it that was kept, in mm (plates of facts.md 4b).
VIEWS = {
    "dog_premolars": (DOG, (5, 6, 7, 8), (31.0, 41.0)),
    "dog_molars": (DOG, (8, 9, 10, 11), (36.0, 46.0)),
    "dog_canine": (DOG, (4, 5, 6), (41.0, 31.0)),
    "dog_incisors": (DOG, (4, 3, 2, 1, 1, 2, 3, 4), (31.0, 33.0)),
    "cat_cheek": (CAT, (7, 8, 9), (22.0, 30.0)),
    "cat_canine": (CAT, (4, 7), (24.0, 30.0)),
}


def turned(fan: float, lean: float, twist: float) -> NDArray[np.float64]:
    """Return the rotation into a tooth's frame; angles in degrees carry its tip along +x and +z."""
    a, b, c = np.radians([fan, lean, twist])
    about_z = np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1]])
    about_x = np.array([[1, 0, 0], [0, np.cos(b), np.sin(b)], [0, -np.sin(b), np.cos(b)]])
    about_y = np.array([[np.cos(c), 0, np.sin(c)], [0, 1, 0], [-np.sin(c), 0, np.cos(c)]])
    return about_y @ about_x @ about_z


def _crown(
    rng: np.random.Generator, position: int, s: Size, mesial: int, cat: bool, down: float
) -> list[Sweep]:
    half, deep = s.width / 2, s.depth / 2
    away = -mesial
    lobe = partial(cusp, down=down)
    if position <= 3:
        return [lobe(s.crown, half, deep, spade=rng.uniform(0.25, 0.4), sharp=0.35)]
    if position == 4:
        return [lobe(s.crown, half, deep, shift=mesial * rng.uniform(0.05, 0.2) * s.crown)]
    if position == 9 and not cat:
        return [
            lobe(0.8 * s.crown, 0.46 * half, deep, centre=-0.53 * away * half, sharp=0.7),
            lobe(s.crown, 0.5 * half, deep, centre=0.05 * away * half, sharp=0.8),
            lobe(0.48 * s.crown, 0.38 * half, 0.9 * deep, centre=0.62 * away * half, sharp=0.5),
        ]
    if position == 9:
        return [
            lobe(s.crown, 0.55 * half, deep, centre=-0.42 * away * half, sharp=0.8),
            lobe(s.crown, 0.55 * half, deep, centre=0.42 * away * half, sharp=0.8),
        ]
    if position >= 10:
        return [
            lobe(s.crown, 0.6 * half, deep, centre=-0.36 * away * half, sharp=0.5),
            lobe(0.8 * s.crown, 0.55 * half, deep, centre=0.43 * away * half, sharp=0.5),
        ]
    shift = mesial * rng.uniform(0.0, 0.25) * half
    small = lobe(0.45 * s.crown, 0.35 * half, 0.8 * deep, centre=0.62 * away * half, sharp=0.6)
    return [lobe(s.crown, 0.97 * half, deep, shift=shift, sharp=rng.uniform(0.85, 1.1)), small]


def _trunk(half: float, deep: float, up: float, down: float) -> Sweep:
    """The block that joins the roots; it fades inside crown and roots, so that no edge shows."""
    v = np.arange(-up, down, STEP)
    t = np.where(v < 0, -v / up, np.maximum(v - 0.3 * down, 0) / (0.7 * down))
    fade = np.sqrt(np.clip(1 - t**2, 1e-4, 1))
    zero = np.zeros_like(v)
    return Sweep(-up, zero, zero, np.full_like(v, half), deep * fade, 2.6)


def _chamber(half: float, deep: float, up: float, down: float, lean: float) -> Sweep:
    """The pulp chamber: a horn towards the tip, a rounded floor."""
    v = np.arange(-up, down, STEP)
    t = np.where(v < 0, np.clip(-v / up, 0, 1) ** 0.8, (v / down) ** 3)
    fade = np.maximum(np.sqrt(np.clip(1 - t, 0, 1)) * (1 - 0.5 * np.clip(t, 0, 1)), 0.03)
    return Sweep(-up, lean * np.clip(-v, 0, None), np.zeros_like(v), half * fade, deep * fade, 2.2)


def _clearance(of: Sweep, fork: float, v: float) -> float:
    i = int(of.at(np.array(v)))
    return max(abs(of.centre_u[i] - fork) - of.a[i], 0.2)


def grow_tooth(
    rng: np.random.Generator, number: int, s: Size, mesial: int, cat: bool
) -> ScannedTooth:
    """Build one tooth in its own frame, at the origin of the world."""
    position = number % 100
    half, deep = s.width / 2, s.depth / 2
    bend = -mesial * rng.uniform(-0.03, 0.09)
    trunk, roof, fork, gap = None, 0.0, 0.0, 1.0
    if len(s.lengths) == 1:
        bend = -mesial * 0.1 if position == 4 else bend
        taper = 0.4 if position == 4 else rng.uniform(0.4, 0.6)
        roots = {"single": root(s.lengths[0], half, deep, bend=bend, taper=taper)}
    else:
        roof = s.lengths[0] * rng.uniform(0.14, 0.22)
        widths = (s.width * s.share, s.width * (1 - s.share))
        fork = mesial * (half - widths[0])
        gap = 0.12 * s.width * rng.uniform(0.85, 1.15)
        roots = {}
        for name, sign, wide, length in zip(
            ("mesial", "distal"), (mesial, -mesial), widths, s.lengths, strict=True
        ):
            top = 0.47 * wide - 0.35 * gap
            spread = sign * rng.uniform(-0.02, 0.10)
            roots[name] = root(
                length * rng.uniform(0.93, 1.07),
                top,
                0.95 * deep,
                centre=sign * (half - top),
                spread=spread,
                bend=bend,
                taper=rng.uniform(0.42, 0.62),
            )
        gap = float(np.mean([_clearance(r, fork, roof + gap) for r in roots.values()]))
        trunk = _trunk(0.72 * half, 0.85 * deep, 0.3 * s.crown, roof + 2.4 * gap)
    wide_pulp = rng.uniform(0.12, 0.32)
    pulp = [canal(r, wide_pulp, -0.3 * s.crown if trunk is None else 0.1) for r in roots.values()]
    if trunk is not None:
        deep_pulp = 0.5 * wide_pulp * s.depth
        pulp.append(_chamber(0.45 * half, deep_pulp, 0.35 * s.crown, 0.6 * roof, 0.1 * mesial))
    return ScannedTooth(
        number=number,
        mesial=mesial,
        origin=np.zeros(3),
        turn=np.eye(3),
        roots=roots,
        crown=_crown(rng, position, s, mesial, cat, max(0.9 * roof, 0.5)),
        pulp=pulp,
        enamel=(0.3 if cat else 0.55) * rng.uniform(0.8, 1.2) * (s.crown / 8) ** 0.3,
        depth=deep,
        height=s.crown,
        width=s.width,
        scallop=rng.uniform(0.1, 0.35) * (0.5 if cat else 1.0),
        trunk=trunk,
        roof=roof,
        fork=fork,
        gap=gap,
    )


def row_of_teeth(
    rng: np.random.Generator, view: str, quadrant: int, scale: float
) -> list[ScannedTooth]:
    """Set the teeth of a view along x; the view's middle lies near x = 0, CEJs near y = 0."""
    sizes, positions, _ = VIEWS[view]
    cat, incisors = sizes is CAT, view == "dog_incisors"
    middle = len(positions) // 2
    teeth, x = [], 0.0
    crowd = rng.uniform(0.5, 1.2) if rng.random() < 0.7 else rng.uniform(-0.1, 0.4)
    for k, position in enumerate(positions):
        mesial = (1 if k < middle else -1) if incisors else -1
        of = quadrant if not incisors else (4 if k < middle else 3)
        s = sizes[position]
        s = Size(
            s.width * scale * rng.uniform(0.95, 1.05),
            s.depth * scale * rng.uniform(0.95, 1.05),
            s.crown * scale * rng.uniform(0.9, 1.08),
            tuple(length * scale for length in s.lengths),
            s.share,
            s.gap * scale,
        )
        if incisors and position == 4:  # seen from in front, and not judged
            s = replace(s, width=s.depth, depth=s.width, gap=0.0)
        tooth = grow_tooth(rng, 100 * of + position, s, mesial, cat)
        x += s.width / 2
        away = k - (len(positions) - 1) / 2
        fan = rng.normal(0, 2.5) + (-2.2 * away if incisors else 0.0)
        lean = rng.normal(0, 2.0) + (0.0 if incisors else -3.0)
        sink = rng.normal(0, 0.25) * scale
        if incisors and position == 4:
            fan, lean, tooth.judged = -2.5 * away, rng.uniform(15, 25), False
        elif position == 4:
            # The lower canine's root runs back beneath the first premolars.
            fan, sink, lean = rng.uniform(22, 34), sink - 0.5 * scale, rng.normal(2, 2)
        tooth.turn = turned(fan, lean, rng.normal(0, 4.0))
        arch = 0.012 / scale * (away * 5 * scale) ** 2 if incisors else 0.0
        tooth.origin = np.array([x, sink + (0.02 * away**2 if incisors else 0), arch])
        teeth.append(tooth)
        gap = s.gap * (crowd if position != 4 else 1.0)
        spade = 0.45 * s.width if incisors and position != 4 else 0.0
        x += s.width / 2 + gap + spade
    shift = (teeth[0].origin[0] + teeth[-1].origin[0]) / 2
    for tooth in teeth:
        tooth.origin = tooth.origin - np.array([shift, 0.0, 0.0])
    return teeth
