"""What glazed mouths are made of: reflectance of enamel, tartar, dyed film, gum and surroundings.

Amounts of blood, pigment, tartar and residual dye are our choice; spectra as in mouth_optics.py.
"""

from __future__ import annotations

import cv2
import numpy as np
from scipy import ndimage

from .mouth_optics import NM, Array, bell, enamel, haemoglobin
from .mouth_shapes import Mouth, field


def under_film(clean: Array, thick: Array, absorbance: Array, strength: float) -> Array:
    """Reflectance under a dyed film (n, bands): light crosses it twice; it scatters a little."""
    crossed = clean * 10 ** (-strength * thick[:, None] * absorbance)
    veil = 1 - np.exp(-0.12 * thick[:, None])
    own = 0.3 * 10 ** (-0.9 * strength * absorbance)
    return ((1 - veil) * crossed + veil * own).astype(np.float32)


def clean_teeth(rng: np.random.Generator, place: Mouth, brown: Array, size: int) -> Array:
    """Reflectance of clean teeth and their tartar, at the pixels of the regions (n, bands)."""
    on = place.regions > 0
    out = np.zeros((int(on.sum()), len(NM)), dtype=np.float32)
    numbers, tip = place.regions[on], place.tip[on][:, None]
    shade = float(rng.uniform(0.05, 0.7))
    mottle = field(rng, on.shape, 0.25 * size)[on][:, None]
    neck = np.exp(-place.from_gum[on][:, None] / 0.12)
    for number in place.numbers:
        own = numbers == number
        base = enamel(rng, float(np.clip(shade + rng.normal(0, 0.1), 0, 1)), 0.0)
        edge = enamel(rng, 0.2, -0.35) * 0.78
        see_through = 0.5 * np.clip(tip[own] - 0.6, 0, 1) / 0.4
        body = base * (1 - see_through) + edge * see_through
        yellow = np.exp(-0.22 * neck[own] * np.exp(-(NM - 400) / 120))
        out[own] = body * yellow * (1 + 0.035 * mottle[own])
    stone = 0.1 + 0.42 / (1 + np.exp(-(NM - 600) / 48))
    stone = stone * float(rng.uniform(0.7, 1.25))
    grain = np.exp(0.12 * field(rng, on.shape, 0.04 * size)[on][:, None])
    amount = np.clip(brown[on][:, None], 0, 1)
    return (out * (1 - amount) + stone * grain * amount).astype(np.float32)


def _vessels(rng: np.random.Generator, shape: tuple[int, int], size: int) -> Array:
    """Fine branching vessels as a map of extra blood, 0 to 1."""
    map_ = np.zeros(shape, dtype=np.float32)
    for _ in range(int(rng.integers(4, 14) * shape[1] / 400) + 1):
        at = np.array([rng.uniform(0, 0.5 * size), rng.uniform(0, shape[1])])
        angle, path = rng.uniform(0, np.pi), []
        for _ in range(int(rng.integers(20, 70))):
            angle += rng.normal(0, 0.25)
            at = at + 0.02 * size * np.array([np.sin(angle), np.cos(angle)])
            path.append(at[::-1].copy())
        points = np.round(np.array(path) * 8).astype(np.int32)
        cv2.polylines(map_, [points], False, float(rng.uniform(0.3, 1)), 1, cv2.LINE_AA, 3)
    return ndimage.gaussian_filter(map_, 0.008 * size)


def surroundings(
    rng: np.random.Generator, place: Mouth, size: int, stain: tuple[Array, float]
) -> Array:
    """Reflectance of gum and of what lies behind the teeth, at all pixels outside the regions."""
    off = place.regions == 0
    shape = off.shape
    gum, mark = place.gum[off], field(rng, shape, 0.4 * size)[off]
    near = ndimage.distance_transform_edt(place.regions == 0)[off] / size
    sore = float(rng.choice([0.1, 0.5, 1.0], p=[0.5, 0.3, 0.2]))
    blood = float(rng.uniform(0.75, 1.15)) + 0.1 * mark + 0.8 * _vessels(rng, shape, size)[off]
    blood = blood + sore * 0.7 * np.exp(-near / 0.1)
    tissue = 0.6 - 0.12 * np.exp(-(NM - 400) / 150)
    reds = tissue * np.exp(-np.clip(blood, 0.05, 3)[:, None] * haemoglobin(rng.uniform(0.6, 0.95)))
    pigment = (
        np.clip(field(rng, shape, 0.6 * size)[off] - 0.4, 0, 1) if rng.random() < 0.3 else 0 * mark
    )
    reds = reds * np.exp(-1.6 * pigment[:, None] * (NM / 500) ** -2.5)
    splash = np.clip(field(rng, shape, 0.3 * size)[off] * 0.12 + rng.uniform(0, 0.15), 0, 0.5)
    reds = reds * 10 ** (-splash[:, None] * stain[0] * stain[1])
    what = str(rng.choice(["cavity", "tongue", "gauze", "lip"], p=[0.4, 0.25, 0.15, 0.2]))
    wave = 0.03 * field(rng, shape, 0.5 * size)[off]
    if what == "cavity":
        behind = np.full(len(NM), 0.05) + 0.06 * (NM > 590)
    elif what == "gauze":
        behind = np.full(len(NM), 0.5) + 0.05 * bell(450, 40)
    else:
        thick = 0.7 if what == "tongue" else 1.1
        behind = 0.75 * tissue * np.exp(-thick * haemoglobin(0.75))
    weave = 1 + 0.12 * np.sin(np.arange(shape[1]) * 1.1)[None, :] * np.ones((shape[0], 1))
    rest = behind * np.clip(1 + 4 * wave, 0.3, 2)[:, None]
    rest = rest * weave[off][:, None] if what == "gauze" else rest
    return np.where(gum[:, None], reds, rest).astype(np.float32)
