"""What stands in a profile film: view, teeth, disease and the bone's two margins.

Mix of views, of disease and all spreads are our choice unless a source is named.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from .film_bone import Grid, Jaw, trabeculae
from .film_margins import margin_curves, margin_dome, margin_knots
from .film_teeth import Tooth, grown

# view: share, cat, upper jaw, rows of teeth that may be seen (numbers within the quadrant,
# mesial to distal; negative ones stand across the midline).
VIEWS = {
    "dog cheek": (0.42, False, False, ((6, 7, 8), (7, 8), (7, 8, 9), (8, 9), (9, 10), (5, 6, 7))),
    "cat cheek": (0.22, True, False, ((7, 8, 9), (8, 9), (7, 8))),
    "dog incisors": (0.12, False, False, ((-2, -1, 1, 2), (-1, 1, 2, 3), (1, 2, 3))),
    "dog canine": (0.07, False, False, ((3, 4, 5), (4, 5))),
    "cat canine": (0.06, True, False, ((3, 4),)),
    "dog upper": (0.11, False, True, ((5, 6, 7), (6, 7), (4, 5), (1, 2, 3))),
}
# Share of films by state; most films of a full-mouth series show little or no loss.
STATES = {"healthy": 0.40, "horizontal": 0.25, "vertical": 0.22, "advanced": 0.13}


@dataclass(frozen=True, slots=True)
class Scene:
    """One arrangement, in the jaw's axes; `sites` holds per tooth and side the traits."""

    view: str
    state: str
    cat: bool
    upper: bool
    teeth: list[Tooth]
    jaw: Jaw
    grid: Grid
    spurs: list[tuple[float, ...]]
    marked: list[bool]
    traits: dict[tuple[int, str, str], tuple[str, ...]]
    gum: float


def _drawn(rng: np.random.Generator, shares: dict[str, float]) -> str:
    names = list(shares)
    weights = np.array([shares[n] for n in names])
    return str(rng.choice(names, p=weights / weights.sum()))


def _row_of_teeth(rng: np.random.Generator, view: str) -> tuple[list[Tooth], list[bool], float]:
    _, cat, upper, rows = VIEWS[view]
    row = rows[int(rng.integers(len(rows)))]
    scale = float(rng.uniform(0.88, 1.1) if cat else np.exp(rng.uniform(np.log(0.5), np.log(1.1))))
    if upper and not cat:
        scale *= 1.05
    quadrant = (2 if upper else 3) if rng.random() < 0.5 else (1 if upper else 4)
    across = {1: 2, 2: 1, 3: 4, 4: 3}[quadrant]
    crowded = rng.random() < (0.35 if scale < 0.75 and not cat else 0.15)
    narrow = crowded or rng.random() < 0.25
    teeth: list[Tooth] = []
    edge = 0.0
    ends = [row[0] - 1 if row[0] > 1 else None, row[-1] + 1]
    for place, number in enumerate((ends[0], *row, ends[1])):
        table_ok = number is not None and (
            abs(number) in ((3, 4, 7, 8, 9) if cat else range(1, 11))
        )
        if (
            not table_ok
            or (place in (0, len(row) + 1) and rng.random() < 0.35)
            or (place == 0 and row[0] < 0)
        ):
            continue
        sense = -1 if number < 0 else 1
        tooth = grown(
            rng, 100 * (across if number < 0 else quadrant) + abs(number), cat, scale, sense
        )
        half = tooth.crown[0]
        wide = {1: 0.5, 2: 0.5, 3: 0.7, 4: 2.0, 5: 2.5, 6: 1.8, 7: 1.6, 8: 0.8, 9: 0.8, 10: 0.8}
        room = wide[abs(number)] * (0.5 if cat and abs(number) > 6 else 1) + 0.5
        gap = float(rng.uniform(0.7, 1.2) if narrow else room * scale * rng.uniform(0.8, 1.6) + 0.5)
        edge = edge + (gap if teeth else 0.0)
        tooth = replace(
            tooth,
            x=edge + half,
            y=float(rng.normal(0, 0.35 if crowded else 0.12)),
            z=float(rng.normal(0, 0.25)),
            tip=float(np.radians(rng.normal(0, 4.0))),
            turn=float(np.radians(rng.normal(0, 14.0 if crowded and half < 4 else 4.0))),
        )
        teeth.append(tooth)
        edge += 2 * half
    shown = [t.number % 100 in {abs(n) for n in row} for t in teeth]
    return teeth, shown, scale


def scene_drawn(seed: int) -> Scene:
    """Draw one arrangement; the same for the same seed."""
    rng = np.random.default_rng([seed, 7411])
    view = _drawn(rng, {name: v[0] for name, v in VIEWS.items()})
    state = _drawn(rng, STATES)
    _, cat, upper, _ = VIEWS[view]
    teeth, marked, scale = _row_of_teeth(rng, view)
    ligament = float(rng.uniform(0.12, 0.2) if cat else rng.uniform(0.15, 0.28))
    knots, traits = margin_knots(rng, teeth, state, cat, ligament)
    lo, hi = teeth[0].x - teeth[0].crown[0] - 6.5, teeth[-1].x + teeth[-1].crown[0] + 6.5
    axis, buccal, lingual = margin_curves(knots, lo - 8, hi + 8)
    deepest = max(t.z + r.length for t in teeth for r in t.roots)
    depth = max(t.crown[1] for t in teeth)
    half = depth + (
        float(rng.uniform(0.3, 0.6)) if cat else float(rng.uniform(0.5, 1.1)) * scale**0.5
    )
    spread = float(rng.uniform(0.2, 0.9)) * scale
    tall = max(t.crown[2] for t in teeth)
    pitch = 0.05 if cat else 0.055 + 0.02 * min(scale, 1.0)
    slab = float(np.clip(2 * (half + spread) / 40, 0.12, 0.25))
    bottom = deepest + float(rng.uniform(2.5, 9.0)) * (0.6 if cat else scale)
    bottom += 60.0 if upper or "cheek" not in view else 0.0  # no lower border in the other views
    grid = Grid(
        x=np.arange(lo, hi, pitch, dtype=np.float32),
        z=np.arange(-tall - 1.5, deepest + (4.0 if cat else 6.0), pitch, dtype=np.float32),
        y=np.arange(-half - spread, half + spread, slab, dtype=np.float32),
        pitch=pitch,
        slab=slab,
    )
    healthy = state == "healthy"
    cell = 0.16 if cat else 0.22
    cheek = "cheek" in view
    jaw = Jaw(
        knots=axis,
        buccal=buccal,
        lingual=lingual,
        half=half,
        spread=spread,
        ligament=ligament,
        lamina=float(rng.uniform(0.12, 0.3)),
        cortex=float(rng.uniform(0.25, 0.6)) * (0.6 if cat else 1.0),
        crest_cortex=float(rng.uniform(0.1, 0.3) if healthy else rng.uniform(-0.1, 0.2)),
        bevel=half * float(rng.uniform(0.15, 0.35)),
        trabecular=float(rng.uniform(0.45, 0.9)),
        texture=trabeculae(rng, grid, cell),
        cell=cell,
        dome=margin_dome(rng, axis, healthy) * (0.6 if cat else 1.0),
        lining=float(rng.uniform(0.35, 1.0)),
        border=float(rng.uniform(0.8, 1.8)) * (0.6 if cat else scale),
        bottom=bottom,
        canal=(
            -float(rng.uniform(3.0, 4.5)) * (0.6 if cat else scale),
            float(rng.uniform(0.6, 1.0)) * (0.6 if cat else scale) if cheek else 0.0,
        ),
    )
    spurs = []
    for tooth in teeth:
        if not healthy and rng.random() < 0.3:
            way = float(rng.choice([-1, 1]))
            x, y, z = tooth.placed(way * (tooth.crown[0] + 0.1), 0.0, float(rng.uniform(-0.8, 0.4)))
            spurs.append(
                (x, y, z, 0.45, float(rng.uniform(0.8, 1.5)), float(rng.uniform(0.4, 0.8)))
            )
    gum = float(rng.uniform(0.6, 1.8))
    return Scene(view, state, cat, upper, teeth, jaw, grid, spurs, marked, traits, gum)
