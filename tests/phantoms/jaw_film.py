"""From jaw coordinates to a film or a digital sensor's file, for generator H."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from .finishing import noise
from .jaw_mix import Mix

Array = NDArray[Any]
Place = Callable[[float, float], tuple[float, float]]


def projected(
    rng: np.random.Generator,
    picture: Array,
    corner: tuple[float, float],
    fine: float,
    mm: float,
    content: Array,
    needed: Array,
) -> tuple[Array, Place]:
    """Foreshorten, shear, turn, flip and crop a picture; `content` and `needed` are (x, y) in mm.

    The crop holds the needed points, and the others but for what a bad shot cuts off.
    """
    high = rng.normal(1.03, 0.09) if rng.random() < 0.85 else rng.uniform(0.75, 1.35)
    form = np.array([[rng.normal(1, 0.04), rng.normal(0, 0.06)], [rng.normal(0, 0.03), high]])
    angle = np.radians(rng.normal(0, 9) + rng.choice([0, 90, 180, 270], p=[0.7, 0.1, 0.1, 0.1]))
    if rng.random() < 0.08:
        angle = rng.uniform(0, 2 * np.pi)
    c, s = np.cos(angle), np.sin(angle)
    linear = np.array([[c, -s], [s, c]]) @ np.diag(rng.choice([-1.0, 1.0], 2)) @ form
    middle = content.mean(axis=0)
    span = float(np.ptp(content, axis=0).max())
    keystone = rng.normal(0, 0.03, 2) / span if rng.random() < 0.5 else np.zeros(2)
    forward = np.eye(3)
    forward[:2, :2], forward[2, :2] = linear, keystone
    shift = np.eye(3)
    shift[:2, 2] = -middle
    forward = forward @ shift

    def seen(points: Array) -> Array:
        q = np.column_stack([points, np.ones(len(points))]) @ forward.T
        return np.asarray(q[:, :2] / q[:, 2:])

    whole, must = seen(content), seen(needed)
    near = rng.uniform(-0.5, 2.5, (2, 2)) * min(1, span / 15)
    low = np.minimum(whole.min(0) - near[0], must.min(0) - 0.8)
    top = np.maximum(whole.max(0) + near[1], must.max(0) + 0.8)
    cols, rows = np.ceil((top - low) / mm).astype(int)
    to_px = np.array([[1 / mm, 0, -low[0] / mm], [0, 1 / mm, -low[1] / mm], [0, 0, 1]])
    total = to_px @ forward
    from_fine = np.array([[fine, 0, corner[0]], [0, fine, corner[1]], [0, 0, 1]])
    flags = {"flags": cv2.INTER_LINEAR, "borderMode": cv2.BORDER_REPLICATE}
    if rng.random() < 0.4:
        flags["borderMode"] = cv2.BORDER_REFLECT_101
    out = cv2.warpPerspective(picture.astype(np.float32), total @ from_fine, (cols, rows), **flags)

    def place(x: float, y: float) -> tuple[float, float]:
        q = total @ np.array([x, y, 1.0])
        return float(q[1] / q[2]), float(q[0] / q[2])

    return out, place


def exposed(mix: Mix, path: Array, mm: float) -> tuple[NDArray[np.generic], bool]:
    """Beam, scatter, blur, noise, response, processing and dirt; the file's pixels and polarity."""
    rng, shape = mix.rng, path.shape
    blur = rng.uniform(0.02, 0.11) / mm
    skew = np.exp(rng.normal(0, 0.25)) if mix.on(0.3) else 1.0
    path = cv2.GaussianBlur(path, (0, 0), max(blur * skew, 0.2), sigmaY=max(blur / skew, 0.2))
    y, x = np.mgrid[-1 : 1 : shape[0] * 1j, -1 : 1 : shape[1] * 1j].astype(np.float32)
    light = np.exp(-path * np.float32(rng.uniform(0.7, 2.2)))
    if mix.on(0.3):  # scatter veils everything
        small = cv2.resize(light, None, fx=0.1, fy=0.1, interpolation=cv2.INTER_AREA)
        wide = cv2.GaussianBlur(small, (0, 0), rng.uniform(1, 8))
        veil = cv2.resize(wide, shape[::-1], interpolation=cv2.INTER_LINEAR)
        share = rng.uniform(0.05, 0.4)
        light = (1 - share) * light + share * veil
    if mix.on(0.4):  # heel, inverse square, vignette
        a, b, r = *rng.normal(0, 0.12, 2), rng.uniform(-0.2, 0.2)
        light = light * np.exp(a * x + b * y + r * (x**2 + y**2))
    floor = max(0.4 * float(np.quantile(light[::4, ::4], 0.002)), 1e-3)
    photons = 10 ** rng.uniform(2.4, 5.0)
    kind = rng.integers(0, 3)
    grain = (
        rng.standard_normal(shape, dtype=np.float32)
        if kind == 0
        else noise(rng, shape, rng.uniform(0.4, 1.4), 0.4 if kind == 2 else 0.0)
    )
    light = np.clip(light + np.sqrt(np.clip(light, 1e-4, None) / photons) * grain, floor, None)
    if mix.on(0.2):
        light = light + rng.uniform(0.002, 0.015) * rng.standard_normal(
            (shape[0], 1) if rng.random() < 0.5 else (1, shape[1])
        ).astype(np.float32)
        light = np.clip(light, floor, None)
    grey = _response(rng, light)
    if mix.on(0.45):  # unsharp mask, over- and undershooting
        for _ in range(1 + mix.on(0.2)):
            soft = cv2.GaussianBlur(grey, (0, 0), max(10 ** rng.uniform(-1.2, 0.1) / mm, 0.6))
            grey = grey + rng.uniform(0.2, 2.2) * (grey - soft)
    grey = _window(rng, grey)
    if mix.on(0.12):
        tool = cv2.createCLAHE(rng.uniform(1.2, 4), (int(rng.integers(2, 9)),) * 2)
        grey = tool.apply((grey * 65535).astype(np.uint16)).astype(np.float32) / 65535
    if mix.on(0.1):
        grey = cv2.medianBlur(grey, 3 if rng.random() < 0.7 else 5)
    _dirt(mix, grey, mm)
    inverted = bool(rng.random() < 0.35)
    return _filed(mix, 1 - grey if inverted else grey), inverted


def _response(rng: np.random.Generator, light: Array) -> Array:
    """Grey, denser high: linear or logarithmic sensor, or a film's curve of blackening."""
    kind = rng.integers(0, 4)
    if kind == 0:
        return 1 - light
    if kind == 1:
        return -np.log(light)
    log = np.log10(light)
    if kind == 2:  # toe, straight part and shoulder
        low, high = np.quantile(log[::4, ::4], [0.02, 0.98])
        middle = low + rng.uniform(0.3, 0.7) * (high - low)
        steep = rng.uniform(1.5, 6) / max(float(high - low), 1e-3)
        return np.asarray(1 / (1 + np.exp(steep * (log - middle))))
    return np.asarray(-(light ** rng.uniform(0.2, 0.8)))


def _window(rng: np.random.Generator, grey: Array) -> Array:
    """Cut to a window, which may saturate air or enamel, and bend by a display curve."""
    cut = 10 ** rng.uniform(-3.5, -1.1, 2)
    low, high = np.quantile(grey[::3, ::3], [cut[0], 1 - 0.5 * cut[1]])
    grey = np.clip((grey - low) / max(float(high - low), 1e-6), 0, 1)
    kind = rng.integers(0, 4)
    if kind == 0:
        grey = grey ** np.exp(rng.normal(0, 0.45))
    elif kind == 1:
        at, steep = rng.uniform(0.3, 0.7), rng.uniform(2, 7)
        grey = 1 / (1 + np.exp(-steep * (grey - at)))
        grey = (grey - grey.min()) / max(float(np.ptp(grey)), 1e-6)
    elif kind == 2:
        knots = np.cumsum(rng.uniform(0.3, 1.7, 6))
        knots = (knots - knots[0]) / (knots[-1] - knots[0])
        grey = np.interp(grey, np.linspace(0, 1, 6), knots)
    low, high = rng.uniform(0, 0.08), rng.uniform(0.85, 1.0)
    return np.asarray(low + (high - low) * grey, np.float32)


def _dirt(mix: Mix, grey: Array, mm: float) -> None:
    """Scratches, dust, labels, the collimator's cone, plate edges and bite block."""
    rng, (rows, cols) = mix.rng, grey.shape
    for _ in range(int(rng.integers(1, 9)) if mix.on(0.2) else 0):
        at = rng.uniform(0, 1, 2) * (cols, rows)
        to = at + rng.normal(0, 5, 2) / mm
        level = float(rng.choice([0.0, 1.0, rng.uniform()]))
        ends = [tuple(int(v) for v in p) for p in (at, to)]
        cv2.line(grey, *ends, level, int(rng.integers(1, 3)), cv2.LINE_AA)
    if mix.on(0.2):  # dust on a plate hides what is under it: bright specks
        n = int(10 ** rng.uniform(0.5, 2.3))
        r, c = rng.integers(0, rows, n), rng.integers(0, cols, n)
        grey[r, c] = float(rng.choice([0.0, 1.0], p=[0.3, 0.7]))
    if mix.on(0.12):  # a bite block's edge
        x0 = int(rng.uniform(0, cols))
        way = slice(x0, None) if rng.random() < 0.5 else slice(None, x0)
        grey[:, way] = np.clip(grey[:, way] + rng.uniform(0.02, 0.12), 0, 1)
    if mix.on(0.15):  # cone cut: unexposed outside the beam
        y, x = np.ogrid[:rows, :cols]
        far = np.hypot(rows, cols) * rng.uniform(0.42, 0.6)
        outside = np.hypot(y - rows / 2, x - cols / 2) > far
        grey[outside] = float(rng.choice([0.97, 0.02], p=[0.8, 0.2]))
    if mix.on(0.2):  # the plate's edge
        wide = int(rng.uniform(0.1, 0.8) / mm)
        level = float(rng.choice([0.0, 1.0]))
        for k in np.flatnonzero(rng.random(4) < 0.5):
            np.rot90(grey, int(k))[:wide] = level
    if mix.on(0.1):
        at = (int(rng.uniform(0, cols)), int(rng.uniform(0, rows)))
        word = str(rng.choice(["R", "L", "12", "A4", "L 07"]))
        mask = np.zeros(grey.shape, np.uint8)
        cv2.putText(mask, word, at, cv2.FONT_HERSHEY_SIMPLEX, rng.uniform(0.5, 2), 255, 2)
        grey[mask > 0] = float(rng.choice([0.0, 1.0]))


def _filed(mix: Mix, grey: Array) -> NDArray[np.generic]:
    rng = mix.rng
    grey = np.clip(grey, 0, 1)
    if rng.random() < 0.6:
        small = np.round(255 * grey).astype(np.uint8)
        if mix.on(0.15):
            step = int(rng.choice([2, 4, 8]))
            small = (small // step * step).astype(np.uint8)
        if mix.on(0.45):
            quality = [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(25, 97))]
            packed = cv2.imencode(".jpg", small, quality)[1]
            small = np.asarray(cv2.imdecode(packed, cv2.IMREAD_GRAYSCALE))
        return small
    return np.round(float(rng.choice([1023, 4095, 16383, 65535])) * grey).astype(np.uint16)
