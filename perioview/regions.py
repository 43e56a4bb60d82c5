"""The outline of a tooth proposed from one click, for the user to accept, paint or nudge."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from perioview.errors import InputRefused

Field = NDArray[np.float32]
Mask = NDArray[np.bool_]

ANGLES = 192
RADII = 112
# Longest side of the reduced crop the outline is sought in, and refined in, px.
SOUGHT = 300
# Farthest step of the radius from one angle to the next, in radial bins: cusps are steep.
STEP = 5
STEP_COST = 0.02
# An edge at least this many bins inside the path, and how much it counts against the path.
GAP, CROSSED = 6, 0.6
# Change of log light over an edge that is plain to see.
CLEAR = 0.08
# Depth of a valley between two crowns that is plain to see.
SEAM = 0.03
# How much a path counts for less when the click is far from its middle.
OFF_CENTRE = 1.2


@dataclass(frozen=True, slots=True, eq=False)
class Outline:
    """A proposed tooth region.

    Parameters
    ----------
    mask : ndarray of bool, shape (rows, cols)
        The tooth, in the whole photo.
    contrast : float
        How clear the edge is all around, 0 to 1; below about 0.4 look twice.
    """

    mask: Mask
    contrast: float


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
    largest = 0.75 * min(rows, cols)
    reaches = [largest * 0.72**k for k in range(14) if largest * 0.72**k >= 24] or [largest]
    click = (float(row), float(col))
    found = [_sought(rgb, click, reach, taken) for reach in reaches]
    best = max(found, key=lambda f: f.score - OFF_CENTRE * f.off_centre(click) ** 2)
    # From its middle a tooth is seen evenly, so look again from there.
    again = _sought(rgb, best.centre, min(largest, 1.3 * best.radius), taken)
    if again.score > 0.9 * best.score:
        best = again
    return Outline(_refined(rgb, best, taken), float(np.clip(best.score, 0, 1)))


@dataclass(frozen=True, slots=True, eq=False)
class _Path:
    """A closed path around the click: vertices (row, col) in the photo."""

    vertices: NDArray[np.float64]
    score: float

    @property
    def centre(self) -> tuple[float, float]:
        low, high = self.vertices.min(axis=0), self.vertices.max(axis=0)
        middle = (low + high) / 2
        return float(middle[0]), float(middle[1])

    def off_centre(self, click: tuple[float, float]) -> float:
        """How far the click lies from the middle, 1 at the edge of the extent."""
        extent = np.ptp(self.vertices, axis=0) / 2 + 1
        return float(np.max(np.abs(np.array(self.centre) - click) / extent))

    @property
    def radius(self) -> float:
        return float(np.ptp(self.vertices, axis=0).max() / 2)


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


def _sought(
    rgb: NDArray[np.uint8],
    centre: tuple[float, float],
    reach: float,
    taken: NDArray[Any] | None,
) -> _Path:
    import cv2

    crop = _crop(rgb, centre, reach, SOUGHT, taken)
    theta = np.arange(ANGLES) * (2 * np.pi / ANGLES)
    radius = np.linspace(0.04, 1.0, RADII) * reach / crop.scale
    middle = [(c - o) / crop.scale for c, o in zip(centre, crop.origin, strict=True)]
    y = (middle[0] + np.sin(theta)[:, None] * radius).astype(np.float32)
    x = (middle[1] + np.cos(theta)[:, None] * radius).astype(np.float32)
    polar = cv2.remap(_features(crop.rgb), x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    edge = _edge(polar)
    outside = (y < 0) | (x < 0) | (y > crop.rgb.shape[0] - 1) | (x > crop.rgb.shape[1] - 1)
    edge[outside] = 0.0
    if crop.taken is not None:
        owned = cv2.remap(crop.taken.astype(np.uint8), x, y, cv2.INTER_NEAREST) > 0
        edge = _stopped(edge, owned)
    bins, score = _closed_path(edge)
    rows = crop.origin[0] + crop.scale * y[np.arange(ANGLES), bins]
    cols = crop.origin[1] + crop.scale * x[np.arange(ANGLES), bins]
    return _Path(np.column_stack([rows, cols]).astype(float), score)


def _edge(polar: NDArray[np.float32]) -> Field:
    """How much each step outward looks like leaving a crown, 0 to 1; shape (angles, radii)."""
    change = _common(np.roll(polar, -2, axis=1) - np.roll(polar, 2, axis=1))
    # A crown ends in the dark, in duller gum, or at a neighbour that may be brighter.
    step = np.where(change < 0, -change, 0.6 * change)
    seam = _valley(polar)
    edge: Field = np.maximum(np.tanh(step / CLEAR), np.tanh(seam / SEAM)).astype(np.float32)
    edge[:, :2] = 0
    edge[:, -2:] = 0
    crossed = np.maximum(np.tanh(np.abs(change) / CLEAR), edge)
    crossed[:, :2] = 0
    # What lies before the path counts against it: a crown holds no second outline.
    before = np.maximum.accumulate(crossed, axis=1)
    edge[:, GAP:] -= CROSSED * before[:, :-GAP]
    return edge


def _valley(polar: NDArray[np.float32]) -> Field:
    """Depth of a dark line across the ray, in both readings: where two crowns touch."""
    reach = 4
    down = np.roll(polar, reach, axis=1) - polar
    up = np.roll(polar, -reach, axis=1) - polar
    depth: Field = np.minimum(down, up).min(axis=2)
    return depth.clip(0)


def _stopped(edge: Field, owned: Mask) -> Field:
    """Edge where a neighbour begins, and none beyond."""
    begun = np.maximum.accumulate(owned, axis=1)
    first = begun & ~np.roll(begun, 1, axis=1)
    return np.where(first, np.float32(1), np.where(begun, np.float32(-1), edge))


def _closed_path(edge: Field) -> tuple[NDArray[np.intp], float]:
    """Radius at each angle along the closed path of strongest edge, and its mean edge."""
    shifts = np.arange(-STEP, STEP + 1)
    penalty = (STEP_COST * np.abs(shifts) ** 1.5).astype(np.float32)
    # Twice around, and the middle turn is closed for all practical purposes.
    turns = np.concatenate([edge, edge])
    total = turns[0].copy()
    back = np.zeros(turns.shape, np.int8)
    for angle in range(1, len(turns)):
        padded = np.pad(total, STEP, constant_values=-1e9)
        options = np.lib.stride_tricks.sliding_window_view(padded, len(shifts)) - penalty
        choice = options.argmax(axis=1)
        back[angle] = choice - STEP
        total = options[np.arange(len(total)), choice] + turns[angle]
    at = int(total.argmax())
    path = np.zeros(len(turns), np.intp)
    for angle in range(len(turns) - 1, -1, -1):
        path[angle] = at
        at = min(len(total) - 1, max(0, at + int(back[angle][at])))
    half = ANGLES // 2
    bins = np.roll(path[half : half + ANGLES], half)
    return bins, float(edge[np.arange(ANGLES), bins].mean())


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
