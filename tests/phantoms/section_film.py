"""From the section generator's paths to a radiograph's pixels: view, detector, curve, file.

All ranges are this generator's own choice, wider than believable.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from .finishing import noise

Array = NDArray[Any]
Place = Callable[[float, float], tuple[float, float]]


def grain_of_bone(rng: np.random.Generator, shape: tuple[int, int], fine: float) -> Array:
    """Marrow texture about zero: clouds, a net, round cells, short struts, or two of them."""
    kinds = rng.choice(4, int(rng.integers(1, 3)), replace=False)
    total = np.zeros(shape, np.float32)
    for kind in kinds:
        size = float(np.exp(rng.uniform(np.log(0.06), np.log(0.6)))) / fine
        if kind == 0:
            part = noise(rng, shape, size, rng.uniform(0, 0.9))
        elif kind == 1:
            part = np.exp(-((noise(rng, shape, size * 1.3) / rng.uniform(0.15, 0.6)) ** 2))
        elif kind == 2:
            part = _cells(rng, shape, size)
        else:
            part = _struts(rng, shape, size)
        part = part - part.mean()
        total += rng.uniform(0.3, 1) * part / max(float(part.std()), 1e-6)
    unit: Array = total / total.std()
    return unit


def _cells(rng: np.random.Generator, shape: tuple[int, int], size: float) -> Array:
    """Dark marrow spaces around scattered points, bright walls between them."""
    points = np.full(shape, 255, np.uint8)
    count = max(int(shape[0] * shape[1] / (2.5 * size) ** 2), 4)
    points[rng.integers(0, shape[0], count), rng.integers(0, shape[1], count)] = 0
    away = cv2.distanceTransform(points, cv2.DIST_L2, 3)
    return np.minimum(away / (2 * size), 1.2) ** rng.uniform(0.7, 2.5)


def _struts(rng: np.random.Generator, shape: tuple[int, int], size: float) -> Array:
    """Short bright strokes with a preferred direction."""
    part = np.zeros(shape, np.float32)
    count = min(int(shape[0] * shape[1] / (4 * size**2 + 20)), 2500)
    mean, spread = rng.uniform(0, np.pi), rng.uniform(0.1, 1.5)
    at = rng.uniform(0, 1, (count, 2)) * np.array(shape[::-1])
    turn = rng.normal(mean, spread, count)
    to = at + (rng.uniform(1, 4, count) * size)[:, None] * np.column_stack(
        [np.cos(turn), np.sin(turn)]
    )
    lines = np.stack([at, to], 1).astype(np.int32)
    cv2.polylines(part, list(lines), False, 1.0, max(int(size / 3), 1))
    return cv2.GaussianBlur(part, (0, 0), max(size / 4, 0.5))


def viewed(
    rng: np.random.Generator, picture: Array, left: float, top: float, fine: float, mm: float,
    keep: list[tuple[float, float]],
) -> tuple[Array, Place]:  # fmt: skip
    """Turn, flip and crop the picture; all points `keep` (u, v) stay inside."""
    high, wide = picture.shape
    angle = np.radians(
        rng.normal(0, 8) if (draw := rng.random()) < 0.75 else rng.normal(0, 25)
        if draw < 0.9 else rng.uniform(-180, 180)
    )  # fmt: skip
    c, s = np.cos(angle), np.sin(angle)
    turn = np.array([[c, -s], [s, c]]) @ np.diag(rng.choice([-1.0, 1.0], 2))
    box = np.array([[0, 0], [wide, 0], [0, high], [wide, high]]) * fine + [left, top]
    all_of, inside = box @ turn.T, np.array(keep) @ turn.T
    room = rng.uniform(0, 1, 4) ** rng.choice([0.5, 1, 3])
    if rng.random() < 0.75:  # few pictures show the corners where nothing was drawn
        room = room * max(1 - 2 * abs(np.sin(2 * angle)), 0.0)
    low = inside.min(0) - 0.4 - room[:2] * (inside.min(0) - all_of.min(0)).clip(0) * 0.95
    far = inside.max(0) + 0.4 + room[2:] * (all_of.max(0) - inside.max(0)).clip(0) * 0.95
    mm = max(mm, float(np.sqrt(np.prod(far - low) / 1.3e6)))
    cols, rows = (int(n) for n in np.ceil((far - low) / mm))
    back = turn.T * mm / fine
    offset = (turn.T @ low - np.array([left, top])) / fine
    border = float(rng.choice([picture.min(), picture.max()]))
    out = cv2.warpAffine(
        picture.astype(np.float32),
        np.column_stack([back, offset]),
        (cols, rows),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=int(rng.choice([cv2.BORDER_CONSTANT, cv2.BORDER_REFLECT_101])),
        borderValue=border,
    )

    def place(u: float, v: float) -> tuple[float, float]:
        col, row = (turn @ np.array([u, v]) - low) / mm
        return float(row), float(col)

    return out, place


def developed(
    rng: np.random.Generator, path: Array, mm: float, keep: list[tuple[float, float]]
) -> tuple[NDArray[np.generic], bool]:
    """Detector, tone curve and file; pixels at `keep` (row, col) are never covered."""
    shape = path.shape
    low, high = np.quantile(path[::4, ::4], [0.01, 0.99])
    # Film darkens with what passes, a sensor may store its logarithm.
    hard = rng.uniform(0.5, 2.2)
    grey = (path - low) / max(float(high - low), 1e-6)
    if rng.random() < 0.65:
        grey = (1 - np.exp(-hard * grey)) / (1 - np.exp(-hard))
    grey = cv2.GaussianBlur(grey.astype(np.float32), (0, 0), max(rng.uniform(0.01, 0.11) / mm, 0.2))
    if rng.random() < 0.35:  # scatter, heel
        grey += rng.uniform(0, 0.15) * noise(rng, shape, max(shape) / 6)
    grain = noise(rng, shape, rng.uniform(0.3, 1.5))
    grey += 10 ** rng.uniform(-2.7, -1.35) * grain * np.sqrt(np.clip(1.2 - grey, 0.15, 1.5))
    for _ in range(int(rng.choice([0, 1, 2], p=[0.5, 0.4, 0.1]))):  # edge enhancement, halos
        soft = cv2.GaussianBlur(grey, (0, 0), max(10 ** rng.uniform(-1.2, 0.1) / mm, 0.5))
        grey += rng.uniform(0.1, 1.6) * (grey - soft)
    grey = _tone(rng, grey)
    kept = grey.copy() if rng.random() < 0.2 else None
    if kept is not None:
        _cone_cut(rng, grey, mm, keep)
    if rng.random() < 0.1:
        side = int(rng.integers(0, shape[1] - 1))
        mask = np.zeros(shape, np.uint8)
        cv2.putText(mask, "L 7", (side, 40), cv2.FONT_HERSHEY_PLAIN, rng.uniform(1, 3), 255, 2)
        for row, col in keep:
            cv2.circle(mask, (int(col), int(row)), int(1.5 / mm), 0, -1)
        grey[mask > 0] = rng.choice([0.0, 1.0])
    inverted = bool(rng.random() < 0.3)
    grey = np.clip(1 - grey if inverted else grey, 0, 1)
    if rng.random() < 0.5:
        small = np.round(255 * grey).astype(np.uint8)
        if rng.random() < 0.5:
            quality = [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(35, 97))]
            small = np.asarray(
                cv2.imdecode(cv2.imencode(".jpg", small, quality)[1], cv2.IMREAD_GRAYSCALE)
            )
        return small, inverted
    return np.round((2 ** int(rng.integers(9, 17)) - 1) * grey).astype(np.uint16), inverted


def _tone(rng: np.random.Generator, grey: Array) -> Array:
    low, high = np.quantile(grey[::4, ::4], [0.002, 0.998])
    grey = np.clip((grey - low) / max(float(high - low), 1e-6), -0.1, 1.1)
    kind = rng.integers(0, 4)
    if kind == 0:
        grey = np.clip(grey, 0, None) ** np.exp(rng.normal(0, 0.35))
    elif kind == 1:
        steep, mid = rng.uniform(2, 7), rng.uniform(0.35, 0.65)
        grey = 1 / (1 + np.exp(-steep * (grey - mid)))
    elif kind == 2 and grey.size < 1.5e6:
        whole = (np.clip(grey, 0, 1) * 65535).astype(np.uint16)
        tiles = int(rng.integers(2, 8))
        local = cv2.createCLAHE(rng.uniform(1.2, 4), (tiles, tiles)).apply(whole) / np.float32(
            65535
        )
        grey = grey + rng.uniform(0.2, 1) * (local - grey)
    low, high = float(grey.min()), float(grey.max())
    grey = (grey - low) / max(high - low, 1e-6)
    a, b = rng.uniform(0, 0.25) * (rng.random() < 0.4), rng.uniform(0.75, 1.0)
    return (a + (b - a) * grey).astype(np.float32)


def _cone_cut(
    rng: np.random.Generator, grey: Array, mm: float, keep: list[tuple[float, float]]
) -> None:
    """Leave unexposed what lies beyond a circle or a straight edge, away from kept points."""
    rows, cols = grey.shape
    points = np.array(keep)
    y, x = np.mgrid[:rows, :cols].astype(np.float32)
    level = rng.choice([0.0, 1.0, float(grey.min()), float(grey.max())])
    if rng.random() < 0.6:
        centre = points.mean(0) + rng.normal(0, 3, 2) / mm
        reach = np.hypot(*(points - centre).T).max() + rng.uniform(1.0, 5.0) / mm
        away = np.hypot(y - centre[0], x - centre[1]) - reach
    else:
        turn = rng.uniform(0, 2 * np.pi)
        c, s = np.cos(turn), np.sin(turn)
        reach = (points @ np.array([c, s])).max() + rng.uniform(1.0, 4.0) / mm
        away = y * c + x * s - reach
    share = np.clip(away / max(rng.uniform(0.02, 0.4) / mm, 1) + 0.5, 0, 1)
    grey += share * (np.float32(level) - grey)
