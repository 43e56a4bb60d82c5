"""Texture and landmarks of generator H's bone, none of which is a crest."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from .finishing import noise, trabeculae
from .jaw_mix import Mix
from .jaw_teeth import JawTooth

Array = NDArray[Any]


def grain(rng: np.random.Generator, shape: tuple[int, int], fine: float, size: float) -> Array:
    """Trabeculae about zero, of unit SD: 1/f, drawn out along one direction, or a kind of E's."""
    if rng.random() < 0.35:
        return trabeculae(rng, shape, fine / size**0.5)
    half = (shape[0] // 2 + 1, shape[1] // 2 + 1)
    fr = np.fft.fftfreq(half[0])[:, None].astype(np.float32)
    fc = np.fft.rfftfreq(half[1])[None].astype(np.float32)
    turn, long = rng.uniform(0, np.pi), np.exp(rng.uniform(0, 1.1))
    along = np.cos(turn) * fr + np.sin(turn) * fc
    across = -np.sin(turn) * fr + np.cos(turn) * fc
    f = np.hypot(along * long, across) / (2 * fine)  # cycles per mm
    struts = rng.random() < 0.5
    low = rng.uniform(0.8, 2.0) if struts else rng.uniform(0.2, 1.2)
    low, high = low / size**0.5, rng.uniform(2, 8) / size**0.5
    gain = (f + low) ** -rng.uniform(0.6, 1.8) * np.exp(-((f / high) ** 2))
    gain[0, 0] = 0
    spectrum = np.fft.rfft2(rng.standard_normal(half, dtype=np.float32)) * gain
    out = np.fft.irfft2(spectrum, half).astype(np.float32)
    out /= max(float(out.std()), 1e-6)
    if struts:  # bright ridges where the cloud is near one level
        out = np.exp(-((out / rng.uniform(0.25, 0.7)) ** 2)) + rng.uniform(0, 0.3) * out
    elif rng.random() < 0.3:
        out = np.clip(out, -rng.uniform(0.5, 2), rng.uniform(0.5, 2))
    out = cv2.resize(out, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)
    unit: Array = (out - out.mean()) / max(float(out.std()), 1e-6)
    return unit


def landmarks(
    mix: Mix, x: Array, y: Array, teeth: list[JawTooth], bone: Array, size: float
) -> None:
    """Canals, foramina, cortices, sinus and nasal floor, drawn into the bone; none is a crest."""
    rng, rows = mix.rng, y[:, None]
    low = max(r.end for t in teeth for r in t.ends)
    deep = max(c for t in teeth for r in t.ends for c in r.crest) + size  # clear of every crest
    wave = size * np.sin(x / size / rng.uniform(3, 9) + rng.uniform(0, 6))
    if teeth[0].upper:
        if mix.on(0.5):  # nasal cavity or sinus behind a bright floor that crosses the roots
            floor = max(low + size * rng.uniform(-5, 2), deep) + rng.uniform(0, 1) * (wave + size)
            _band(bone, rows, floor, 0.15 * size, rng.uniform(0.1, 0.8))
            bone *= 1 - rng.uniform(0.1, 0.7) * np.clip((rows - floor) / 0.3, 0, 1)
        if mix.on(0.3):  # palate's edge
            edge = max(low + size * rng.uniform(-7, 1), deep) + 0.6 * (wave + size)
            _band(bone, rows, edge, size * rng.uniform(0.1, 0.5), rng.uniform(0.05, 0.4))
    else:
        if mix.on(0.5):  # mandibular canal between its two thin walls
            at = max(low + size * rng.uniform(-1.5, 2.5), deep) + rng.uniform(0.3, 0.6) * (
                wave + 2 * size
            )
            wide, dark = size * rng.uniform(0.5, 1.6), rng.uniform(0.1, 0.6)
            _band(bone, rows, at, wide, -dark)
            for way in (-1, 1):
                _band(bone, rows, at + way * wide * 1.2, 0.12, rng.uniform(0, 0.4))
        if mix.on(0.4):  # ventral cortex, and what lies outside it
            at = max(low + size * rng.uniform(1.5, 4), deep + size) + 0.3 * (wave + size)
            _band(bone, rows, at, size * rng.uniform(0.4, 1.2), rng.uniform(0.1, 0.9))
            bone *= 1 - np.clip((rows - at - 0.8 * size) / 0.3, 0, 1)
        for _ in range(int(rng.integers(1, 4)) if mix.on(0.3) else 0):  # mental foramina
            r, c = max(low + size * rng.uniform(-3, 1.5), deep), rng.uniform(x[0], x[-1])
            long = size * rng.uniform(0.4, 1.2)
            spot = ((x[None] - c) / long) ** 2 + ((rows - r) / (long * rng.uniform(0.5, 1))) ** 2
            bone *= 1 - rng.uniform(0.2, 0.7) * np.exp(-(spot**2))
    for _ in range(int(rng.integers(1, 5)) if mix.on(0.3) else 0):  # nutrient canals
        c = rng.uniform(x[0], x[-1])
        line = c + rng.normal(0, 0.15) * (y - y.mean()) + 0.3 * np.sin(y / size + rng.uniform(0, 6))
        across = np.abs(x[None] - line[:, None]) / rng.uniform(0.08, 0.25)
        bone *= 1 - rng.uniform(0.1, 0.45) * np.exp(-(across**2))
    for _ in range(int(rng.integers(1, 4)) if mix.on(0.25) else 0):  # lines of no meaning
        at = rng.uniform(y[0], y[-1]) + rng.normal(0, 0.4) * (x - x.mean())
        _band(bone, rows, at, rng.uniform(0.06, 0.5), rng.normal(0, 0.2))
    if mix.on(0.3):  # denser and looser parts
        bone *= 1 + rng.uniform(0.05, 0.25) * noise(rng, bone.shape, size * 3 / float(y[1] - y[0]))


def _band(bone: Array, rows: Array, at: Array, wide: float, strength: float) -> None:
    bone *= 1 + strength * np.exp(-(((rows - at[None]) / wide) ** 2))
