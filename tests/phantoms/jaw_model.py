"""Generator H, for training: jaws of dogs and cats, healthy and diseased, as a beam sums them.

Tissue is a picture of path lengths in jaw coordinates; the beam, the film and the file come
after. The crest is, as in the other generators, where the more apical margin meets the outline of
the root, there half risen. Parameters are drawn far wider than believable.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from .finishing import noise
from .jaw_bone import apart, apical_margin, crest_on, set_crests
from .jaw_film import Place, exposed, projected
from .jaw_marrow import grain, landmarks
from .jaw_mix import Mix
from .jaw_solids import Solids, solids
from .jaw_teeth import JawTooth, jaw_row
from .ray_solids import _gum_top
from .scene import Key, Phantom, packed
from .varied_teeth import placed_marks

Array = NDArray[Any]


@dataclass
class Jaw:
    """One drawn jaw: its teeth, and what maps jaw coordinates (x, y) in mm to (row, col)."""

    teeth: list[JawTooth]
    size: float
    place: Place
    phantom: Phantom


def jaw_phantom(seed: int) -> Phantom:
    """Make one radiograph of generator H."""
    return jaw(seed).phantom


def jaw(seed: int) -> Jaw:
    """Make one radiograph of generator H and keep the jaw it shows."""
    rng = np.random.default_rng([72, seed])
    mix = Mix(rng, float(rng.choice([0.2, 0.7, 1.0, 1.5])))
    teeth, size = jaw_row(rng)
    gap = rng.uniform(0.08, 0.32) * min(1.0, 0.6 + 0.4 * size)
    set_crests(rng, teeth, size, gap)
    x, y, fine = _axes(rng, teeth, size)
    first = apical_margin(rng, x, teeth, size, gap)
    sloping = rng.random() < 0.1
    second = first - apart(rng, x, teeth, size, 0.8 * size if sloping else 3.0 * size)
    truth, traits = {}, {}
    for tooth in teeth:
        for root in tooth.roots:
            for k, side in enumerate(("mesial", "distal")):
                if tooth.known:
                    key: Key = (tooth.number, root.name, side)
                    truth[key] = crest_on(tooth, root, k, x, first, gap)
                    two = truth[key][1] - np.interp(truth[key][0], x, second) > 0.2
                    traits[key] = ("two_plates",) * bool(two) + ("furcal",) * (not root.outer[k])
                    if not root.outer[k] and root is not tooth.third and tooth.low:
                        traits[key] += ("sound_furcation",)
    path = _summed(mix, x, y, teeth, (first, second, sloping), gap, size)
    mm = float(np.clip(fine * rng.uniform(0.75, 1.3), 0.03, 0.08))
    known = [t for t in teeth if t.known]
    content = np.array([p for t in known for p in _outline_points(t)])
    needed = np.array(list(truth.values()))
    picture, place = projected(rng, path, (float(x[0]), float(y[0])), fine, mm, content, needed)
    pixels, inverted = exposed(mix, picture, mm)
    marks = placed_marks(rng, list(known), place)
    image, own, calibration = packed(pixels, inverted, marks, mm, f"h{seed}.png")
    crests = {key: place(*at) for key, at in truth.items()}
    return Jaw(teeth, size, place, Phantom(image, own, calibration, crests, traits))


def _outline_points(tooth: JawTooth) -> list[tuple[float, float]]:
    found = []
    for root in tooth.roots:
        for y in np.linspace(root.top, root.end, 6):
            found += [(root.edge(y, 0), float(y)), (root.edge(y, 1), float(y))]
    first, last = tooth.ends[0], tooth.ends[-1]
    up = min(first.cej[0], last.cej[1]) - 0.6 * tooth.crown
    return [*found, (first.edge(first.cej[0], 0), up), (last.edge(last.cej[1], 1), up)]


def _axes(
    rng: np.random.Generator, teeth: list[JawTooth], size: float
) -> tuple[Array, Array, float]:
    points = np.array([p for t in teeth if t.known for p in _outline_points(t)])
    low, high = points.min(0) - [3, 2.5], points.max(0) + 3
    low[1] -= min(0.4 * max(t.crown for t in teeth), 4 * size)
    wide = high - low
    fine = float(np.clip(np.sqrt(wide.prod() / rng.uniform(1.8e5, 3.6e5)), 0.03, 0.075))
    x, y = (np.arange(a, b, fine, dtype=np.float32) for a, b in zip(low, high, strict=True))
    return x, y, fine


def _ramp(below: Array, soft: float) -> Array:
    return np.clip(below / np.float32(soft) + np.float32(0.5), 0, 1)


def _summed(
    mix: Mix,
    x: Array,
    y: Array,
    teeth: list[JawTooth],
    lines: tuple[Array, Array, bool],
    gap: float,
    size: float,
) -> Array:
    """Path lengths, each weighted by what its tissue absorbs, summed along the beam."""
    rng, shape, fine = mix.rng, (len(y), len(x)), float(x[1] - x[0])
    rows = y[:, None]
    part = solids(mix, x, y, teeth, fine)
    first, second, sloping = lines
    below = rows - first[None].astype(np.float32)
    upper = rows - second[None].astype(np.float32)
    bone = _bone(mix, below, upper, sloping, size)
    bone *= np.clip(1 + rng.uniform(0.02, 0.3) * grain(rng, shape, fine, size), 0.1, 2.5)
    if mix.on(0.4):  # cortex over the crest
        thick = rng.uniform(0.08, 0.3)
        cap = np.exp(-(((below - 0.06 - thick) / thick) ** 2)) * (below > 0)
        bone += rng.uniform(0.1, 0.8) * cap
    landmarks(mix, x, y, teeth, bone, size)
    _sockets(mix, part, bone, below, upper, gap)
    if mix.on(0.15):
        _lucencies(mix, x, y, teeth, bone, size)
    gum = _gum(mix, x, y, teeth, second, size)
    # What each tissue absorbs, bone 1; the root takes the place of some of the bone.
    m_gum = rng.uniform(0.03, 0.8) ** 1.2
    room = rng.uniform(0.3, 1.0)
    m_root, m_enamel = room + rng.uniform(0.0, 1.3), rng.uniform(0.5, 2.5)
    path = m_gum * gum * (1 - 0.6 * np.minimum(bone, 1)) * (1 - 0.5 * part.cover)
    path += bone * (1 - room * part.cover)
    path += m_root * (part.dentin + rng.uniform(0.1, 0.6) * part.behind)
    path += m_enamel * part.enamel
    return np.asarray(path, np.float32)


def _bone(mix: Mix, below: Array, upper: Array, sloping: bool, size: float) -> Array:
    """Share of the jaw's bone in the beam: two plates, each half risen at its margin."""
    rng = mix.rng
    soft = size**0.5 * 10 ** rng.uniform(-1.6, -0.1)
    share = rng.uniform(0.15, 0.75)  # of the plate that ends more apically
    if sloping:
        return np.clip(upper / np.maximum(upper - below, np.float32(soft)), 0, 1)
    bone = share * _ramp(below, soft) + (1 - share) * _ramp(upper, soft * rng.uniform(0.5, 2))
    if mix.on(0.5):  # the alveolar process thickens apically
        grown = np.clip(below / (size * rng.uniform(1, 10)), 0, 1)
        bone *= 1 + rng.uniform(-0.2, 0.9) * grown
    return bone


def _sockets(mix: Mix, part: Solids, bone: Array, below: Array, upper: Array, gap: float) -> None:
    """Ligament space and lamina dura of the roots, and fainter ones of the roots behind."""
    rng = mix.rng
    lone = (below < 0) & (upper > 0)  # only one plate there: no socket of its own
    width = gap * (1 + rng.uniform(0, 0.35) * noise(rng, bone.shape, 30)) if mix.on(0.5) else gap
    width = np.maximum(width, 0.4 * gap)
    if mix.on(0.4):  # wider toward the crest
        width = width * (1 + rng.uniform(0.2, 1.0) * np.exp(-np.clip(below, 0, None) / 0.8))
    depth = rng.uniform(0.25, 1.0) if rng.random() < 0.88 else rng.uniform(0, 0.25)
    dark = depth * np.clip(1 - (part.away / width) ** 6, 0, 1)
    dark = np.where(lone, rng.uniform(0, 0.7) * dark, dark)
    wall = np.exp(-(((part.away - 1.15 * width - 0.08) / rng.uniform(0.06, 0.16)) ** 2))
    bone *= 1 - dark
    if mix.on(0.65):
        bone += rng.uniform(0.1, 0.9) * wall * _ramp(below - 0.05, 0.2)
    if part.behind.any():
        hidden = np.exp(-((part.away_behind / gap) ** 4)) * (part.away_behind > 0)
        bone *= 1 - rng.uniform(0, 0.5) * hidden


def _lucencies(
    mix: Mix, x: Array, y: Array, teeth: list[JawTooth], bone: Array, size: float
) -> None:
    """Dark rounds at some apices, clear of every crest."""
    rng = mix.rng
    deep = max(c for t in teeth for r in t.ends for c in r.crest)
    for tooth in teeth:
        for root in tooth.ends:
            room = root.end - deep - 1.0
            if room < 0.4 or rng.random() < 0.6:
                continue
            wide = min(room, size * rng.uniform(0.5, 3))
            c = float(root.centre(np.array(root.end)))
            spot = np.hypot(x[None] - c, y[:, None] - root.end) / wide
            bone *= 1 - rng.uniform(0.3, 0.9) * np.clip(1 - spot**4, 0, 1)


def _gum(mix: Mix, x: Array, y: Array, teeth: list[JawTooth], bone: Array, size: float) -> Array:
    """Soft tissue: thin at its border with air, with cheek or tongue before it in some."""
    rng = mix.rng
    top = _gum_top(rng, x, list(teeth), bone, size)
    soft = size * 10 ** rng.uniform(-1.5, 0.4)
    below = y[:, None] - top[None].astype(np.float32)
    gum = np.clip(below / soft, 0, 1) ** rng.uniform(0.5, 1)
    if mix.on(0.2):
        edge = float(top.mean()) - size * rng.uniform(-1, 5)
        edge = edge + rng.normal(0, 0.2) * (x - x.mean())
        gum = gum + rng.uniform(0.1, 0.7) * _ramp(y[:, None] - edge[None], rng.uniform(0.1, 2))
    if mix.on(0.3):
        cloud = cv2.resize(noise(rng, (40, 40), 4), (len(x), len(y)), interpolation=cv2.INTER_CUBIC)
        gum = gum * (1 + rng.uniform(0.02, 0.2) * cloud)
    return np.asarray(gum, np.float32)
