"""Pictures of a comparison: both visits side by side, and what changed."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from perioview.alignment import Alignment
from perioview.regions_drawn import draw_outlines, draw_words, middle_of
from perioview.subtraction import (
    LOSS_RGB,
    Difference,
    aligned_later,
    difference_picture,
    stretched,
)

WIDE_PX = 900
BAR_PX = 30
GAIN_SHOWN = (86, 180, 233)
"""Caption colour: the lighter blue of the same palette, since the darker is faint on black."""
Picture = NDArray[np.uint8]
Shares = tuple[NDArray[np.uint16], dict[int, tuple[float, float]]]


def side_by_side(found: Difference, earlier: ArrayLike) -> Picture:
    """Earlier, later as aligned and grey-matched, and the change, with captions; sRGB."""
    grey = stretched(earlier)
    low, high = np.percentile(np.asarray(earlier, dtype=np.float32)[::3, ::3], (0.5, 99.5))
    after = 255 * np.clip((found.later - low) / max(float(high - low), 1e-9), 0, 1)
    after = np.where(found.known, after, 0.25 * after).astype(np.uint8)
    return _row(
        [
            (np.repeat(grey[..., None], 3, axis=2), [("earlier", (255, 255, 255))]),
            (np.repeat(after[..., None], 3, axis=2), [("later, aligned", (255, 255, 255))]),
            (
                difference_picture(found, earlier),
                [("change: ", (255, 255, 255)), ("loss ", LOSS_RGB), ("gain", GAIN_SHOWN)],
            ),
        ]
    )


def photos_side_by_side(
    earlier: Any,
    later: Any,
    alignment: Alignment,
    shares: Shares | None = None,
) -> Picture:
    """Two photographs, the later one laid onto the earlier; sRGB.

    Parameters
    ----------
    earlier, later : ndarray of uint8, shape (rows, cols, 3)
        sRGB.
    alignment : Alignment
        Of the later onto the earlier.
    shares : tuple, optional
        Tooth regions of the earlier photo, and by tooth its coverage before and after in per
        cent: outlined and written into both.
    """
    drawn, known = aligned_later(later, earlier.shape[:2], alignment)
    drawn = np.where(known[..., None], np.clip(drawn, 0, 255), 0).astype(np.uint8)
    pair = [np.ascontiguousarray(earlier).copy(), drawn]
    if shares is not None:
        regions, found = shares
        unit = pair[0].shape[1] / WIDE_PX
        for which, picture in enumerate(pair):
            draw_outlines(picture, regions, found, unit)
            for tooth, both in found.items():
                share = f"{both[which]:.0f} %" if math.isfinite(both[which]) else "not known"
                draw_words(picture, (str(tooth), share), middle_of(regions, tooth), unit)
    white = (255, 255, 255)
    return _row([(pair[0], [("before", white)]), (pair[1], [("after, aligned", white)])])


def _row(parts: list[tuple[Any, list[tuple[str, tuple[int, int, int]]]]]) -> Picture:
    return np.concatenate([_captioned(*part) for part in parts], axis=1)


def _captioned(picture: Any, words: list[tuple[str, tuple[int, int, int]]]) -> Any:
    import cv2

    rows, cols = picture.shape[:2]
    if cols > WIDE_PX:
        size = (WIDE_PX, max(1, round(rows * WIDE_PX / cols)))
        picture = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
    bar = np.zeros((BAR_PX, picture.shape[1], 3), np.uint8)
    across = 8
    for text, colour in words:
        font = cv2.FONT_HERSHEY_SIMPLEX
        cv2.putText(bar, text, (across, 21), font, 0.6, colour, 1, cv2.LINE_AA)
        across += cv2.getTextSize(text, font, 0.6, 1)[0][0] + 4
    framed = np.concatenate([bar, picture], axis=0)
    framed[:, -2:] = 0
    return framed


def png(picture: Picture) -> bytes:
    """Encode an sRGB picture as PNG."""
    import cv2

    done, data = cv2.imencode(".png", np.ascontiguousarray(picture[..., ::-1]))
    if not done:
        raise ValueError(f"a picture of shape {picture.shape} cannot be encoded as PNG")
    return bytes(data)
