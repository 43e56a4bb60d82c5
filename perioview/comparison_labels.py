"""Words and lines on pictures of a comparison: large enough in print, beside the teeth."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from perioview.comparison_room import label_places

Rgb = NDArray[np.uint8]
Colour = tuple[int, int, int]

COLUMN_MM = 170.0
"""Width in which a report prints a picture."""
LEAST_PT = 7.0
"""Smallest type in print (common practice, no source)."""
WHITE, BLACK = (255, 255, 255), (0, 0, 0)
_CAPITAL = 0.72
"""Height of a capital over the size of the type; usual for sans-serif type, from memory."""
_CAPITAL_PX = 20
"""Height of a capital of OpenCV's plain letters at scale 1: 20 in OpenCV 5, 21 in 4."""
_LEAST_CAPITAL_PX = 10
_MM_PER_PT = 25.4 / 72


@dataclass(frozen=True, slots=True)
class Type:
    """Letters for a picture of some width.

    Parameters
    ----------
    capital_px : float
        Height of a capital.
    """

    capital_px: float

    @property
    def scale(self) -> float:
        """As OpenCV counts it."""
        return self.capital_px / _CAPITAL_PX

    @property
    def stroke(self) -> int:
        """Thickness of a letter's lines, px."""
        return max(1, round(self.capital_px / 8))

    @property
    def line_px(self) -> int:
        """From one line to the next."""
        return round(1.7 * self.capital_px)

    def width(self, text: str) -> int:
        """Length of a text, px."""
        import cv2

        return int(cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, self.scale, self.stroke)[0][0])

    def write(self, canvas: Rgb, text: str, col: int, base: int, colour: Colour = WHITE) -> int:
        """Write a text from a column on, standing on row `base`; return the column after it."""
        import cv2

        font = cv2.FONT_HERSHEY_SIMPLEX
        cv2.putText(canvas, text, (col, base), font, self.scale, colour, self.stroke, cv2.LINE_AA)
        return col + self.width(text)


def type_for(width_px: int, size_pt: float = LEAST_PT + 0.5) -> Type:
    """Letters that print in a size when a picture of this width fills the column.

    Parameters
    ----------
    width_px : int
        Of the whole picture.
    size_pt : float
        In print; on small pictures letters are larger than that, for the screen.
    """
    capital = _CAPITAL * size_pt * _MM_PER_PT * width_px / COLUMN_MM
    return Type(max(capital, _LEAST_CAPITAL_PX))


def line_px(width_px: int, line_mm: float) -> int:
    """Width of a line, px, that prints in `line_mm`; at least one pixel."""
    return max(1, round(line_mm * width_px / COLUMN_MM))


def outline_teeth(canvas: Rgb, regions: NDArray[Any], teeth: Iterable[int], width_px: int) -> None:
    """Outline teeth in a picture, in place: white between black shows on every ground.

    Parameters
    ----------
    canvas : ndarray of uint8, shape (rows, cols, 3)
        sRGB; changed.
    regions : ndarray of uint16, shape (rows, cols)
        Triadan numbers.
    teeth : iterable of int
    width_px : int
        Of the whole picture.
    """
    import cv2

    inner = line_px(width_px, 0.18)
    for tooth in teeth:
        region = (np.asarray(regions) == tooth).astype(np.uint8)
        contours, _ = cv2.findContours(region, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        cv2.drawContours(canvas, contours, -1, BLACK, 3 * inner)
        cv2.drawContours(canvas, contours, -1, WHITE, inner)


def labelled(
    canvas: Rgb,
    regions: NDArray[Any],
    labels: Mapping[int, tuple[str, ...]],
    width_px: int,
    room: Mapping[int, tuple[str, ...]] | None = None,
    shown: Iterable[Rgb] = (),
) -> Rgb:
    """Write a label beside each tooth, with a line to it; no label covers a tooth.

    Parameters
    ----------
    canvas : ndarray of uint8, shape (rows, cols, 3)
        sRGB.
    regions : ndarray of uint16, shape (rows, cols)
        Triadan numbers.
    labels : mapping of int to tuple of str
        Lines of each tooth's label.
    width_px : int
        Of the whole picture.
    room : mapping of int to tuple of str, optional
        Lines that each label is to have room for, so that several pictures are labelled alike.
    shown : iterable of ndarray of uint8, shape (rows, cols, 3)
        Pictures in which what looks like enamel is left free where that is possible: teeth that
        nobody outlined. `canvas` alone without.

    Returns
    -------
    ndarray of uint8, shape (rows + more, cols, 3)
        With a black strip below where the picture itself has no room.
    """
    import cv2

    letters = type_for(width_px)
    pad = round(0.4 * letters.capital_px)
    sizes = {
        tooth: (
            len(lines) * letters.line_px + pad,
            max(letters.width(line) for line in lines) + 2 * pad,
        )
        for tooth, lines in (room or labels).items()
    }
    places, rows = label_places(np.asarray(regions), sizes, pad, tuple(shown) or (canvas,))
    drawn = np.zeros((rows, canvas.shape[1], 3), np.uint8)
    drawn[: canvas.shape[0]] = canvas
    thin = line_px(width_px, 0.18)
    for tooth, (top, left) in places.items():
        start, end = _leader(np.asarray(regions) == tooth, (top, left), sizes[tooth])
        for colour, thick in ((BLACK, 3 * thin), (WHITE, thin)):
            cv2.line(drawn, start, end, colour, thick, cv2.LINE_AA)
        cv2.circle(drawn, end, 2 * thin, WHITE, -1, cv2.LINE_AA)
    for tooth, (top, left) in places.items():
        height, width = sizes[tooth]
        drawn[top : top + height, left : left + width] = 20
        for number, line in enumerate(labels[tooth]):
            base = top + pad + round(letters.capital_px) + number * letters.line_px
            letters.write(drawn, line, left + (width - letters.width(line)) // 2, base)
    return drawn


def _leader(
    tooth: NDArray[np.bool_], place: tuple[int, int], size: tuple[int, int]
) -> tuple[tuple[int, int], tuple[int, int]]:
    """From a label's edge to the nearest point of its tooth, both (col, row)."""
    import cv2

    left, top, cols, rows = cv2.boundingRect(tooth.astype(np.uint8))
    at = np.argwhere(tooth[top : top + rows, left : left + cols]) + np.array((top, left))
    middle = np.array(place) + np.array(size) / 2
    end = at[int(((at - middle) ** 2).sum(axis=1).argmin())]
    low, high = np.array(place), np.array(place) + np.array(size) - 1
    start = np.clip(end, low, high)
    return (int(start[1]), int(start[0])), (int(end[1]), int(end[0]))
