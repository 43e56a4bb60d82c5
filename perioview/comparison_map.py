"""What cleaning took and what it left: a map over the later photo that shows where to go back."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from perioview.alignment import SWAP
from perioview.plaque_result import GLARE_CODE
from perioview.regions_drawn import draw_outlines, draw_words, middle_of, unit_of

if TYPE_CHECKING:
    from perioview.alignment import Alignment
    from perioview.comparison_photos import PhotoComparison

Codes = NDArray[np.uint8]
Rgb = NDArray[np.uint8]

REMOVED, STAYS, NEW, GLARE = 1, 2, 3, 4
"""Codes of a change map; 0 is clean in both photos, or no tooth."""
# From light to dark in grey print; orange, sky blue and purple differ for every common colour
# deficiency (Okabe & Ito's palette, from memory).
COLOURS = {
    REMOVED: (150, 205, 240),
    STAYS: (213, 94, 0),
    NEW: (75, 15, 95),
    GLARE: (200, 200, 200),
}
NAMES = {
    STAYS: "stays: go back",
    NEW: "not seen before",
    REMOVED: "removed",
    GLARE: "glare, not counted",
}
STRENGTH = 0.75


def change_map(
    before: Codes, after: Codes, regions: NDArray[np.uint16], alignment: Alignment
) -> Codes:
    """Compare the stain of both photos on the grid of the later one.

    Parameters
    ----------
    before, after : ndarray of uint8, shapes of the earlier and of the later photo
        Stain maps as in `perioview.plaque_result.PlaqueResult`.
    regions : ndarray of uint16, shape (rows, cols) of the later photo
        Teeth that both photos show.
    alignment : Alignment
        Of the later photo onto the earlier. Its misfit leaves a rim along every edge of stain,
        which is not called new.

    Returns
    -------
    ndarray of uint8, shape (rows, cols) of the later photo
        `REMOVED`, `STAYS`, `NEW`, `GLARE` (in the later photo), 0 elsewhere.
    """
    import cv2

    back = np.linalg.inv(SWAP @ alignment.transform @ SWAP)
    size = (after.shape[1], after.shape[0])
    earlier = cv2.warpPerspective(before, back, size, flags=cv2.INTER_NEAREST)
    was = (earlier > 0) & (earlier != GLARE_CODE)
    now = (after > 0) & (after != GLARE_CODE)
    misfit = 1.0 if math.isnan(alignment.rms_px) else alignment.rms_px
    reach = 1 + math.ceil(2 * misfit)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    # Glare in the earlier photo may have hidden it.
    near = cv2.dilate((was | (earlier == GLARE_CODE)).astype(np.uint8), disc) > 0
    found = np.zeros(after.shape, np.uint8)
    found[was & ~now] = REMOVED
    found[now] = np.where(near, STAYS, NEW)[now]
    found[after == GLARE_CODE] = GLARE
    found[regions == 0] = 0
    return found


def go_back_picture(later: Rgb, result: PhotoComparison) -> Rgb:
    """Later photo with what stays, what is new and what was removed; legend below; sRGB.

    Parameters
    ----------
    later : ndarray of uint8, shape (rows, cols, 3)
        sRGB photo.
    result : PhotoComparison
        Of that photo.
    """
    canvas = np.ascontiguousarray(later).copy()
    table = np.zeros((5, 3), np.float32)
    for code, colour in COLOURS.items():
        table[code] = colour
    shown = result.change_map > 0
    painted = table[result.change_map[shown]]
    canvas[shown] = np.round(STRENGTH * painted + (1 - STRENGTH) * canvas[shown]).astype(np.uint8)
    unit = unit_of(canvas)
    there = [t for t in result.teeth if (result.regions == t.tooth).any()]
    draw_outlines(canvas, result.regions, (t.tooth for t in there), unit)
    for tooth in there:
        value = tooth.after.value
        share = f"{value:.0f} % left" if math.isfinite(value) else "not known"
        # What stays must not be hidden: the chip goes to the crown's free end.
        draw_words(canvas, (str(tooth.tooth), share), _beside(result, tooth.tooth), unit)
    return np.concatenate([canvas, _legend(canvas.shape[1], unit, there)])


def _beside(result: PhotoComparison, tooth: int) -> tuple[float, float]:
    """Place in the tooth's region farthest from the stain that stays, for the chip."""
    region = result.regions == tooth
    left = region & np.isin(result.change_map, (STAYS, NEW))
    middle = np.array(middle_of(result.regions, tooth))
    if not left.any():
        return float(middle[0]), float(middle[1])
    at = np.argwhere(region)
    away = middle - np.argwhere(left).mean(axis=0)
    far = at[int(((at - middle) @ away).argmax())]
    row, col = 0.4 * middle + 0.6 * far
    return float(row), float(col)


def _legend(cols: int, unit: float, teeth: list[Any]) -> Rgb:
    import cv2

    unit = min(unit, cols / 620)
    font, scale, stroke = cv2.FONT_HERSHEY_SIMPLEX, 0.45 * unit, max(1, round(unit))
    line, pad = round(20 * unit), round(8 * unit)
    strip = np.full((3 * line + 2 * pad, cols, 3), 255, np.uint8)

    def write(text: str, x: int, y: int) -> int:
        cv2.putText(strip, text, (x, y), font, scale, (0, 0, 0), stroke, cv2.LINE_AA)
        return x + int(cv2.getTextSize(text, font, scale, stroke)[0][0])

    x = pad
    for code, name in NAMES.items():
        box = strip[pad : pad + round(14 * unit), x : x + line]
        box[:] = COLOURS[code]
        box[[0, -1]] = 0
        box[:, [0, -1]] = 0
        x = write(name, x + line + pad // 2, pad + round(12 * unit)) + 2 * pad
    order = sorted((t for t in teeth if t.after.value >= 1), key=lambda t: -t.after.value)
    named = ", ".join(f"{t.tooth} ({t.after.value:.0f} %)" for t in order[:8])
    first = f"Go back to: {named}." if named else "Nothing stays on the teeth outlined."
    write(first, pad, pad + line + round(12 * unit))
    write("Stain shows nothing below the gum line.", pad, pad + 2 * line + round(12 * unit))
    return strip
