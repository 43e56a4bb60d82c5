"""On which side of a tooth its gum lies in a photo: as stated, by the jaw, or carried over."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from perioview.teeth import is_upper

if TYPE_CHECKING:
    from perioview.alignment import Alignment

Gum = str | Mapping[int, str] | None
# Toward the gum, as (row, col).
GUM_SIDES = {"up": (-1.0, 0.0), "down": (1.0, 0.0), "left": (0.0, -1.0), "right": (0.0, 1.0)}


def stated_side(tooth: int, gum: Gum) -> str | None:
    """The side stated for a tooth, for all teeth or for it alone.

    Parameters
    ----------
    tooth : int
        Modified Triadan number.
    gum : str or mapping of int to str, optional
        ``up``, ``down``, ``left`` or ``right``.
    """
    return gum if gum is None or isinstance(gum, str) else gum.get(tooth)


def gum_side(tooth: int, gum: Gum) -> str:
    """The side stated for a tooth; else up in the upper jaw and down in the lower.

    Parameters
    ----------
    tooth : int
        Modified Triadan number.
    gum : str or mapping of int to str, optional
        As `stated_side` has it.
    """
    return stated_side(tooth, gum) or ("up" if is_upper(tooth) else "down")


def later_sides(
    regions: NDArray[np.uint16], alignment: Alignment, gum: Gum, later: str | None = None
) -> dict[int, str]:
    """Gum sides in a later photo, which may be turned against the earlier one.

    Parameters
    ----------
    regions : ndarray of uint16, shape (rows, cols) of the earlier photo
        Triadan numbers.
    alignment : Alignment
        Of the later photo onto the earlier.
    gum : str or mapping of int to str, optional
        Of the earlier photo.
    later : str, optional
        What is stated of the later photo itself, which then holds for all teeth.
    """
    found = {}
    for tooth in (int(t) for t in np.unique(regions[regions > 0])):
        middle = np.argwhere(regions == tooth).mean(axis=0)
        toward = np.array(GUM_SIDES[gum_side(tooth, gum)])
        ends: Any = alignment.later_from_earlier(np.stack([middle, middle + toward]))
        way = ends[1] - ends[0]
        found[tooth] = later or max(GUM_SIDES, key=lambda side: float(way @ GUM_SIDES[side]))
    return found
