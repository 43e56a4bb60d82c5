"""Brown deposits and yellow enamel as one photo shows them, so that they are not taken for dye."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from perioview.plaque_index import plaque_rules

# Angles between which a change of colour is brown or yellow, not dye.
BROWN_DEG = (-105.0, -25.0)
# Angles the deposit's own colour may have, and the least change of colour that shows it.
OWN_DEG, CHANGE = (-84.0, -44.0), 0.12
# Share of all brown points that makes a peak of theirs the deposit's colour.
SUBSTANTIAL = 0.06


@dataclass(frozen=True, slots=True)
class Brown:
    """Colour of brown deposits.

    Parameters
    ----------
    degrees : float
        Angle in the (R-G, B-G) plane.
    neutral_share : float
        Density of red, which brown absorbs least, over that of blue; this part looks like shading.
    """

    degrees: float
    neutral_share: float

    @property
    def per_density(self) -> tuple[float, float]:
        """Change of (R-G, B-G) for a density of 1 in blue."""
        u, v = math.cos(math.radians(self.degrees)), math.sin(math.radians(self.degrees))
        spread = u - v
        return u * (1 - self.neutral_share) / spread, v * (1 - self.neutral_share) / spread


def usual_brown() -> Brown:
    """Brown until a photo tells."""
    rule = plaque_rules()["dye"]
    return Brown(rule["tartar_deg"], rule["tartar_neutral_share"])


def is_brown(angles: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Where a change of colour is brown or yellow; angles in degrees."""
    brown: NDArray[np.bool_] = (angles > BROWN_DEG[0]) & (angles < BROWN_DEG[1])
    return brown


def brown_colour(angles: NDArray[np.float64], sizes: NDArray[np.float64]) -> Brown:
    """Estimate the colour of deposits from the changes of colour over clean enamel.

    A film over a deposit turns its hue toward the dye, so the bare deposit is the peak farthest
    from the dye.

    Parameters
    ----------
    angles, sizes : ndarray, shape (n,)
        Hue angle in degrees and size (log10) of each point's change of colour.
    """
    usual = usual_brown()
    chosen = is_brown(angles) & (sizes > CHANGE)
    if chosen.sum() < 60:
        return usual
    edges = np.arange(BROWN_DEG[0], BROWN_DEG[1] + 0.1, 2.0)
    counts, _ = np.histogram(angles[chosen], edges, weights=sizes[chosen])
    smooth = np.convolve(counts, [1, 2, 3, 2, 1], mode="same") / (9 * counts.sum())
    centres = (edges[:-1] + edges[1:]) / 2
    for at in np.flatnonzero((centres > OWN_DEG[0]) & (centres < OWN_DEG[1])):
        window = smooth[max(0, at - 3) : at + 4]
        if smooth[at] >= window.max() and 5 * smooth[at] >= SUBSTANTIAL:
            near = chosen & (np.abs(angles - centres[at]) < 7)
            trust = near.sum() / (near.sum() + 60)
            degrees = float(np.median(angles[near]))
            return Brown(usual.degrees + trust * (degrees - usual.degrees), usual.neutral_share)
    return usual
