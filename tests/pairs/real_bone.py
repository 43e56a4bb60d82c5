"""Pairs made from real radiographs of other bones: their texture, a margin and teeth drawn in.

pydicom's test data hold a hand and a chest. Above a drawn margin the picture is dimmed and
smoothed, as soft tissue would look; tapered roots cross it. Nothing in perioview was tuned on it,
and it is no clinical truth.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import cv2
import numpy as np
from scipy.special import expit

from tests.pairs import phantoms as ph

SHAPE = (820, 1080)
MM_PER_PX = 0.03


@dataclass(frozen=True)
class BonePair:
    """Two images, and the margin beside a root in the earlier: point, apical, away; (row, col)."""

    earlier: np.ndarray
    later: np.ndarray
    crest: np.ndarray
    apical: np.ndarray
    away: np.ndarray


@functools.cache
def _real() -> list[np.ndarray]:
    from pydicom.data import get_testdata_file

    found = []
    for name, part in (
        ("RG3_UNCR.dcm", np.s_[250:1500, 500:1300]),
        ("RG1_UNCR.dcm", np.s_[300:1600, 200:1600]),
    ):
        pixels = get_testdata_file(name, read=True).pixel_array[part].astype(np.float32)
        low, high = np.percentile(pixels, (1, 99))
        found.append(np.clip((pixels - low) / (high - low), 0, 1))
    return found


def _texture(rng: np.random.Generator, shape: tuple[int, int]) -> np.ndarray:
    """Real bone, another part at every seed, its broad shading evened out."""
    images = _real()
    image = images[int(rng.integers(len(images)))]
    image = np.rot90(image, int(rng.integers(4)))
    image = cv2.resize(np.ascontiguousarray(image), shape[::-1], interpolation=cv2.INTER_CUBIC)
    # A film's own grain is stretched to several pixels here: both visits would share it.
    fine = cv2.GaussianBlur(image, (0, 0), 1.2) - cv2.GaussianBlur(image, (0, 0), 40)
    return fine / fine.std()


def bone_pair(seed: int, moved_px: float) -> BonePair:
    """Take a jaw of real bone texture twice, its margin between two roots lower by so much."""
    rng = np.random.default_rng(seed)
    rows, cols = (round(n * 1.3) for n in SHAPE)
    bone = 1.05 + 0.10 * _texture(rng, (rows, cols))
    down, across = np.mgrid[0:rows, 0:cols].astype(np.float32)
    wave = sum(
        rng.uniform(2, 7) * np.sin(2 * np.pi * (k * across[0] / cols + rng.uniform()))
        for k in (1, 2, 5)
    )
    line = rows * rng.uniform(0.36, 0.42) + wave
    middles = np.linspace(0.12, 0.88, 5) * cols + rng.uniform(-12, 12, 5)
    half = rng.uniform(50, 66)
    which = int(rng.integers(1, 4))
    gap = np.abs(across[0] - (middles[which] + middles[which + 1]) / 2)
    width = (middles[which + 1] - middles[which]) / 2
    lower = moved_px * expit((width - gap) / 4)
    drawn = []
    for margin in (line, line + lower):
        soft = 0.34 + 0.0004 * (down - margin)
        inside = expit((down - margin) / 2.0)
        # Bone is thinner toward its margin, and gum goes where bone went.
        thin = 0.62 + 0.38 * (1 - np.exp(-np.maximum(down - margin, 0) / 45))
        gum = expit((down - margin + 75) / 4)
        total = soft * gum + inside * (bone * thin - soft)
        for middle in middles:
            depth = np.clip((down - (line.mean() - 40)) / (rows * 0.38), 0, 1)
            wide = half * (1 - 0.55 * depth**1.5)
            root = np.clip(1 - ((across - middle) / wide) ** 2, 0, None) ** 0.5
            ends = expit((line.mean() - 40 + rows * 0.38 - down) / 6)
            total = total + 0.75 * root * ends
        drawn.append(total.astype(np.float32))
    pose = ph.Pose(
        turn=rng.normal(0, 2),
        shift=tuple(rng.normal(0, 10, 2)),
        scale=1 + rng.normal(0, 0.005),
        tilt=tuple(rng.normal(0, 0.01, 2)),
    )
    images, to_image = [], []
    for total, where, gamma, dose in (
        (drawn[0], ph.Pose(turn=rng.normal(0, 1)), 0.9, 3000.0),
        (drawn[1], pose, rng.uniform(0.75, 1.15), rng.uniform(1500, 4000)),
    ):
        matrix, _ = ph._matrix(where, ph.Exposure(), SHAPE, SHAPE)
        edge = np.array([(rows - SHAPE[0]) / 2, (cols - SHAPE[1]) / 2])
        matrix = matrix @ np.array([[1, 0, -edge[1]], [0, 1, -edge[0]], [0, 0, 1.0]])
        seen = cv2.warpPerspective(total, matrix, SHAPE[::-1], flags=cv2.INTER_CUBIC)
        signal = cv2.GaussianBlur(np.exp(-1.1 * seen), (0, 0), rng.uniform(0.9, 1.6))
        signal = signal + rng.standard_normal(SHAPE) * np.sqrt(signal / dose)
        dense = -np.log(np.maximum(signal, 1e-3))
        low, high = np.percentile(dense, (0.2, 99.8))
        images.append(np.round(4095 * np.clip((dense - low) / (high - low), 0, 1) ** gamma))
        to_image.append(matrix)
    at = middles[which] + half + 4
    row = float(np.interp(at, across[0], line))
    spots = np.array([[at, row], [at, row + 50], [at + 50, row]])
    crest, below, beside = ph._carried(to_image[0], spots)[:, ::-1]
    apical, away = ((p - crest) / np.hypot(*(p - crest)) for p in (below, beside))
    one, other = (i.astype(np.uint16) for i in images)
    return BonePair(one, other, crest, apical, away)
