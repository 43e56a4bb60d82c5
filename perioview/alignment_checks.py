"""Whether an alignment can be right: its shape, and an independent look at many blocks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from perioview.alignment_scale import Matrix, Scaled, band_passed, onto, same_curve

BLOCK = 32
SEARCH = 5
AGREES = 0.5
PARALLAX_PX = 1.5


@dataclass(frozen=True, slots=True)
class Agreement:
    """How well two aligned images agree, block by block.

    Parameters
    ----------
    blocks, agreeing : int
        Textured blocks looked at, and those that correlate.
    median : float
        Median correlation in place, -1 to 1.
    rms_px : float
        Root mean square displacement of the agreeing blocks, full pixels.
    parallax_px : float
        Displacement that a tenth of the agreeing blocks exceed together with their
        neighbours, full pixels.
    overlap : float
        Share of the earlier image that the later one covers.
    """

    blocks: int
    agreeing: int
    median: float
    rms_px: float
    parallax_px: float
    overlap: float


def slopes(transform: Matrix, x: float, y: float) -> Matrix:
    """Jacobian of a projective map at a point, shape (2, 2); NaN beyond its horizon."""
    u, v, w = transform @ np.array([x, y, 1.0])
    if w <= 0:
        return np.full((2, 2), np.nan)
    top = transform[:2, :2] * w - np.outer((u, v), transform[2, :2])
    return np.asarray(top / w**2)


def is_mirrored(transform: Matrix) -> bool:
    """Whether a map turns a left hand into a right hand."""
    return bool(np.linalg.det(transform / transform[2, 2]) < 0)


def implausible(transform: Matrix, shape: tuple[int, int]) -> bool:
    """Whether no two exposures of one place could differ so: folded, squeezed, far tilted."""
    if not np.isfinite(transform).all() or abs(transform[2, 2]) < 1e-9:
        return True
    unit = transform / transform[2, 2]
    rows, cols = shape
    spots = [(0, 0), (cols, 0), (0, rows), (cols, rows), (cols / 2, rows / 2)]
    parts = np.array([slopes(unit, x, y) for x, y in spots])
    if not np.isfinite(parts).all():
        return True
    areas = np.linalg.det(parts)
    widths = np.linalg.svd(parts, compute_uv=False)
    return bool(
        (np.sign(areas) != np.sign(areas[0])).any()
        or np.ptp(np.log(np.abs(areas))) > np.log(3.0)
        or (widths[:, 0] > 1.6 * widths[:, 1]).any()
        or not 0.3 < np.sqrt(abs(areas[-1])) < 3.4
    )


def agreement(transform: Matrix, later: Scaled, earlier: Scaled, sign: int) -> Agreement:
    """Compare textured blocks of two aligned images, each on its own."""
    drawn, known = onto(later, earlier, transform)
    target = band_passed(earlier.grey, 1.5)
    moving = band_passed(same_curve(sign * drawn, earlier.grey, known), 1.5)
    spots = _textured(earlier.grey, known)
    seen = [_compared(target, moving, y, x) for y, x in spots]
    overlap = float(known.mean())
    if not seen:
        return Agreement(0, 0, float("nan"), float("nan"), 0.0, overlap)
    found = np.array(seen)
    agrees = (found[:, 1] > AGREES) & (np.abs(found[:, 2:]).max(axis=1) < SEARCH - 0.5)
    apart = found[agrees, 2:] * earlier.px
    rms = float(np.sqrt(np.mean((apart**2).sum(axis=1)))) if agrees.any() else float("nan")
    return Agreement(
        blocks=len(found),
        agreeing=int(agrees.sum()),
        median=float(np.median(found[:, 0])),
        rms_px=rms,
        parallax_px=_together(np.array(spots)[agrees], apart),
        overlap=overlap,
    )


def _textured(grey: Any, known: Any) -> list[tuple[int, int]]:
    """List the top-left corners of about 200 blocks with detail in both directions."""
    import cv2

    rows, cols = grey.shape
    margin, size = SEARCH + 2, _size(grey.shape)
    steps = max(size // 2, int(np.sqrt(rows * cols / 300)))
    corners = [
        (y, x)
        for y in range(margin, rows - size - margin, steps)
        for x in range(margin, cols - size - margin, steps)
        if known[y - margin : y + size + margin : 4, x - margin : x + size + margin : 4].all()
    ]
    if not corners:
        return []
    least = cv2.cornerMinEigenVal(cv2.GaussianBlur(grey, (0, 0), 1.5), size + 1 - size % 2)
    detail = np.array([least[y + size // 2, x + size // 2] for y, x in corners])
    floor = 0.1 * float(np.percentile(detail, 90))
    return [spot for spot, much in zip(corners, detail, strict=True) if much >= floor]


def _size(shape: tuple[int, ...]) -> int:
    return BLOCK if min(shape) >= 6 * BLOCK else max(12, min(shape) // 6)


def _compared(target: Any, moving: Any, y: int, x: int) -> tuple[float, float, float, float]:
    """Correlation in place, at best within the search, and where that is (x, y)."""
    import cv2

    size = _size(target.shape)
    block = target[y : y + size, x : x + size]
    around = moving[y - SEARCH : y + size + SEARCH, x - SEARCH : x + size + SEARCH]
    score = cv2.matchTemplate(around, block, cv2.TM_CCOEFF_NORMED)
    _, best, _, (at_x, at_y) = cv2.minMaxLoc(score)
    dx = at_x + _peak(score[at_y], at_x) - SEARCH
    dy = at_y + _peak(score[:, at_x], at_y) - SEARCH
    return float(score[SEARCH, SEARCH]), float(best), dx, dy


def _peak(line: Any, at: int) -> float:
    """Top of the parabola through a maximum and its neighbours, relative to it."""
    if not 0 < at < len(line) - 1:
        return 0.0
    before, top, after = (float(z) for z in line[at - 1 : at + 2])
    bend = before - 2 * top + after
    return 0.0 if bend >= 0 else float(np.clip(0.5 * (before - after) / bend, -0.5, 0.5))


def _together(spots: Any, apart: Any) -> float:
    """Displacement shared by neighbouring blocks, 90th percentile: noise averages out."""
    if len(spots) < 12:
        return 0.0
    far = np.hypot(*(spots[:, None] - spots[None]).transpose(2, 0, 1))
    near = np.argsort(far, axis=1)[:, :5]
    return float(np.percentile(np.hypot(*np.median(apart[near], axis=1).T), 90))
