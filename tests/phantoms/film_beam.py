"""Beam and receptor of the profile films: a point source, a tilted plate, five energies.

The scene's slabs are planes of constant y; from a point source each falls on the plate by an
exact projective map, so the mineral met by every ray is a sum of mapped slabs.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

# Energies in keV, share of the energy absorbed from a filtered 65 kVp beam (our estimate), and
# mass attenuation in cm2/g: hydroxyapatite summed from its elements, and water; tabulated values
# from memory, to two figures.
ENERGY = (25.0, 33.0, 40.0, 48.0, 57.0)
SHARE = np.array([0.10, 0.27, 0.30, 0.22, 0.11])
APATITE = np.array([3.30, 1.52, 0.93, 0.60, 0.42])
WATER = np.array([0.50, 0.33, 0.268, 0.233, 0.210])


@dataclass(frozen=True, slots=True)
class Camera:
    """Source and plate in the jaw's axes (mm), and the film's pixel grid.

    A point of the plate is `origin + u e1 + v e2`; pixel (row, col) has `u = u0 + col * pitch`
    (or mirrored, with `flip_u`) and `v = v0 + row * pitch` (likewise).
    """

    source: NDArray[np.float64]
    origin: NDArray[np.float64]
    e1: NDArray[np.float64]
    e2: NDArray[np.float64]
    pitch: float
    u0: float
    v0: float
    flip_u: int
    flip_v: int

    def on_plate(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Shadows (u, v) in mm of points of the jaw, shape (n, 3) to (n, 2)."""
        normal = np.cross(self.e1, self.e2)
        ray = points - self.source
        reach = ((self.origin - self.source) @ normal) / (ray @ normal)
        hit = self.source + reach[:, None] * ray - self.origin
        return np.stack([hit @ self.e1, hit @ self.e2], axis=1)

    def pixel(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Shadows as (row, col) in px, pixel centres at whole numbers."""
        uv = self.on_plate(np.atleast_2d(points))
        col = (self.flip_u * uv[:, 0] - self.u0) / self.pitch
        row = (self.flip_v * uv[:, 1] - self.v0) / self.pitch
        return np.stack([row, col], axis=1)

    def slab_map(self, x0: float, z0: float, pitch: float, y: float) -> NDArray[np.float64]:
        """The 3 by 3 map from a slab's (column, row) to the film's (column, row)."""
        cells = np.array([[0, 0], [200, 0], [200, 150], [0, 150]], dtype=np.float32)
        points = np.array([[x0 + c * pitch, y, z0 + r * pitch] for c, r in cells])
        seen = self.pixel(points)[:, ::-1].astype(np.float32)
        return np.asarray(cv2.getPerspectiveTransform(cells, np.ascontiguousarray(seen)))


def camera(
    *, distance: float, gap: float, beam: float, sideways: float, plate: float, roll: float
) -> Camera:
    """Set up source and plate; angles in radians.

    `beam` tilts the central ray out of the level through the teeth's midst, `plate` the receptor
    from the teeth's axis in the same sense, `sideways` turns the beam along the row, `roll` the
    plate in its own plane; `gap` is from the teeth to the plate.
    """
    toward = np.array(
        [
            math.sin(sideways),
            math.cos(sideways) * math.cos(beam),
            math.cos(sideways) * math.sin(beam),
        ]
    )
    source = -distance * toward
    e1 = np.array([1.0, 0.0, 0.0])
    e2 = np.array([0.0, -math.sin(plate), math.cos(plate)])
    c, s = math.cos(roll), math.sin(roll)
    e1, e2 = c * e1 + s * e2, c * e2 - s * e1
    return Camera(source, toward * gap, e1, e2, 1.0, 0.0, 0.0, 1, 1)


def exposure(mineral: NDArray[np.float32], water: NDArray[np.float32]) -> NDArray[np.float32]:
    """Share of the open beam's energy that arrives; both given in g/cm2."""
    total = np.zeros_like(mineral)
    for share, hard, soft in zip(SHARE, APATITE, WATER, strict=True):
        total += np.float32(share) * np.exp(-np.float32(hard) * mineral - np.float32(soft) * water)
    return total


def scattered(primary: NDArray[np.float32], share: float, reach_px: float) -> NDArray[np.float32]:
    """Primary plus scatter: a broad blur of it, added."""
    small = cv2.resize(primary, None, fx=0.125, fy=0.125, interpolation=cv2.INTER_AREA)
    wide = cv2.GaussianBlur(small, (0, 0), reach_px / 8, borderType=cv2.BORDER_REPLICATE)
    wide = cv2.resize(wide, primary.shape[::-1], interpolation=cv2.INTER_LINEAR)
    return (1 - share) * primary + share * wide
