"""The map of plaque over the photo, with a number per tooth and a legend, for screen and print."""

from __future__ import annotations

import math
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from perioview.errors import InputRefused
from perioview.image import Image
from perioview.plaque_result import CAP, GLARE_CODE, PlaqueResult, ToothPlaque

Rgb = NDArray[np.uint8]

# Light to dark in steps of even lightness, so that it also reads in grey print; blue for newer
# plaque and orange to brown for older differ for every common colour deficiency.
NEWER = ((190, 214, 240), (88, 152, 205), (8, 48, 107))
OLDER = ((254, 230, 190), (241, 140, 40), (102, 37, 6))
GLARE_GREY = (200, 200, 200)


@cache
def _colours() -> NDArray[np.uint8]:
    """Colour of each code of the stain map, shape (256, 3)."""
    table = np.zeros((256, 3), np.uint8)
    at = np.linspace(0, CAP, 3)
    codes = np.arange(1, CAP + 1)
    for start, ramp in ((0, NEWER), (CAP, OLDER)):
        anchors = np.array(ramp, float)
        for channel in range(3):
            table[start + codes, channel] = np.interp(codes, at, anchors[:, channel])
    table[GLARE_CODE] = GLARE_GREY
    table.setflags(write=False)
    return table


def overlay(
    photo: Image, regions: NDArray[Any], result: PlaqueResult, *, opacity: float = 0.75
) -> Rgb:
    """Paint the stain map, outlines, percentages and a legend over the photo.

    Parameters
    ----------
    photo : Image
        The photo that was measured.
    regions : ndarray of uint16, shape (rows, cols)
        Its tooth regions.
    result : PlaqueResult
        Its measurement.
    opacity : float
        Of the stain map, 0 to 1.

    Returns
    -------
    ndarray of uint8, shape (rows + legend, cols, 3)
        sRGB; the legend lies below the photo.

    Raises
    ------
    InputRefused
        If photo, regions and result are not of one size.
    """
    if not photo.pixels.shape[:2] == np.shape(regions) == result.stain_map.shape:
        raise InputRefused(
            f"{photo.name}: photo, regions and result have sizes {photo.pixels.shape[:2]}, "
            f"{np.shape(regions)} and {result.stain_map.shape}; give three of one measurement."
        )
    canvas = photo.pixels.copy()
    paint_stain(canvas, result.stain_map, opacity)
    labels = np.asarray(regions)
    unit = max(1.0, max(canvas.shape[:2]) / 1200)
    _outlines(canvas, labels, result, unit)
    for tooth in result.teeth:
        _chip(canvas, labels, tooth, unit)
    return np.concatenate([canvas, _legend(canvas.shape[1], result, unit)])


def paint_stain(canvas: Rgb, stain_map: NDArray[np.uint8], opacity: float) -> None:
    """Blend the stain map into an sRGB picture, in place.

    Parameters
    ----------
    canvas : ndarray of uint8, shape (rows, cols, 3)
        Changed.
    stain_map : ndarray of uint8, shape (rows, cols)
        As in `PlaqueResult`.
    opacity : float
        0 to 1.
    """
    shown = stain_map > 0
    painted = _colours()[stain_map[shown]].astype(np.float32)
    canvas[shown] = np.round(opacity * painted + (1 - opacity) * canvas[shown]).astype(np.uint8)


def stain_layer(stain_map: NDArray[np.uint8]) -> Rgb:
    """Stain map as a see-through picture, for a layer whose opacity can be changed.

    Parameters
    ----------
    stain_map : ndarray of uint8, shape (rows, cols)
        As in `PlaqueResult`.

    Returns
    -------
    ndarray of uint8, shape (rows, cols, 4)
        sRGB and alpha; clear where nothing is stained.
    """
    alpha = np.where(stain_map > 0, 255, 0).astype(np.uint8)
    return np.dstack([_colours()[stain_map], alpha])


def _outlines(canvas: Rgb, labels: NDArray[Any], result: PlaqueResult, unit: float) -> None:
    import cv2

    for tooth in result.teeth:
        region = (labels == tooth.tooth).astype(np.uint8)
        contours, _ = cv2.findContours(region, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        # White between two black lines shows on gum, enamel and stain alike.
        cv2.drawContours(canvas, contours, -1, (0, 0, 0), max(2, round(3 * unit)))
        cv2.drawContours(canvas, contours, -1, (255, 255, 255), max(1, round(unit)))


def _chip(canvas: Rgb, labels: NDArray[Any], tooth: ToothPlaque, unit: float) -> None:
    rows, cols = np.nonzero(labels == tooth.tooth)
    value = tooth.coverage.value
    share = f"{value:.0f} %" if math.isfinite(value) else "not known"
    lines = (str(tooth.tooth), share)
    _text_block(canvas, lines, (float(cols.mean()), float(rows.mean())), unit)


def _text_block(
    canvas: Rgb, lines: tuple[str, ...], centre: tuple[float, float], unit: float
) -> None:
    """Write lines on a dark chip centred at (x, y), kept inside the picture."""
    import cv2

    font, scale, stroke = cv2.FONT_HERSHEY_SIMPLEX, 0.5 * unit, max(1, round(1.2 * unit))
    sizes = [cv2.getTextSize(line, font, scale, stroke)[0] for line in lines]
    pad, step = round(4 * unit), round(1.5 * max(height for _, height in sizes))
    width, height = max(w for w, _ in sizes) + 2 * pad, step * len(lines) + pad
    left = int(np.clip(centre[0] - width / 2, 0, max(0, canvas.shape[1] - width)))
    top = int(np.clip(centre[1] - height / 2, 0, max(0, canvas.shape[0] - height)))
    back = canvas[top : top + height, left : left + width]
    back[:] = (back * 0.15 + np.array([20, 20, 20])).astype(np.uint8)
    for number, (line, (w, _)) in enumerate(zip(lines, sizes, strict=True), start=1):
        origin = (left + (width - w) // 2, top + number * step - pad // 2)
        cv2.putText(canvas, line, origin, font, scale, (255, 255, 255), stroke, cv2.LINE_AA)


def _legend(cols: int, result: PlaqueResult, unit: float) -> Rgb:
    import cv2

    # A narrow photo still needs a readable legend.
    unit = min(unit, cols / 620)
    font, scale, stroke = cv2.FONT_HERSHEY_SIMPLEX, 0.45 * unit, max(1, round(unit))
    line, pad = round(20 * unit), round(8 * unit)
    ramps = [("older", CAP), ("newer", 0)] if result.dye == "two-tone" else [("plaque", 0)]
    strip = np.full(((len(ramps) + 2) * line + 2 * pad, cols, 3), 255, np.uint8)

    def write(text: str, x: int, y: int) -> None:
        cv2.putText(strip, text, (x, y), font, scale, (0, 0, 0), stroke, cv2.LINE_AA)

    start, length = round(70 * unit), round(200 * unit)
    for number, (name, offset) in enumerate(ramps):
        top = pad + number * line
        write(name, pad, top + round(12 * unit))
        codes = offset + np.linspace(min(100 * result.density, CAP), CAP, length).round().astype(
            int
        )
        bar = strip[top : top + round(14 * unit), start : start + length]
        bar[:] = _colours()[codes][None, : bar.shape[1]]
    y = pad + round(12 * unit)
    write(f"light to heavy stain (density {result.density:g} to 1)", start + length + pad, y)
    top = pad + len(ramps) * line
    strip[top : top + round(14 * unit), start : start + line] = GLARE_GREY
    write("glare, not counted", start + line + pad, top + round(12 * unit))
    mouth = result.coverage.value
    total = f"Mouth {mouth:.0f} % covered. " if math.isfinite(mouth) else "Mouth: not known. "
    text = f"{total}Stain shows nothing below the gum line."
    write(text, pad, top + line + round(12 * unit))
    return strip
