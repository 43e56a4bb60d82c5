"""Starts for an alignment from matched features, whatever the polarity or handedness."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from perioview.alignment_scale import Matrix, Scaled, band_passed, onto, reduced

PLENTY = 40
FEATURES = 2000
FEATURE_PX = 700
"""Longer side at which features are sought; the dense fit finds the rest."""
RATIO = 0.85


@dataclass(frozen=True, slots=True)
class Start:
    """A first guess: (x, y, 1) of the full later image onto the full earlier one.

    `sign` is -1 when one image is the other's negative; `matches` counts the features
    that agree on the guess, 0 when it came from correlation.
    """

    transform: Matrix
    sign: int
    matches: int


def feature_starts(later: Scaled, earlier: Scaled) -> Iterator[Start]:
    """Yield the best guesses, likeliest first, from scale-invariant features."""
    at_later, of_later = _features(later)
    at_earlier, of_earlier = _features(earlier)
    if min(len(at_later), len(at_earlier)) < 8:
        return
    found = []
    for mirrored in (False, True):
        # The robust fit refuses maps that turn a left hand into a right one: mirror first.
        flip = np.array([-1.0 if mirrored else 1.0, 1.0])
        for sign in (1, -1):
            cells = _seen(of_later, mirrored=mirrored, sign=sign)
            start = _start(cells, at_later * flip, of_earlier, at_earlier, sign)
            if start is not None:
                start = replace(start, transform=start.transform @ np.diag([*flip, 1.0]))
            if start is not None and start.matches >= PLENTY:
                yield start
            elif start is not None:
                found.append(start)
    yield from sorted(found, key=lambda start: -start.matches)


def _features(image: Scaled) -> tuple[NDArray[np.float64], NDArray[np.float32]]:
    """Find positions in full pixels, (x, y), and root-SIFT descriptors."""
    import cv2

    image = reduced(image, FEATURE_PX)
    byte = (image.grey * 255).astype(np.uint8)
    byte = cv2.createCLAHE(clipLimit=3.0, tileGridSize=(8, 8)).apply(byte)
    sift = cv2.SIFT.create(nfeatures=FEATURES, contrastThreshold=0.02)
    keys, found = sift.detectAndCompute(byte, None)
    if found is None or not keys:
        return np.zeros((0, 2)), np.zeros((0, 128), np.float32)
    at = np.array([key.pt for key in keys], dtype=float)
    at = at * np.diag(image.full_from_small)[:2] + image.full_from_small[:2, 2]
    found = np.sqrt(found / np.maximum(found.sum(axis=1, keepdims=True), 1e-9))
    return at, np.ascontiguousarray(found, dtype=np.float32)


def _seen(found: NDArray[np.float32], *, mirrored: bool, sign: int) -> NDArray[np.float32]:
    """Describe the same spots as a mirror image or a negative would.

    In its own frame a negative's descriptor is the same one with its 4 x 4 cells turned by
    half a turn; a mirror image reverses the cells across the axis and the sense of angles.
    """
    cells = found.reshape(-1, 4, 4, 8)
    if mirrored:
        cells = cells[:, ::-1, :, (-np.arange(8)) % 8]
    if sign < 0:
        cells = cells[:, ::-1, ::-1]
    return np.ascontiguousarray(cells.reshape(-1, 128))


def _start(
    of_later: Any, at_later: Any, of_earlier: Any, at_earlier: Any, sign: int
) -> Start | None:
    import cv2

    likeness = of_later @ of_earlier.T
    first = likeness.argmax(axis=1)
    index = np.arange(len(first))
    top = likeness[index, first]
    mutual = likeness.argmax(axis=0)[first] == index
    likeness[index, first] = -1
    apart, next_apart = (np.sqrt(np.maximum(2 - 2 * x, 0)) for x in (top, likeness.max(axis=1)))
    good = mutual & (apart < RATIO * next_apart)
    if good.sum() < 6:
        return None
    transform, inlier = cv2.findHomography(
        at_later[good],
        at_earlier[first[good]],
        cv2.USAC_MAGSAC,
        4.0,
        maxIters=2000,
        confidence=0.999,
    )
    if transform is None or inlier is None:
        return None
    return Start(np.asarray(transform, dtype=float), sign, int(inlier.sum()))


def polarity(transform: Matrix, later: Scaled, earlier: Scaled) -> int:
    """Tell whether the later image is the negative of the earlier: -1, else 1."""
    drawn, known = onto(later, earlier, transform)
    product = band_passed(drawn) * band_passed(earlier.grey)
    return -1 if float(product[known].sum()) < 0 else 1
