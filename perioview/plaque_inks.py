"""Amounts of dyes and of brown that give a pixel its hue, and the light that then remains."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from perioview.plaque_brown import Brown
from perioview.plaque_density import Dye, Plane, log_light


@dataclass(frozen=True, slots=True, eq=False)
class Inks:
    """Density per channel (R, G, B) of newer dye, older dye and brown, columns of a 3 x 3."""

    columns: NDArray[np.float64]

    @property
    def hidden(self) -> NDArray[np.float64]:
        """Amounts of the three that together darken all channels by 1."""
        return np.asarray(np.linalg.solve(self.columns, np.ones(3)), float)


def inks(newer: Dye, older: Dye, brown: Brown) -> Inks:
    """Densities per channel from hue and neutral share."""
    made = [(newer.degrees, newer.neutral_share), (older.degrees, older.neutral_share)]
    made.append((brown.degrees, brown.neutral_share))
    return Inks(np.column_stack([_by_channel(*one) for one in made]))


def _by_channel(degrees: float, neutral_share: float) -> NDArray[np.float64]:
    angle = math.radians(degrees)
    raw = np.array([-math.cos(angle), 0.0, -math.sin(angle)])
    raw = (raw - raw.min()) / np.ptp(raw)
    channels: NDArray[np.float64] = neutral_share + (1 - neutral_share) * raw
    return channels


@dataclass(frozen=True, slots=True, eq=False)
class Unmixed:
    """Amounts of newer dye, older dye and brown at each pixel, and the light that remains."""

    newer: Plane
    older: Plane
    brown: Plane
    light: Plane


def unmixed(rgb: NDArray[np.uint8], clean: tuple[float, float], found: Inks) -> Unmixed:
    """Least amounts that give each pixel its hue: newer dye with brown, or with older dye.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (rows, cols, 3)
        sRGB.
    clean : tuple of float
        (R-G, B-G) of clean enamel in log10 light.
    found : Inks
        Colours of the three.
    """
    import cv2

    logs = cv2.LUT(rgb, log_light())
    red, green, blue = cv2.split(logs)
    c1, c2 = red - green - np.float32(clean[0]), blue - green - np.float32(clean[1])
    # Change of (R-G, B-G) by one unit of each.
    moves = np.array([found.columns[1] - found.columns[0], found.columns[1] - found.columns[2]])
    new, brown = _solved(c1, c2, moves[:, 0], moves[:, 2])
    with_old, old = _solved(c1, c2, moves[:, 0], moves[:, 1])
    bare = brown >= 0
    new = np.maximum(np.where(bare, new, with_old), 0)
    old = np.where(bare, 0, np.maximum(old, 0)).astype(np.float32)
    brown = np.maximum(brown, 0)
    share = found.columns[1].astype(np.float32)
    light = green + share[0] * new + share[1] * old + share[2] * brown
    return Unmixed(new.astype(np.float32), old, brown.astype(np.float32), light)


def _solved(
    c1: Plane, c2: Plane, first: NDArray[np.float64], second: NDArray[np.float64]
) -> tuple[Plane, Plane]:
    (a, c), (b, d) = first, second
    cross = a * d - b * c
    if abs(cross) < 1e-3:
        cross = 1e-3
    one: Plane = np.float32(d / cross) * c1 - np.float32(b / cross) * c2
    two: Plane = np.float32(a / cross) * c2 - np.float32(c / cross) * c1
    return one, two
