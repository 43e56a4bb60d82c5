"""From a clean picture of a tooth row to a radiograph: detector, curve, file; training only."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]
Place = Callable[[float, float], tuple[float, float]]


def noise(
    rng: np.random.Generator, shape: tuple[int, int], size: float, tail: float = 0.0
) -> Array:
    """Blurred white noise of unit SD, `size` px wide; `tail` mixes in coarser scales."""
    total = np.zeros(shape, np.float32)
    for k in range(3 if tail > 0 else 1):
        s = max(size * 2.5**k, 0.3)
        shrink = max(int(s / 2), 1)
        small = (shape[0] // shrink + 4, shape[1] // shrink + 4)
        part = rng.standard_normal(small, dtype=np.float32)
        part = cv2.GaussianBlur(part, (0, 0), s / shrink)
        part = cv2.resize(
            part, (small[1] * shrink, small[0] * shrink), interpolation=cv2.INTER_CUBIC
        )
        part = part[shrink : shrink + shape[0], shrink : shrink + shape[1]]
        total += (tail**k if k else 1.0) * part / part.std()
    unit: Array = total / total.std()
    return unit


def trabeculae(rng: np.random.Generator, shape: tuple[int, int], mm: float) -> Array:
    """Bone texture about zero, of unit SD: clouds, a net of bright ridges, pits, or streaks."""
    size = rng.uniform(0.08, 0.5) / mm
    kind = rng.integers(0, 5)
    if kind == 0:
        out = noise(rng, shape, size, rng.uniform(0.3, 0.9))
    elif kind == 1:  # bright net: near the zero of a smooth field
        field = noise(rng, shape, size * rng.uniform(1, 2))
        out = np.exp(-((field / rng.uniform(0.15, 0.5)) ** 2))
    elif kind == 2:  # dark pits of random size
        out = -np.clip(noise(rng, shape, size) - rng.uniform(0, 1), 0, rng.uniform(0.3, 3))
    elif kind == 3:  # streaks: a stretched cloud
        wide = noise(rng, (shape[0], max(shape[1] // 3, 8)), size, 0.5)
        out = cv2.resize(wide, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)
        out = out if rng.random() < 0.5 else noise(rng, shape, size, 0.5) + out
    else:
        field = noise(rng, shape, size * 1.5)
        net = np.exp(-((field / rng.uniform(0.15, 0.4)) ** 2))
        out = net / net.std() + rng.uniform(0.3, 1.5) * noise(rng, shape, size, 0.6)
    out = out - out.mean()
    unit: Array = (out / max(float(out.std()), 1e-6)).astype(np.float32)
    return unit


def turned(
    rng: np.random.Generator, picture: Array, left: float, top: float, fine: float, mm: float
) -> tuple[Array, Place]:
    """Turn, flip and resample the picture (its corner at left, top) to a radiograph's pixels."""
    h, w = picture.shape[0] * fine, picture.shape[1] * fine
    angle = np.radians(rng.normal(0, 12) if rng.random() < 0.85 else rng.uniform(-180, 180))
    flip = np.array([rng.choice([-1.0, 1.0]), rng.choice([-1.0, 1.0])])
    c, s = np.cos(angle), np.sin(angle)
    turn = np.array([[c, -s], [s, c]]) @ np.diag(flip)
    margin = rng.uniform(-0.6, 1.5)
    half = np.abs(turn) @ np.array([w, h]) / 2 * 0.94 + margin
    cols, rows = int(2 * half[0] / mm), int(2 * half[1] / mm)
    mid = np.array([left + w / 2, top + h / 2])
    # Pixel (c, r) lies at mid + turn^T ((c, r) mm - half); in px of the fine picture:
    back = turn.T * mm / fine
    offset = (mid - turn.T @ half - np.array([left, top])) / fine
    warp = np.column_stack([back, offset]).astype(np.float64)
    out = cv2.warpAffine(
        picture.astype(np.float32),
        warp,
        (cols, rows),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REFLECT_101,
    )

    def place(x: float, y: float) -> tuple[float, float]:
        col, row = (turn @ (np.array([x, y]) - mid) + half) / mm
        return float(row), float(col)

    return out, place


def exposed(rng: np.random.Generator, grey: Array, mm: float) -> tuple[NDArray[np.generic], bool]:
    """Blur, noise, sharpening, tone curve, clutter, bit depth, compression and polarity."""
    shape = grey.shape
    grey = cv2.GaussianBlur(grey.astype(np.float32), (0, 0), max(rng.uniform(0.02, 0.12) / mm, 0.2))
    low, high = np.quantile(grey[::3, ::3], [0.002, 0.998])
    grey = (grey - low) / max(float(high - low), 1e-6)
    if rng.random() < 0.4:
        y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
        a, b = rng.normal(0, 0.08, 2)
        grey = grey + a * (x / shape[1] - 0.5) + b * (y / shape[0] - 0.5)
    sd = 10 ** rng.uniform(-2.6, -1.3)
    grain = (
        noise(rng, shape, rng.uniform(0.4, 1.2))
        if rng.random() < 0.5
        else rng.standard_normal(shape, dtype=np.float32)
    )
    if rng.random() < 0.5:
        grain = grain * np.sqrt(np.clip(1.2 - grey, 0.1, 2))
    grey = grey + sd * grain
    if rng.random() < 0.45:
        soft = cv2.GaussianBlur(grey, (0, 0), max(10 ** rng.uniform(-1.2, 0) / mm, 0.5))
        grey = grey + rng.uniform(0.2, 2.0) * (grey - soft)
    grey = np.clip(grey, 0, 1) if rng.random() < 0.7 else np.clip(grey, -0.3, 1.5)
    grey = _curve(rng, grey)
    if rng.random() < 0.15:
        lifted = cv2.createCLAHE(rng.uniform(1.5, 4), (int(rng.integers(3, 9)),) * 2)
        grey = lifted.apply((grey * 65535).astype(np.uint16)).astype(np.float32) / 65535
    if rng.random() < 0.12:
        _clutter(rng, grey)
    inverted = bool(rng.random() < 0.3)
    grey = 1 - grey if inverted else grey
    if rng.random() < 0.6:
        small = np.clip(255 * grey, 0, 255).astype(np.uint8)
        if rng.random() < 0.5:
            quality = [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(30, 96))]
            packed = cv2.imencode(".jpg", small, quality)[1]
            small = np.asarray(cv2.imdecode(packed, cv2.IMREAD_GRAYSCALE))
        return small, inverted
    return np.clip(4095 * grey, 0, 65535).astype(np.uint16), inverted


def _curve(rng: np.random.Generator, grey: Array) -> Array:
    low, high = float(grey.min()), float(grey.max())
    grey = (grey - low) / max(high - low, 1e-6)
    kind = rng.integers(0, 4)
    if kind == 0:
        grey = grey ** np.exp(rng.normal(0, 0.4))
    elif kind == 1:
        grey = 1 / (1 + np.exp(-rng.uniform(3, 8) * (grey - rng.uniform(0.35, 0.6))))
    elif kind == 2:
        knots = np.sort(np.append(rng.uniform(0, 1, 4), [0, 1]))
        grey = np.interp(grey, np.linspace(0, 1, 6), 0.5 * knots + 0.5 * np.linspace(0, 1, 6))
    if rng.random() < 0.3:
        a, b = rng.uniform(-0.05, 0.08), rng.uniform(0.85, 1.05)
        grey = (grey - a) / (b - a)
    return np.clip(grey, 0, 1).astype(np.float32)


def _clutter(rng: np.random.Generator, grey: Array) -> None:
    rows, cols = grey.shape
    for _ in range(int(rng.integers(1, 4))):
        at = (int(rng.integers(0, cols)), int(rng.integers(0, rows)))
        to = (at[0] + int(rng.normal(0, 60)), at[1] + int(rng.normal(0, 60)))
        level = float(rng.choice([0.0, 1.0]))
        if rng.random() < 0.5:
            cv2.line(grey, at, to, level, int(rng.integers(1, 12)))
        else:
            mask = np.zeros(grey.shape, np.uint8)
            cv2.putText(mask, "R 3", at, cv2.FONT_HERSHEY_SIMPLEX, rng.uniform(0.5, 2), 255, 2)
            grey[mask > 0] = level
    if rng.random() < 0.4:
        side = int(rng.integers(2, 25))
        grey[:side] = 0.0
