"""The outline of a tooth proposed from one click, for the user to accept, paint or nudge."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from perioview.errors import InputRefused

if TYPE_CHECKING:
    from perioview.regions_network import Rays

Field = NDArray[np.float32]
Mask = NDArray[np.bool_]

# Longest side of the crop the outline is refined in, px.
SOUGHT = 300
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
class Outline:
    """A proposed tooth region.

    Parameters
    ----------
    mask : ndarray of bool, shape (rows, cols)
        The tooth, in the whole photo.
    contrast : float
        How sure the edge is, averaged all around, 0 to 1.
    """

    mask: Mask
    contrast: float

    @property
    def sure(self) -> bool:
        """Whether the edge was told clearly all around; else look twice."""
        return self.contrast >= DOUBTFUL


def tooth_outline(
    rgb: NDArray[np.uint8], row: float, col: float, *, taken: NDArray[Any] | None = None
) -> Outline:
    """Propose which pixels belong to the tooth that was clicked.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (rows, cols, 3)
        sRGB photo.
    row, col : float
        The click, px; near the middle of the crown is best.
    taken : ndarray, shape (rows, cols), optional
        Nonzero where another tooth has been outlined already.

    Returns
    -------
    Outline
        Never more than a proposal.

    Raises
    ------
    InputRefused
        If the click lies outside the photo or inside a tooth already outlined.
    """
    rows, cols = rgb.shape[:2]
    if not (-0.5 <= row <= rows - 0.5 and -0.5 <= col <= cols - 0.5):
        raise InputRefused(
            f"The click at ({row:g}, {col:g}) lies outside the photo; click a tooth."
        )
    at = (min(rows - 1, max(0, round(row))), min(cols - 1, max(0, round(col))))
    if taken is not None and taken[at]:
        raise InputRefused(
            f"The click at ({row:g}, {col:g}) lies in tooth {taken[at]}; click another tooth."
        )
    small, scale = reduced_photo(rgb)
    owned = None if taken is None else _reduced_mask(taken, small.shape[:2])
    path = _sought(small, ((row + 0.5) / scale - 0.5, (col + 0.5) / scale - 0.5), owned)
    for _ in range(2):
        # From its middle a tooth is seen evenly, so look again from there.
        again = _sought(small, path.centre, owned)
        if not again.holds(path.click):
            break
        path = _Path(again.vertices, again.score, path.click)
    found = _Path((path.vertices + 0.5) * scale - 0.5, path.score, (row, col))
    return Outline(_refined(rgb, found, taken), found.score)


def _reduced_mask(taken: NDArray[Any], shape: tuple[int, ...]) -> Mask:
    import cv2

    part = (np.asarray(taken) > 0).astype(np.uint8)
    return np.asarray(cv2.resize(part, shape[::-1], interpolation=cv2.INTER_NEAREST)) > 0


def reduced_photo(rgb: NDArray[np.uint8]) -> tuple[NDArray[np.uint8], float]:
    """Reduce a photo to the size outlines are sought in, glare filled in; with the factor.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (rows, cols, 3)
        sRGB.
    """
    import cv2

    from perioview.regions_network import REDUCED

    scale = max(1.0, max(rgb.shape[:2]) / REDUCED)
    size = (max(2, round(rgb.shape[1] / scale)), max(2, round(rgb.shape[0] / scale)))
    small = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA) if scale > 1 else rgb
    return _without_glare(small), scale


@dataclass(frozen=True, slots=True, eq=False)
class _Path:
    """A closed path around the click: vertices (row, col), and how sure it is, 0 to 1."""

    vertices: NDArray[np.float64]
    score: float
    click: tuple[float, float]

    @property
    def centre(self) -> tuple[float, float]:
        low, high = self.vertices.min(axis=0), self.vertices.max(axis=0)
        middle = (low + high) / 2
        return float(middle[0]), float(middle[1])

    @property
    def radius(self) -> float:
        return float(np.ptp(self.vertices, axis=0).max() / 2)

    def holds(self, at: tuple[float, float]) -> bool:
        import cv2

        drawn = self.vertices[:, ::-1].astype(np.float32)
        return cv2.pointPolygonTest(drawn, (float(at[1]), float(at[0])), False) >= 0


@dataclass(frozen=True, slots=True, eq=False)
class _Crop:
    """A reduced window of the photo; photo = origin + scale * crop."""

    rgb: NDArray[np.uint8]
    taken: Mask | None
    origin: tuple[float, float]
    scale: float


def _crop(
    rgb: NDArray[np.uint8],
    centre: tuple[float, float],
    reach: float,
    size: int,
    taken: NDArray[Any] | None,
) -> _Crop:
    import cv2

    top, left = (max(0, math.floor(c - reach)) for c in centre)
    bottom = min(rgb.shape[0], math.ceil(centre[0] + reach) + 1)
    right = min(rgb.shape[1], math.ceil(centre[1] + reach) + 1)
    window = rgb[top:bottom, left:right]
    scale = max(1.0, max(window.shape[:2]) / size)
    shape = (max(2, round(window.shape[1] / scale)), max(2, round(window.shape[0] / scale)))
    small = cv2.resize(window, shape, interpolation=cv2.INTER_AREA)
    owned = None
    if taken is not None:
        part = (taken[top:bottom, left:right] > 0).astype(np.uint8)
        owned = cv2.resize(part, shape, interpolation=cv2.INTER_NEAREST) > 0
    shift = 0.5 * (scale - 1)
    return _Crop(small, owned, (top + shift, left + shift), scale)


# Weights of log R, G, B that cancel pink, and those that cancel pink and purple together; each
# sums to 1, so that shade and darkness count in full. From the hues in data/plaque.toml.
BLIND_TO_PINK = (1.12, -0.12, 0.0)
BLIND_TO_BOTH = (0.37, -0.65, 1.28)


def _features(rgb: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Two readings of brightness that stain hardly changes, smoothed; shape (rows, cols, 2)."""
    import cv2

    from perioview.plaque_density import log_light

    smooth = cv2.GaussianBlur(_without_glare(rgb), (5, 5), 0)
    logs = cv2.LUT(smooth, np.maximum(log_light(), np.float32(-1.7)))
    weights = np.array([BLIND_TO_PINK, BLIND_TO_BOTH], np.float32)
    features: NDArray[np.float32] = cv2.transform(logs, weights)
    return features


def _without_glare(rgb: NDArray[np.uint8]) -> NDArray[np.uint8]:
    import cv2

    from perioview.plaque_density import GLARE

    core = (rgb.min(axis=2) >= GLARE - 10).astype(np.uint8)
    if not core.any() or core.mean() > 0.1:
        return rgb
    halo = cv2.dilate(core, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (7, 7)))
    filled: NDArray[np.uint8] = cv2.inpaint(rgb, halo, 3, cv2.INPAINT_TELEA)
    return filled


def _common(change: NDArray[np.float32]) -> Field:
    """Change that both readings agree on: a stain's edge shows in one of them only."""
    first, second = change[..., 0], change[..., 1]
    both: Field = np.where(
        first * second > 0, np.sign(first) * np.minimum(np.abs(first), np.abs(second)), 0
    )
    return both


def _sought(rgb: NDArray[np.uint8], click: tuple[float, float], owned: Mask | None) -> _Path:
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
    return _Path(vertices, score, click)


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
        _features(rgb), around.x, around.y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    step = np.zeros_like(polar)
    step[:, SPAN:-SPAN] = polar[:, 2 * SPAN :] - polar[:, : -2 * SPAN]
    change = np.abs(_common(step))
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


def _refined(rgb: NDArray[np.uint8], path: _Path, taken: NDArray[Any] | None) -> Mask:
    """Move the path onto the nearest crest of the gradient, in a ring around it."""
    import cv2
    from skimage.segmentation import watershed

    crop = _crop(rgb, path.centre, 1.2 * path.radius + 6, SOUGHT, taken)
    vertices = (path.vertices - np.array(crop.origin)) / crop.scale
    drawn = np.zeros(crop.rgb.shape[:2], np.uint8)
    cv2.fillPoly(drawn, [np.round(vertices[:, ::-1] * 16).astype(np.int32)], 1, shift=4)
    ring = max(2, round(0.035 * path.radius / crop.scale))
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * ring + 1, 2 * ring + 1))
    framed = cv2.copyMakeBorder(drawn, 1, 1, 1, 1, cv2.BORDER_CONSTANT)
    inside = cv2.erode(framed, disc)[1:-1, 1:-1] > 0
    outside = cv2.dilate(drawn, disc) == 0
    markers = inside.astype(np.int32) + 2 * outside.astype(np.int32)
    labels = watershed(_gradient(crop.rgb), markers) == 1
    labels = _smoothed(labels, 2 * ring + 1)
    if crop.taken is not None:
        labels &= ~crop.taken
    full = np.zeros(rgb.shape[:2], bool)
    _enlarged(labels.astype(np.uint8), crop, full)
    if taken is not None:
        full &= ~(taken > 0)
    return full


def _smoothed(labels: Mask, size: int) -> Mask:
    """Without the frays that texture gives a watershed line."""
    import cv2

    framed = cv2.copyMakeBorder(labels.astype(np.float32), size, size, size, size, 0)
    blurred = cv2.GaussianBlur(framed, (0, 0), size / 3)[size:-size, size:-size]
    smooth: Mask = blurred > 0.5
    return smooth


def _gradient(rgb: NDArray[np.uint8]) -> Field:
    import cv2

    features = _features(rgb)
    dy = _common(cv2.Sobel(features, cv2.CV_32F, 0, 1))
    dx = _common(cv2.Sobel(features, cv2.CV_32F, 1, 0))
    size: Field = np.hypot(dx, dy)
    return size


def _enlarged(labels: NDArray[np.uint8], crop: _Crop, full: Mask) -> None:
    """Bring a reduced mask back to the photo's own pixels, in place."""
    import cv2

    top, left = (round(o - 0.5 * (crop.scale - 1)) for o in crop.origin)
    rows = min(full.shape[0] - top, round(labels.shape[0] * crop.scale))
    cols = min(full.shape[1] - left, round(labels.shape[1] * crop.scale))
    big = cv2.resize(labels * 255, (cols, rows), interpolation=cv2.INTER_LINEAR)
    full[top : top + rows, left : left + cols] = big > 127
