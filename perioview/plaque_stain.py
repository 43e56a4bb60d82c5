"""The dye as one photo shows it: its hue, and the part of it that looks like shading."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from perioview.plaque_brown import BROWN_DEG, Brown, brown_colour, is_brown, usual_brown
from perioview.plaque_density import Dye, dye_weights
from perioview.plaque_enamel import Enamel, Sample
from perioview.plaque_hue import (
    FEW,
    FILM_STEP,
    Colours,
    agreement,
    bare_edges,
    colours_of,
    dye_hue,
    hue,
    reds,
)
from perioview.plaque_index import plaque_rules

Logs = NDArray[np.float32]

# Least density to count as dyed, and change of colour that is plain to see.
DYED, PLAIN = 0.12, 0.15
# Edges from which dyes are told from other colours.
MANY = 150
# Hue up to which an older dye's edges are read; and of one beside another, degrees.
OLDEST_DEG, BESIDE = 150.0, 30.0


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
        How far edges of colour have the dye's hue (1 all, 0 as many as chance would); NaN with
        too few edges. A dye has one hue or lies between two, colours of anything else differ.
    brown : Brown
        Colour of brown deposits.
    paler : float
        Share of points that are browner than what was taken for clean, but so much brighter that
        they can be no deposit, 0 to 1; rather that is itself dyed blue.
    """

    newer: Dye
    older: Dye
    share: float
    degrees: float
    agreement: float = math.nan
    brown: Brown = field(default_factory=usual_brown)
    paler: float = 0.0


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
    dyed = (ratios @ weights > DYED) | ((points.sizes > PLAIN) & (points.angles > 40))
    share = float(dyed.mean()) if len(dyed) else 0.0
    pool = points.where(dyed | ((points.sizes > PLAIN) & ~is_brown(points.angles)))
    if len(pool.sizes) < max(10, 0.002 * len(dyed)):
        return Stain(newer, older, share, math.nan, brown=brown)
    edges = _film_edges(samples, enamel, weights)
    dense = pool.where(pool.sizes >= np.quantile(pool.sizes, 0.6))
    degrees = hue(edges if len(edges.sizes) >= FEW else dense)
    bare, red = bare_edges(samples, enamel), reds(samples, enamel)
    highest = rule["highest_deg" if two_tone else "highest_one_tone_deg"]
    if not rule["lowest_deg"] <= degrees <= highest:
        # Perhaps no dye's but that of a deposit, of dye over it, or of enamel unlike the rest.
        shown = dye_hue(bare, highest, FEW)
        if math.isnan(shown):
            opposite = np.abs(points.angles - (brown.degrees + 180)) < BESIDE
            # Dye would darken them; these are enamel, less yellow than what was taken for clean.
            coloured = points.where((points.sizes > PLAIN) & ~(opposite & (red >= 0)))
            shown = _without_edges(coloured, degrees, rule["least_share"] * len(dyed))
        # So little of it that no dye is meant, whatever its hue.
        degrees = shown if len(pool.sizes) >= rule["least_share"] * len(dyed) else math.nan
    if math.isnan(degrees):
        return Stain(newer, older, share, degrees, brown=_deposit(points, brown))
    if two_tone:
        newer, older = _two_dyes(pool, edges, dense, newer, older)
        agreed = _agreement(bare, edges, newer.degrees, older.degrees)
    else:
        newer = _fitted(min(max(degrees, rule["lowest_deg"]), rule["highest_deg"]), edges)
        agreed = _agreement(edges, edges, degrees, degrees)
    paler = _too_pale(points, red, brown, older) if two_tone else 0.0
    return Stain(newer, older, share, degrees, agreed, brown, paler)


def _agreement(best: Colours, other: Colours, first_deg: float, last_deg: float) -> float:
    """Agreement of the best edges; of others, if hardly any are that good."""
    chosen = best.where(~is_brown(best.angles))
    chosen = other if len(chosen.sizes) < FEW else chosen
    return agreement(chosen, first_deg, last_deg) if len(chosen.sizes) >= MANY else math.nan


def _two_dyes(
    pool: Colours, edges: Colours, dense: Colours, newer: Dye, older: Dye
) -> tuple[Dye, Dye]:
    rule = plaque_rules()["dye"]
    split = _valley(pool, rule["split_deg"])
    fitted = []
    for guess, low, high in ((newer, rule["lowest_deg"], split), (older, split, OLDEST_DEG)):
        degrees = guess.degrees if low < guess.degrees < high else (low + high) / 2
        for source in (edges, dense):
            side = source.where((source.angles > low) & (source.angles <= high))
            if len(side.sizes) >= 30:
                degrees = hue(side)
                break
        fitted.append(_fitted(degrees, edges))
    return fitted[0], fitted[1]


def _without_edges(coloured: Colours, degrees: float, least: float) -> float:
    """Hue by points alone: what they show to be no dye, or pink over brown; else as it was."""
    rule = plaque_rules()["dye"]
    newest = dye_hue(coloured, rule["split_deg"], max(10.0, least))
    over_brown = BROWN_DEG[1] <= degrees < rule["lowest_deg"]
    pink = over_brown and rule["lowest_deg"] <= newest <= rule["split_deg"]
    return newest if math.isnan(newest) or pink else degrees


def _too_pale(points: Colours, red: Logs, brown: Brown, older: Dye) -> float:
    """Share of points that are browner than clean enamel, yet brighter than any deposit.

    A deposit takes some red as well; where there is less of a blue film, red gains all the change.
    """
    browner = is_brown(points.angles) & (points.sizes > PLAIN)
    if not browner.any():
        return 0.0
    deposit = -brown.neutral_share / (1 - brown.neutral_share)
    less_blue = 1 / (1 - older.neutral_share)
    gain = float(np.median(red[browner] / points.sizes[browner]))
    return float(browner.mean()) if gain > (deposit + less_blue) / 2 else 0.0


def _deposit(points: Colours, brown: Brown) -> Brown:
    """Brown as it is where no dye can be meant: its own hue, whatever that is."""
    own = points.where(is_brown(points.angles) & (points.sizes > PLAIN))
    return Brown(hue(own), brown.neutral_share) if len(own.sizes) >= FEW else brown


def _points(samples: Mapping[int, Sample], enamel: Mapping[int, Enamel]) -> Colours:
    """Colour of each point over its tooth's clean enamel (green's own shade left out)."""
    moved = [np.zeros((0, 3), np.float32)]
    for tooth, clean in enamel.items():
        ratios = samples[tooth].ratios - np.array(clean.ratios, np.float32)
        moved.append(np.insert(ratios, 1, 0, axis=1))
    return colours_of(np.concatenate(moved))


def _film_edges(
    samples: Mapping[int, Sample], enamel: Mapping[int, Enamel], weights: Logs
) -> Colours:
    """Steps from clean enamel, or brown, into dye."""
    found = [np.zeros((0, 3), np.float32)]
    for tooth, clean in enamel.items():
        starts = samples[tooth].starts
        ratios = starts[:, [0, 2]] - starts[:, [1]] - np.array(clean.ratios, np.float32)
        found.append(samples[tooth].steps[np.abs(ratios @ weights) < 0.06])
    edges = colours_of(np.concatenate(found))
    return edges.where((edges.sizes > FILM_STEP) & ~is_brown(edges.angles))


def _valley(pool: Colours, default: float) -> float:
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


def _fitted(degrees: float, edges: Colours) -> Dye:
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
