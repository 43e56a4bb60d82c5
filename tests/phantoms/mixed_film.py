"""From densities to a file, for generator M: warp, blur, grey curve, noise, dirt, compression."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from .finishing import noise

Array = NDArray[Any]
Place = Callable[[float, float], tuple[float, float]]


def warped(
    rng: np.random.Generator,
    picture: Array,
    corner: tuple[float, float],
    fine: float,
    mm: float,
    keep: Array,
) -> tuple[Array, Place, float]:
    """Resample to the film: turned, mirrored, foreshortened and bent; all of `keep` stays inside.

    `corner` is the (x, y) of the picture's first pixel and `keep` holds (x, y) in its rows. The
    pixel grows where the film would have more than 650,000 of them; it comes back last.
    """
    angle = np.radians(rng.normal(0, 10) if rng.random() < 0.8 else rng.uniform(-180, 180))
    c, s = np.cos(angle), np.sin(angle)
    squeeze = np.array(
        [[rng.uniform(0.88, 1.12), rng.normal(0, 0.05)], [0, rng.uniform(0.85, 1.15)]]
    )
    turn = np.array([[c, -s], [s, c]]) @ np.diag(rng.choice([-1.0, 1.0], 2)) @ squeeze
    back = np.linalg.inv(turn)
    mid = keep.mean(0)
    size = float(np.ptp(keep, axis=0).max()) + 1
    bow = rng.normal(0, 0.025, 2) * (rng.random() < 0.7)
    wave, phase = rng.uniform(0, 0.012) * size * (rng.random() < 0.4), rng.uniform(0, 6)

    def bent(q: Array) -> Array:
        """Where in the jaw, from `mid`, the film point q lies: affine and a gentle bend."""
        p = q @ back.T
        u = q / size
        out: Array = np.stack(
            [
                p[..., 0] + size * bow[0] * u[..., 1] ** 2 * 2,
                p[..., 1]
                + size * bow[1] * u[..., 0] ** 2 * 2
                + wave * np.sin(7 * u[..., 0] + phase),
            ],
            -1,
        )
        return out

    def film(p: Array) -> Array:
        """Inverse of `bent`, by repeated correction."""
        q = (p - mid) @ turn.T
        for _ in range(12):
            q = q + (p - mid - bent(q)) @ turn.T
        return q

    seen = film(keep)
    low = seen.min(0) - rng.uniform(0.3, 1) - rng.uniform(0, 3, 2)
    high = seen.max(0) + rng.uniform(0.3, 1) + rng.uniform(0, 3, 2)
    mm = max(mm, float(np.sqrt(np.prod(high - low) / 6.5e5)))
    cols, rows = (int(n) for n in np.ceil((high - low) / mm))
    coarse = 8  # the bend is smooth: map every eighth pixel, interpolate the rest
    grid = np.stack(
        np.meshgrid(np.arange(0, cols + coarse, coarse), np.arange(0, rows + coarse, coarse)), -1
    )
    at = (bent(grid * mm + low) + mid - np.array(corner)) / fine
    maps = []
    for axis in (0, 1):
        # exact affine upsampling of the node values to pixel positions
        step = np.array([[1 / coarse, 0, 0], [0, 1 / coarse, 0]])
        maps.append(
            cv2.warpAffine(
                at[..., axis].astype(np.float32),
                step,
                (cols, rows),
                flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
                borderMode=cv2.BORDER_REPLICATE,
            )
        )
    out = cv2.remap(
        picture.astype(np.float32),
        maps[0],
        maps[1],
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REFLECT_101,
    )

    def place(x: float, y: float) -> tuple[float, float]:
        col, row = (film(np.array([[x, y]]))[0] - low) / mm
        return float(row), float(col)

    return out, place, mm


def _curve(rng: np.random.Generator, grey: Array) -> Array:
    """A random rising grey curve over 0 to 1."""
    kind = int(rng.integers(0, 6))
    if kind == 0:
        grey = grey ** np.exp(rng.normal(0, 0.6))
    elif kind == 1:
        steep, at = rng.uniform(2, 9), rng.uniform(0.3, 0.7)
        ends = 1 / (1 + np.exp(-steep * (np.array([0, 1]) - at)))
        grey = (1 / (1 + np.exp(-steep * (grey - at))) - ends[0]) / (ends[1] - ends[0])
    elif kind == 2:
        knots = np.cumsum(np.append(0, rng.uniform(0.15, 1, 6)))
        grey = np.interp(grey, np.linspace(0, 1, 7), knots / knots[-1])
    elif kind == 3:
        strong = rng.uniform(0.5, 7)
        grey = np.log1p(strong * grey) / np.log1p(strong)
    elif kind == 4:
        centred = 2 * grey - 1
        grey = 0.5 + 0.5 * np.sign(centred) * np.abs(centred) ** rng.uniform(0.7, 1.4)
    if rng.random() < 0.3:  # a window that clips both ends
        a, b = rng.uniform(0, 0.12), rng.uniform(0.85, 1.0)
        grey = np.clip((grey - a) / (b - a), 0, 1)
    return np.asarray(grey, np.float32)


def _shaded(rng: np.random.Generator, grey: Array) -> Array:
    rows, cols = grey.shape
    y, x = np.linspace(-0.5, 0.5, rows)[:, None], np.linspace(-0.5, 0.5, cols)[None]
    if rng.random() < 0.4:  # heel effect
        grey = grey + rng.normal(0, 0.1) * x + rng.normal(0, 0.1) * y
    if rng.random() < 0.25:
        grey = grey - rng.uniform(-0.3, 0.6) * (x**2 + y**2)
    return np.asarray(grey, np.float32)


def _dirt(rng: np.random.Generator, grey: Array) -> None:
    """Scratches, dust, grid lines, a label, the film's own edge: in place."""
    rows, cols = grey.shape
    if rng.random() < 0.15:
        for _ in range(int(rng.integers(1, 6))):
            a = (int(rng.integers(0, cols)), int(rng.integers(0, rows)))
            b = (a[0] + int(rng.normal(0, 150)), a[1] + int(rng.normal(0, 150)))
            cv2.line(grey, a, b, float(rng.uniform(0, 1)), int(rng.integers(1, 3)), cv2.LINE_AA)
    if rng.random() < 0.15:
        n = int(rng.integers(5, 80))
        for r, c in zip(rng.integers(0, rows, n), rng.integers(0, cols, n), strict=True):
            cv2.circle(grey, (int(c), int(r)), int(rng.integers(0, 3)), float(rng.random()), -1)
    if rng.random() < 0.07:
        step, off = int(rng.integers(3, 60)), rng.normal(0, 0.06)
        if rng.random() < 0.5:
            grey[:, ::step] += off
        else:
            grey[::step] += off
    if rng.random() < 0.1:
        text, at = (
            str(rng.choice(["R", "L 4", "II", "12"])),
            (int(rng.integers(0, cols)), rows // 9),
        )
        mask = np.zeros(grey.shape, np.uint8)
        cv2.putText(mask, text, at, cv2.FONT_HERSHEY_SIMPLEX, rng.uniform(0.5, 2), 255, 2)
        grey[mask > 0] = 0.95
    if rng.random() < 0.12:
        wide, level = int(rng.integers(2, 15)), float(rng.choice([0.0, 1.0]))
        cut = [np.s_[:wide], np.s_[-wide:], np.s_[:, :wide], np.s_[:, -wide:]]
        for part in rng.permutation(4)[: int(rng.integers(1, 5))]:
            grey[cut[part]] = level


def developed(rng: np.random.Generator, grey: Array, mm: float) -> tuple[NDArray[np.generic], bool]:
    """Pixels as stored and whether their grey runs the other way."""
    grey = cv2.GaussianBlur(grey, (0, 0), max(10 ** rng.uniform(-1.9, -0.75) / mm, 0.25))
    low, high = np.quantile(grey[::4, ::4], [rng.uniform(0, 0.01), rng.uniform(0.985, 1)])
    grey = _shaded(rng, (grey - low) / max(float(high - low), 1e-6))
    sd = 10 ** rng.uniform(-2.8, -1.3)
    grain = rng.standard_normal(grey.shape, dtype=np.float32)
    if rng.random() < 0.5:
        grain = cv2.GaussianBlur(grain, (0, 0), (size := rng.uniform(0.4, 1.5)))
        grain *= np.float32(1 / max(float(grain[::3, ::3].std()), 1e-6) * min(1, 1.2 / size))
    if rng.random() < 0.4:  # quantum noise: more of it where much has passed, or the reverse
        grain = grain * np.sqrt(np.clip(1.2 - grey if rng.random() < 0.6 else grey + 0.2, 0.1, 2))
    grey = grey + np.float32(sd) * grain
    if rng.random() < 0.15:
        grey = grey + np.float32(10 ** rng.uniform(-2.3, -1.4)) * noise(rng, grey.shape, 12, 0.5)
    if rng.random() < 0.4:  # halos of sharpening
        wide = max(10 ** rng.uniform(-1.3, 0) / mm, 0.5)
        soft = cv2.GaussianBlur(grey, (0, 0), min(wide, 12))
        grey = grey + np.float32(rng.uniform(0.2, 2.5)) * (grey - soft)
    if rng.random() < 0.2:  # large differences flattened
        small = cv2.resize(grey, None, fx=0.1, fy=0.1, interpolation=cv2.INTER_AREA)
        small = cv2.GaussianBlur(small, (0, 0), max(rng.uniform(1, 4) / mm / 10, 1))
        grey = grey - np.float32(rng.uniform(0.2, 0.8)) * cv2.resize(small, grey.shape[::-1])
    a, b = np.quantile(grey[::4, ::4], [0.001, 0.999])
    grey = _curve(rng, np.clip((grey - a) / max(float(b - a), 1e-6), 0, 1))
    if rng.random() < 0.15:
        tiles = (int(rng.integers(2, 9)),) * 2
        lifted = cv2.createCLAHE(rng.uniform(1.2, 4), tiles).apply((grey * 65535).astype(np.uint16))
        grey = lifted.astype(np.float32) / 65535
    grey = np.ascontiguousarray(grey)
    _dirt(rng, grey)
    inverted = bool(rng.random() < 0.3)
    grey = np.clip(1 - grey if inverted else grey, 0, 1)
    if rng.random() < 0.6:
        levels = 2 ** int(rng.integers(6, 9)) - 1
        small = np.round(np.round(levels * grey) * (255 / levels)).astype(np.uint8)
        if rng.random() < 0.5:
            quality = [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(25, 97))]
            small = np.asarray(
                cv2.imdecode(cv2.imencode(".jpg", small, quality)[1], cv2.IMREAD_GRAYSCALE)
            )
        return small, inverted
    return np.round((2 ** int(rng.integers(9, 17)) - 1) * grey).astype(np.uint16), inverted
