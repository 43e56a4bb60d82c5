"""Where along a root the crest is, as a probability per position, and what that says in short."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from perioview.marks import LOW_CONFIDENCE
from perioview.proposals_context import Links
from perioview.proposals_network import logits, networks, recurved
from perioview.proposals_strip import STEP

Array = NDArray[np.float64]
NEAR_MM = 0.5  # mass this near the mode makes the confidence
# Confidence must hold what it promises: from LOW_CONFIDENCE on at most 1 % lie beyond 1 mm. On
# held-out phantoms of the hardest training generator that takes this mass near the mode
# (tests/benchmarks/train_proposals.py check).
SURE_MASS = 0.93
LAST = 1.0  # share of the root's length up to which a crest is sought
# A film's contrast curve is chance: each network reads it as it is, and darker and brighter.
CURVES = (1, 2 / 3, 3 / 2)
EVEN = 0.5  # mass near a place from which on it is rather right than wrong
# The network was taught crests blurred by this SD, so its posterior is that much too wide.
TAUGHT_MM = 0.08


@dataclass(frozen=True, slots=True)
class Peak:
    """What a posterior says in short.

    Parameters
    ----------
    along : float
        Place in mm along the axis: the median, whose error is expected to be least, if half of
        the posterior lies within `NEAR_MM` of it; else the mode, where there is at least something
        to be seen.
    sd : float
        In mm, set so that 95 % of the posterior lies within 1.96 SD of that place, as in a normal
        distribution; a far second peak of a few per cent leaves it alone.
    confidence : float
        From its mass within `NEAR_MM` of that place: `LOW_CONFIDENCE` at `SURE_MASS`.
    second : float
        Where a second peak lies, in mm; NaN without one.
    """

    along: float
    sd: float
    confidence: float
    second: float


def posteriors(
    x: NDArray[np.float32],
    live: NDArray[np.float32],
    along: Array,
    lengths: Array,
    links: Links,
) -> Array:
    """Probability of the crest at each position, tempered; one row per site.

    Parameters
    ----------
    x, live : ndarray of float32, shape (sites, LONGEST, WIDTH) and (sites, LONGEST)
        From `proposals_network.inputs`.
    along : ndarray of float, shape (sites, LONGEST)
        Positions in mm.
    lengths : ndarray of float, shape (sites,)
        Root lengths in mm; positions beyond a root's end get none.
    links : Links
        Which sites tell of one another.

    Returns
    -------
    ndarray of float, shape (sites, LONGEST)
        Rows sum to 1.
    """
    found, temperature = networks()
    allowed = (along < LAST * lengths[:, None]) & (live > 0)
    mean = np.zeros(along.shape)
    for power in CURVES:
        read = recurved(x, power) if power != 1 else x
        for w in found:
            z = np.where(allowed, logits(read, live, links, w).astype(float), -1e9) / temperature
            p = np.exp(z - z.max(axis=1, keepdims=True))
            mean += p / p.sum(axis=1, keepdims=True)
    result: Array = mean / mean.sum(axis=1, keepdims=True)
    return result


def peak(probability: Array, along: Array) -> Peak:
    """Place, spread, mass near it, and a second peak if there is one.

    Parameters
    ----------
    probability, along : ndarray of float, shape (n,)
        Positions `STEP` apart, in mm.

    Returns
    -------
    Peak
    """
    from scipy import ndimage

    smooth = ndimage.gaussian_filter1d(probability, 1.5, mode="constant")
    top = int(smooth.argmax())
    mode = float(along[top])
    for _ in range(12):  # mean shift: finer than the positions' spacing
        weight = probability * np.exp(-0.5 * ((along - mode) / 0.12) ** 2)
        if weight.sum() > 0:
            mode = float(weight @ along / weight.sum())
    total = np.concatenate([[0.0], np.cumsum(probability)])
    ends = along[0] + STEP * (np.arange(len(along) + 1) - 0.5)

    def within(radius: Array, of: float) -> Array:
        upper, lower = (np.interp(of + k * radius, ends, total) for k in (1, -1))
        mass: Array = upper - lower
        return mass

    near = np.array(NEAR_MM)
    median = float(np.interp(0.5 * total[-1], total, ends))
    place = median if within(near, median) >= EVEN else mode
    radii = np.arange(0, float(np.ptp(along)), STEP / 8)
    sd = float(np.interp(0.95, within(radii, place), radii)) / 1.96
    mass = min(float(within(near, place)), 1.0)
    return Peak(place, sd, confidence(mass), _second(smooth, along, top))


def confidence(mass: float) -> float:
    """Confidence of a proposal from the posterior's mass near its mode.

    Parameters
    ----------
    mass : float
        From 0 to 1.

    Returns
    -------
    float
        From 0 to 1; a power of the mass, so that it keeps its order and its ends.
    """
    return float(mass ** (math.log(LOW_CONFIDENCE) / math.log(SURE_MASS)))


def spread(sd: float) -> float:
    """SD of the crest's place from the SD of the network's posterior.

    Parameters
    ----------
    sd : float
        In mm, of the posterior.

    Returns
    -------
    float
        In mm, freed of the blur it was taught with; at least half of that.
    """
    return math.sqrt(max(sd**2 - TAUGHT_MM**2, (TAUGHT_MM / 2) ** 2))


def _second(smooth: Array, along: Array, top: int) -> float:
    far = np.abs(along - along[top]) > NEAR_MM
    peaks = (
        np.flatnonzero(far[1:-1] & (smooth[1:-1] >= smooth[:-2]) & (smooth[1:-1] > smooth[2:])) + 1
    )
    if not len(peaks):
        return float("nan")
    best = int(peaks[smooth[peaks].argmax()])
    mass = smooth[np.abs(along - along[best]) <= 0.3].sum()
    return float(along[best]) if mass >= 0.15 else float("nan")
