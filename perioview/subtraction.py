"""The difference of two aligned radiographs, and which of it is more than noise."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from perioview.alignment import SWAP, Alignment
from perioview.grey_levels import rank_curve, unchanged

Grey = NDArray[np.float32]
Mask = NDArray[np.bool_]

SMOOTH_PX = 2.0
SIGNIFICANT = 4.0
"""Standard deviations of the local noise that a change has to exceed."""
PASSES = (10.0, SIGNIFICANT, SIGNIFICANT)
"""Changed areas leave the curve step by step, the plainest first."""
LEAST_AREA_PX = 60
CLIPPED_SHARE = 0.2
GAIN_RGB = (0, 114, 178)
LOSS_RGB = (230, 159, 0)
"""Blue and orange of a palette made for colour-blind readers (Okabe and Ito 2008)."""
_BINS = 14


@dataclass(frozen=True, slots=True)
class Difference:
    """What changed from the earlier image to the later one, on the grid of the earlier.

    Parameters
    ----------
    change : ndarray of float32, shape (rows, cols)
        Later minus earlier in grey levels of the earlier image; 0 where not both are known.
    later : ndarray of float32, shape (rows, cols)
        The later image with the earlier one's position and grey levels.
    noise : ndarray of float32, shape (rows, cols)
        One standard deviation of the smoothed change where nothing changed, by pixel.
    noise_sd : float
        Standard deviation of the unsmoothed change over unchanged areas.
    known : ndarray of bool, shape (rows, cols)
        Where both images show something.
    gain, loss : ndarray of bool, shape (rows, cols)
        Significantly denser, or less dense, at the later visit.
    """

    change: Grey
    later: Grey
    noise: Grey
    noise_sd: float
    known: Mask
    gain: Mask
    loss: Mask


def aligned_later(
    later: ArrayLike, shape: tuple[int, int], alignment: Alignment
) -> tuple[Grey, Mask]:
    """Draw the later image on the grid of the earlier one.

    Parameters
    ----------
    later : array_like, shape (rows, cols) or (rows, cols, channels)
    shape : tuple of int
        Rows and columns of the earlier image.
    alignment : Alignment

    Returns
    -------
    tuple of ndarray
        The image as float32, and where it is known.
    """
    import cv2

    pixels = np.asarray(later, dtype=np.float32)
    matrix = SWAP @ alignment.transform @ SWAP
    size = (shape[1], shape[0])
    drawn = cv2.warpPerspective(
        pixels, matrix, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
    )
    inside = np.full(pixels.shape[:2], 255, np.uint8)
    known = cv2.warpPerspective(inside, matrix, size, flags=cv2.INTER_LINEAR) == 255
    return np.asarray(drawn, dtype=np.float32), np.asarray(known)


def matched_grey(later: ArrayLike, earlier: ArrayLike, where: Mask | None = None) -> Grey:
    """Give the later image the grey levels of the earlier one by a monotone curve.

    The curve takes each level to the one with the same share of pixels below it; it knows
    nothing of exposure or contrast curve and needs no reference wedge.

    Parameters
    ----------
    later, earlier : array_like, shape (rows, cols)
        Aligned, of the same polarity.
    where : ndarray of bool, optional
        Pixels whose levels set the curve; all by default.

    Returns
    -------
    ndarray of float32, shape (rows, cols)

    References
    ----------
    .. [1] Ruttimann, Webber and Schmidt 1986, J Periodontal Res 21:486-495: a robust digital
       method for film contrast correction in subtraction radiography.
    """
    moving, fixed = (np.asarray(image, dtype=np.float32) for image in (later, earlier))
    chosen = np.ones(moving.shape, bool) if where is None else where
    curve = rank_curve(_thinned(moving[chosen]), _thinned(fixed[chosen]))
    return np.asarray(np.interp(moving.ravel(), *curve).reshape(moving.shape), dtype=np.float32)


def _unchanged(drawn: Grey, fixed: Grey, known: Mask) -> Mask:
    """Pixels to read the curve from: both images smoothed, the usual pairs of levels."""
    import cv2

    soft, hard = (cv2.GaussianBlur(image, (0, 0), SMOOTH_PX) for image in (drawn, fixed))
    found = np.zeros(known.shape, bool)
    found[::2, ::2][known[::2, ::2]] = unchanged(
        soft[::2, ::2][known[::2, ::2]], hard[::2, ::2][known[::2, ::2]]
    )
    return found if found.any() else known


def _thinned(values: Grey, most: int = 400_000) -> Grey:
    return values[:: max(1, values.size // most)]


def difference(later: ArrayLike, earlier: ArrayLike, alignment: Alignment) -> Difference:
    """Subtract the aligned, grey-matched images and tell change from noise.

    Parameters
    ----------
    later, earlier : array_like, shape (rows, cols)
        Grey levels; dense is bright in the earlier image.
    alignment : Alignment
        Of the later onto the earlier.

    Returns
    -------
    Difference
        The noise is measured on the pair itself, by slope of the picture, since what is left
        of misalignment shows at edges.
    """
    import cv2

    fixed = np.asarray(earlier, dtype=np.float32)
    moving = np.asarray(later, dtype=np.float32)
    drawn, known = aligned_later(-moving if alignment.inverted else moving, fixed.shape, alignment)
    known = cv2.erode(known.astype(np.uint8), np.ones((7, 7)), borderValue=0) > 0
    if not known.any():
        empty = np.zeros(fixed.shape, np.float32)
        nowhere = np.zeros(fixed.shape, bool)
        return Difference(empty, drawn, empty, 0.0, nowhere, nowhere, nowhere)
    same = _unchanged(drawn, fixed, known)
    for limit in PASSES:
        level = matched_grey(drawn, fixed, same)
        change = np.where(known, level - fixed, 0).astype(np.float32)
        smooth = cv2.GaussianBlur(change, (0, 0), SMOOTH_PX)
        noise = _noise(smooth, fixed, same)
        ratio = smooth / noise
        same = known & (np.abs(ratio) < limit)
    # A level at its end says only "this or beyond": the change may be less than it seems.
    (black_before, white_before), (black_after, white_after) = (
        _ends(fixed, fixed),
        _ends(drawn, -moving if alignment.inverted else moving),
    )
    return Difference(
        change=change,
        later=level,
        noise=noise,
        noise_sd=_spread(_thinned(change[same])),
        known=known,
        gain=_areas(known & (ratio > SIGNIFICANT) & ~white_before & ~black_after),
        loss=_areas(known & (ratio < -SIGNIFICANT) & ~black_before & ~white_after),
    )


def _ends(image: Grey, source: Grey) -> tuple[Mask, Mask]:
    """Where a good share of the neighbourhood lies at the lowest, and at the highest level.

    `source` is the image as it was stored: drawn anew it overshoots its own levels.
    """
    import cv2

    low, high = float(source.min()), float(source.max())
    reach = 2e-3 * (high - low)
    black, white = (
        cv2.blur(at_end.astype(np.float32), (9, 9)) > CLIPPED_SHARE
        for at_end in (image <= low + reach, image >= high - reach)
    )
    return np.asarray(black), np.asarray(white)


def _spread(values: Any) -> float:
    """Robust standard deviation: 1.4826 times the median absolute deviation."""
    return float(1.4826 * np.median(np.abs(values - np.median(values)))) if len(values) else 0.0


def _noise(smooth: Grey, fixed: Grey, same: Mask) -> Grey:
    """Spread of the change by the picture's own slope and by its level, the larger of the two.

    What is left of misalignment shows at edges; grain depends on the level, most of all where
    one of the two images is clipped at black and the other is not.
    """
    import cv2

    soft = cv2.GaussianBlur(fixed, (0, 0), SMOOTH_PX)
    slope = np.hypot(cv2.Sobel(soft, cv2.CV_32F, 1, 0), cv2.Sobel(soft, cv2.CV_32F, 0, 1))
    left = _thinned(smooth[same])
    floor = 1e-6 * float(np.ptp(fixed)) + 1e-12
    by_slope = _spread_by(slope, _thinned(slope[same]), left, rising=True)
    by_level = _spread_by(soft, _thinned(soft[same]), left, rising=False)
    return np.asarray(np.maximum(by_slope, by_level) + floor, dtype=np.float32)


def _spread_by(where: Grey, key: Grey, left: Grey, *, rising: bool) -> Any:
    """Spread of what is left in bins of a key, read off for every pixel."""
    edges = np.unique(np.quantile(key, np.linspace(0, 1, _BINS + 1)))
    spans = list(itertools.pairwise(edges)) or [(-np.inf, np.inf)]
    groups = [(key >= low) & (key <= high) for low, high in spans]
    centre = [float(key[g].mean()) for g in groups if g.sum() > 20]
    spread = [_spread(left[g]) for g in groups if g.sum() > 20]
    if not spread:
        return np.full(where.shape, _spread(left), np.float32)
    return np.interp(where, centre, np.maximum.accumulate(spread) if rising else spread)


def _areas(mask: Mask) -> Mask:
    """Drop specks: what stays covers at least `LEAST_AREA_PX` connected pixels."""
    import cv2

    count, label, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8))
    big = stats[:count, cv2.CC_STAT_AREA] >= LEAST_AREA_PX
    big[0] = False
    return np.asarray(big[label])


def difference_picture(found: Difference, earlier: ArrayLike) -> NDArray[np.uint8]:
    """Show the earlier image with significant gain in blue and loss in orange.

    Parameters
    ----------
    found : Difference
    earlier : array_like, shape (rows, cols)

    Returns
    -------
    ndarray of uint8, shape (rows, cols, 3)
        sRGB.
    """
    grey = stretched(earlier)
    picture = np.repeat((0.75 * grey)[..., None], 3, axis=2)
    for mask, colour in ((found.gain, GAIN_RGB), (found.loss, LOSS_RGB)):
        picture[mask] = 0.35 * picture[mask] + 0.65 * np.array(colour)
    picture[~found.known] = 0.5 * picture[~found.known]
    return np.asarray(np.rint(picture), dtype=np.uint8)


def stretched(image: ArrayLike) -> NDArray[np.uint8]:
    """Stretch grey levels for display, 0.5 to 99.5 per cent onto 0 to 255."""
    pixels = np.asarray(image, dtype=np.float32)
    low, high = np.percentile(pixels[::3, ::3], (0.5, 99.5))
    scaled = (pixels - low) / max(float(high - low), 1e-9)
    return np.asarray(np.rint(255 * np.clip(scaled, 0, 1)), dtype=np.uint8)
