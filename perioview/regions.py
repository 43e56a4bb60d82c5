"""The outline of a tooth proposed from one click, for the user to accept, paint or nudge."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from perioview.errors import InputRefused
from perioview.regions_light import reduced_photo
from perioview.regions_path import OutlinePath, around_middle, inner_middle, sought_path
from perioview.regions_refined import refined_mask

Mask = NDArray[np.bool_]
# Below this an outline is doubtful.
DOUBTFUL = 0.88
# Most that an outline beside the click counts for.
NOT_HELD = 0.3
# An outline is doubtful if more of it than this could be a stain's edge.
STAIN_LIKE = 0.67
# Score from which no other place is looked from, and how far aside those are, px.
SURE_AT_ONCE, ASIDE = 0.85, 9.0
# Share of two outlines' union that both hold when they mean the same tooth.
ALIKE = 0.7


@dataclass(frozen=True, slots=True, eq=False)
class Outline:
    """A proposed tooth region.

    Parameters
    ----------
    mask : ndarray of bool, shape (rows, cols)
        The tooth, in the whole photo.
    contrast : float
        How sure the edge is all around and how well the outlines seen from several places of
        the tooth agree, 0 to 1.
    """

    mask: Mask
    contrast: float

    @property
    def sure(self) -> bool:
        """Whether the edge was told clearly and alike from all places; else look twice."""
        return self.contrast >= DOUBTFUL


def tooth_outline(
    rgb: NDArray[np.uint8], row: float, col: float, *, taken: NDArray[Any] | None = None
) -> Outline:
    """Propose which pixels belong to the tooth that was clicked.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (rows, cols, 3)
        sRGB photo.
    row, col : float
        The click, px; near the middle of the crown is best.
    taken : ndarray, shape (rows, cols), optional
        Nonzero where another tooth has been outlined already.

    Returns
    -------
    Outline
        Never more than a proposal.

    Raises
    ------
    InputRefused
        If the click lies outside the photo or inside a tooth already outlined.
    """
    rows, cols = rgb.shape[:2]
    if not (-0.5 <= row <= rows - 0.5 and -0.5 <= col <= cols - 0.5):
        raise InputRefused(
            f"The click at ({row:g}, {col:g}) lies outside the photo; click a tooth."
        )
    at = (min(rows - 1, max(0, round(row))), min(cols - 1, max(0, round(col))))
    if taken is not None and taken[at]:
        raise InputRefused(
            f"The click at ({row:g}, {col:g}) lies in tooth {taken[at]}; click another tooth."
        )
    small, scale = reduced_photo(rgb)
    owned = None if taken is None else _reduced_mask(taken, small.shape[:2])
    here = ((row + 0.5) / scale - 0.5, (col + 0.5) / scale - 0.5)
    paths = _views(small, here, owned)
    found, sure = _consensus(paths, small.shape)
    moved = [OutlinePath((p.vertices + 0.5) * scale - 0.5, p.score, p.faint) for p in found]
    mask = refined_mask(rgb, moved, taken)
    # What does not hold the click is not the tooth that was clicked.
    return Outline(mask, sure if mask[at] else min(sure, NOT_HELD))


def _views(
    small: NDArray[np.uint8], here: tuple[float, float], owned: Mask | None
) -> list[OutlinePath]:
    """Outlines of the tooth at a place, seen from its middle and from places around that."""
    best = _best(small, here, owned)
    places = around_middle(best.drawn(small.shape))
    return [best, *(sought_path(small, place, owned) for place in places)]


def _best(small: NDArray[np.uint8], here: tuple[float, float], owned: Mask | None) -> OutlinePath:
    """The surest outline that holds a place; a place near an edge is also left a little."""
    found = _from(small, here, owned)
    if found[-1].holds(here) and found[-1].score >= SURE_AT_ONCE:
        return found[-1]
    for step in ((-ASIDE, 0), (ASIDE, 0), (0, -ASIDE), (0, ASIDE)):
        place = here[0] + step[0], here[1] + step[1]
        if 0 <= place[0] < small.shape[0] and 0 <= place[1] < small.shape[1]:
            found += _from(small, place, owned)
    holding = [path for path in found if path.holds(here)]
    return max(holding or found[:1], key=lambda path: path.score)


def _from(
    small: NDArray[np.uint8], place: tuple[float, float], owned: Mask | None
) -> list[OutlinePath]:
    """Outline seen from a place, and from the middle of that: a tooth is seen evenly from there."""
    first = sought_path(small, place, owned)
    inside = first.drawn(small.shape)
    return [first, sought_path(small, inner_middle(inside), owned)] if inside.any() else [first]


def _consensus(paths: list[OutlinePath], shape: tuple[int, ...]) -> tuple[list[OutlinePath], float]:
    """The paths that mean the tooth of the first, and how well all agree and are sure, 0 to 1."""
    masks = [path.drawn(shape) for path in paths]
    shared = [float((masks[0] & m).sum() / max(1, (masks[0] | m).sum())) for m in masks]
    kept = [p for p, s in zip(paths, shared, strict=True) if s > ALIKE]
    sure = float(np.mean(shared)) * float(np.mean([p.score for p in kept]))
    # Gum of a stain's very colour: nothing tells which of the two the outline follows.
    doubtful = paths[0].faint > STAIN_LIKE
    return kept, min(sure, DOUBTFUL - 0.01) if doubtful else sure


def _reduced_mask(taken: NDArray[Any], shape: tuple[int, ...]) -> Mask:
    import cv2

    part = (np.asarray(taken) > 0).astype(np.uint8)
    return np.asarray(cv2.resize(part, shape[::-1], interpolation=cv2.INTER_NEAREST)) > 0
