"""From attenuation to a film: beam, blur, photons, presentation curve, and marks in its pixels."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from anatomy import Landmark, Map, Scene, landmarks
from numpy.typing import NDArray
from phantom import attenuation
from scipy.ndimage import gaussian_filter
from solids import PITCH_MM


@dataclass(frozen=True, slots=True)
class Film:
    """How a film was laid and exposed; ``centre`` is the arcade point at its middle, in mm."""

    rows: int
    cols: int
    row_mm: float
    col_mm: float
    centre: tuple[float, float]
    turn_deg: float
    mirrored: bool
    seed: int
    magnification: float = 1.03
    elongation: float = 1.0
    photons: float = 2600.0
    gamma: float = 0.8
    bits: int = 12
    blur_mm: float = 0.05
    inverted: bool = False
    black: float = -0.04


def affine(film: Film, upper: bool) -> NDArray[np.float64]:
    """Give the 2 x 3 map of arcade millimetres (x, y, 1) onto film pixels (col, row)."""
    a = np.deg2rad(film.turn_deg)
    turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    facing = np.diag([-1.0 if film.mirrored else 1.0, -1.0 if upper else 1.0])
    # A steeper or flatter beam stretches the teeth along their axes before the film is turned.
    shadow = np.diag([1.0, film.elongation]) * film.magnification
    linear = np.diag([1 / film.col_mm, 1 / film.row_mm]) @ turn @ shadow @ facing
    middle = np.array([(film.cols - 1) / 2, (film.rows - 1) / 2])
    return np.column_stack([linear, middle - linear @ np.array(film.centre)])


def marks(scene: Scene, film: Film) -> list[Landmark]:
    """Give the true landmarks that fall on the film, in pixels to 1/1024."""
    to_film = affine(film, scene.upper)
    placed = []
    for mark in landmarks(scene):
        col, row = to_film @ (mark.x, mark.y, 1.0)
        if 2 <= col <= film.cols - 3 and 2 <= row <= film.rows - 3:
            placed.append(replace(mark, x=round(col * 1024) / 1024, y=round(row * 1024) / 1024))
    return placed


def exposure(scene: Scene, film: Film) -> NDArray[np.uint16]:
    """Expose a film: grey values for presentation, bright where the beam was stopped.

    Returns
    -------
    ndarray of uint16, shape (rows, cols)
        0 to 2**bits - 1; the other way round when the film is ``inverted``.
    """
    rng = np.random.default_rng(film.seed)
    depth, origin = attenuation(scene)
    beam = gaussian_filter(np.exp(-depth), film.blur_mm / PITCH_MM)
    scatter = gaussian_filter(np.exp(-depth[::4, ::4]), 3.0 / (4 * PITCH_MM))
    beam += 0.05 * cv2.resize(scatter, beam.shape[::-1])
    seen = _laid(beam, origin, affine(film, scene.upper), film)
    seen *= _heel(film)
    counts = rng.poisson(film.photons * seen) + rng.normal(0, 6.0, seen.shape)
    counts = gaussian_filter(counts, 0.55)
    dense = -np.log(np.clip(counts, 1.0, None) / film.photons)
    clear = -np.log(np.clip(seen, 1e-6, None))
    white = float(np.percentile(clear, 99.0)) * 1.06
    share = np.clip((dense - film.black) / (white - film.black), 0, 1) ** film.gamma
    if film.inverted:
        share = 1 - share
    return np.asarray(np.round(share * (2**film.bits - 1)), np.uint16)


def _laid(beam: Map, origin: tuple[float, float], to_film: NDArray[np.float64], film: Film) -> Map:
    """Resample the raster behind the object onto the film's pixels."""
    raster = np.array([[PITCH_MM, 0, origin[0]], [0, PITCH_MM, origin[1]], [0, 0, 1]])
    forward = np.vstack([to_film, [0, 0, 1]]) @ raster
    back = np.linalg.inv(forward)[:2]
    return np.asarray(
        cv2.warpAffine(
            beam,
            back,
            (film.cols, film.rows),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )
    )


def _heel(film: Film) -> Map:
    """Give the beam's fall-off across the film: a few per cent, as from an X-ray tube."""
    rows, cols = np.mgrid[0 : film.rows, 0 : film.cols]
    return np.asarray(
        1.0 - 0.06 * (rows / film.rows - 0.5) - 0.10 * ((cols / film.cols - 0.45) ** 2)
    )
