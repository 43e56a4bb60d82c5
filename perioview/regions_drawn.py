"""Outlines and words drawn over a photo so that they read on gum, enamel and stain alike."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

Rgb = NDArray[np.uint8]


def unit_of(canvas: Rgb) -> float:
    """Scale of lines and letters for a picture of that size."""
    rows, cols = canvas.shape[:2]
    return max(1200, int(rows), int(cols)) / 1200


def draw_outlines(canvas: Rgb, regions: NDArray[Any], teeth: Iterable[int], unit: float) -> None:
    """Draw the outline of each tooth into a picture, in place.

    Parameters
    ----------
    canvas : ndarray of uint8, shape (rows, cols, 3)
        sRGB; changed.
    regions : ndarray of uint16, shape (rows, cols)
        Triadan numbers.
    teeth : iterable of int
    unit : float
        As `unit_of` gives it.
    """
    import cv2

    for tooth in teeth:
        region = (np.asarray(regions) == tooth).astype(np.uint8)
        contours, _ = cv2.findContours(region, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        # White between two black lines shows on every ground.
        cv2.drawContours(canvas, contours, -1, (0, 0, 0), max(2, round(3 * unit)))
        cv2.drawContours(canvas, contours, -1, (255, 255, 255), max(1, round(unit)))


def draw_words(canvas: Rgb, lines: tuple[str, ...], at: tuple[float, float], unit: float) -> None:
    """Write lines on a dark chip around a place, kept inside the picture, in place.

    Parameters
    ----------
    canvas : ndarray of uint8, shape (rows, cols, 3)
        sRGB; changed.
    lines : tuple of str
    at : tuple of float
        (row, col) of the chip's middle.
    unit : float
        As `unit_of` gives it.
    """
    import cv2

    font, scale, stroke = cv2.FONT_HERSHEY_SIMPLEX, 0.5 * unit, max(1, round(1.2 * unit))
    sizes = [cv2.getTextSize(line, font, scale, stroke)[0] for line in lines]
    pad, step = round(4 * unit), round(1.5 * max(height for _, height in sizes))
    height, width = step * len(lines) + pad, max(w for w, _ in sizes) + 2 * pad
    top, left = (
        int(np.clip(middle - size / 2, 0, max(0, limit - size)))
        for middle, size, limit in zip(at, (height, width), canvas.shape, strict=False)
    )
    back = canvas[top : top + height, left : left + width]
    back[:] = (back * 0.15 + 20).astype(np.uint8)
    for number, (line, (wide, _)) in enumerate(zip(lines, sizes, strict=True), start=1):
        origin = (left + (width - wide) // 2, top + number * step - pad // 2)
        cv2.putText(canvas, line, origin, font, scale, (255, 255, 255), stroke, cv2.LINE_AA)


def middle_of(regions: NDArray[Any], tooth: int) -> tuple[float, float]:
    """Centroid (row, col) of a tooth's region."""
    rows, cols = np.nonzero(np.asarray(regions) == tooth)
    return float(rows.mean()), float(cols.mean())
