"""Whether what colours the teeth is a disclosing dye: its hue, and whether its edges agree.

The hue of a dye shows where a film ends on clean enamel. A step that starts on brown, or inside a
film of the other dye, has the hue of neither: from pink into blue it points past blue to green.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from perioview.plaque_brown import BROWN_DEG, is_brown
from perioview.plaque_enamel import Enamel, Sample
from perioview.plaque_index import plaque_rules

Logs = NDArray[np.float32]
Angles = NDArray[np.float64]

# Least change of log ratio at the edge of a film, and how near clean enamel is to itself.
FILM_STEP, CLEAN = 0.10, 0.06
# Edges from which a hue is read, and hue angles that are one colour.
FEW, ONE_HUE, PEAK = 40, 22.0, 14.0
# Angles that a change of colour can have beside those of brown, degrees.
OTHERS = 360 - (BROWN_DEG[1] - BROWN_DEG[0])


@dataclass(frozen=True, slots=True, eq=False)
class Colours:
    """Changes of colour: by channel (log10), in hue angle, and their size."""

    logs: Logs
    angles: Angles
    sizes: Angles

    def where(self, chosen: NDArray[np.bool_]) -> Colours:
        """Those chosen."""
        return Colours(self.logs[chosen], self.angles[chosen], self.sizes[chosen])


def colours_of(logs: Logs) -> Colours:
    """Hue angle and size of changes of colour.

    Parameters
    ----------
    logs : ndarray of float32, shape (n, 3)
        Change of log10 light, R G B.
    """
    ratios = logs[:, [0, 2]] - logs[:, [1]]
    angles = np.degrees(np.arctan2(ratios[:, 1], ratios[:, 0]))
    # Past 180 degrees lies green; keep the cut away from blue.
    angles = np.where(angles < -120, angles + 360, angles)
    red, green, blue = logs.T
    sizes = np.maximum(np.maximum(red, green), blue) - np.minimum(np.minimum(red, green), blue)
    return Colours(logs, angles, sizes.astype(float))


def bare_edges(samples: Mapping[int, Sample], enamel: Mapping[int, Enamel]) -> Colours:
    """Steps of colour that start on clean enamel itself.

    Parameters
    ----------
    samples, enamel : mapping by tooth
        Colours, and clean enamel.
    """
    found = [np.zeros((0, 3), np.float32)]
    for tooth, clean in enamel.items():
        starts = samples[tooth].starts
        ratios = starts[:, [0, 2]] - starts[:, [1]] - np.array(clean.ratios, np.float32)
        found.append(samples[tooth].steps[np.hypot(ratios[:, 0], ratios[:, 1]) < CLEAN])
    edges = colours_of(np.concatenate(found))
    return edges.where(edges.sizes > FILM_STEP)


def hue(colours: Colours) -> float:
    """Most common hue angle, weighted by the size of the change.

    Parameters
    ----------
    colours : Colours
        Changes of colour.
    """
    edges = np.arange(-120.0, 241.0, 4.0)
    counts, _ = np.histogram(colours.angles, edges, weights=colours.sizes)
    peak = int(np.argmax(np.convolve(counts, [1, 2, 3, 2, 1], mode="same")))
    near = np.abs(colours.angles - (edges[peak] + edges[peak + 1]) / 2) <= PEAK
    return float(np.median(colours.angles[near])) if near.any() else float(edges[peak] + 2)


def dye_hue(colours: Colours, highest: float, least: float) -> float:
    """Hue of the dye among changes of colour that may hold brown as well; NaN without one.

    A dye has a peak of its own; the slope of brown's is none. A peak between brown and pink is
    pink over brown, if bare pink is there too.

    Parameters
    ----------
    colours : Colours
        Changes of colour over clean enamel, brown among them.
    highest : float
        Highest hue angle that is the dye's, degrees.
    least : float
        How many changes make a peak.
    """
    lowest = plaque_rules()["dye"]["lowest_deg"]
    edges = np.arange(-120.0, 241.0, 4.0)
    counts, _ = np.histogram(colours.angles, edges, weights=colours.sizes)
    # Both ends of the scale are the same hue.
    smooth = np.convolve(np.pad(counts, 2, mode="wrap"), [1, 2, 3, 2, 1], mode="valid") / 9
    around = np.lib.stride_tricks.sliding_window_view(np.pad(smooth, 3, mode="wrap"), 7)
    centres = (edges[:-1] + edges[1:]) / 2
    tops = centres[(smooth >= around.max(axis=1)) & ~is_brown(centres)]
    peaks = [(top, np.abs(colours.angles - top) <= PEAK) for top in tops]
    peaks = [(top, near) for top, near in peaks if np.count_nonzero(near) >= least]
    if not peaks:
        return math.nan

    def weight(peak: tuple[float, NDArray[np.bool_]]) -> float:
        return float(colours.sizes[peak[1]].sum())

    best = max(peaks, key=weight)
    if BROWN_DEG[1] <= best[0] < lowest:
        best = max((p for p in peaks if lowest <= p[0] <= highest), key=weight, default=best)
    return float(np.median(colours.angles[best[1]]))


def agreement(edges: Colours, first_deg: float, last_deg: float) -> float:
    """How far edges have the hue of one dye, or of two and their mixtures: 1 all, 0 by chance.

    A film holds two dyes in any proportion, so its hue lies anywhere between theirs. Other colours
    fall in between as often as that part of all hues is wide.

    Parameters
    ----------
    edges : Colours
        Steps of colour, brown ones left out.
    first_deg, last_deg : float
        Least and greatest hue angle of the dye; the same for one.
    """
    low, high = first_deg - ONE_HUE, last_deg + ONE_HUE
    between = (edges.angles > low) & (edges.angles < high)
    share = float(edges.sizes[between].sum() / max(edges.sizes.sum(), 1e-9))
    chance = (high - low) / OTHERS
    return (share - chance) / (1 - chance)


def reds(samples: Mapping[int, Sample], enamel: Mapping[int, Enamel]) -> Logs:
    """Red light of each point over that of the tooth's clean enamel, log10, tooth by tooth.

    Red is what brown and pink take least of.

    Parameters
    ----------
    samples, enamel : mapping by tooth
        Colours, and clean enamel.
    """
    clean = {}
    for tooth, own in enamel.items():
        moved = samples[tooth].ratios - np.array(own.ratios, np.float32)
        near = np.hypot(moved[:, 0], moved[:, 1]) < CLEAN
        if np.count_nonzero(near) >= FEW:
            clean[tooth] = float(np.median(samples[tooth].logs[near, 0]))
    # A tooth without clean enamel is compared with the other teeth's.
    common = float(np.median(list(clean.values()))) if clean else 0.0
    found = [np.zeros(0, np.float32)]
    found += [samples[t].logs[:, 0] - np.float32(clean.get(t, common)) for t in enamel]
    return np.concatenate(found)
