"""The last part of a pixel: a robust fit of all pixels that have not changed."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from perioview.alignment_features import Start
from perioview.alignment_scale import Matrix, Scaled, band_passed, onto, reduced, same_curve

PIXELS = 40_000
BLOCK = 24
STEPS = 12


def refined(start: Start, later: Scaled, earlier: Scaled) -> Matrix:
    """Improve a start at a quarter and then at half size; (x, y, 1), full pixels."""
    transform = start.transform
    if min(later.grey.shape + earlier.grey.shape) >= 256:
        half = [reduced(image, max(image.grey.shape) // 2) for image in (later, earlier)]
        transform = _fitted(transform, start.sign, half[0], half[1])
    return _fitted(transform, start.sign, later, earlier)


def _fitted(transform: Matrix, sign: int, later: Scaled, earlier: Scaled) -> Matrix:
    """Gauss-Newton on the eight parameters of a projective map, changed areas left out."""
    import cv2

    drawn, known = onto(later, earlier, transform)
    target = band_passed(earlier.grey)
    moving = band_passed(same_curve(sign * drawn, earlier.grey, known))
    inside = cv2.erode(known.astype(np.uint8), np.ones((9, 9), np.uint8), borderValue=0) > 0
    x, y, slopes = _picked(target, inside)
    if len(x) < 500:
        return transform
    middle, reach = np.array([x.mean(), y.mean()]), max(float(np.ptp(x)), float(np.ptp(y))) / 2
    centre = np.array([[1, 0, -middle[0]], [0, 1, -middle[1]], [0, 0, reach]]) / reach
    design = _design((x - middle[0]) / reach, (y - middle[1]) / reach, slopes * reach)
    levels = target[y, x]
    block = (y // BLOCK) * (target.shape[1] // BLOCK + 1) + x // BLOCK
    here = np.eye(3)
    for _ in range(STEPS):
        step = _step(here, x, y, moving, levels, design, block)
        here = here @ np.linalg.inv(np.linalg.inv(centre) @ _map(step) @ centre)
        here /= here[2, 2]
        if np.abs(step).max() * reach < 0.005:
            break
    small = np.linalg.inv(here) @ np.linalg.inv(earlier.full_from_small) @ transform
    found = earlier.full_from_small @ small
    moved = np.abs(_moved(here, x, y)).max()
    return np.asarray(found) if moved < 0.1 * max(target.shape) else transform


def _picked(target: Any, inside: Any) -> tuple[Any, Any, NDArray[np.float64]]:
    """Take the pixels with the steepest slopes, at most `PIXELS`; the rest says little."""
    down, across = (np.gradient(target, axis=axis) for axis in (0, 1))
    steep = down * down + across * across
    steep[~inside] = 0
    steep[:2] = steep[-2:] = 0
    steep[:, :2] = steep[:, -2:] = 0
    usable = int(np.count_nonzero(steep))
    if usable == 0:
        return np.zeros(0, int), np.zeros(0, int), np.zeros((2, 0))
    enough = min(PIXELS, max(usable // 3, 1))
    floor = np.partition(steep.ravel(), -enough)[-enough]
    y, x = np.nonzero(steep >= max(float(floor), 1e-12))
    return x, y, np.array([across[y, x], down[y, x]], dtype=float)


def _design(x: Any, y: Any, slopes: Any) -> Any:
    gx, gy = slopes
    pull = -(gx * x + gy * y)
    return np.column_stack([gx * x, gx * y, gx, gy * x, gy * y, gy, pull * x, pull * y])


def _map(step: Any) -> Matrix:
    return np.array(
        [[1 + step[0], step[1], step[2]], [step[3], 1 + step[4], step[5]], [step[6], step[7], 1.0]]
    )


def _where(here: Matrix, x: Any, y: Any) -> tuple[Any, Any]:
    below = here[2, 0] * x + here[2, 1] * y + here[2, 2]
    return (
        (here[0, 0] * x + here[0, 1] * y + here[0, 2]) / below,
        (here[1, 0] * x + here[1, 1] * y + here[1, 2]) / below,
    )


def _moved(here: Matrix, x: Any, y: Any) -> Any:
    u, v = _where(here, x, y)
    return np.hypot(u - x, v - y)


def _step(
    here: Matrix, x: Any, y: Any, moving: Any, levels: Any, design: Any, block: Any
) -> NDArray[np.float64]:
    """One inverse-compositional step with weights per pixel and per neighbourhood."""
    import cv2

    u, v = _where(here, x, y)
    seen = _sampled(cv2, moving, u, v)
    left = seen - levels
    spread = 1.4826 * float(np.median(np.abs(left))) + 1e-9
    weight = 1 / (1 + (left / (2 * spread)) ** 2) ** 2
    count = np.bincount(block)
    share = np.bincount(block, weight) / np.maximum(count, 1)
    usual = float(np.median(share[count > 10])) if (count > 10).any() else 1.0
    weight = weight * np.minimum(share[block] / max(usual, 1e-9), 1.0) ** 4
    weighted = design * weight[:, None]
    normal = weighted.T @ design
    normal[np.diag_indices(8)] *= 1 + 1e-6
    return np.asarray(np.linalg.solve(normal, weighted.T @ left))


def _sampled(cv2: Any, image: Any, u: Any, v: Any) -> Any:
    """Read an image at real-numbered points; remap wants rows shorter than 32767."""
    wide = 256
    short = -len(u) % wide
    at = [np.pad(z, (0, short)).astype(np.float32).reshape(-1, wide) for z in (u, v)]
    read = cv2.remap(image.astype(np.float32), at[0], at[1], cv2.INTER_CUBIC)
    return read.ravel()[: len(u)].astype(float)
