"""Pictures of a comparison: both visits side by side, and what changed."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from perioview.alignment import Alignment
from perioview.comparison_labels import Type, labelled, outline_teeth, type_for
from perioview.subtraction import (
    LOSS_RGB,
    Difference,
    aligned_later,
    difference_picture,
    stretched,
)

WIDE_PX = 900
"""Most columns of one of the pictures that stand side by side."""
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
    pair = [_narrowed(np.ascontiguousarray(earlier)), _narrowed(drawn)]
    if shares is not None:
        regions = _narrowed(shares[0], labels=True)
        found = {t: both for t, both in shares[1].items() if (regions == t).any()}
        pair = [_shares_written(pair, which, regions, found) for which in (0, 1)]
    white = (255, 255, 255)
    return _row([(pair[0], [("before", white)]), (pair[1], [("after, aligned", white)])])


def _shares_written(
    pair: list[Picture], which: int, regions: Any, found: dict[int, tuple[float, float]]
) -> Picture:
    wide = sum(picture.shape[1] for picture in pair)
    # Both shares take the same room, so that the labels lie alike in both pictures.
    said = {
        tooth: tuple(f"{v:.0f} %" if math.isfinite(v) else "not known" for v in both)
        for tooth, both in found.items()
    }
    picture = pair[which].copy()
    outline_teeth(picture, regions, found, wide)
    texts = {t: (str(t), both[which]) for t, both in said.items()}
    room = {t: max(both, key=type_for(wide).width) for t, both in said.items()}
    rooms = {t: (str(t), widest) for t, widest in room.items()}
    return labelled(picture, regions, texts, wide, rooms, pair)


def _row(parts: list[tuple[Any, list[tuple[str, tuple[int, int, int]]]]]) -> Picture:
    pictures = [(_narrowed(picture), words) for picture, words in parts]
    letters = type_for(sum(picture.shape[1] for picture, _ in pictures))
    return np.concatenate([_captioned(*part, letters) for part in pictures], axis=1)


def _narrowed(picture: Any, *, labels: bool = False) -> Any:
    """A picture of at most `WIDE_PX` columns."""
    import cv2

    rows, cols = picture.shape[:2]
    if cols <= WIDE_PX:
        return picture
    size = (WIDE_PX, max(1, round(rows * WIDE_PX / cols)))
    how = cv2.INTER_NEAREST if labels else cv2.INTER_AREA
    return cv2.resize(picture, size, interpolation=how)


def _captioned(picture: Any, words: list[tuple[str, tuple[int, int, int]]], letters: Type) -> Any:
    pad = round(0.6 * letters.capital_px)
    bar = np.zeros((round(letters.capital_px) + 2 * pad, picture.shape[1], 3), np.uint8)
    across = pad
    for text, colour in words:
        across = letters.write(bar, text, across, bar.shape[0] - pad, colour)
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
