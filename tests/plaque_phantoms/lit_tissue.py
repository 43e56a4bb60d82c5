"""What lies around the crowns of the lit mouths (training only): gum, tongue, lips, gloves."""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from plaque_phantoms import lit_spectra as spectra
from plaque_phantoms.lit_crowns import blur, clouds, step

# Slopes beyond this are walls; they only cost the lamps their way.
STEEPEST = 2.5


@dataclass
class Canvas:
    """Planes over the photo: surfaces, their relief and slopes, stains and dye in or on them.

    `what` is a row of `table`, base spectra; `stains` and `dye` are as `lit_spectra` numbers them.
    """

    what: np.ndarray
    tone: np.ndarray
    high: np.ndarray
    gx: np.ndarray
    gy: np.ndarray
    stains: np.ndarray
    dye: np.ndarray
    age: np.ndarray
    regions: np.ndarray
    table: list = field(default_factory=list)

    def base(self, spectrum):
        self.table.append(spectrum)
        return len(self.table) - 1

    def put(self, box, inside, spectrum, tone, high):
        """Cover what is there; slopes by the relief `high`, px."""
        self.what[box][inside] = self.base(spectrum)
        gy, gx = np.gradient(high)
        for plane, value in (
            (self.tone, np.asarray(tone, np.float32)),
            (self.high, high),
            (self.gx, np.clip(gx, -STEEPEST, STEEPEST)),
            (self.gy, np.clip(gy, -STEEPEST, STEEPEST)),
        ):
            np.copyto(plane[box], value, where=inside, casting="same_kind")
        np.copyto(self.regions[box], 0, where=inside)
        np.copyto(self.age[box], 0, where=inside)
        bare = (~inside).astype(np.float32)[..., None]
        self.stains[box] *= bare
        self.dye[box] *= bare

    def upside_down(self):
        planes = (self.what, self.tone, self.high, self.gx, self.gy, self.stains, self.dye)
        rest = (self.age, self.regions)
        return Canvas(*(p[::-1] for p in planes + rest), self.table)


def canvas(rng, shape, size):
    """The dark of the mouth."""

    def plane(*more):
        return np.zeros((*shape, *more), np.float32)

    planes = [plane() for _ in range(4)]
    made = Canvas(
        np.zeros(shape, np.uint8), *planes, plane(6), plane(3), plane(), np.zeros(shape, np.uint16)
    )
    tone = np.exp(rng.uniform(np.log(0.01), np.log(0.5))) * (1 + 0.3 * clouds(rng, shape, size))
    flesh = spectra.flesh(rng) if rng.random() < 0.85 else spectra.object_colour(rng)
    deep = -rng.uniform(0.3, 0.9) * size + 0.05 * size * clouds(rng, shape, size / 2)
    made.put(np.s_[:, :], np.ones(shape, bool), flesh, np.maximum(tone, 0.004), deep)
    made.stains[..., spectra.BLOOD] = rng.uniform(0.1, 0.7)
    return made


def gum_line(rng, places, shape, size):
    """Row where the gum ends, per column: arches over the crowns, papillae between them."""
    at, rows = [], []
    papilla = rng.uniform(0.0, 0.28) * min(size, min(p.height for p in places))
    for place in places:
        back = place.y + rng.normal(0, 0.05) * size
        at += [place.x - place.half, place.x, place.x + place.half]
        point = papilla * rng.uniform(0.5, 1.2, 2)
        rows += [back + point[0], back, back + point[1]]
    order = np.argsort(at)
    smooth = np.interp(np.arange(shape[1]), np.array(at)[order], np.array(rows)[order])
    smooth = blur(smooth[None].astype(np.float32), 0.05 * size)[0]
    wander = rng.uniform(0, 0.02) * clouds(rng, (3, shape[1]), size / 6)[0]
    return smooth + size * (wander + rng.uniform(0, 0.02) * clouds(rng, (3, shape[1]), size)[0])


@dataclass
class Gum:
    """How the gum of one mouth looks."""

    spectrum: np.ndarray
    blood: float
    swollen: float
    reach: float
    pigment: float
    thick: float
    roll: float
    stipple: float


def gum_of(rng):
    return Gum(
        spectra.flesh(rng),
        rng.uniform(0.08, 0.75),
        rng.choice([0, rng.uniform(0, 1.0)]),
        rng.uniform(0.04, 0.35),
        rng.choice([0, 0, rng.uniform(0.3, 2.5)]),
        rng.uniform(0.02, 0.16),
        rng.uniform(0.02, 0.12),
        rng.choice([0, rng.uniform(0.1, 0.7)]),
    )


def gum(rng, made, look, line, places, size, dye, below):
    """Gum down to `line`; before the crowns it goes on behind them, `below` px farther."""
    rows = int(np.clip(line.max() + below + 2, 3, made.what.shape[0]))
    shape = rows, made.what.shape[1]
    yy = np.arange(rows, dtype=np.float32)[:, None]
    away = line[None].astype(np.float32) + np.float32(below) - yy
    inside = away > 0
    depth = np.maximum(away, 0)
    high = look.thick * size * (1 - np.exp(-depth / (look.roll * size)))
    for place in places:
        bulge = np.exp(-(((np.arange(shape[1]) - place.x) / (0.8 * place.half)) ** 2))
        high = high + 0.06 * size * bulge[None].astype(np.float32) * np.minimum(depth / size, 1)
    high = high + 0.02 * size * clouds(rng, shape, size / 3) + 0.2 * clouds(rng, shape, 8)
    high = high + look.stipple * clouds(rng, shape, rng.uniform(3, 7)) * (depth > 0.1 * size)
    tone = np.clip(1 + 0.05 * clouds(rng, shape, size / 4) + 0.04 * clouds(rng, shape, 6), 0.3, 1.4)
    box = np.s_[:rows]
    made.put(box, inside, look.spectrum, tone, (high - 0.05 * size * (below > 0)))
    blood = look.blood * (1 + 0.2 * clouds(rng, shape, size / 3))
    blood = blood + look.swollen * np.exp(-depth / (look.reach * size))
    np.copyto(
        made.stains[box][..., spectra.BLOOD], np.maximum(blood, 0.02), "same_kind", where=inside
    )
    if look.pigment:
        dark = step(clouds(rng, shape, size / rng.uniform(0.8, 3)) - rng.uniform(-1, 1.2), 0.15)
        np.copyto(
            made.stains[box][..., spectra.MELANIN], look.pigment * dark, "same_kind", where=inside
        )
    if dye > 0:
        taken = dye * np.maximum(clouds(rng, shape, size / 3) + rng.uniform(-0.5, 1), 0)
        pool = np.exp(-depth / (rng.uniform(0.01, 0.08) * size)) * rng.uniform(0, 2) * dye
        np.copyto(made.dye[box][..., spectra.NEWER], taken + pool, "same_kind", where=inside)


def soft_part(rng, made, inside, size, *, lip):
    """Tongue, cheek or lip over a mask of the whole photo."""
    shape = inside.shape
    depth = cv2.distanceTransform(inside.astype(np.uint8), cv2.DIST_L2, 3)
    high = rng.uniform(0.1, 0.4) * size * (1 - np.exp(-depth / (rng.uniform(0.1, 0.4) * size)))
    high = high + 0.03 * size * clouds(rng, shape, size / 2)
    high = high + rng.uniform(0, 0.6) * clouds(rng, shape, rng.uniform(3, 7)) + 0.1 * size * lip
    tone = np.clip(rng.uniform(0.4, 1.1) * (1 + 0.08 * clouds(rng, shape, 7)), 0.05, 1.5)
    made.put(np.s_[:, :], inside, spectra.flesh(rng), tone, high.astype(np.float32))
    made.stains[inside, spectra.BLOOD] = rng.uniform(0.05, 0.7)
    if lip and rng.random() < 0.6:
        made.stains[inside, spectra.MELANIN] = rng.uniform(0.2, 2.5)
    elif rng.random() < 0.2:
        spots = step(clouds(rng, shape, size / 2) - 0.8, 0.2) * rng.uniform(0.3, 2)
        made.stains[inside, spectra.MELANIN] = spots[inside]
    if rng.random() < 0.3:
        taken = rng.uniform(0, 0.6) * np.maximum(clouds(rng, shape, size / 2), 0)
        made.dye[inside, spectra.NEWER] = taken[inside]


def foreign(rng, made, size):
    """A finger of a glove or the edge of an instrument, from beyond the photo."""
    rows, cols = made.what.shape
    mask = np.zeros((rows, cols), np.uint8)
    side = rng.random()
    tip = np.array([rng.uniform(0.05, 0.95) * cols, rng.uniform(0.55, 1.1) * rows])
    if side < 0.3:
        tip[0] = rng.choice([rng.uniform(0, 0.12), rng.uniform(0.88, 1)]) * cols
        tip[1] = rng.uniform(0.1, 0.9) * rows
    far = tip + np.array([rng.uniform(-1, 1), 1.0]) * rows
    if side < 0.3:
        far = tip + np.array([(1 if tip[0] > cols / 2 else -1) * rows, rng.uniform(-1, 1) * rows])
    thick = int(size * rng.choice([rng.uniform(0.03, 0.08), rng.uniform(0.25, 0.6)])) + 1
    cv2.line(mask, tuple(int(x) for x in tip), tuple(int(x) for x in far), 1, thick, cv2.LINE_8)
    inside = mask > 0
    if not inside.any():
        return
    depth = cv2.distanceTransform(mask, cv2.DIST_L2, 3)
    high = rng.uniform(0.5, 1.2) * np.sqrt(np.maximum(depth * (thick - depth), 0)) + 0.1 * size
    high = high + rng.uniform(0, 0.8) * clouds(rng, mask.shape, (size / 4, size / 8))
    made.put(np.s_[:, :], inside, spectra.object_colour(rng), 1.0, high.astype(np.float32))


def hairs(rng, shape, inside, size):
    """Share of hair per pixel; most of it on the lip, a few astray."""
    out = np.zeros(shape, np.uint8)
    at = np.argwhere(inside)
    if not len(at):
        return out.astype(np.float32)
    way = rng.uniform(0, 6.3)
    for _ in range(int(rng.integers(15, 220))):
        row, col = at[rng.integers(len(at))]
        turn, long = way + rng.normal(0, 0.25), size * rng.uniform(0.05, 0.45)
        curl = rng.normal(0, 0.25)
        t = np.linspace(0, 1, 5)
        x = col + long * t * np.cos(turn + curl * t)
        y = row + long * t * np.sin(turn + curl * t)
        line = np.round(8 * np.stack([x, y], 1)).astype(np.int32)
        cv2.polylines(out, [line], False, int(rng.integers(90, 255)), 1, cv2.LINE_AA, 3)
    return out.astype(np.float32) / 255
