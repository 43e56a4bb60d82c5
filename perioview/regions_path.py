"""The likeliest closed path around a place of a photo, by the network's odds of an outline."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from perioview.regions_light import common_change, stain_blind

if TYPE_CHECKING:
    from perioview.regions_network import Rays

Field = NDArray[np.float32]
Mask = NDArray[np.bool_]

# Farthest step along the ray from one ray to the next, and what a step costs: cusps are steep.
STEP = 4
STEP_COST = 0.35
# Odds are not believed beyond this, so that one place cannot outvote its neighbours.
SURE = 4.0
# Odds of an outline where the photo ends.
BORDER = -2.0
# An outline blurs over this many steps; how much one passed over counts against a path.
GAP, PASSED = 4, 0.25
# Stain-blind step (natural log units) below which an edge may be a stain's, and how many times as
# strong an edge farther out must be to be the crown's instead. Set by eye on drawn pictures.
FAINT, STRONGER = 0.12, 3.0
# Half width of that step, steps along the ray, and the fewest rays that are worth a second look.
SPAN, FEWEST = 2, 6
# An outline is doubtful if more of it than this could be a stain's edge.
ALIKE = 0.67
# Below this an outline is doubtful.
DOUBTFUL = 0.75


@dataclass(frozen=True, slots=True, eq=False)
class OutlinePath:
    """A closed path around the click: vertices (row, col), and how sure it is, 0 to 1."""

    vertices: NDArray[np.float64]
    score: float
    click: tuple[float, float]

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

    def holds(self, at: tuple[float, float]) -> bool:
        """Whether a place (row, col) lies within."""
        import cv2

        drawn = self.vertices[:, ::-1].astype(np.float32)
        return cv2.pointPolygonTest(drawn, (float(at[1]), float(at[0])), False) >= 0


def sought_path(
    rgb: NDArray[np.uint8], click: tuple[float, float], owned: Mask | None
) -> OutlinePath:
    """Most likely outline around a place of the reduced photo."""
    import cv2

    from perioview.regions_network import outline_odds, rays

    around = rays(rgb.shape, click)
    odds = np.clip(outline_odds(rgb, around), -SURE, SURE)
    # At the photo's border a crown ends whatever it looks like there.
    odds[around.outside] = -SURE
    first = around.outside & ~np.roll(around.outside, 1, axis=1)
    odds[first] = BORDER
    if owned is not None:
        over = cv2.remap(owned.astype(np.uint8), around.x, around.y, cv2.INTER_NEAREST) > 0
        odds = _stopped(odds, over)
    change = _blind_change(rgb, around)
    steps = _beyond_stain(change, odds, _closed_path(_first_exit(odds)))
    at = np.arange(len(steps))
    chance = 1 / (1 + np.exp(-odds[at, steps]))
    vertices = np.column_stack([around.y[at, steps], around.x[at, steps]]).astype(float)
    score = float(chance.mean())
    # Gum of a stain's very colour: nothing tells which of the two the outline follows.
    if (_strongest(change, steps) < FAINT).mean() > ALIKE:
        score = min(score, DOUBTFUL - 0.01)
    return OutlinePath(vertices, score, click)


def _beyond_stain(change: Field, odds: Field, steps: NDArray[np.intp]) -> NDArray[np.intp]:
    """Take the path on where it ran along a mere stain's edge and the crown's lies farther out."""
    here = _strongest(change, steps)
    faint = here < FAINT
    if faint.sum() < FEWEST:
        return steps
    near = np.any([np.roll(faint, turn) for turn in range(-2, 3)], axis=0)
    within = np.arange(odds.shape[1]) <= steps[:, None] + GAP
    barred = np.where(near[:, None] & within, np.float32(-SURE), odds)
    beyond = _closed_path(_first_exit(barred))
    moved = beyond > steps + GAP
    if moved.sum() < FEWEST:
        return steps
    now = float(np.median(here[moved]))
    then = float(np.median(_strongest(change, beyond)[moved]))
    return beyond if then > STRONGER * max(now, FAINT / STRONGER) else steps


def _blind_change(rgb: NDArray[np.uint8], around: Rays) -> Field:
    """Change along the rays that stain does not explain; shape (angles, steps)."""
    import cv2

    polar = cv2.remap(
        stain_blind(rgb), around.x, around.y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
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


def _stopped(odds: Field, owned: Mask) -> Field:
    """Outline where a neighbour begins, and none beyond."""
    begun = np.maximum.accumulate(owned, axis=1)
    first = begun & ~np.roll(begun, 1, axis=1)
    return np.where(first, np.float32(SURE), np.where(begun, np.float32(-SURE), odds))


def _first_exit(odds: Field) -> Field:
    """Log chance that the crown ends at a place and has not ended before it on that ray."""
    chance = 1 / (1 + np.exp(-odds))
    lasted = np.cumsum(np.log1p(-np.minimum(chance, 0.97)), axis=1)
    before = np.zeros_like(lasted)
    before[:, GAP:] = lasted[:, :-GAP]
    gone: Field = (np.log(chance) + PASSED * before).astype(np.float32)
    return gone


def _closed_path(odds: Field) -> NDArray[np.intp]:
    """Step along each ray of the closed path with the best odds."""
    rays, steps = odds.shape
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
    half = rays // 2
    return np.roll(path[half : half + rays], half)
