"""What cleaning took and what it left: a map over the later photo that shows where to go back."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from perioview.alignment import SWAP
from perioview.comparison_labels import BLACK, labelled, line_px, outline_teeth, type_for
from perioview.plaque_result import GLARE_CODE

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
    wide = canvas.shape[1]
    there = [t for t in result.teeth if (result.regions == t.tooth).any()]
    outline_teeth(canvas, result.regions, (t.tooth for t in there), wide)
    labels = {
        t.tooth: (
            str(t.tooth),
            f"{t.after.value:.0f} % stained" if math.isfinite(t.after.value) else "not known",
        )
        for t in there
    }
    return np.concatenate([labelled(canvas, result.regions, labels, wide), _legend(wide, there)])


def _legend(cols: int, teeth: list[Any]) -> Rgb:
    """What the colours mean and where to go back, in as many lines as the width asks for."""
    order = sorted((t for t in teeth if t.after.value >= 1), key=lambda t: -t.after.value)
    named = [f"{t.tooth} ({t.after.value:.0f} %)" for t in order[:8]]
    said = ["Go back to:", *(f"{n}," for n in named[:-1]), f"{named[-1]}."] if named else []
    letters = type_for(cols)
    box, gap = round(1.4 * letters.capital_px), round(0.6 * letters.capital_px)
    keys = [(code, name, box + gap + letters.width(name) + 2 * gap) for code, name in NAMES.items()]
    space = letters.width("n")
    words = [(0, word, letters.width(word) + space) for word in said]
    lines = [
        *_lines(keys, cols - gap),
        *_lines(words or [(0, "Nothing stays on the teeth outlined.", 0)], cols - gap),
        [(0, "Stain shows nothing below the gum line.", 0)],
    ]
    strip = np.full((len(lines) * letters.line_px + 2 * gap, cols, 3), 255, np.uint8)
    for number, line in enumerate(lines):
        across, base = gap, gap + number * letters.line_px + round(1.2 * letters.capital_px)
        for code, text, width in line:
            at = across
            if code:
                _key(strip, code, base, at, box, line_px(cols, 0.12))
                at += box + gap
            letters.write(strip, text, at, base, BLACK)
            across += width
    return strip


Piece = tuple[int, str, int]


def _lines(pieces: list[Piece], cols: int) -> list[list[Piece]]:
    """Pieces of some width in lines that are no longer than `cols`."""
    lines: list[list[Piece]] = [[]]
    for piece in pieces:
        if lines[-1] and sum(p[2] for p in lines[-1]) + piece[2] > cols:
            lines.append([])
        lines[-1].append(piece)
    return lines


def _key(strip: Rgb, code: int, base: int, left: int, size: int, rim: int) -> None:
    """Draw a colour of the legend, standing a little below the line of letters."""
    bottom = base + size // 8
    box = strip[bottom - size : bottom, left : left + size]
    box[:] = 0
    box[rim:-rim, rim:-rim] = COLOURS[code]
