"""The likeliest closed path around a place of a photo, by the network's chance of an outline."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from perioview.regions_light import common_change, stain_blind
from perioview.regions_network import GROWTH, NEAREST, Rays, outline_chance, rays

Field = NDArray[np.float32]
Mask = NDArray[np.bool_]

# Farthest step along the ray from one ray to the next, and what a step costs: cusps are steep.
STEP = 5
STEP_COST = 0.25
# Log chances count no lower than this, so that one ray cannot outvote its neighbours.
FLOOR = -7.0
# Steps to either side of a path whose chance counts for it: a twelfth of the distance.
NEAR = 3
# How far from the middle it is looked from again, SDs of the crown's own spread.
LOOK = 0.8


# Edge that stain does not explain (log10 of light) below which it may be a stain's; over how many
# steps it is taken. Set by eye on drawn pictures.
FAINT, SPAN = 0.12, 2


@dataclass(frozen=True, slots=True, eq=False)
class OutlinePath:
    """A closed path around a tooth.

    Parameters
    ----------
    vertices : ndarray of float, shape (n, 2)
        (row, col), px.
    score : float
        How sure it is, 0 to 1.
    faint : float
        Share of it that could be the edge of a mere stain, 0 to 1.
    """

    vertices: NDArray[np.float64]
    score: float
    faint: float = 0.0

    @property
    def centre(self) -> tuple[float, float]:
        """Middle of its extent, (row, col)."""
        low, high = self.vertices.min(axis=0), self.vertices.max(axis=0)
        middle = (low + high) / 2
        return float(middle[0]), float(middle[1])

    @property
    def radius(self) -> float:
        """Half its longer extent, px."""
        return float(np.ptp(self.vertices, axis=0).max() / 2)

    def drawn(
        self,
        shape: tuple[int, ...],
        origin: tuple[float, float] = (0.0, 0.0),
        scale: float = 1.0,
    ) -> Mask:
        """Mask of what it encloses on a grid whose place (0, 0) lies at `origin`."""
        import cv2

        canvas = np.zeros(shape[:2], np.uint8)
        vertices = (self.vertices - np.array(origin)) / scale
        cv2.fillPoly(canvas, [np.round(vertices[:, ::-1] * 16).astype(np.int32)], 1, shift=4)
        return canvas > 0

    def holds(self, at: tuple[float, float]) -> bool:
        """Whether a place (row, col) lies within."""
        import cv2

        drawn = self.vertices[:, ::-1].astype(np.float32)
        return cv2.pointPolygonTest(drawn, (float(at[1]), float(at[0])), False) >= 0


def sought_path(
    rgb: NDArray[np.uint8], centre: tuple[float, float], owned: Mask | None
) -> OutlinePath:
    """Most likely outline around a place of the reduced photo.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (rows, cols, 3)
        Reduced photo, glare filled in.
    centre : tuple of float
        (row, col) in it.
    owned : ndarray of bool, shape (rows, cols), optional
        Where other teeth have been outlined.
    """
    around = rays(rgb.shape, centre)
    chance = outline_chance(rgb, around)
    beyond = around.outside
    if owned is not None:
        beyond = beyond | _over(owned, around)
    chance = _ended(chance, beyond)
    steps = _closed_path(np.maximum(chance, FLOOR))
    near = np.clip(steps[:, None] + np.arange(-NEAR, NEAR + 1), 0, chance.shape[1] - 1)
    weight = np.exp(np.take_along_axis(chance, near, axis=1))
    mass = weight.sum(axis=1)
    # Between steps by the chance around: a step is 3 % of the distance.
    fine = np.where(mass > 0.2, (near * weight).sum(axis=1) / np.maximum(mass, 1e-6), steps)
    radius = NEAREST * GROWTH**fine
    theta = np.arange(len(steps)) * (2 * np.pi / len(steps))
    vertices = np.column_stack(
        [centre[0] + np.sin(theta) * radius, centre[1] + np.cos(theta) * radius]
    )
    faint = float((_strongest(_blind_change(rgb, around), steps) < FAINT).mean())
    return OutlinePath(vertices, float(np.minimum(mass, 1).mean()), faint)


def _blind_change(rgb: NDArray[np.uint8], around: Rays) -> Field:
    """Change along the rays that stain does not explain; shape (angles, steps)."""
    import cv2

    polar = cv2.remap(
        stain_blind(rgb),
        around.x,
        around.y,
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    step = np.zeros_like(polar)
    step[:, SPAN:-SPAN] = polar[:, 2 * SPAN :] - polar[:, : -2 * SPAN]
    change = np.abs(common_change(step))
    change[around.outside] = 0
    return change


def _strongest(change: Field, steps: NDArray[np.intp]) -> Field:
    """Largest change on each ray close to a path."""
    near = np.clip(steps[:, None] + np.arange(-3, 4), 0, change.shape[1] - 1)
    largest: Field = np.take_along_axis(change, near, axis=1).max(axis=1)
    return largest


def _over(owned: Mask, around: Rays) -> Mask:
    import cv2

    over = cv2.remap(owned.astype(np.uint8), around.x, around.y, cv2.INTER_NEAREST)
    return np.asarray(over) > 0


def _ended(chance: Field, beyond: Mask) -> Field:
    """Where a neighbour or the photo's edge begins a crown has ended, whatever is seen there."""
    begun = np.maximum.accumulate(beyond, axis=1)
    kept = np.where(begun, np.float32(-40), chance)
    first = begun.argmax(axis=1)
    rows = np.flatnonzero(begun.any(axis=1))
    rest = 1 - np.exp(kept[rows]).sum(axis=1)
    kept[rows, first[rows]] = np.log(np.maximum(rest, 1e-9))
    return kept


def _closed_path(odds: Field) -> NDArray[np.intp]:
    """Step along each ray of the closed path with the best odds."""
    rays_, steps = odds.shape
    shifts = np.arange(-STEP, STEP + 1)
    penalty = (STEP_COST * np.abs(shifts) ** 1.5).astype(np.float32)
    # Twice around, and the middle turn is closed for all practical purposes.
    turns = np.concatenate([odds, odds])
    total = turns[0].copy()
    back = np.zeros(turns.shape, np.int8)
    padded = np.full(steps + 2 * STEP, -1e9, np.float32)
    for ray in range(1, len(turns)):
        padded[STEP:-STEP] = total
        options = np.lib.stride_tricks.sliding_window_view(padded, len(shifts)) - penalty
        choice = options.argmax(axis=1)
        back[ray] = choice - STEP
        total = options[np.arange(steps), choice] + turns[ray]
    at = int(total.argmax())
    path = np.zeros(len(turns), np.intp)
    for ray in range(len(turns) - 1, -1, -1):
        path[ray] = at
        at = min(steps - 1, max(0, at + int(back[ray][at])))
    half = rays_ // 2
    return np.roll(path[half : half + rays_], half)


def inner_middle(mask: Mask) -> tuple[float, float]:
    """Place (row, col) deep inside a mask and near its middle: rays from it see most of it.

    Parameters
    ----------
    mask : ndarray of bool, shape (rows, cols)
        Not empty.
    """
    import cv2

    framed = np.pad(mask.astype(np.uint8), 1)
    deep = cv2.distanceTransform(framed, cv2.DIST_L2, 3)[1:-1, 1:-1]
    at = np.argwhere(mask)
    away = np.hypot(*(at - at.mean(axis=0)).T)
    best = at[int((deep[tuple(at.T)] - 0.25 * away).argmax())]
    return float(best[0]), float(best[1])


def around_middle(mask: Mask) -> list[tuple[float, float]]:
    """Places (row, col) within a mask from which to look again, along its long and short axis.

    Parameters
    ----------
    mask : ndarray of bool, shape (rows, cols)
    """
    at = np.argwhere(mask)
    if len(at) < 50:
        return []
    middle = np.array(inner_middle(mask))
    spread, axes = np.linalg.eigh(np.cov((at - at.mean(axis=0)).T))
    found = []
    for size, axis in zip(np.sqrt(spread), axes.T, strict=True):
        for side in (-1, 1):
            row, col = middle + LOOK * side * size * axis
            place = round(row), round(col)
            if all(0 <= p < n for p, n in zip(place, mask.shape, strict=True)) and mask[place]:
                found.append((float(row), float(col)))
    return found
