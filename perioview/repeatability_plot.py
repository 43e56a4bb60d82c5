"""A picture of an observer's repeatability: differences against means, the scatter of marks."""

from __future__ import annotations

import io
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from perioview.repeatability import LandmarkSd, Repeatability

WIDTH, HEIGHT = 1200, 520
FINE = 2
"""Drawn so many times larger and reduced, since Pillow draws lines without smoothing."""
INK, FAINT, MEAN, EDGE = "#1a1a1a", "#c8c8c8", "#0072b2", "#d55e00"
"""Blue and vermilion of a palette made for colour-blind readers (Okabe and Ito 2008)."""
Span = tuple[float, float]
Box = tuple[float, float, float, float]


def paired(sites: Sequence[Mapping[object, float]]) -> NDArray[np.float64]:
    """Mean of each site's markings, and each later marking minus the first.

    Parameters
    ----------
    sites : sequence of mapping
        One per marking, from any key of a site to its bone loss in per cent.

    Returns
    -------
    ndarray of float, shape (n, 3)
        Mean, difference, and which later marking it is, from 1.
    """
    rows = []
    for key, first in sites[0].items():
        known = [s[key] for s in sites if key in s and math.isfinite(s[key])]
        for number, later in enumerate(sites[1:], 1):
            value = later.get(key, math.nan)
            if math.isfinite(first) and math.isfinite(value):
                rows.append((float(np.mean(known)), value - first, float(number)))
    return np.array(rows, dtype=float).reshape(-1, 3)


class _Canvas:
    """A picture in coordinates of the finished size."""

    def __init__(self) -> None:
        from PIL import Image, ImageDraw, ImageFont

        self.image = Image.new("RGB", (WIDTH * FINE, HEIGHT * FINE), "white")
        self.draw: Any = ImageDraw.Draw(self.image)
        self._font: Callable[[int], Any] = lambda size: ImageFont.load_default(size * FINE)

    def line(self, points: Iterable[Span], colour: str, width: float = 1.0) -> None:
        at = [(x * FINE, y * FINE) for x, y in points]
        self.draw.line(at, fill=colour, width=round(width * FINE))

    def dashed(self, start: Span, end: Span, colour: str) -> None:
        length = math.hypot(end[0] - start[0], end[1] - start[1])
        step = np.array([end[0] - start[0], end[1] - start[1]]) / max(length, 1e-9)
        for at in np.arange(0, length, 11):
            a, b = (np.array(start) + step * min(s, length) for s in (at, at + 6))
            self.line([(a[0], a[1]), (b[0], b[1])], colour, 1.5)

    def text(
        self, at: Span, words: str, size: int = 14, anchor: str = "lm", colour: str = INK
    ) -> None:
        place = (at[0] * FINE, at[1] * FINE)
        self.draw.text(place, words, fill=colour, font=self._font(size), anchor=anchor)

    def spot(self, at: Span, kind: int) -> None:
        """Draw a circle, square or triangle: the first, second and further repeats."""
        x, y, r = at[0] * FINE, at[1] * FINE, 4.5 * FINE
        if kind == 1:
            self.draw.ellipse([x - r, y - r, x + r, y + r], outline=INK, width=FINE + 1)
        elif kind == 2:
            self.draw.rectangle([x - r, y - r, x + r, y + r], outline=INK, width=FINE + 1)
        else:
            corners = [(x, y - r), (x + r, y + r), (x - r, y + r), (x, y - r)]
            self.draw.line(corners, fill=INK, width=FINE + 1)

    def png(self) -> bytes:
        """The finished picture."""
        from PIL import Image

        data = io.BytesIO()
        self.image.resize((WIDTH, HEIGHT), Image.Resampling.LANCZOS).save(data, "PNG")
        return data.getvalue()


def ticks(low: float, high: float, most: int = 6) -> list[float]:
    """Round numbers between two values, at most about `most` of them."""
    raw = max(high - low, 1e-9) / most
    unit = 10.0 ** math.floor(math.log10(raw))
    step = next(unit * k for k in (1, 2, 5, 10) if unit * k >= raw)
    return [
        k * step for k in range(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1)
    ]


def repeatability_plot(
    sites: Sequence[Mapping[object, float]], landmarks: Sequence[LandmarkSd], judged: Repeatability
) -> bytes:
    """Draw the differences between markings against their mean, and the SD of each landmark.

    Parameters
    ----------
    sites : sequence of mapping
        As `perioview.repeatability.repeatability` takes them.
    landmarks : sequence of LandmarkSd
    judged : Repeatability

    Returns
    -------
    bytes
        PNG, 1200 x 520.

    References
    ----------
    .. [1] Bland and Altman 1986, Lancet 327:307-310.
    """
    canvas = _Canvas()
    _differences(canvas, (80, 60, 640, 440), paired(sites), judged)
    _scatter(canvas, (860, 60, 1130, 440), landmarks)
    return canvas.png()


def _scale(low: float, high: float, start: float, end: float) -> Callable[[float], float]:
    span = max(high - low, 1e-9)
    return lambda value: start + (value - low) / span * (end - start)


def _differences(
    canvas: _Canvas, box: Box, rows: NDArray[np.float64], judged: Repeatability
) -> None:
    left, top, right, bottom = box
    canvas.text((left, 26), "Bone loss: each later marking minus the first", 17)
    if not len(rows):
        canvas.text((left, 200), "No site was measured twice.")
        return
    limits = judged.limits
    held = [v for v in (limits.low, limits.high, limits.bias) if math.isfinite(v)]
    tall = 1.15 * max(1e-6, *np.abs([*rows[:, 1], *held]))
    low, high = float(rows[:, 0].min()), float(rows[:, 0].max())
    margin = max(2.0, 0.08 * (high - low))
    x = _scale(low - margin, high + margin, left, right)
    y = _scale(-tall, tall, bottom, top)
    for tick in ticks(-tall, tall):
        canvas.line([(left, y(tick)), (right, y(tick))], FAINT)
        canvas.text((left - 8, y(tick)), f"{tick + 0.0:g}", 13, "rm")
    for tick in ticks(low - margin, high + margin):
        canvas.line([(x(tick), bottom), (x(tick), bottom + 5)], INK)
        canvas.text((x(tick), bottom + 16), f"{tick + 0.0:g}", 13, "mm")
    canvas.line([(left, y(0)), (right, y(0))], INK)
    canvas.line([(left, top), (left, bottom), (right, bottom)], INK)
    if math.isfinite(limits.low):
        _limits(canvas, (left, right), y, judged)
    for mean, apart, kind in rows:
        canvas.spot((x(mean), y(apart)), int(kind))
    canvas.text(((left + right) / 2, bottom + 40), "mean of the markings, % of the root", 14, "mm")
    canvas.text((left, top - 14), "difference, points of per cent", 13)
    foot = (
        f"{judged.n} sites, {judged.repeats} markings; circle, square, triangle: "
        "second, third, further marking"
    )
    canvas.text((left, bottom + 64), foot, 13)


def _limits(
    canvas: _Canvas, across: Span, y: Callable[[float], float], judged: Repeatability
) -> None:
    limits = judged.limits
    canvas.line([(across[0], y(limits.bias)), (across[1], y(limits.bias))], MEAN, 2)
    names = (
        (limits.high, f"upper 95 % limit {limits.high:+.1f}", EDGE),
        (limits.bias, f"bias {limits.bias:+.1f}", MEAN),
        (limits.low, f"lower 95 % limit {limits.low:+.1f}", EDGE),
    )
    above = -math.inf
    for value, words, colour in names:
        if colour == EDGE:
            canvas.dashed((across[0], y(value)), (across[1], y(value)), colour)
        # Close lines: the words keep apart all the same.
        above = max(y(value), above + 17)
        canvas.text((across[1] + 8, above), words, 13, "lm", colour)


def _scatter(canvas: _Canvas, box: Box, landmarks: Sequence[LandmarkSd]) -> None:
    left, top, right, bottom = box
    scaled = any(math.isfinite(m.sd_mm) for m in landmarks)
    unit = "mm" if scaled else "px"
    canvas.text((left - 60, 26), f"One SD of a mark along either axis, {unit}", 17)
    shown = [m for m in landmarks if m.landmark != "ruler" or not scaled]
    if not shown:
        return
    per_px = [m.sd_mm / m.sd_px if scaled and m.sd_px > 0 else 1.0 for m in shown]
    values = [
        tuple(v * k for v in (m.sd_px, m.low_px, m.high_px))
        for m, k in zip(shown, per_px, strict=True)
    ]
    widest = max(max(v for v in row if math.isfinite(v)) for row in values)
    x = _scale(0, 1.05 * max(widest, 1e-9), left, right)
    for tick in ticks(0, 1.05 * max(widest, 1e-9), 5):
        canvas.line([(x(tick), top), (x(tick), bottom)], FAINT)
        canvas.text((x(tick), bottom + 16), f"{tick:g}", 13, "mm")
    step = (bottom - top) / len(shown)
    for index, (mark, (sd, low, high)) in enumerate(zip(shown, values, strict=True)):
        middle = top + (index + 0.5) * step
        canvas.text((left - 8, middle), mark.landmark.replace("_", " "), 14, "rm")
        canvas.text((left - 8, middle + 17), f"n = {mark.n}", 12, "rm")
        canvas.line([(x(low), middle), (x(high), middle)], INK, 2)
        for end in (low, high):
            canvas.line([(x(end), middle - 6), (x(end), middle + 6)], INK, 2)
        canvas.draw.ellipse(
            [FINE * (x(sd) - 6), FINE * (middle - 6), FINE * (x(sd) + 6), FINE * (middle + 6)],
            fill=MEAN,
        )
    canvas.line([(left, top), (left, bottom), (right, bottom)], INK)
    canvas.text((left - 60, bottom + 64), "bar: 95 % interval", 13)
