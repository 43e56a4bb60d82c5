"""Cross-sections of a jaw: two plates with their own margins, shell and marrow, along the row.

The section at column u is cut along the beam. Either half of it, toward the cheek or the
tongue, is an interval of z at each level, so that a section needs no raster. Shapes are this
generator's own choice, not clinical truth.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from .section_teeth import Root, Tooth

Array = NDArray[Any]


def wander(rng: np.random.Generator, u: Array, low: float, high: float, step: float) -> Array:
    """A smooth random function of u between two bounds, with a knot about every `step` mm."""
    count = max(int((u[-1] - u[0]) / step), 1) + 1
    middle = rng.uniform(low, high)
    change = rng.uniform(0, 0.5) * (high - low)
    values = np.clip(middle + rng.uniform(-1, 1, count + 1) * change, low, high)
    curve = PchipInterpolator(np.linspace(u[0], u[-1], count + 1), values)(u)
    smooth: Array = np.clip(curve, low, high)
    return smooth


@dataclass
class Half:
    """One half of every section: the plate toward the cheek (`way` 1) or the tongue (-1).

    `margin` is where the plate's edge is to be projected; all arrays have one value a column.
    """

    way: int
    kind: str
    margin: Array
    inner: Array
    wide: Array
    first: Array
    rise: Array
    peak: Array
    shell: Array
    cap: Array
    grow: float
    bottom: Array
    tilt: float
    density: float

    @property
    def top(self) -> Array:
        """The margin's level in its own section, before the oblique beam."""
        share = self.first / 2 + (1 - self.first) * self.peak
        z = self.way * self.wide * share + self.inner
        level: Array = self.margin + z * self.tilt
        return level

    def spans(self, y: Array, inset: bool = False, at: slice | None = None) -> tuple[Array, ...]:
        """Intervals (from, to, weight) of the plate, or with `inset` of the marrow in it."""
        cols = at or slice(None)
        fine = float(y[1] - y[0])
        below = y[:, None] - self.top[None, cols]
        first, rise, peak = self.first[cols], self.rise[cols], self.peak[cols]
        t = np.clip(below / rise, 0, 1)
        if self.kind == "flat":
            w = np.ones_like(below)
        elif self.kind == "round":
            w = first + (1 - first) * np.sqrt(1 - (1 - t) ** 2)
        elif self.kind == "bevel":
            w = first + (1 - first) * t
        elif self.kind == "step":
            w = np.where(t < 1, np.maximum(first, 0.6), 1.0)
        else:  # a lip: the plate is thickest at its edge
            w = 1 + 0.35 * first * np.exp(-below.clip(0) / rise)
        start = np.clip(1 - w, 0, None) * peak
        wide = self.wide[cols] * (1 + self.grow * below.clip(0))
        left = np.sqrt(np.clip((self.bottom[cols] - y[:, None]) / 2.5, 0, 1))  # lower border
        outer = wide * (start + w) * left
        weight = np.clip(below / fine + 0.5, 0, 1)
        if inset:
            cap = self.cap[cols]
            outer = outer - self.shell[cols] * (1 + 0.5 * (left < 0.9))
            weight = np.clip((below - cap) / fine + 0.5, 0, 1)
        one = np.minimum(wide * start, outer)
        base = self.inner[cols]
        if self.way > 0:
            return base + one, base + outer, weight
        return base - outer, base - one, weight


@dataclass
class Jaw:
    """Both halves and what they are made of."""

    halves: tuple[Half, Half]
    marrow: float
    dura: float
    dura_thick: float
    ligament: float


def margin_curve(
    rng: np.random.Generator, u: Array, teeth: list[Tooth], which: int, scale: float,
    beam: tuple[float, float], ligament: float,
) -> Array:  # fmt: skip
    """Projected level of one margin along the row: through every root side, free between."""
    edges = []
    for tooth in teeth:
        for root in tooth.roots:
            for k in (0, 1):
                v = root.levels[k][which]
                worst = max(root.levels[k])
                edges.append((root.outline(worst, k, *beam), v, 2 * k - 1, root.outer[k]))
    vertical = rng.choice([0.0, 0.2, 0.7])
    knots: list[tuple[float, float]] = []
    for i, (at, v, out, outer) in enumerate(edges):
        free = 3.0 * scale
        if 0 <= i + out < len(edges):
            free = abs(edges[i + out][0] - at)
        flat = min(ligament + 0.15, 0.35 * free)  # past the ligament space
        knots += [(at - out * 0.2, v), (at, v), (at + out * flat, v)]
        reach = scale * rng.uniform(0.3, 1.2)
        if flat + reach < 0.45 * free and outer:
            rise = rng.normal(0, 0.15) * scale
            if rng.random() < vertical:
                rise = -rng.uniform(0.3, 3.2) * scale
            knots.append((at + out * (flat + reach), v + rise))
        if out > 0 and free > 1.6 * scale and rng.random() < 0.4:  # a septum's peak or dish
            dish = rng.normal(0, 0.5) * scale
            knots.append((at + free * rng.uniform(0.45, 0.55), v + (dish if outer else abs(dish))))
    knots.sort()
    xs, ys = np.array(knots).T
    keep = np.append(True, np.diff(xs) > 1e-3)
    level = np.interp(u, xs[keep], ys[keep])
    slope = rng.normal(0, 0.15, 2)  # the ridge beyond the last teeth
    level = level + slope[0] * np.clip(xs[0] - u, 0, None) + slope[1] * np.clip(u - xs[-1], 0, None)
    wide = max(int(rng.choice([0.1, 0.3, 0.6]) * scale / float(u[1] - u[0])), 1)
    kernel = np.hanning(2 * wide + 3)
    padded = np.pad(level, wide + 1, mode="edge")
    smooth: Array = np.convolve(padded, kernel / kernel.sum(), mode="valid")
    rough = wander(rng, u, -1, 1, 0.35) * rng.choice([0.0, 0.03, 0.08]) * scale
    return smooth + rough


def dehiscence(
    rng: np.random.Generator, u: Array, margin: Array, root: Root, beam: tuple[float, float]
) -> None:
    """Lower one plate's margin over the face of a root, well inside its outline."""
    level = float(np.interp(root.x, u, margin))
    left, right = (root.outline(level, k, *beam) for k in (0, 1))
    s = (u - (left + right) / 2) / max(0.3 * (right - left), 0.1)
    deep = rng.uniform(0.1, 0.7) * max(root.end - level, 0.0)
    margin += deep * np.clip(1 - s**2, 0, None)


def draw_jaw(
    rng: np.random.Generator, u: Array, teeth: list[Tooth], scale: float, beam: tuple[float, float]
) -> Jaw:
    """Draw a jaw around the teeth; `beam` is (across, tilt), tangents of its obliquities."""
    deep = float(np.median([r.depth for t in teeth for r in t.roots]))
    span = max(deep * rng.uniform(1.1, 2.4), 1.3 * scale)  # roots nearly fill many jaws
    middle = wander(rng, u, -0.2, 0.2, 6) * span
    end = max(r.end for t in teeth for r in t.all_roots())
    bottom = end + wander(rng, u, 0.5, 6, 8) * scale if rng.random() < 0.3 else np.full_like(u, 99)
    ligament = (0.1 + 0.4 * rng.uniform(0, 1) ** 1.5) * min(scale, 1.0)
    halves = []
    for which, way in enumerate((1, -1)):
        margin = margin_curve(rng, u, teeth, which, scale, beam, ligament)
        for root in (r for t in teeth for r in t.roots):
            if rng.random() < 0.12:
                dehiscence(rng, u, margin, root, beam)
        half = Half(
            way=way,
            kind=str(rng.choice(["flat", "round", "bevel", "step", "lip"])),
            margin=margin,
            inner=middle,
            wide=np.maximum(wander(rng, u, 0.45, 1.2, 5) * span, 0.6 * scale),
            first=wander(rng, u, 0.15, 0.9, 4),
            rise=wander(rng, u, 0.1, 1.0, 4) * scale,
            peak=wander(rng, u, 0, 1, 5) ** rng.choice([0.05, 1, 20]),
            shell=wander(rng, u, 0.1, 1.1, 4) * scale,
            cap=wander(rng, u, 0.02, 0.7, 3) * scale * rng.choice([0.2, 1.0]),
            grow=rng.uniform(-0.01, 0.06) / scale,
            bottom=bottom,
            tilt=beam[1],
            density=rng.uniform(0.8, 1.2),
        )
        halves.append(half)
    return Jaw(
        halves=(halves[0], halves[1]),
        marrow=rng.uniform(0.15, 0.85),
        dura=rng.uniform(0, 1.3) * (rng.random() < 0.75),
        dura_thick=rng.uniform(0.08, 0.35),
        ligament=ligament,
    )
