"""From arriving dose to a file: plate blur, grain, grey curves, sharpening, bit depth."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

CURVES = ("log", "root", "film", "linear", "local")


def recorded(
    rng: np.random.Generator, dose: NDArray[np.float32], pitch: float
) -> NDArray[np.float32]:
    """Blur and grain of a phosphor plate or a sensor; dose is 1 in the open beam.

    The blur's width is that of plates whose response falls to a tenth at 6 to 12 line pairs per
    mm (facts.md 4c); quanta per pixel are our choice.
    """
    reach = float(rng.uniform(6.0, 12.0))
    sigma = np.sqrt(np.log(10) / 2) / (np.pi * reach)
    quanta = float(np.exp(rng.uniform(np.log(1500), np.log(12000)))) * (pitch / 0.04) ** 2
    first = cv2.GaussianBlur(dose, (0, 0), max(0.8 * sigma / pitch, 0.3))
    grains = rng.normal(size=dose.shape).astype(np.float32)
    noisy = first + grains * np.sqrt(np.maximum(first, 1e-4) / np.float32(quanta))
    out = cv2.GaussianBlur(noisy, (0, 0), max(0.6 * sigma / pitch, 0.3))
    out = out + rng.normal(0, 0.0008, dose.shape).astype(np.float32)
    return np.maximum(out, 2e-4).astype(np.float32)


def _stretched(grey: NDArray[np.float32], low: float, high: float) -> NDArray[np.float32]:
    a, b = np.percentile(grey[::3, ::3], [low, high])
    return np.clip((grey - a) / max(float(b - a), 1e-6), 0, 1)


def grey(rng: np.random.Generator, dose: NDArray[np.float32], pitch: float) -> NDArray[np.float32]:
    """Map dose to greys between 0 and 1, dense parts bright, by one of `CURVES`."""
    curve = str(rng.choice(CURVES, p=[0.25, 0.2, 0.2, 0.15, 0.2]))
    density = -np.log10(dose)
    if curve == "log":
        out = _stretched(density, 0.5, 99.8)
    elif curve == "root":
        out = _stretched(1 - dose ** np.float32(rng.uniform(0.35, 0.55)), 0.5, 99.9)
    elif curve == "film":
        middle = np.percentile(density[::3, ::3], 55)
        out = 1 / (1 + np.exp(-(density - middle) * np.float32(rng.uniform(4.0, 6.5))))
        out = _stretched(out.astype(np.float32), 0.2, 99.9)
    elif curve == "linear":
        out = _stretched(1 - dose, 20.0, 99.9)
    else:
        base = np.rint(255 * _stretched(density, 0.5, 99.8)).astype(np.uint8)
        tiles = int(rng.integers(3, 7))
        clahe = cv2.createCLAHE(float(rng.uniform(1.2, 2.5)), (tiles, tiles))
        out = clahe.apply(base).astype(np.float32) / 255
    if rng.random() < 0.35:
        wide = cv2.GaussianBlur(out, (0, 0), float(rng.uniform(0.1, 0.35)) / pitch)
        out = np.clip(out + float(rng.uniform(0.3, 0.9)) * (out - wide), 0, 1)
    return out.astype(np.float32)


def exported(
    rng: np.random.Generator, greys: NDArray[np.float32]
) -> tuple[NDArray[np.uint8] | NDArray[np.uint16], bool]:
    """Quantise, sometimes through JPEG, sometimes with low values dense (second value true)."""
    inverted = bool(rng.random() < 0.25)
    shown = 1 - greys if inverted else greys
    if rng.random() < 0.4:
        top = 4095 if rng.random() < 0.7 else 65535
        return np.rint(shown * top).astype(np.uint16), inverted
    small = np.rint(shown * 255).astype(np.uint8)
    if rng.random() < 0.4:
        done, code = cv2.imencode(
            ".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(82, 97))]
        )
        small = cv2.imdecode(code, cv2.IMREAD_GRAYSCALE) if done else small
    return small, inverted
