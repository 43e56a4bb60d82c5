"""Where on a tooth stain stays after cleaning: the places to go back to."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from perioview.plaque_gum import gum_side
from perioview.plaque_result import GLARE_CODE
from perioview.plaque_tooth import whole_extent
from perioview.teeth import is_upper

TURNS = {"up": 0, "right": 1, "down": 2, "left": 3}
"""Quarter turns that bring the gum to the top."""
LEAST_PCT = 20.0
"""Stained share from which a sixth of a tooth is named; our convention, no source."""


@dataclass(frozen=True, slots=True)
class Place:
    """One of the six parts of a tooth, and how much of it is stained.

    Parameters
    ----------
    half : str
        ``gum`` or ``crown``.
    third : str
        ``mesial``, ``middle`` or ``distal``; by the picture (``left``, ``right``, ``upper``,
        ``lower``) when no other outlined tooth tells which is which.
    stained_pct : float
        Of that part outside glare, 0 to 100.
    """

    half: str
    third: str
    stained_pct: float


def stained_places(
    regions: NDArray[np.uint16], stain_map: NDArray[np.uint8], tooth: int, gum: str | None
) -> tuple[Place, ...]:
    """Name the parts of a tooth that are stained, the most stained first.

    Parameters
    ----------
    regions : ndarray of uint16, shape (rows, cols)
        Triadan numbers.
    stain_map : ndarray of uint8, shape (rows, cols)
        As in `perioview.plaque_result.PlaqueResult`.
    tooth : int
    gum : str, optional
        ``up``, ``down``, ``left`` or ``right``; by the jaw if not given.

    Returns
    -------
    tuple of Place
        Of at least `LEAST_PCT`.
    """
    side = gum_side(tooth, gum)
    region = np.rot90(regions == tooth, TURNS[side])
    codes = np.rot90(stain_map, TURNS[side])
    if not region.any():
        return ()
    rows, cols = whole_extent(region)
    halves = (rows[0], (rows[0] + rows[-1] + 1) // 2, rows[-1] + 1)
    thirds = np.linspace(cols[0], cols[-1] + 1, 4).round().astype(int)
    names = _thirds(regions, tooth, side)
    found = []
    for half, top, bottom in zip(("gum", "crown"), halves[:2], halves[1:], strict=True):
        for third, left, right in zip(names, thirds[:3], thirds[1:], strict=True):
            box = np.s_[top:bottom, left:right]
            seen = region[box] & (codes[box] != GLARE_CODE)
            if seen.any():
                share = 100 * float((codes[box][seen] > 0).mean())
                found.append(Place(half, third, share))
    named = (place for place in found if place.stained_pct >= LEAST_PCT)
    return tuple(sorted(named, key=lambda place: -place.stained_pct))


def _thirds(regions: NDArray[np.uint16], tooth: int, side: str) -> tuple[str, str, str]:
    """Names of the thirds from left to right when the gum is on top."""
    turned = np.rot90(regions, TURNS[side])
    toward_distal = _distal(turned, tooth)
    if toward_distal:
        ends = ("mesial", "distal")
    elif side in ("up", "down"):
        ends, toward_distal = ("left", "right"), 1 if side == "up" else -1
    else:
        # A quarter turn brings the photo's left gum to the top and its lower end to the left.
        ends, toward_distal = ("upper", "lower"), 1 if side == "right" else -1
    first, last = ends if toward_distal > 0 else ends[::-1]
    return first, "middle", last


def _distal(turned: NDArray[Any], tooth: int) -> int:
    """Direction of distal along the columns: +1, -1, or 0 if nothing tells."""
    here = float(np.nonzero(turned == tooth)[1].mean())
    votes = 0.0
    for other in (int(t) for t in np.unique(turned[turned > 0])):
        if other == tooth or is_upper(other) != is_upper(tooth):
            continue
        there = float(np.nonzero(turned == other)[1].mean())
        # The other side of the jaw lies beyond the midline, which is mesial.
        behind = other > tooth if other // 100 == tooth // 100 else False
        votes += np.sign(there - here) * (1 if behind else -1)
    return int(np.sign(votes))
