"""From attenuation to a stored picture: exposure, scatter, blur, noise, grey curve, depth.

All figures are plausible guesses of my own; facts.md 4c gives pixel sizes only.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray


def developed(
    rng: np.random.Generator, integral: NDArray[np.float32], pitch: float
) -> tuple[NDArray[np.uint8] | NDArray[np.uint16], bool]:
    """Return the stored pixels and whether low values are dense (MONOCHROME1)."""
    through = np.exp(-integral)
    rows, cols = through.shape
    down, across = np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : cols * 1j].astype(np.float32)
    heel = 1 + rng.uniform(-0.05, 0.05) * down + rng.uniform(-0.05, 0.05) * across
    small = cv2.resize(through, (cols // 8, rows // 8), interpolation=cv2.INTER_AREA)
    haze = cv2.GaussianBlur(small, (0, 0), rng.uniform(2.5, 6.0) / pitch / 8)
    haze = cv2.resize(haze, (cols, rows), interpolation=cv2.INTER_LINEAR)
    scatter = rng.uniform(0.05, 0.25)
    exposure = heel * ((1 - scatter) * through + scatter * haze)
    blur = rng.uniform(0.03, 0.07) / pitch
    exposure = cv2.GaussianBlur(exposure, (0, 0), blur)
    quanta = rng.uniform(2.5e3, 1.2e4) * (pitch / 0.04) ** 2
    noisy = exposure + np.sqrt(exposure / quanta) * rng.standard_normal(
        exposure.shape, dtype=np.float32
    )
    grain = rng.standard_normal(exposure.shape, dtype=np.float32)
    grain = cv2.GaussianBlur(grain, (0, 0), rng.uniform(0.5, 1.2))
    noisy = np.maximum(noisy + rng.uniform(0.002, 0.006) * exposure * grain, 2e-3)
    # Either the logarithm of the exposure or a power of it, scaled to the picture's own range.
    power = rng.uniform(0.25, 0.6)
    dense = -np.log(noisy) if rng.random() < 0.6 else -(noisy**power)
    low, high = np.percentile(dense[::4, ::4], [rng.uniform(0.5, 6.0), rng.uniform(99.0, 99.9)])
    grey = np.clip((dense - low) / (high - low), -0.03, 1.08)
    grey = np.clip(grey, 0, None) ** rng.uniform(0.8, 1.25)
    if rng.random() < 0.5:
        amount, size = rng.uniform(0.2, 0.8), rng.uniform(0.1, 0.5) / pitch
        grey += amount * (grey - cv2.GaussianBlur(grey, (0, 0), size))
    bottom, top = rng.uniform(0.0, 0.08), rng.uniform(0.85, 1.0)
    grey = np.clip(bottom + (top - bottom) * grey, 0, 1)
    inverted = bool(rng.random() < 0.3)
    if inverted:
        grey = 1 - grey
    bits = int(rng.choice([8, 8, 12, 14, 16]))
    kind = np.uint8 if bits == 8 else np.uint16
    return np.round(grey * (2**bits - 1)).astype(kind), inverted
