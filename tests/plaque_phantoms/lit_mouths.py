"""Lit mouths (training only): stained mouths with relief, lamps, wet gloss and a real camera.

Anatomy (lit_crowns, lit_tissue), films (lit_films), spectra in 16 bands (lit_spectra), light
(lit_light, lit_photo) and camera (lit_camera) are each drawn anew per photo, wider than
believable. By someone who has not seen a patient's photo: a phantom, no clinical truth.

Density is that of generator D: what the dye on a tooth takes away of the light that leaves it, in
the camera's linear channel it takes most from, before gloss, lens and tones.
"""

from __future__ import annotations

import cv2
import numpy as np
from plaque_phantoms import lit_films, lit_tissue
from plaque_phantoms import lit_spectra as spectra
from plaque_phantoms.lit_crowns import clouds, crown, row_of_teeth, step
from plaque_phantoms.lit_photo import seen
from plaque_phantoms.three_channel import Scene

# A piece of tooth smaller than this is not outlined.
LEAST_PX = 150


def scene(seed, *, dye="one-tone", teeth=None, size=None, kinds=None, bare=None):
    """A photo and its truth.

    `teeth` and `size` (px across) are drawn if not given; `kinds` maps places in the row to kinds
    of film (`lit_films.KINDS`); `bare` leaves out all that could hide a tooth.
    """
    rng = np.random.default_rng([seed, 5209])
    odds = [0.04, 0.1, 0.2, 0.24, 0.2, 0.14, 0.08]
    teeth = teeth or int(rng.choice([1, 2, 3, 4, 5, 6, 8], p=odds))
    size = size or int(rng.integers(74, 124))
    bare = rng.random() < 0.3 if bare is None else bare
    places, shape = arranged(rng, row_of_teeth(rng, teeth, size), size)
    made = lit_tissue.canvas(rng, shape, size)
    line = lit_tissue.gum_line(rng, places, shape, size)
    look = lit_tissue.gum_of(rng)
    gum_dye = rng.choice([0, rng.uniform(0, 0.9)])
    mouth = Mouth(rng, size, dye)
    if not bare:
        behind(rng, made, places, size, mouth)
    lit_tissue.gum(rng, made, look, line, places, size, gum_dye, 0.12 * size)
    hundred = 100 * int(rng.integers(1, 5))
    names = [hundred + 1 + n for n in rng.permutation(10)[:teeth]]
    kinds_out, brown = {}, np.zeros(shape, np.float32)
    for number in rng.permutation(teeth):
        wanted = (kinds or {}).get(int(number))
        mouth.grow(made, places[number], line, names[number], wanted, brown, kinds_out)
    lit_tissue.gum(rng, made, look, line, places, size, gum_dye, 0)
    hair = np.zeros(shape, np.float32)
    if not bare:
        hair = before(rng, made, places, line, size)
    whole(made.regions)
    photo, density = seen(rng, made, size, hair)
    regions = made.regions
    age, brown = made.age * (regions > 0), brown * (regions > 0)
    turns = int(rng.integers(4))
    photo, regions, density, age, brown = (
        np.ascontiguousarray(np.rot90(a, turns)) for a in (photo, regions, density, age, brown)
    )
    side = ("up", "left", "down", "right")[turns]
    stained = (density > 0.15) & (regions > 0)
    older = stained & (age > 0.5)
    kinds_out = {t: k for t, k in kinds_out.items() if (regions == t).any()}
    extra = {"brown": brown, "age": age}
    return Scene(photo, regions, stained, older, kinds_out, dye, density, side, extra)


def whole(regions):
    """Of a tooth cut apart by what lies before it, keep the largest piece, if it is large."""
    for name in np.unique(regions[regions > 0]):
        left, top, wide, high = cv2.boundingRect((regions == name).astype(np.uint8))
        part = regions[top : top + high, left : left + wide]
        own = (part == name).astype(np.uint8)
        count, pieces, facts, _ = cv2.connectedComponentsWithStats(own, connectivity=4)
        largest = 1 + int(np.argmax(facts[1:count, cv2.CC_STAT_AREA]))
        if facts[largest, cv2.CC_STAT_AREA] < LEAST_PX:
            largest = count
        part[(own > 0) & (pieces != largest)] = 0


def arranged(rng, places, size):
    """The row set into a photo, along a curve; its teeth stand across it."""
    left, right = rng.uniform(0.05, 0.5, 2) * size
    slope, curve = rng.uniform(-0.15, 0.15), rng.uniform(-0.3, 0.3) / size / max(4, len(places))
    middle = places[-1].x / 2
    for place in places:
        away = place.x - middle
        place.y += slope * away + curve * away**2
        place.turn += 0.8 * np.arctan(slope + 2 * curve * away)
    top = min(p.y for p in places) - rng.uniform(0.25, 0.7) * size
    low = max(p.y + p.height for p in places) + rng.uniform(0.05, 0.45) * size
    first, last = places[0], places[-1]
    shift = left + first.half - first.x
    for place in places:
        place.x += shift
        place.y -= top
    return places, (int(low - top), int(last.x + last.half + right))


def behind(rng, made, places, size, mouth):
    """Teeth of the other jaw, tongue."""
    shape = made.what.shape
    if rng.random() < 0.2:
        flipped = made.upside_down()
        line = np.full(shape[1], rng.uniform(-0.1, 0.25) * size)
        others = row_of_teeth(rng, len(places), size * rng.uniform(0.6, 1.0))
        for place in others:
            place.x, place.y = place.x + rng.uniform(0, 0.6) * size, float(line[0])
            mouth.grow(flipped, place, line, 0, None, np.zeros(shape, np.float32), {})
        lit_tissue.gum(rng, flipped, lit_tissue.gum_of(rng), line, others, size, 0, 0)
        flipped.gy *= -1
        flipped.high -= np.float32(0.3 * size)
    if rng.random() < 0.3:
        edge = shape[0] * rng.uniform(0.4, 0.9) + 0.1 * size * clouds(rng, (3, shape[1]), size)[0]
        tongue = np.arange(shape[0])[:, None] > edge[None]
        lit_tissue.soft_part(rng, made, tongue, size, lip=False)


def before(rng, made, places, line, size):
    """Lips, tongue and gloves before the teeth; share of hair over all."""
    shape = made.what.shape
    yy = np.arange(shape[0])[:, None]
    hair = np.zeros(shape, np.float32)
    if rng.random() < 0.4:
        # The lip of the same jaw, held back over the gum or not quite.
        edge = line - size * rng.uniform(-0.25, 0.5)
        edge = edge + 0.08 * size * clouds(rng, (3, shape[1]), size)[0]
        lip = yy < edge[None]
        lit_tissue.soft_part(rng, made, lip, size, lip=True)
        if rng.random() < 0.6:
            hair = lit_tissue.hairs(rng, shape, lip, size)
    if rng.random() < 0.25:
        tips = max(p.y + p.height for p in places)
        edge = tips - size * rng.uniform(-0.2, 0.35)
        edge = edge + 0.08 * size * clouds(rng, (3, shape[1]), size)[0]
        other = yy > edge[None]
        lip = rng.random() < 0.6
        lit_tissue.soft_part(rng, made, other, size, lip=lip)
        if lip and rng.random() < 0.5:
            hair = np.maximum(hair, lit_tissue.hairs(rng, shape, other, size))
    if rng.random() < 0.2:
        lit_tissue.foreign(rng, made, size)
    return hair


class Mouth:
    """What the teeth of one mouth have in common."""

    def __init__(self, rng, size, dye):
        self.rng, self.size, self.dye = rng, size, dye
        self.enamel = spectra.enamel(rng)
        self.dentine = rng.uniform(0.1, 0.5)
        self.yellow = rng.choice([0.03, rng.uniform(0, 0.3)])
        self.odds, self.base = lit_films.habit(rng)
        self.tartar = rng.uniform(0, 0.8) * rng.choice([0, 1])
        self.massing = rng.uniform(0, 0.5)

    def grow(self, made, place, line, name, wanted, brown, kinds):
        """Put one crown on the canvas, with its stains and film."""
        rng, size = self.rng, self.size
        one = crown(rng, place, made.what.shape, size)
        if one is None:
            return
        box, inside = one.box, one.inside
        rows, cols = np.arange(box[0].start, box[0].stop), box[1]
        away = (rows[:, None] - line[None, cols]) / place.height
        away = away.astype(np.float32)
        drawn = str(rng.choice(lit_films.KINDS, p=self.odds))
        kind = str(wanted or drawn)
        crust, rise = np.zeros_like(away), np.zeros_like(away)
        if rng.random() < self.tartar:
            crust, rise = lit_films.deposit(rng, one, away, size)
        film = lit_films.amount(rng, kind, one, away, self.base, size, crust)
        tone = rng.uniform(0.88, 1.1) * (1 + rng.uniform(0.003, 0.03) * clouds(rng, away.shape, 6))
        tone = tone + self.mottled(away)
        # Thick plaque and calculus are dull and milky themselves, dyed or not.
        tone = tone * (1 + rng.uniform(-0.05, 0.08) * np.minimum(film, 1))
        own = self.enamel * np.repeat(rng.normal(1, 0.012, 4), 4)
        level = np.float32(size * rng.uniform(-0.06, 0.06))
        made.put(box, inside, own, tone, (one.relief + rise + level).astype(np.float32))
        stains = self.stained(one, away, crust)
        made.stains[box][inside] = stains[inside]
        made.age[box][inside] = 0
        if self.dye == "two-tone":
            made.age[box][inside] = lit_films.ages(rng, one, away, size, crust)[inside]
        old = film * made.age[box]
        new = film - old
        massed = new * np.clip(self.massing * new, 0, 0.7)
        made.dye[box][inside] = np.stack([new - massed, massed, old], -1)[inside]
        brown[box][inside] = crust[inside]
        made.regions[box][inside] = name
        if name:
            kinds[name] = kind

    def mottled(self, away):
        """Chalky spots, a line of arrested growth, a crack."""
        rng, here, out = self.rng, away.shape, np.zeros_like(away)
        if rng.random() < 0.2:
            spots = step(clouds(rng, here, self.size / rng.uniform(3, 9)) - 1.3, 0.2)
            out = out + rng.uniform(-0.06, 0.18) * spots
        if rng.random() < 0.15:
            band = np.exp(-(((away - rng.uniform(0.1, 0.8)) / rng.uniform(0.02, 0.1)) ** 2))
            out = out + rng.uniform(-0.08, 0.12) * band
        if rng.random() < 0.15:
            crack = np.exp(-((clouds(rng, here, self.size) / rng.uniform(0.015, 0.04)) ** 2))
            out = out - rng.uniform(0.02, 0.25) * crack
        return out

    def stained(self, one, away, crust):
        """Yellow, brown, clear tip, blood and odd stains of a crown."""
        rng, here, size = self.rng, away.shape, self.size
        out = np.zeros((*here, 6), np.float32)
        neck = np.clip(1 - away, 0, 1) ** rng.uniform(1, 4)
        root = step(rng.uniform(-0.3, 0.15) - away, 0.02) * rng.uniform(0.1, 0.4)
        yellow = self.yellow * rng.uniform(0.6, 1.4) + self.dentine * neck * rng.uniform(0, 1)
        yellow = yellow + one.worn * rng.uniform(0.1, 0.5) + root * rng.choice([0, 0, 1])
        out[..., spectra.YELLOW] = yellow
        core = one.worn * rng.choice([0, rng.uniform(0, 0.4)])
        grooves = rng.choice([0, rng.uniform(0, 0.4)]) * one.groove
        out[..., spectra.BROWN] = crust + core + grooves
        out[..., spectra.CLEAR] = rng.uniform(0, 0.14) * np.clip(away - 0.6, 0, 1) / 0.4
        if rng.random() < 0.15:
            out[..., spectra.BLOOD] = rng.uniform(0, 0.4) * np.exp(-np.maximum(away, 0) / 0.05)
        if rng.random() < 0.15:
            odd = step(clouds(rng, here, size / rng.uniform(2, 8)) - rng.uniform(0, 1.5), 0.1)
            odd = odd * (1 - 0.7 * np.clip(away, 0, 1))
            out[..., spectra.CHROMOGEN] = rng.uniform(0.03, 0.25) * odd
        return out
