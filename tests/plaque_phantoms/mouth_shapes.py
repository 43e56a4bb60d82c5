"""Crowns, gum line, relief and biofilm of the glazed mouths, with the gum at the top.

Coordinates are pixels; `size` is the height of an ordinary crown. Shapes and shares are our
choice. The biofilm's thickness is a rectified sum of nearness to the gum margin and of a random
field of several scales (patchy, thickest at the gum), so that films thin out to nothing at their
edges; nothing in it looks at the density at which a pixel counts as stained.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from .mouth_optics import Array

KINDS = ("clean", "margin", "patchy", "all")
# Lead, fall with distance from the gum and weight of the random field, per kind.
FILM = {"margin": (1.0, 3.2, 0.75), "patchy": (-0.1, 0.9, 1.0), "all": (2.0, 0.5, 0.6)}
# Upper left to right around the midline, so that neighbours look like neighbours: width and
# height in crown sizes, and cusps as (place, height).
FORMS = {
    1: (0.45, 0.62, ((-0.5, 0.82), (0.0, 1.0), (0.5, 0.8))),
    2: (0.5, 0.7, ((-0.5, 0.8), (0.0, 1.0), (0.5, 0.78))),
    3: (0.6, 0.9, ((0.1, 1.0),)),
    4: (0.8, 1.45, ((0.15, 1.0),)),
    5: (0.55, 0.5, ((0.0, 1.0),)),
    6: (0.9, 0.75, ((-0.05, 1.0), (0.65, 0.5))),
    7: (1.0, 0.85, ((-0.05, 1.0), (0.65, 0.5))),
    8: (1.25, 1.05, ((-0.1, 1.0), (0.55, 0.72))),
    9: (1.3, 0.95, ((-0.5, 0.7), (-0.05, 1.0), (0.6, 0.5))),
}


@dataclass(frozen=True, slots=True)
class Mouth:
    """Geometry: tooth numbers (0 elsewhere), relief in px, distances from gum and tooth edge."""

    regions: NDArray[np.uint16]
    numbers: tuple[int, ...]
    height: Array
    from_gum: Array  # in crown sizes, 0 at the gum margin
    from_edge: Array  # likewise, from the outline beside neighbours and the mouth
    gum: NDArray[np.bool_]
    tip: Array  # 0 at the gum, 1 at the tip


def field(rng: np.random.Generator, shape: tuple[int, int], scale: float) -> Array:
    """Smooth random field of unit spread, features about `scale` px wide."""
    step = max(int(scale / 2.5), 1)
    small = rng.normal(size=(shape[0] // step + 8, shape[1] // step + 8))
    small = ndimage.gaussian_filter(small, scale / step / 2)
    grown = ndimage.zoom(small, step, order=1)[: shape[0], : shape[1]] if step > 1 else small
    grown = grown[: shape[0], : shape[1]]
    return ((grown - grown.mean()) / (grown.std() + 1e-9)).astype(np.float32)


def numbers_drawn(rng: np.random.Generator, teeth: int) -> list[int]:
    """Triadan numbers of neighbours, from left to right of the photo."""
    quadrant = int(rng.choice([1, 2, 3, 4]))
    across = {1: 2, 2: 1, 3: 4, 4: 3}[quadrant]
    row = [100 * across + n for n in range(9, 0, -1)] + [100 * quadrant + n for n in range(1, 10)]
    teeth = min(teeth, len(row))
    # Cheeks are photographed more often than fronts.
    start = int(rng.integers(0, len(row) - teeth + 1))
    if rng.random() < 0.6:
        start = int(rng.choice([0, len(row) - teeth]))
    return row[start : start + teeth]


def _crown(number: int, u: Array, v: Array, lean: float, bumps: Array) -> tuple[Array, Array]:
    """Level (1 on the outline) and relief share of a crown; u across (-1, 1), v 0 to 1."""
    _, _, cusps = FORMS[number % 100]
    u = u - lean * np.clip(v, 0, 1.3) ** 1.5
    kind = number % 100
    steep, blunt = (0.45, 0.02) if kind == 4 else (0.4, 0.05) if kind < 4 else (0.75, 0.012)
    tall = [h - steep * (np.sqrt((u - c) ** 2 + blunt) - np.sqrt(blunt)) for c, h in cusps]
    top = np.maximum(np.maximum.reduce(tall), 0.3)
    wide = 0.93 + 0.25 * np.clip(v, 0, 1) * (1 - np.clip(v, 0, 1)) - 0.1 * np.clip(v, 0, 1)
    if number % 100 == 4:
        wide = wide * (1 - 0.5 * np.clip(v, 0, 1))
    level = np.abs(u / wide) ** 3 + np.clip(v / top, 0, 4) ** 3.5
    ridge = 0.06 * np.cos(5 * u) * np.clip(1 - v, 0, 1)
    relief = np.sqrt(np.clip(1 - level**0.8, 0, 1)) * (1 + ridge + 0.02 * bumps)
    return level, relief * (1 - 0.35 * np.clip(v, 0, 1))


def mouth(rng: np.random.Generator, teeth: int, size: int) -> Mouth:
    """Set teeth in a row, draw the gum margin over them, and work out distances."""
    numbers = numbers_drawn(rng, teeth)
    spans = [FORMS[n % 100][0] * size * float(np.exp(rng.normal(0, 0.06))) for n in numbers]
    crowds = rng.choice([-0.1, -0.03, 0.03, 0.12], p=[0.1, 0.3, 0.35, 0.25], size=len(numbers))
    gaps = [float(c) * size for c in crowds]
    margin = 0.3 * size
    width = int(sum(spans) + sum(gaps) + 2 * margin)
    tallest = max(FORMS[n % 100][1] for n in numbers)
    arch = float(rng.normal(0, 0.12)) * size
    sway = arch * np.linspace(-1, 1, width) ** 2
    shape = (int(size * (0.75 + tallest + 0.35) + 2 * abs(arch)), width)
    rows, cols = np.indices(shape, dtype=np.float32)
    bumps = field(rng, shape, 0.2 * size)
    level0 = abs(arch) - 0.5 * arch + 0.5 * size
    neck_line = sway + level0 + 0.05 * size + 0.03 * size * field(rng, (1, width), 0.8 * size)[0]
    regions = np.zeros(shape, dtype=np.uint16)
    height = np.zeros(shape, dtype=np.float32)
    tip = np.zeros(shape, dtype=np.float32)
    scallop = np.zeros(width, dtype=np.float32)
    left = margin
    for number, span, gap in zip(numbers, spans, gaps, strict=True):
        middle = left + span / 2
        tall = FORMS[number % 100][1] * size * float(np.exp(rng.normal(0, 0.05)))
        away = 1.0 if number // 100 in (1, 4) else -1.0
        u = (cols - middle) / (span / 2) * away
        base = (
            level0 + float(np.interp(middle, np.arange(width), sway)) + rng.normal(0, 0.03) * size
        )
        v = (rows - base) / tall
        back = 0.25 if number % 100 == 4 else 0.05
        level, relief = _crown(number, u, v, float(rng.normal(back, 0.06)), bumps)
        inside = (level < 1) & (rows > base - 0.3 * size)
        relief = relief * span * 0.35 + float(rng.normal(0, 0.04)) * size + 0.05 * size
        front = inside & ((relief > height) | (regions == 0))
        regions[front], height[front] = number, relief[front]
        tip[front] = np.clip(v, 0, 1)[front]
        x = np.abs(cols[0] - middle) / (span / 2)
        # The margin rises over each crown's middle and dips into papillae between.
        rise = 0.2 * min(size, span) * np.sqrt(np.clip(1 - x**2, 0, 1))
        scallop = np.maximum(scallop, rise)
        left += span + gap
    loss = float(rng.choice([0.0, 0.08, 0.2], p=[0.6, 0.25, 0.15])) * size
    line = neck_line + 0.16 * size - scallop - loss
    line = ndimage.gaussian_filter1d(line, 0.035 * size)
    gum = rows < line[None, :]
    regions[gum] = 0
    tip[gum] = 0
    swell = np.clip((line[None, :] - rows) / (0.16 * size), 0, 1)
    thick = 0.3 * size * np.sqrt(np.clip(swell, 0, 1)) * (0.7 + 0.1 * bumps)
    height = np.where(gum, 0.35 * ndimage.gaussian_filter(height, 0.06 * size) + thick, height)
    from_gum = np.clip(rows - line[None, :], 0, None) / size
    edge = np.zeros(shape, dtype=np.float32)
    for number in numbers:
        own = regions == number
        edge = np.where(own, ndimage.distance_transform_edt(own | gum) / size, edge)
    kept = tuple(n for n in numbers if (regions == n).sum() > 60)
    return Mouth(regions, kept, height, from_gum.astype(np.float32), edge, gum, tip)


def kinds_drawn(
    rng: np.random.Generator, numbers: tuple[int, ...], case: str, given: dict[int, str] | None
) -> dict[int, str]:
    """How each tooth is covered; `given` by place in the row or by tooth number goes first."""
    shares = {"mixed": (0.2, 0.42, 0.28, 0.1), "tartar": (0.1, 0.45, 0.3, 0.15)}
    kinds = {}
    for place, number in enumerate(numbers):
        kind = str(rng.choice(KINDS, p=shares[case])) if case in shares else case
        kinds[number] = (given or {}).get(number, (given or {}).get(place, kind))
    return kinds


def biofilm(
    rng: np.random.Generator, place: Mouth, kinds: dict[int, str], size: int
) -> tuple[Array, Array]:
    """Thickness of the film (1 is ordinary, 0 none) and its ripeness, both per pixel."""
    shape = place.regions.shape
    broad, middle, fine = (field(rng, shape, s * size) for s in (0.35, 0.13, 0.045))
    patches = 0.65 * broad + 0.55 * middle + 0.3 * fine
    sheltered = np.minimum(place.from_gum, 0.25 + 2.5 * place.from_edge)
    thick = np.zeros(shape, dtype=np.float32)
    for number, kind in kinds.items():
        if kind == "clean":
            continue
        lead, fall, weight = FILM[kind]
        lead = lead + float(rng.normal(0, 0.25))
        excess = np.clip(lead - fall * sheltered / 0.6 + weight * patches, 0, None)
        amount = excess**0.8 * float(np.exp(rng.normal(0, 0.25)))
        thick = np.where(place.regions == number, amount, thick)
    thick *= np.exp(0.15 * field(rng, shape, max(0.02 * size, 1.5)))
    body = ndimage.gaussian_filter(thick, 0.03 * size)
    ripe = 1 / (1 + np.exp(-(2.2 * (body - 0.9) - 3.0 * (sheltered - 0.25) + 1.2 * broad) * 1.5))
    return thick.astype(np.float32), ripe.astype(np.float32)


def tartar_crust(
    rng: np.random.Generator, place: Mouth, share: float, size: int, heavy: bool
) -> Array:
    """Amount of tartar, 0 to 1: crusts that start at the gum margin of some teeth."""
    shape = place.regions.shape
    crust = 0.8 * field(rng, shape, 0.3 * size) + 0.5 * field(rng, shape, 0.08 * size)
    out = np.zeros(shape, dtype=np.float32)
    for number in place.numbers:
        if rng.random() >= (0.85 if heavy else share):
            continue
        lead = float(rng.uniform(0.2, 1.2) if heavy else rng.uniform(-0.2, 0.7))
        amount = np.clip((lead - place.from_gum / 0.3 + 0.5 * crust) * 1.6, 0, 1)
        out = np.where(place.regions == number, amount, out)
    return out
