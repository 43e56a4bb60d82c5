"""A mark settled on the nearest plausible edge: where a hand meant to put it, to a part of a px.

Only where the user wants it, and only within a radius in mm. Where the root's axis is known, a
crest moves along it and a CEJ across it: at which level a CEJ lies was the hand's choice, and how
far beside the root a crest does, as long as there is an edge. What counts as an edge is judged
against the image's own noise, so that a mark on even ground stays where it was dropped.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from perioview.calibration import Calibration
from perioview.image import Image, display_limits

Array = NDArray[np.float64]
Point = tuple[float, float]
RADIUS_MM = 0.5
RADIUS_PX = 12.0  # without a scale
BLUR_MM = 0.08
NOISE_TIMES = 5.0
LEAST_STEP = 0.03  # of the displayed range
BESIDE_STRONGEST = 0.4
SNAPS = ("cej", "crest")
# A crest is crossed along the root (dense bone apical), a tooth's outline across it.
ALONG = math.cos(math.radians(50))
ACROSS = math.cos(math.radians(60))
ASIDE = (0.0, 0.2, -0.2, 0.4, -0.4, 0.6, -0.6)  # of the radius, beside a crest
FINE = 0.2  # of a px, from one sample of a line to the next


def settled(
    image: Image,
    position: Point,
    landmark: str,
    calibration: Calibration,
    *,
    radius_mm: float = RADIUS_MM,
    axis: tuple[Point, Point] | None = None,
) -> Point | None:
    """Find the nearest plausible edge for a CEJ or crest mark.

    Parameters
    ----------
    image : Image
        Any grey polarity.
    position : tuple of float
        (row, col) in px where the mark was dropped.
    landmark : str
        ``cej``: an edge of the tooth's outline, with an axis the one at the mark's own level;
        ``crest``: with an axis, an edge beyond which, toward the apex, it gets denser, beside the
        root where the mark is. Others do not snap.
    calibration : Calibration
        Without a scale the radius is `RADIUS_PX`.
    radius_mm : float
        How far the mark may move.
    axis : tuple of (row, col), optional
        The root's axis, from its CEJ to its apex, in px.

    Returns
    -------
    tuple of float, or None
        (row, col) in px; None when there is no such edge within the radius.
    """
    if landmark not in SNAPS:
        return None
    pitch = np.array(calibration.pitch)
    unit = 1.0 if calibration.scaled else RADIUS_MM / RADIUS_PX
    radius = radius_mm / unit
    patch, corner = _patch(image, position, pitch, radius + 4 * BLUR_MM / unit)
    if min(patch.shape) < 7:
        return None
    blur = np.maximum(BLUR_MM / unit / pitch, 1.0)
    slopes = _slopes(patch, blur, pitch)
    strength = np.hypot(*slopes)
    least = _least(image, patch, blur, pitch)
    along = _direction(axis, pitch)
    if along is None:
        edge = _ridge(strength, slopes, pitch) & (strength > least)
        exact = [_between(strength, slopes, pitch, *p) for p in np.argwhere(edge)]
        places, strengths = np.array(exact).reshape(-1, 2) + corner, strength[edge]
    else:
        places, strengths = _on_line(
            slopes, np.array(position) - corner, landmark, along, radius, least, pitch
        )
        places = places + corner
    apart = np.hypot(*((places - position) * pitch).T)
    near = apart <= radius
    if not near.any():
        return None
    near &= strengths >= BESIDE_STRONGEST * strengths[near].max()
    row, col = places[near][apart[near].argmin()]
    inside = -0.5 <= row <= image.rows - 0.5 and -0.5 <= col <= image.cols - 0.5
    return (float(row), float(col)) if inside else None


def _direction(axis: tuple[Point, Point] | None, pitch: Array) -> Array | None:
    """Unit vector from CEJ to apex in mm; None where there is no axis."""
    if axis is None:
        return None
    along = (np.array(axis[1]) - np.array(axis[0])) * pitch
    length = float(np.hypot(*along))
    return np.asarray(along / length) if length > 0 else None


def _on_line(
    slopes: Array,
    at: Array,
    landmark: str,
    along: Array,
    radius: float,
    least: float,
    pitch: Array,
) -> tuple[Array, Array]:
    """Edges on the line a mark may move on, as (row, col) in the patch, and how strong they are.

    A crest moves along the root, a CEJ across it.
    """
    across = np.array([-along[1], along[0]])
    if landmark != "crest":
        return _edges(slopes, at, across, radius, least, pitch, rising=False)
    places, strengths = np.empty((0, 2)), np.empty(0)
    # At the corner of root and bone there may be none straight along: then the nearest beside.
    for share in ASIDE:
        start = at + share * radius * across / pitch
        places, strengths = _edges(slopes, start, along, radius, least, pitch, rising=True)
        if (np.hypot(*((places - at) * pitch).T) <= radius).any():
            break
    return places, strengths


def _edges(
    slopes: Array,
    at: Array,
    way: Array,
    radius: float,
    least: float,
    pitch: Array,
    *,
    rising: bool,
) -> tuple[Array, Array]:
    """Edges met going both ways from a place, and how strong they are."""
    from scipy.ndimage import map_coordinates

    # A little beyond: an edge at the very end of its reach is one, too.
    step = FINE * float(pitch.min())
    reach = np.arange(-radius - 4 * step, radius + 5 * step, step)
    line = at + reach[:, None] * way / pitch
    found = np.stack([map_coordinates(s, line.T, order=3, mode="nearest") for s in slopes])
    rise = way @ found if rising else np.abs(way @ found)
    size = np.hypot(*found)
    edge = (rise >= (ALONG if rising else ACROSS) * size) & (size > least)
    edge[1:-1] &= (rise[1:-1] >= rise[:-2]) & (rise[1:-1] > rise[2:])
    edge[[0, -1]] = False
    places = np.array([line[i] + _peak(rise[i - 1 : i + 2]) * step * way / pitch
                       for i in np.flatnonzero(edge)])  # fmt: skip
    return places.reshape(-1, 2), rise[edge]


def _peak(three: Array) -> float:
    """Place of the top of a parabola through three samples, counted from the middle one."""
    before, here, after = three
    curve = before - 2 * here + after
    return 0.0 if curve >= 0 else float(np.clip(0.5 * (before - after) / curve, -1, 1))


def _patch(image: Image, position: Point, pitch: Array, reach: float) -> tuple[Array, Array]:
    """Dense-high grey around a position, and the (row, col) of its first pixel."""
    low = np.maximum(np.floor(np.array(position) - reach / pitch), 0).astype(int)
    high = np.ceil(np.array(position) + reach / pitch).astype(int) + 1
    cut = (slice(low[0], max(high[0], 0)), slice(low[1], max(high[1], 0)))
    part = image.pixels[cut]
    if image.colour:
        part = part.astype(np.float64) @ np.array([0.2126, 0.7152, 0.0722])
    values = part.astype(np.float64)
    return (-values if image.inverted else values), low.astype(float)


def _slopes(patch: Array, blur: Array, pitch: Array) -> Array:
    from scipy.ndimage import gaussian_filter

    rows = gaussian_filter(patch, blur, order=(1, 0), mode="nearest") / pitch[0]
    cols = gaussian_filter(patch, blur, order=(0, 1), mode="nearest") / pitch[1]
    return np.stack([rows, cols])


def _least(image: Image, patch: Array, blur: Array, pitch: Array) -> float:
    """Slope that neither noise nor a step too faint to be seen reaches."""
    # Second differences hold the noise and little of the picture (Immerkaer 1996, CVIU 64:300).
    second = patch[1:-1, 1:-1] - (patch[:-2, 1:-1] + patch[2:, 1:-1]) / 2
    noise = float(np.median(np.abs(second))) * 1.4826 / math.sqrt(1.5)
    sigma = float(np.sqrt(blur[0] * blur[1]))
    size = float(np.sqrt(pitch[0] * pitch[1]))
    # SD of the derivative of white noise under a Gaussian of SD sigma px.
    of_noise = noise / (math.sqrt(8 * math.pi) * sigma**2) / size
    low, high = display_limits(image) if not image.colour else (0.0, 255.0)
    of_step = LEAST_STEP * (high - low) / (sigma * math.sqrt(2 * math.pi)) / size
    return max(NOISE_TIMES * of_noise, of_step)


def _ridge(strength: Array, slopes: Array, pitch: Array) -> NDArray[np.bool_]:
    """Pixels whose slope is larger than before and behind them, along the slope."""
    ahead, behind = _neighbours(strength, slopes, pitch)
    ridge = (strength >= ahead) & (strength > behind)
    ridge[[0, -1], :] = ridge[:, [0, -1]] = False
    return np.asarray(ridge)


def _neighbours(strength: Array, slopes: Array, pitch: Array) -> tuple[Array, Array]:
    from scipy.ndimage import map_coordinates

    step = _step(slopes, pitch)
    at = np.indices(strength.shape).astype(float)
    ahead = map_coordinates(strength, at + step, order=1, mode="nearest")
    behind = map_coordinates(strength, at - step, order=1, mode="nearest")
    return ahead, behind


def _step(slopes: Array, pitch: Array) -> Array:
    """One px along the slope, as (row, col) px."""
    along: Any = slopes / pitch[:, None, None]
    return np.asarray(along / np.maximum(np.hypot(*along), 1e-12))


def _between(strength: Array, slopes: Array, pitch: Array, row: int, col: int) -> Array:
    """Place of the largest slope between pixels, by a parabola along the slope."""
    from scipy.ndimage import map_coordinates

    step = _step(slopes[:, row : row + 1, col : col + 1], pitch)[:, 0, 0]
    at = np.array([row, col], float)
    places = np.stack([at - step, at, at + step], 1)
    shift = _peak(map_coordinates(strength, places, order=3, mode="nearest"))
    return np.asarray(at + shift * step)
