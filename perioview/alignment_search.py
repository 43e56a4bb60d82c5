"""Starts for an alignment by trying turns and sizes, and every shift at once."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from perioview.alignment_features import Start
from perioview.alignment_scale import Matrix, Scaled, band_passed, full_from_small

COARSE_PX = 160
TURNS_DEG = tuple(range(-14, 15, 2))
SIZES = (0.92, 1.0, 1.09)


def correlation_starts(later: Scaled, earlier: Scaled) -> Iterator[Start]:
    """Yield the best guess by correlation for each handedness, the better one first."""
    found = [_best(later, earlier, mirrored) for mirrored in (False, True)]
    for _, start in sorted(found, key=lambda pair: -pair[0]):
        yield start


def _best(later: Scaled, earlier: Scaled, mirrored: bool) -> tuple[float, Start]:
    import cv2

    step = max(max(later.grey.shape), max(earlier.grey.shape)) / COARSE_PX
    fixed, fixed_map = _coarse(earlier, step)
    moving, moving_map = _coarse(later, step)
    size = int(2 ** np.ceil(np.log2(1.6 * COARSE_PX)))
    spectrum = np.conj(np.fft.rfft2(_placed(fixed, size)))
    weight = np.conj(np.fft.rfft2(_placed(np.ones_like(fixed), size)))
    best: tuple[float, Start] = (-1.0, Start(np.eye(3), 1, 0))
    rows, cols = moving.shape
    for turn in TURNS_DEG:
        for scale in SIZES:
            turned = np.eye(3)
            turned[:2] = cv2.getRotationMatrix2D(((cols - 1) / 2, (rows - 1) / 2), turn, scale)
            if mirrored:
                turned = turned @ np.array([[-1, 0, cols - 1], [0, 1, 0], [0, 0, 1.0]])
            drawn = cv2.warpAffine(moving, turned[:2], (cols, rows))
            inside = cv2.warpAffine(np.ones_like(moving), turned[:2], (cols, rows))
            score = _score(drawn, inside, spectrum, weight, size)
            at = np.unravel_index(int(np.abs(score).argmax()), score.shape)
            if abs(score[at]) > best[0]:
                dy, dx = (int(z) if z < size // 2 else int(z) - size for z in at)
                shift = np.array([[1, 0, -dx], [0, 1, -dy], [0, 0, 1.0]])
                whole = fixed_map @ shift @ turned @ np.linalg.inv(moving_map)
                best = (abs(float(score[at])), Start(whole, 1 if score[at] > 0 else -1, 0))
    return best


def _coarse(image: Scaled, step: float) -> tuple[Any, Matrix]:
    import cv2

    rows, cols = (max(24, round(n / step)) for n in image.grey.shape)
    small = cv2.resize(image.grey, (cols, rows), interpolation=cv2.INTER_AREA)
    return band_passed(small, 1.0, 6.0), full_from_small(image.full_shape, (rows, cols))


def _placed(image: Any, size: int) -> Any:
    placed = np.zeros((size, size), np.float32)
    placed[: image.shape[0], : image.shape[1]] = image
    return placed


def _score(drawn: Any, inside: Any, spectrum: Any, weight: Any, size: int) -> Any:
    """Correlation at every shift, per shared pixel, small overlaps damped."""
    product = np.fft.irfft2(np.fft.rfft2(_placed(drawn, size)) * spectrum, (size, size))
    shared = np.fft.irfft2(np.fft.rfft2(_placed(inside, size)) * weight, (size, size))
    enough = 0.3 * float(shared.max())
    return np.where(shared > enough, product / np.maximum(shared, enough), 0)
