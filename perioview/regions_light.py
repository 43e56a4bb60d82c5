"""Brightness of a photo that stain and glare hardly change: what outlines are told by."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Field = NDArray[np.float32]

# Weights of log R, G, B that cancel pink, and those that cancel pink and purple together; each
# sums to 1, so that shade and darkness count in full. From the hues in data/plaque.toml.
BLIND_TO_PINK = (1.12, -0.12, 0.0)
BLIND_TO_BOTH = (0.37, -0.65, 1.28)


def reduced_photo(rgb: NDArray[np.uint8]) -> tuple[NDArray[np.uint8], float]:
    """Reduce a photo to the size outlines are sought in, glare filled in; with the factor.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (rows, cols, 3)
        sRGB.
    """
    import cv2

    from perioview.regions_network import REDUCED

    scale = max(1.0, max(rgb.shape[:2]) / REDUCED)
    size = (max(2, round(rgb.shape[1] / scale)), max(2, round(rgb.shape[0] / scale)))
    small = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA) if scale > 1 else rgb
    return without_glare(small), scale


def without_glare(rgb: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Fill glare in from around it; sRGB, shape (rows, cols, 3)."""
    import cv2

    from perioview.plaque_density import GLARE

    core = (rgb.min(axis=2) >= GLARE - 10).astype(np.uint8)
    if not core.any() or core.mean() > 0.1:
        return rgb
    halo = cv2.dilate(core, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (7, 7)))
    filled: NDArray[np.uint8] = cv2.inpaint(rgb, halo, 3, cv2.INPAINT_TELEA)
    return filled


def stain_blind(rgb: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Two readings of brightness that stain hardly changes, smoothed; shape (rows, cols, 2)."""
    import cv2

    from perioview.plaque_density import log_light

    smooth = cv2.GaussianBlur(without_glare(rgb), (5, 5), 0)
    logs = cv2.LUT(smooth, np.maximum(log_light(), np.float32(-1.7)))
    weights = np.array([BLIND_TO_PINK, BLIND_TO_BOTH], np.float32)
    features: NDArray[np.float32] = cv2.transform(logs, weights)
    return features


def common_change(change: NDArray[np.float32]) -> Field:
    """Change that both readings agree on: a stain's edge shows in one of them only."""
    first, second = change[..., 0], change[..., 1]
    both: Field = np.where(
        first * second > 0, np.sign(first) * np.minimum(np.abs(first), np.abs(second)), 0
    )
    return both
