"""Camera of the held-out plaque generator: its own sensitivities, 3x3 mixing, tone and JPEG."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from .painted_surfaces import BANDS, hump

Array = NDArray[np.float32]


def daylight(kelvin: float) -> NDArray[np.float64]:
    """Thermal light of unit mean over the bands."""
    metres = BANDS * 1e-9
    power = metres**-5 / np.expm1(1.4388e-2 / (metres * kelvin))
    return np.asarray(power / power.mean(), np.float64)


def flash(rng: np.random.Generator) -> NDArray[np.float64]:
    """A white LED ring: a blue pump and a broad phosphor."""
    power = rng.uniform(0.5, 0.9) * hump(450, 14) + hump(565, rng.uniform(55, 80))
    return np.asarray(power / power.mean(), np.float64)


def sensitivities(rng: np.random.Generator) -> NDArray[np.float64]:
    """Bands by channel (R, G, B)."""
    red = hump(rng.uniform(595, 612), rng.uniform(20, 28), -0.15) + 0.03 * hump(440, 15)
    green = hump(rng.uniform(528, 542), rng.uniform(24, 32))
    blue = hump(rng.uniform(455, 468), rng.uniform(18, 26), 0.1)
    return np.stack([red, green, blue], 1)


def mixing(rng: np.random.Generator) -> NDArray[np.float64]:
    """3x3 colour matrix whose rows sum to 1: the neighbour's share mostly taken off."""
    off = np.array(
        [
            [0.0, rng.uniform(-0.3, 0.06), rng.uniform(-0.05, 0.05)],
            [rng.uniform(-0.12, 0.06), 0.0, rng.uniform(-0.12, 0.05)],
            [rng.uniform(-0.04, 0.04), rng.uniform(-0.25, 0.06), 0.0],
        ]
    )
    return off + np.diag(1 - off.sum(1))


def developed(
    rng: np.random.Generator, light: Array, blur: float, noise: float, jpeg: int
) -> NDArray[np.uint8]:
    """Blur, sensor noise, tone curve and JPEG of linear RGB whose white is 1."""
    light = cv2.GaussianBlur(light, (0, 0), blur) if blur else light
    grain = rng.standard_normal(light.shape, dtype=np.float32)
    grain = grain * np.sqrt(np.clip(light, 0.01, 1.5)) * np.float32(noise)
    light = np.clip(light + grain, 0, 1)
    knee = np.float32(rng.uniform(0.0, 0.12))
    toned = light * (1 + knee * (1 - light) * (light - np.float32(0.35)) * 2)
    low, high = 12.92 * toned, 1.055 * np.maximum(toned, 1e-6) ** np.float32(1 / 2.4) - 0.055
    grey = np.where(toned <= 0.0031308, low, high)
    rgb = np.asarray(np.round(255 * np.clip(grey, 0, 1)), np.uint8)
    if not jpeg:
        return rgb
    _, data = cv2.imencode(".jpg", rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, jpeg])
    back = cv2.imdecode(data, cv2.IMREAD_COLOR)
    assert back is not None
    return np.ascontiguousarray(back[..., ::-1], np.uint8)
