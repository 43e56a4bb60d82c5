"""The dye as one photo shows it: its hue, and the part of it that looks like shading."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from perioview.plaque_brown import Brown, brown_colour, is_brown, usual_brown
from perioview.plaque_density import Dye, dye_weights
from perioview.plaque_enamel import Enamel, Sample
from perioview.plaque_index import plaque_rules

Logs = NDArray[np.float32]

# Least change of log ratio at the edge of a film, and of density to count as dyed.
FILM_STEP, DYED = 0.10, 0.12


@dataclass(frozen=True, slots=True)
class Stain:
    """The dye as this photo shows it.

    Parameters
    ----------
    newer, older : Dye
        One-tone dyes have their colour in `newer`.
    share : float
        Share of all teeth's points that carry dye, 0 to 1.
    degrees : float
        Hue angle of what is coloured; NaN when nothing is.
    agreement : float
        Share of all edges of colour that have the dye's hue, 0 to 1; NaN with too few edges. A
        dye has one hue or two, the colours of anything else differ.
    brown : Brown
        Colour of brown deposits.
    """

    newer: Dye
    older: Dye
    share: float
    degrees: float
    agreement: float = math.nan
    brown: Brown = field(default_factory=usual_brown)


@dataclass(frozen=True, slots=True, eq=False)
class _Colours:
    """Changes of colour: by channel (log10), in hue angle, and their size."""

    logs: Logs
    angles: NDArray[np.float64]
    sizes: NDArray[np.float64]

    def where(self, chosen: NDArray[np.bool_]) -> _Colours:
        return _Colours(self.logs[chosen], self.angles[chosen], self.sizes[chosen])


def _colours(logs: Logs) -> _Colours:
    ratios = logs[:, [0, 2]] - logs[:, [1]]
    angles = np.degrees(np.arctan2(ratios[:, 1], ratios[:, 0]))
    # Past 180 degrees lies green; keep the cut away from blue.
    angles = np.where(angles < -120, angles + 360, angles)
    red, green, blue = logs.T
    sizes = np.maximum(np.maximum(red, green), blue) - np.minimum(np.minimum(red, green), blue)
    return _Colours(logs, angles, sizes.astype(float))


def stain_colour(
    samples: Mapping[int, Sample], enamel: Mapping[int, Enamel], two_tone: bool
) -> Stain:
    """Estimate the dye's colour from the photo itself.

    The edges of stained films tell it best: across an edge neither shading nor a brown deposit
    below changes. Without edges (whole teeth stained) the dense points themselves serve.

    Parameters
    ----------
    samples, enamel : mapping by tooth
        Colours, and clean enamel.
    two_tone : bool
        Whether newer and older plaque take different colours.
    """
    rule = plaque_rules()["dye"]
    newer, older = (Dye(rule[k], rule["neutral_share"]) for k in ("pink_deg", "older_deg"))
    points = _points(samples, enamel)
    brown = brown_colour(points.angles, points.sizes)
    weights = np.array(dye_weights(newer, brown.degrees), np.float32)
    ratios = points.logs[:, [0, 2]] - points.logs[:, [1]]
    dyed = (ratios @ weights > DYED) | ((points.sizes > 0.15) & (points.angles > 40))
    share = float(dyed.mean()) if len(dyed) else 0.0
    pool = points.where(dyed | ((points.sizes > 0.15) & ~is_brown(points.angles)))
    if len(pool.sizes) < max(10, 0.002 * len(dyed)):
        return Stain(newer, older, share, math.nan, brown=brown)
    edges = _film_edges(samples, enamel, weights)
    dense = pool.where(pool.sizes >= np.quantile(pool.sizes, 0.6))
    degrees = _hue(edges if len(edges.sizes) >= 40 else dense)
    if not two_tone:
        hue = min(max(degrees, rule["lowest_deg"]), rule["highest_deg"])
        return Stain(_fitted(hue, edges), older, share, degrees, _agreement(edges, degrees), brown)
    split = _valley(pool, rule["split_deg"])
    fitted = []
    for guess, low, high in ((newer, rule["lowest_deg"], split), (older, split, 150.0)):
        hue = guess.degrees if low < guess.degrees < high else (low + high) / 2
        for source in (edges, dense):
            side = source.where((source.angles > low) & (source.angles <= high))
            if len(side.sizes) >= 30:
                hue = _hue(side)
                break
        fitted.append(_fitted(hue, edges))
    agreement = _agreement(edges, *(d.degrees for d in fitted))
    return Stain(fitted[0], fitted[1], share, degrees, agreement, brown)


def _agreement(edges: _Colours, *hues: float) -> float:
    if len(edges.angles) < 150:
        return math.nan
    away = np.min([np.abs(edges.angles - hue) for hue in hues], axis=0)
    return float(np.mean(away < 22))


def _points(samples: Mapping[int, Sample], enamel: Mapping[int, Enamel]) -> _Colours:
    """Colour of each point over its tooth's clean enamel (green's own shade left out)."""
    moved = [np.zeros((0, 3), np.float32)]
    for tooth, clean in enamel.items():
        ratios = samples[tooth].ratios - np.array(clean.ratios, np.float32)
        moved.append(np.insert(ratios, 1, 0, axis=1))
    return _colours(np.concatenate(moved))


def _film_edges(
    samples: Mapping[int, Sample], enamel: Mapping[int, Enamel], weights: Logs
) -> _Colours:
    """Steps from clean enamel, or brown, into dye."""
    found = [np.zeros((0, 3), np.float32)]
    for tooth, clean in enamel.items():
        starts = samples[tooth].starts
        ratios = starts[:, [0, 2]] - starts[:, [1]] - np.array(clean.ratios, np.float32)
        found.append(samples[tooth].steps[np.abs(ratios @ weights) < 0.06])
    edges = _colours(np.concatenate(found))
    return edges.where((edges.sizes > FILM_STEP) & ~is_brown(edges.angles))


def _hue(colours: _Colours) -> float:
    """Most common hue angle, weighted by the size of the change."""
    edges = np.arange(-120.0, 241.0, 4.0)
    counts, _ = np.histogram(colours.angles, edges, weights=colours.sizes)
    peak = int(np.argmax(np.convolve(counts, [1, 2, 3, 2, 1], mode="same")))
    near = np.abs(colours.angles - (edges[peak] + edges[peak + 1]) / 2) <= 14
    return float(np.median(colours.angles[near])) if near.any() else float(edges[peak] + 2)


def _valley(pool: _Colours, default: float) -> float:
    """Angle between two hues that both occur, else the conventional one."""
    edges = np.arange(0.0, 151.0, 3.0)
    counts, _ = np.histogram(pool.angles, edges, weights=pool.sizes)
    smooth = np.convolve(counts, [1, 2, 3, 2, 1], mode="same")
    centres = (edges[:-1] + edges[1:]) / 2
    low, high = centres <= default, centres > default
    if min(smooth[low].max(), smooth[high].max()) < 0.05 * smooth.max():
        return default
    first, second = int(np.argmax(smooth * low)), int(np.argmax(smooth * high))
    if second - first < 4:
        return default
    between = smooth[first : second + 1]
    lowest = np.flatnonzero(between <= between.min() * 1.1 + 1e-9)
    return float(centres[first + round(float(np.mean(lowest)))])


def _fitted(degrees: float, edges: _Colours) -> Dye:
    """Dye of a hue, its neutral share read at the edges of its films.

    What all three channels lose together across such an edge belongs to the dye.
    """
    neutral = float(plaque_rules()["dye"]["neutral_share"])
    near = edges.where(np.abs(edges.angles - degrees) < 18)
    if len(near.sizes) < 40:
        return Dye(degrees, neutral)
    density = np.sort(-np.median(near.logs, axis=0))
    share = float(density[0] / density[2]) if density[2] > 0 else neutral
    # Shading along the edges blurs the reading, so the usual share keeps a say.
    trust = min(0.6, len(near.sizes) / 350)
    return Dye(degrees, float(np.clip(neutral + trust * (share - neutral), 0.0, 0.45)))
