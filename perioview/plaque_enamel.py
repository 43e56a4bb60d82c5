"""What clean enamel and the dye look like in this photo, found across its teeth."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from perioview.plaque_density import Dye, Mask, dye_weights, log_light

# Longest side of the reduced crop the statistics are taken from, px.
REDUCED = 96
# Width of the window in density that counts as one level of enamel, and how far two teeth of
# one mouth may differ.
LEVEL = 0.03
AGREEMENT = 0.11
BLUER = 0.15
# How far from the other teeth's enamel a crowd of colours is deposit, if some are as near as this.
DEPOSIT, ALIKE = 0.15, 0.05
# Levels between the two sides of an edge that shows how sharp a photo is.
PLAIN = 40
# Share of a tooth that makes its lowest level substantial.
SUBSTANTIAL = 0.04


@dataclass(frozen=True, slots=True)
class Sample:
    """A tooth's colour on a reduced grid, rim and glare left out.

    Parameters
    ----------
    logs : ndarray of float32, shape (n, 3)
        Log10 of linear light, R G B.
    starts, steps : ndarray of float32, shape (m, 3)
        The same at the brighter of two near points, and how the darker one differs; shading
        hardly changes over so short a way.
    clipped : float
        Share of the tooth with a channel at its end of scale, glare left out, 0 to 1.
    edge_share : float
        Width of its sharpest edges, as a share of the tooth's size.
    """

    logs: NDArray[np.float32]
    starts: NDArray[np.float32]
    steps: NDArray[np.float32]
    clipped: float
    edge_share: float

    @property
    def ratios(self) -> NDArray[np.float32]:
        """(R-G, B-G) of each point, shape (n, 2)."""
        ratios: NDArray[np.float32] = self.logs[:, [0, 2]] - self.logs[:, [1]]
        return ratios


@dataclass(frozen=True, slots=True)
class Enamel:
    """Clean enamel of one tooth.

    Parameters
    ----------
    ratios : tuple of float
        (R-G, B-G), log10.
    sd : float
        Uncertainty of the zero of density, log10.
    shared : bool
        Whether it had none of its own and takes the other teeth's.
    """

    ratios: tuple[float, float]
    sd: float
    shared: bool


def colour_sample(rgb: NDArray[np.uint8], region: Mask, usable: Mask) -> Sample:
    """Reduce a tooth to a small grid of colours.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (rows, cols, 3)
        sRGB.
    region, usable : ndarray of bool, shape (rows, cols)
        The tooth, and the part of it free of glare.
    """
    import cv2

    factor = max(1, round(max(region.shape) / REDUCED))
    factor = min(factor, *region.shape)
    size = (region.shape[1] // factor, region.shape[0] // factor)
    # A whole factor keeps the averaging quick.
    window = np.s_[: size[1] * factor, : size[0] * factor]
    small = cv2.resize(rgb[window], size, interpolation=cv2.INTER_AREA)
    share = cv2.resize(usable[window].astype(np.uint8) * 255, size, interpolation=cv2.INTER_AREA)
    inside = share > 250
    framed = cv2.copyMakeBorder(inside.astype(np.uint8), 1, 1, 1, 1, cv2.BORDER_CONSTANT)
    inner = cv2.erode(framed, np.ones((3, 3), np.uint8), iterations=2)[1:-1, 1:-1] > 0
    if inner.sum() < 20:
        inner = inside
    logs = cv2.LUT(small, log_light())
    high = (small.max(axis=2) >= 254) & inner
    return Sample(
        logs[inner],
        *_steps(logs, inner),
        float(high.sum() / max(1, inner.sum())),
        _edge_width(small[..., 1]) / max(size),
    )


def _steps(
    logs: NDArray[np.float32], inner: Mask
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Brighter end, and change toward the darker one, of pairs of near points."""
    reach = 3
    down = inner[reach:] & inner[:-reach]
    right = inner[:, reach:] & inner[:, :-reach]
    first = np.concatenate([logs[:-reach][down], logs[:, :-reach][right]])
    second = np.concatenate([logs[reach:][down], logs[:, reach:][right]])
    turned = (first.sum(axis=1) < second.sum(axis=1))[:, None]
    bright, dark = np.where(turned, second, first), np.where(turned, first, second)
    return bright, dark - bright


def _edge_width(green: NDArray[np.uint8]) -> float:
    """Median width of the strongest edges, px: local range over steepest step."""
    import cv2

    grey = green.astype(np.float32)
    block = np.ones((13, 13), np.uint8)
    height = cv2.dilate(grey, block) - cv2.erode(grey, block)
    step = np.hypot(cv2.Sobel(grey, -1, 1, 0, scale=1 / 8), cv2.Sobel(grey, -1, 0, 1, scale=1 / 8))
    strong = step >= np.quantile(step, 0.95)
    if float(np.median(height[strong])) < PLAIN:
        # Nothing here has an edge to be judged by.
        return 0.0
    return float(np.median(height[strong] / np.maximum(step[strong], 0.5)))


def clean_enamel(
    samples: Mapping[int, Sample], dye: Dye, two_tone: bool, brown_deg: float
) -> dict[int, Enamel]:
    """Clean enamel of each tooth: its own where it agrees with the photo's, else the photo's.

    Parameters
    ----------
    samples : mapping of int to Sample
        By tooth.
    dye : Dye
        First guess of the dye.
    two_tone : bool
        Whether the older colour must stand out as well.
    brown_deg : float
        Angle of brown deposits in the (R-G, B-G) plane.
    """
    w1, w2 = dye_weights(dye, brown_deg)
    levels: dict[int, tuple[float, float]] = {}
    lines = {}
    for tooth, sample in samples.items():
        lines[tooth] = sample.ratios @ np.array([w1, w2], np.float32)
        if lines[tooth].size:
            levels[tooth] = _lowest_level(lines[tooth])
    if not levels:
        return {}
    shared, spread = _shared_level(levels)
    near = {t: _near(samples[t], lines[t], shared) for t in levels}
    if two_tone:
        near = {t: _brightest(samples[t], np.abs(lines[t] - shared) <= LEVEL) for t in levels}
    common = np.concatenate(
        [n for n in near.values() if len(n)] or [samples[next(iter(levels))].ratios]
    )
    common_ratios = (float(np.median(common[:, 0])), float(np.median(common[:, 1])))
    found = {}
    for tooth, (level, mass) in levels.items():
        own = abs(level - shared) <= AGREEMENT and mass >= SUBSTANTIAL
        points = _near(samples[tooth], lines[tooth], level)
        if two_tone:
            points = _brightest(samples[tooth], np.abs(lines[tooth] - level) <= LEVEL)
        if own and two_tone and len(points):
            # A tooth all blue, or all brown, lies on the level of clean ones.
            blue = float(np.median(points[:, 1] - points[:, 0]))
            own = abs(blue - (common_ratios[1] - common_ratios[0])) <= BLUER
        if own and not two_tone:
            points = _rather_bare(samples[tooth], points, common_ratios)
        if own and len(points):
            ratios = (float(np.median(points[:, 0])), float(np.median(points[:, 1])))
            found[tooth] = Enamel(ratios, 0.012, False)
        else:
            found[tooth] = Enamel(common_ratios, math.hypot(0.02, spread), True)
    return found


def brown_share(sample: Sample, enamel: Enamel, brown_deg: float) -> float:
    """Share of a tooth that is browner than its clean enamel, 0 to 1: tartar, as a rule.

    Parameters
    ----------
    sample : Sample
        The tooth's colours.
    enamel : Enamel
        Its clean enamel.
    brown_deg : float
        Angle of brown deposits in the (R-G, B-G) plane.
    """
    angle = math.radians(brown_deg)
    moved = sample.ratios - np.array(enamel.ratios, np.float32)
    brown = moved @ np.array([math.cos(angle), math.sin(angle)], np.float32)
    return float(np.mean(brown > 0.12)) if len(brown) else 0.0


def _lowest_level(line: NDArray[np.float32]) -> tuple[float, float]:
    """Lowest density at which a substantial share of a tooth gathers, and that share."""
    low, high = np.quantile(line, [0.005, 0.995])
    edges = np.arange(low - 2 * LEVEL, high + 3 * LEVEL, LEVEL / 5)
    counts, _ = np.histogram(line, edges)
    # Triangular window: smooth enough for one peak per level.
    window = np.convolve(np.ones(6), np.ones(6)) / 6
    smooth = np.convolve(counts, window, mode="same") / line.size
    centres = (edges[:-1] + edges[1:]) / 2
    inside = smooth[1:-1]
    peaks = np.flatnonzero((inside >= smooth[:-2]) & (inside > smooth[2:])) + 1
    good = [p for p in peaks if smooth[p] >= max(SUBSTANTIAL, 0.1 * smooth.max())]
    peak = good[0] if good else int(np.argmax(smooth))
    return float(centres[peak]), float(smooth[peak])


def _shared_level(levels: Mapping[int, tuple[float, float]]) -> tuple[float, float]:
    """Level on which the cleanest teeth agree, and its spread."""
    values = np.array([v for v, _ in levels.values()])
    masses = np.array([m for _, m in levels.values()])
    base = values.min()
    # A lone outlier below all others (a grey spot) must not become everybody's enamel.
    for candidate in np.sort(values):
        support = masses[np.abs(values - candidate) <= AGREEMENT].sum()
        if support >= 0.12 * masses.sum():
            base = candidate
            break
    members = (values >= base - 1e-9) & (values <= base + AGREEMENT)
    shared = float(np.average(values[members], weights=masses[members]))
    return shared, float(np.std(values[members])) if members.sum() > 1 else 0.02


def _near(sample: Sample, line: NDArray[np.float32], level: float) -> NDArray[np.float32]:
    ratios: NDArray[np.float32] = sample.ratios[np.abs(line - level) <= LEVEL]
    return ratios


def _rather_bare(
    sample: Sample, points: NDArray[np.float32], common: tuple[float, float]
) -> NDArray[np.float32]:
    """A level's points, or those like the other teeth's enamel if the level is deposit instead.

    Across the line of brown deposit is as clean as enamel, and with a film over it all but.
    """
    if not len(points) or math.dist(np.median(points, axis=0), common) <= DEPOSIT:
        return points
    away = np.hypot(*(sample.ratios - np.array(common, np.float32)).T)
    bare: NDArray[np.float32] = sample.ratios[away <= ALIKE]
    return bare if len(bare) >= SUBSTANTIAL * len(away) else points


def _brightest(sample: Sample, level: Mask) -> NDArray[np.float32]:
    """Of the points on one level, those of the brightest hue: brown and blue are darker."""
    ratios, light = sample.ratios[level], sample.logs[level].sum(axis=1)
    if len(ratios) < 20:
        return ratios
    hue = ratios[:, 1] - ratios[:, 0]
    bins = np.floor((hue - hue.min()) / 0.06).astype(int)
    counts = np.bincount(bins)
    best = max(
        np.flatnonzero(counts >= 0.15 * len(hue)),
        key=lambda b: float(np.median(light[bins == b])),
        default=int(counts.argmax()),
    )
    near = bins == best
    for _ in range(3):
        # Off the grid of bins, onto the crowd itself: the grid's start is chance.
        near = np.abs(hue - float(np.median(hue[near]))) <= 0.035
    brightest: NDArray[np.float32] = ratios[near]
    return brightest
