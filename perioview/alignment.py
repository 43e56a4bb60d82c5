"""One image laid onto another of the same place, or a reason why that cannot be done.

Inside the alignment modules points are (x, y) = (col, row), as OpenCV has them; everything
public is (row, col).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from perioview.alignment_checks import (
    PARALLAX_PX,
    Agreement,
    agreement,
    implausible,
    is_mirrored,
)
from perioview.alignment_dense import refined
from perioview.alignment_features import Start, feature_starts, polarity
from perioview.alignment_points import transform_from_points
from perioview.alignment_scale import Scaled, scaled
from perioview.alignment_search import correlation_starts
from perioview.errors import InputRefused

FEW_MATCHES = 12
"""Fewest feature matches that count as support: wrong pairs reach 5 to 9 by chance."""
AGREE_WITH_MATCHES = 0.25
AGREE_WITHOUT_MATCHES = 0.4
"""Median correlation of textured blocks asked for; wrong pairs stay near zero."""
LEAST_OVERLAP = 0.2
"""Share of the earlier image that has to be shown again."""
NEAR_POINT_PX = 15.0
"""How far a refined map may lie from points marked by hand."""
WORK_PX = 1000
"""Longer side at which features and the dense fit work; half of a usual sensor image."""

SWAP = np.array([[0.0, 1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])


@dataclass(frozen=True, slots=True)
class Alignment:
    """Where each point of the later image lies in the earlier one, and how sure that is.

    Parameters
    ----------
    transform : ndarray of float, shape (3, 3)
        Maps (row, col, 1) of the later image onto the earlier one, up to a common factor.
    rms_px : float
        Root mean square of the local displacement left after alignment, in pixels of the
        earlier image, over the blocks that agree (of point pairs: over the pairs; NaN when
        there is none to spare).
    matches : int
        Feature matches, blocks or point pairs that support it.
    mirrored, inverted : bool
        One image is the mirror image, or the negative, of the other.
    agreement : float
        Median correlation of the textured blocks that both images share, -1 to 1.
    method : str
        ``features``, ``correlation``, ``points``, or ``points, refined`` where the images agree
        well enough to improve on the points.
    warnings : tuple of str
        What a reader of a comparison has to know.
    """

    transform: NDArray[np.float64]
    rms_px: float
    matches: int
    mirrored: bool = False
    inverted: bool = False
    agreement: float = float("nan")
    method: str = "features"
    warnings: tuple[str, ...] = ()

    def earlier_from_later(self, points: ArrayLike) -> NDArray[np.float64]:
        """Carry (row, col) points of the later image to the earlier one; shape (n, 2)."""
        return mapped(self.transform, points)

    def later_from_earlier(self, points: ArrayLike) -> NDArray[np.float64]:
        """Carry (row, col) points of the earlier image to the later one; shape (n, 2)."""
        back = np.asarray(np.linalg.inv(self.transform), dtype=np.float64)
        return mapped(back, points)


def mapped(transform: NDArray[np.float64], points: ArrayLike) -> NDArray[np.float64]:
    """Apply a 3 x 3 projective map to points, shape (n, 2)."""
    flat = np.atleast_2d(np.asarray(points, dtype=float))
    lifted = np.column_stack([flat, np.ones(len(flat))]) @ transform.T
    return np.asarray(lifted[:, :2] / lifted[:, 2:])


def align(
    later: ArrayLike,
    earlier: ArrayLike,
    *,
    points: Sequence[tuple[tuple[float, float], tuple[float, float]]] | None = None,
    names: tuple[str, str] = ("later image", "earlier image"),
) -> Alignment:
    """Find the projective map that lays the later image onto the earlier one.

    Parameters
    ----------
    later, earlier : array_like, shape (rows, cols)
        Grey levels of any type and exposure; either may be the other's negative or mirror
        image, of another size, or turned.
    points : sequence of ((row, col) later, (row, col) earlier), optional
        Pairs marked by hand; the images then check them, and improve on them if they can.
    names : tuple of str
        What to call the two images in a refusal.

    Returns
    -------
    Alignment

    Raises
    ------
    InputRefused
        If the two images do not show the same place, or not enough of it.
    """
    small_later, small_earlier = (
        scaled(_checked(image, name), WORK_PX)
        for image, name in zip((later, earlier), names, strict=True)
    )
    if points is not None:
        return _by_points(points, small_later, small_earlier, names)
    best = None
    for starts in (feature_starts, correlation_starts):
        for start in starts(small_later, small_earlier):
            found = _judged(start, small_later, small_earlier)
            if found is None:
                continue
            if best is None or found[1].median > best[1].median:
                best = found
            if _accepted(start, found[1]):
                return _described(start, *found, small_earlier)
    raise InputRefused(_refusal(best, names))


def _checked(image: ArrayLike, name: str) -> NDArray[np.generic]:
    pixels = np.asarray(image)
    if pixels.ndim != 2 or min(pixels.shape) < 64:
        raise InputRefused(
            f"{name}: an array of shape {pixels.shape} cannot be aligned; "
            "give one grey level per pixel and at least 64 x 64 of them."
        )
    if float(pixels.max()) == float(pixels.min()):
        raise InputRefused(
            f"{name}: every pixel is {pixels.max()}; there is nothing to align, choose another."
        )
    return pixels


def _judged(
    start: Start, later: Scaled, earlier: Scaled
) -> tuple[NDArray[np.float64], Agreement] | None:
    if implausible(start.transform, later.full_shape):
        return None
    transform = refined(start, later, earlier)
    if implausible(transform, later.full_shape):
        return None
    return transform, agreement(transform, later, earlier, start.sign)


def _accepted(start: Start, found: Agreement) -> bool:
    if found.blocks < 8 or found.overlap < LEAST_OVERLAP:
        return False
    supported = start.matches >= FEW_MATCHES
    asked = AGREE_WITH_MATCHES if supported else AGREE_WITHOUT_MATCHES
    share = found.agreeing / found.blocks
    return found.median >= asked and share >= (0.3 if supported else 0.5)


def _described(
    start: Start, transform: NDArray[np.float64], found: Agreement, earlier: Scaled
) -> Alignment:
    rc = SWAP @ transform @ SWAP
    alignment = Alignment(
        transform=rc / rc[2, 2],
        rms_px=found.rms_px,
        matches=start.matches or found.agreeing,
        mirrored=is_mirrored(transform),
        inverted=start.sign < 0,
        agreement=found.median,
        method="features" if start.matches else "correlation",
    )
    return replace(alignment, warnings=tuple(_warnings(alignment, found)))


def _warnings(alignment: Alignment, found: Agreement) -> list[str]:
    said = []
    if alignment.mirrored:
        said.append(
            "mirrored: one image is the mirror image of the other; "
            "check which side it shows before comparing."
        )
    if alignment.inverted:
        said.append("inverted: one image is the negative of the other; it was turned back.")
    if found.parallax_px > PARALLAX_PX:
        said.append(
            f"parallax: parts of the image stay up to {found.parallax_px:.1f} px apart, as what "
            "lies at different depths does when beam or camera was tilted; small changes there are "
            "not real."
        )
    if found.overlap < 0.5:
        said.append(f"overlap: the images share only {100 * found.overlap:.0f} % of the earlier.")
    return said


def _refusal(best: tuple[NDArray[np.float64], Agreement] | None, names: tuple[str, str]) -> str:
    why = (
        "no common structures were found"
        if best is None
        else f"at the best fit their details agree only to {best[1].median:.2f} "
        f"(correlation over {best[1].blocks} blocks; {AGREE_WITH_MATCHES} is asked)"
    )
    return (
        f"{names[0]}: cannot be aligned with {names[1]}: {why}; "
        "check that both show the same teeth, or give pairs of matching points."
    )


def _by_points(
    points: Sequence[tuple[tuple[float, float], tuple[float, float]]],
    later: Scaled,
    earlier: Scaled,
    names: tuple[str, str],
) -> Alignment:
    pairs = np.asarray(points, dtype=float)
    transform = transform_from_points(pairs[..., ::-1] if pairs.ndim == 3 else pairs, names)
    rc = SWAP @ transform @ SWAP
    rc = rc / rc[2, 2]
    left = np.hypot(*(mapped(rc, pairs[:, 0]) - pairs[:, 1]).T)
    sign = polarity(transform, later, earlier)
    start = Start(transform, sign, 0)
    better = _judged(start, later, earlier)
    if better is not None and _accepted(start, better[1]) and _close(better[0], pairs):
        refined_to = _described(start, *better, earlier)
        return replace(refined_to, matches=len(pairs), method="points, refined")
    found = agreement(transform, later, earlier, sign)
    spare = len(pairs) > 4
    alignment = Alignment(
        transform=rc,
        rms_px=float(np.sqrt(np.mean(left**2))) if spare else float("nan"),
        matches=len(pairs),
        mirrored=is_mirrored(transform),
        inverted=sign < 0,
        agreement=found.median,
        method="points",
    )
    said = _warnings(alignment, found)
    if not spare:
        said.append(
            f"points: {len(pairs)} pairs fit exactly, so their error is not known; give five or "
            "more, well spread."
        )
    if not found.median >= AGREE_WITH_MATCHES:
        said.append(
            f"points: aligned by hand, but the images agree there only to {found.median:.2f}; "
            "check the pairs."
        )
    return replace(alignment, warnings=tuple(said))


def _close(transform: NDArray[np.float64], pairs: NDArray[np.float64]) -> bool:
    """Whether a refined map still lands every marked point near its partner."""
    landed = mapped(SWAP @ transform @ SWAP, pairs[:, 0])
    return bool(np.hypot(*(landed - pairs[:, 1]).T).max() <= NEAR_POINT_PX)
