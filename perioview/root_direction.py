"""Which way a tooth's roots point on a radiograph, from its two CEJ marks alone.

Beside the crown lies gum or air, beside the root bone: the denser flank tells. A hint for where
to look next, never a measurement.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from perioview.calibration import Calibration
from perioview.image import Image, display_limits, grey

Point = tuple[float, float]
# Flanks in widths of the CEJ line: beside the tooth, and along it.
BESIDE = np.array([0.6, 0.7, 0.8, 0.9])
ALONG = np.linspace(0.35, 1.2, 18)
LEAST = 0.08  # of the displayed range; below it nothing is said


def root_direction(image: Image, mesial: Point, distal: Point, calibration: Calibration) -> int:
    """Side of the CEJ line on which it is denser beside the tooth.

    Parameters
    ----------
    image : Image
        Any grey polarity.
    mesial, distal : tuple of float
        (row, col) in px of the CEJ marks.
    calibration : Calibration
        Its pitch, so that a right angle is one on the tooth.

    Returns
    -------
    int
        1 toward the normal (-dx, dy) of the line from mesial to distal, in (row, col) order,
        -1 the other way, 0 when the two sides look alike or lie outside the image.
    """
    pitch = np.array(calibration.pitch)
    a, b = np.array(mesial) * pitch, np.array(distal) * pitch
    across = b - a
    if not across.any():
        return 0
    normal = np.array([-across[1], across[0]])
    middle = (a + b) / 2
    levels = [_level(image, middle, sign * normal, across, pitch) for sign in (1, -1)]
    if not np.isfinite(levels).all():
        return 0
    low, high = display_limits(image)
    step = (levels[0] - levels[1]) / (high - low) * (-1 if image.inverted else 1)
    return 0 if abs(step) < LEAST else int(np.sign(step))


def _level(
    image: Image,
    middle: NDArray[np.float64],
    along: NDArray[np.float64],
    across: NDArray[np.float64],
    pitch: NDArray[np.float64],
) -> float:
    beside = np.concatenate([BESIDE, -BESIDE])
    places = middle + ALONG[:, None, None] * along + beside[None, :, None] * across
    cells = np.rint(places / pitch).astype(int).reshape(-1, 2)
    inside = ((cells >= 0) & (cells < (image.rows, image.cols))).all(1)
    if inside.mean() < 0.3:
        return float("nan")
    rows, cols = cells[inside].T
    if image.colour:
        return float(np.mean(image.pixels[rows, cols]))
    return float(np.mean(grey(image)[rows, cols]))
