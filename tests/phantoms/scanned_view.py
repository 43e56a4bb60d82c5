"""The beam and the plate of a scanned jaw: where a point of space falls on the picture.

World axes in mm: x along the jaw, y towards the root tips, z from cheek to tongue; the source lies
on the cheek's side, the plate on the tongue's. Angles are those taught for mandibular views
(facts.md 4b: parallel for cheek teeth, bisecting for canines and incisors); their spread is my own
choice.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class View:
    """A point source and a flat plate: `col` and `row` are the plate's unit vectors."""

    source: Array
    centre: Array
    col: Array
    row: Array
    pitch: float
    rows: int
    cols: int

    def project(self, points: Array) -> Array:
        """Return (row, col) in px of points, shape (..., 3)."""
        normal = np.cross(self.col, self.row)
        away = points - self.source
        t = ((self.centre - self.source) @ normal) / (away @ normal)
        hit = self.source + t[..., None] * away - self.centre
        size = np.array([(self.rows - 1) / 2, (self.cols - 1) / 2])
        return np.stack([hit @ self.row, hit @ self.col], -1) / self.pitch + size

    def ray(self, place: Array, z: Array) -> Array:
        """Return the points of depth `z` on the rays to (row, col), shape (..., len(z), 3)."""
        size = np.array([(self.rows - 1) / 2, (self.cols - 1) / 2])
        offset = (place - size) * self.pitch
        hit = self.centre + offset[..., :1] * self.row + offset[..., 1:] * self.col
        away = hit - self.source
        t = (z - self.source[2]) / away[..., 2:]
        return self.source + t[..., None] * away[..., None, :]

    def onto_slice(self, x0: float, y0: float, step: float, z: float) -> Array:
        """Return the homography from (col, row) of the plate to a slice's voxel indices."""
        corners = np.array([[0, 0], [0, 400], [300, 400], [300, 0]], np.float64)
        at = np.stack([x0 + corners[:, 1] * step, y0 + corners[:, 0] * step, np.full(4, z)], -1)
        there = self.project(at)[:, ::-1].astype(np.float32)
        return cv2.getPerspectiveTransform(there, corners[:, ::-1].astype(np.float32).copy())

    @property
    def obliquity(self) -> float:
        """Path through a slice over its thickness, for the central ray."""
        away = self.centre - self.source
        return float(np.linalg.norm(away) / abs(away[2]))


def aimed(
    aim: Array,
    *,
    film: tuple[float, float],
    pitch: float,
    bisecting: float,
    vertical: float,
    horizontal: float,
    roll: float,
    flip: bool,
    distance: float,
    clearance: float,
) -> View:
    """Place source and plate.

    Parameters
    ----------
    aim : ndarray
        The point the central ray passes through.
    film : tuple of float
        Height and width of the plate in mm.
    pitch : float
        Of a pixel in mm.
    bisecting : float
        Angle between teeth and plate in degrees; the beam stands on its bisector.
    vertical, horizontal, roll : float
        Errors of beam and plate in degrees.
    flip : bool
        Whether x runs from right to left of the picture.
    distance, clearance : float
        Of source and of plate from `aim`, in mm.
    """
    up, side = np.radians(vertical - bisecting / 2), np.radians(horizontal)
    beam = np.array([np.tan(side), np.tan(up), 1.0])
    beam /= np.linalg.norm(beam)
    tilt, turn = np.radians(bisecting), np.radians(roll)
    row0 = np.array([0.0, np.cos(tilt), np.sin(tilt)])
    col0 = np.array([-1.0 if flip else 1.0, 0.0, 0.0])
    row = np.cos(turn) * row0 + np.sin(turn) * col0
    col = np.cos(turn) * col0 - np.sin(turn) * row0
    normal = np.cross(col, row)
    touch = aim + np.array([0.0, 0.0, clearance])
    centre = aim + beam * (((touch - aim) @ normal) / (beam @ normal))
    rows, cols = round(film[0] / pitch), round(film[1] / pitch)
    return View(aim - beam * distance, centre, col, row, pitch, rows, cols)
