"""Strips of training phantoms as the crest network reads them, kept, disturbed and batched."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from crest_layers import laid_over
from numpy.typing import NDArray

from perioview.proposals_context import Links, links
from perioview.proposals_frame import side_frames
from perioview.proposals_network import DENSE, LONGEST, OTHERS, WIDTH
from perioview.proposals_posterior import TAUGHT_MM
from perioview.proposals_strip import LANES, STEP, dense_high, straightened

Array = NDArray[Any]
K = len(LANES)
FAR = 1.5  # mm between the traced contour and the true edge beyond which a site teaches nothing
BEND = 5
UNSEEN = 255  # of a kept grey value: outside the image
# Of the images in a batch.
SHARES = {"A": 0.12, "E": 0.16, "F": 0.16, "H": 0.18, "L": 0.19, "M": 0.19}


def generator(name: str) -> Callable[[int], Any]:
    """Return the training generator of a name."""
    from phantoms.jaw_model import jaw_phantom
    from phantoms.mixed_looks import mixed_phantom
    from phantoms.painted_styles import style_phantom
    from phantoms.ray_solids import ray_phantom
    from phantoms.section_jaws import section_phantom
    from phantoms.thickness_maps import thickness_phantom

    return {
        "A": thickness_phantom,
        "E": ray_phantom,
        "F": style_phantom,
        "H": jaw_phantom,
        "L": section_phantom,
        "M": mixed_phantom,
    }[name]


def keep(name: str, first: int, last: int, out: str) -> None:
    """Write the strips of a range of phantoms, and where their crests are.

    Per site: grey values of the strip and the contour as bytes; crest, root length, CEJ, number of
    positions and first position along the axis in mm; seed; contour's error at the crest; and which
    site faces it.
    """
    kept, where = [], []
    for seed in range(first, last):
        phantom = generator(name)(seed)
        pixels = dense_high(phantom.image)
        frames = side_frames(phantom.marks, phantom.calibration, "dog")
        facing = links(frames).facing
        for i, frame in enumerate(frames):
            strip = straightened(pixels, frame)
            n = min(len(strip.along), LONGEST)
            grey = np.clip((strip.grey[:n] + 0.1) / 1.2 * 254, 0, 254).round()
            page = np.full((LONGEST, K + 1), UNSEEN, np.uint8)
            page[:n, :K] = np.where(np.isfinite(grey), grey, UNSEEN)
            page[:n, K] = np.clip(strip.contour[:n] * 20 + 128, 0, 255)
            kept.append(page)
            at, edge = frame.along_out(*phantom.truth[frame.tooth, frame.root, frame.side])
            off = edge - float(np.interp(at, strip.along, strip.contour))
            cej = np.nan if frame.cej is None else frame.cej[0]
            partner = int(facing[i].argmax()) if facing[i].any() else -1
            where.append(
                [at, frame.length, cej, len(strip.along), strip.along[0], seed, off, partner]
            )
    np.savez(out, strips=np.array(kept), where=np.array(where), name=name)


@dataclass(frozen=True, slots=True)
class Strips:
    """Kept strips, by image.

    Parameters
    ----------
    pages : ndarray of uint8, shape (sites, LONGEST, K + 1)
    where : ndarray of float, shape (sites, 8)
        As `keep` writes it.
    images : list of ndarray of int
        Sites of each image, mesial before distal of each root.
    share : ndarray of float, shape (images,)
        Chance of an image in a batch; 0 where it is held out (every tenth seed).
    names : list of str
        Generator of each image.
    """

    pages: Array
    where: Array
    images: list[Array]
    share: Array
    names: list[str]


def read(paths: list[str]) -> Strips:
    """Read what `keep` wrote."""
    pages, where, images, names, held = [], [], [], [], []
    before = 0
    for path in paths:
        data = np.load(Path(path))
        rows = data["where"]
        for sites in np.split(np.arange(len(rows)), np.flatnonzero(np.diff(rows[:, 5])) + 1):
            images.append(sites + before)
            names.append(str(data["name"]))
            held.append(rows[sites[0], 5] % 10 == 0)
        pages.append(data["strips"])
        where.append(rows)
        before += len(rows)
    share = np.array([0.0 if h else SHARES[n] for n, h in zip(names, held, strict=True)])
    for name in SHARES:
        of = (np.array(names) == name) & (share > 0)
        share[of] /= max(int(of.sum()), 1)
    return Strips(np.concatenate(pages), np.concatenate(where), images, share / share.sum(), names)


@dataclass(frozen=True, slots=True)
class Batch:
    """What is fitted in one step; rows are sites."""

    x: Array
    live: Array
    allowed: Array
    target: Array
    teaches: Array
    links: Links
    along: Array
    truth: Array
    length: Array


def batch(strips: Strips, images: Array, rng: np.random.Generator | None) -> Batch:
    """Sites of some images: as they are, or with a generator of chance disturbed for training."""
    index, image, partner = _sites(strips, images, rng)
    rows = strips.where[index]
    page = strips.pages[index]
    known = page[..., :K] != UNSEEN
    grey = np.where(known, page[..., :K].astype(np.float32) * np.float32(1.2 / 254) - 0.1, 0.5)
    grey = grey.astype(np.float32)
    contour = (page[..., K].astype(np.float32) - 128) / 20
    n = np.minimum(rows[:, 3].astype(int), LONGEST)
    along = (rows[:, 4, None] + STEP * np.arange(LONGEST)).astype(np.float32)
    truth, length, cej = (rows[:, k].astype(np.float32) for k in (0, 1, 2))
    seen_length = length
    if rng is not None:
        stretch = np.exp(rng.uniform(-0.08, 0.18, len(images))) ** (rng.random(len(images)) < 0.7)
        stretch = np.maximum(stretch[image], n / (LONGEST - 2)).astype(np.float32)
        grey, known, contour, n = _stretched(grey, known, contour, along, n, stretch)
        truth, length, cej = truth / stretch, length / stretch, cej / stretch
        grey, truth = laid_over(rng, grey, known, along, truth, length, cej, n, image)
        grey, known = _disturbed(rng, grey, known, truth, along, image)
        moved = np.where(rng.random(len(cej)) < 0.3, rng.normal(0, 0.15, len(cej)), 0)
        cej = cej + moved.astype(np.float32)
        seen_length = length * np.exp(rng.normal(0, 0.02, len(cej))).astype(np.float32)
    live = (np.arange(LONGEST) < n[:, None]).astype(np.float32)
    x = _assembled(grey, known, contour, along, seen_length, cej, n) * live[..., None]
    allowed = live * (along < length[:, None])
    target = allowed * np.exp(-0.5 * ((along - truth[:, None]) / TAUGHT_MM) ** 2)
    target /= np.maximum(target.sum(1, keepdims=True), 1e-9)
    at, reach, start, off = (rows[:, k] for k in (0, 1, 4, 6))
    teaches = (at < reach) & (at > start + 0.3) & (np.abs(off) < FAR) & (rows[:, 3] <= LONGEST)
    told = _links(rng, x, image, partner)
    return Batch(
        x,
        live,
        allowed,
        target.astype(np.float32),
        teaches.astype(np.float32),
        told,
        along,
        truth,
        length,
    )


def _sites(
    strips: Strips, images: Array, rng: np.random.Generator | None
) -> tuple[Array, Array, Array]:
    """Sites, their image, and which site faces them; sometimes fewer roots than were marked."""
    index, image, partner, before = [], [], [], 0
    for k, chosen in enumerate(images):
        sites = strips.images[chosen]
        faced = strips.where[sites, 7].astype(int)
        if rng is not None and len(sites) > 2 and rng.random() < 0.25:
            roots = len(sites) // 2
            left = np.sort(rng.choice(roots, int(rng.integers(1, roots + 1)), replace=False))
            some = np.stack([2 * left, 2 * left + 1], axis=1).ravel()
            renamed = {int(old): new for new, old in enumerate(some)}
            faced = np.array([renamed.get(int(j), -1) for j in faced[some]])
            sites = sites[some]
        index.append(sites)
        image.append(np.full(len(sites), k))
        partner.append(np.where(faced >= 0, faced + before, -1))
        before += len(sites)
    return np.concatenate(index), np.concatenate(image), np.concatenate(partner)


def _links(rng: np.random.Generator | None, x: Array, image: Array, partner: Array) -> Links:
    """Links of a batch; in training some are cut, or lead to another mouth."""
    n = len(image)
    here = np.arange(n)
    opposite, facing = np.zeros((2, n, n), np.float32)
    opposite[here, here ^ 1] = 1
    faced = np.flatnonzero(partner >= 0)
    facing[faced, partner[faced]] = 1
    around = (image[:, None] == image[None]).astype(np.float32)
    np.fill_diagonal(around, 0)
    if rng is not None:
        facing[rng.random(n) < 0.15] = 0
        alone = rng.random(n) < 0.1
        opposite[alone] = 0
        x[alone, :, K + 1 : K + 1 + len(OTHERS)] = 0
        for i in np.flatnonzero(rng.random(n) < 0.06):
            facing[i] = here == rng.integers(n)
        for i in np.flatnonzero(rng.random(n) < 0.06):
            around[i] = (image == rng.integers(image.max() + 1)) & (here != i)
    around /= np.maximum(around.sum(axis=1, keepdims=True), 1)
    return Links(opposite, facing, around)


def _assembled(
    grey: Array, known: Array, contour: Array, along: Array, length: Array, cej: Array, n: Array
) -> Array:
    """As `perioview.proposals_network.inputs`, of many sites at once."""
    x = np.zeros((len(grey), LONGEST, WIDTH), np.float32)
    x[..., :K] = 3 * (grey - 0.5) * known
    x[..., K] = 1 - known[..., DENSE].mean(axis=2)
    opposite = x[np.arange(len(grey)) ^ 1]
    for j, lanes in enumerate(OTHERS):
        x[..., K + 1 + j] = opposite[..., lanes].mean(axis=2)
    marked = np.isfinite(cej)[:, None]
    start = np.where(marked[:, 0], cej, 0)[:, None].astype(np.float32)
    bend = np.zeros_like(contour)
    bend[:, BEND:-BEND] = (contour[:, 2 * BEND :] - contour[:, : -2 * BEND]) / (2 * BEND * STEP)
    bend *= np.arange(LONGEST) < n[:, None] - BEND
    whole = length[:, None]
    for j, extra in enumerate(
        (
            (along - start) / whole,
            np.clip(along - start, -2, 4) / 2,
            np.broadcast_to(marked, along.shape),
            along < start,
            np.clip(bend, -1, 1),
            contour / whole * 4,
            np.clip(whole - along, 0, 4) / 2,
            np.broadcast_to((whole - 10) / 5, along.shape),
        )
    ):
        x[..., K + 1 + len(OTHERS) + j] = extra
    return x


def _stretched(
    grey: Array, known: Array, contour: Array, along: Array, n: Array, stretch: Array
) -> tuple[Array, Array, Array, Array]:
    """Strips drawn out along the root."""
    first = along[:, :1]
    at = (along * stretch[:, None] - first) / STEP
    low = np.clip(np.floor(at).astype(int), 0, LONGEST - 2)
    part = np.clip(at - low, 0, 1).astype(np.float32)
    row = np.arange(len(grey))[:, None]
    grey = grey[row, low] * (1 - part[..., None]) + grey[row, low + 1] * part[..., None]
    known = known[row, low] & known[row, low + 1] & (at >= 0)[..., None]
    contour = contour[row, low] * (1 - part) + contour[row, low + 1] * part
    last = ((n - 1) * STEP + first[:, 0]) / stretch - first[:, 0]
    return grey, known, contour, np.minimum(np.floor(last / STEP).astype(int) + 1, LONGEST)


def _disturbed(
    rng: np.random.Generator, g: Array, known: Array, truth: Array, along: Array, image: Array
) -> tuple[Array, Array]:
    """Other curves, drifts, noise, slips, things in front, gum-air borders, wiped crests, edges."""
    n, images = len(g), image.max() + 1

    def each(values: Array) -> Array:
        return np.asarray(values, np.float32)[:, None, None]

    slip = np.where(rng.random(n) < 0.4, rng.integers(-1, 2, n), 0)
    for k in (-1, 1):
        some = np.flatnonzero(slip == k)
        g[some] = np.where(DENSE, np.roll(g[some], k, 2), g[some])
    curve = np.exp(rng.normal(0, 0.2, images))[image] * np.exp(rng.normal(0, 0.05, n))
    inside = np.clip(g, 0, 1)
    g = inside ** each(curve) + (g - inside)
    contrast = rng.uniform(0.8, 1.15, images)[image] * rng.uniform(0.95, 1.05, n)
    g = (g - 0.5) * each(contrast) + 0.5 + each(rng.normal(0, 0.05, n))
    drift = each(rng.normal(0, 0.06, n) * (rng.random(n) < 0.3))
    g = g + drift * np.linspace(-1, 1, LONGEST, dtype=np.float32)[None, :, None]
    noise = np.where(rng.random(images) < 0.4, 10 ** rng.uniform(-2.3, -1.3, images), 0)[image]
    g = g + rng.standard_normal(g.shape, dtype=np.float32) * each(noise)
    some = np.flatnonzero(rng.random(n) < 0.25)
    g[some] = _bordered(rng, g[some], along[some], truth[some])
    for i in np.flatnonzero(rng.random(n) < 0.15):
        other = np.roll(g[rng.integers(n)], int(rng.integers(-30, 31)), axis=0)
        other = other[:, ::-1] if rng.random() < 0.5 else other
        g[i] += rng.uniform(0.04, 0.25) * (other - other.mean())
    for i in np.flatnonzero(rng.random(n) < 0.1):
        row, lane = int(rng.integers(0, LONGEST - 20)), int(rng.integers(0, K - 4))
        high, wide = int(rng.integers(4, 25)), int(rng.integers(3, 14))
        g[i, row : row + high, lane : lane + wide] += rng.normal(0, 0.25)
    for i in np.flatnonzero(rng.random(n) < 0.04):
        g[i] = _wiped(rng, g[i], along[i], float(truth[i]))
    for i in np.flatnonzero(rng.random(n) < 0.05):
        if rng.random() < 0.5:
            known[i, :, int(rng.integers(12, K)) :] = False
        else:
            known[i, : int(rng.integers(5, 40))] = False
    return g.astype(np.float32), known


def _wiped(rng: np.random.Generator, g: Array, along: Array, truth: float) -> Array:
    """The crest itself gone: what is left is context, and must be doubted."""
    first, last = np.searchsorted(along, truth + rng.uniform(0.8, 2, 2) * (-1, 1))
    if last - first <= 4:
        return g
    part = np.linspace(0, 1, last - first, dtype=np.float32)[:, None]
    through = g[first] * (1 - part) + g[min(last, LONGEST - 1)] * part
    grain = 0.03 * rng.standard_normal(through.shape)
    g[first:last] = 0.3 * g[first:last].mean(axis=0) + 0.7 * through + grain
    return g


def _bordered(rng: np.random.Generator, g: Array, along: Array, truth: Array) -> Array:
    """Gum lifted toward bone, and a sharp border with air coronal to the crest."""

    def draw(low: float, high: float) -> Array:
        return rng.uniform(low, high, len(g)).astype(np.float32)[:, None, None]

    s, t, d = along[..., None], truth[:, None, None], LANES[None, None]
    outer = 1 / (1 + np.exp(-(d - 0.05) / 0.08))
    apical = (s > t + 0.5) & (s < t + 4) & (d > 0.3) & (d < 2)
    level = (g * apical).sum((1, 2), keepdims=True) / np.maximum(apical.sum((1, 2)), 1)[
        :, None, None
    ]
    lift = draw(0, 0.5) * (draw(0, 1) < 0.6)
    g = g + outer * lift * np.maximum(level - g, 0) * (s < t + 3)
    away = s - (t - 10 ** draw(-0.3, 0.75) + draw(-0.25, 0.25) * d)
    air = 1 / (1 + np.exp(np.clip(away / 10 ** draw(-1.3, -0.5), -30, 30)))
    dark = np.minimum(draw(0, 0.15), g)
    return np.asarray(
        g * (1 - outer * air) + outer * air * dark - (1 - outer) * air * draw(0, 0.15)
    )
