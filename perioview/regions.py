"""The outline of a tooth proposed from one click, for the user to accept, paint or nudge."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from perioview.errors import InputRefused
from perioview.regions_light import reduced_photo
from perioview.regions_path import DOUBTFUL, OutlinePath, sought_path
from perioview.regions_refined import refined_mask

Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Outline:
    """A proposed tooth region.

    Parameters
    ----------
    mask : ndarray of bool, shape (rows, cols)
        The tooth, in the whole photo.
    contrast : float
        How sure the edge is, averaged all around, 0 to 1.
    """

    mask: Mask
    contrast: float

    @property
    def sure(self) -> bool:
        """Whether the edge was told clearly all around; else look twice."""
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
    path = sought_path(small, ((row + 0.5) / scale - 0.5, (col + 0.5) / scale - 0.5), owned)
    for _ in range(2):
        # From its middle a tooth is seen evenly, so look again from there.
        again = sought_path(small, path.centre, owned)
        if not again.holds(path.click):
            break
        path = OutlinePath(again.vertices, again.score, path.click)
    found = OutlinePath((path.vertices + 0.5) * scale - 0.5, path.score, (row, col))
    return Outline(refined_mask(rgb, found, taken), found.score)


def _reduced_mask(taken: NDArray[Any], shape: tuple[int, ...]) -> Mask:
    import cv2

    part = (np.asarray(taken) > 0).astype(np.uint8)
    return np.asarray(cv2.resize(part, shape[::-1], interpolation=cv2.INTER_NEAREST)) > 0
