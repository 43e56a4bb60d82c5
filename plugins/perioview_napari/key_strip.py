"""The strip of keys at the foot of the canvas: as many columns as there is room for."""

from __future__ import annotations

from dataclasses import dataclass

from qtpy.QtCore import QPointF, QRectF, Qt
from qtpy.QtGui import QColor, QFont, QFontMetricsF, QPainter

from perioview_napari import keys

FONT_PX = 12
LARGE_PX = 14
EDGE = 9.0
BETWEEN = 16.0  # columns
BESIDE_KEY = 8.0
SCALE_BAR = 175  # the corner napari's scale bar takes, at its longest
HIDDEN = "H: keys"


@dataclass(frozen=True, slots=True)
class _Column:
    lines: tuple[tuple[str, str], ...]
    key_width: float
    width: float


class KeyStrip:
    """Lays the keys out for a width and paints them."""

    def __init__(self) -> None:
        self.shown = True
        self.large = False
        self.state = keys.NOTHING
        """What is shown, as in `keys`: the keys that work then are listed, and no others."""
        self._fitted: tuple[tuple[int, str, bool], tuple[_Column, ...]] = (
            (-1, "", False),
            (),
        )

    @property
    def line(self) -> int:
        """Height of a line in px."""
        return self._px + 3

    @property
    def _px(self) -> int:
        return LARGE_PX if self.large else FONT_PX

    def height(self, width: int, font: QFont) -> float:
        """Return the strip's height on a canvas of this width; 0 while it is hidden."""
        if not self.shown or not self.state:
            return 0.0
        return float(len(self._columns(width, font)[0].lines) * self.line + 12)

    def _columns(self, width: int, font: QFont) -> tuple[_Column, ...]:
        if self._fitted[0] != (width, self.state, self.large):
            rows = keys.lines(self.state)
            fitted = _fitted(rows, width - SCALE_BAR, QFontMetricsF(self._small(font)))
            self._fitted = ((width, self.state, self.large), fitted)
        return self._fitted[1]

    def _small(self, font: QFont) -> QFont:
        small = QFont(font)
        small.setPixelSize(self._px)
        return small

    def paint(self, painter: QPainter, width: int, height: int, font: QFont) -> None:
        """Paint the strip at the lower left, or how to have it back."""
        if not self.state:
            return
        painter.setFont(self._small(font))
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(QColor(15, 15, 15, 190))
        if not self.shown:
            wide = QFontMetricsF(self._small(font)).horizontalAdvance(HIDDEN) + 2 * EDGE
            box = QRectF(6, height - self.line - 11, wide, self.line + 7)
            painter.drawRoundedRect(box, 5, 5)
            painter.setPen(QColor("#9ad0f5"))
            painter.drawText(box, Qt.AlignmentFlag.AlignCenter, HIDDEN)
            return
        columns = self._columns(width, font)
        deep = self.height(width, font)
        wide = sum(c.width for c in columns) + BETWEEN * (len(columns) - 1) + 2 * EDGE
        box = QRectF(6, height - deep - 4, wide, deep)
        painter.drawRoundedRect(box, 5, 5)
        left = box.left() + EDGE
        for column in columns:
            for i, (key, words) in enumerate(column.lines):
                baseline = box.top() + self.line * (i + 1) + 1
                painter.setPen(QColor("#9ad0f5"))
                painter.drawText(QPointF(left, baseline), key)
                painter.setPen(QColor("#e8e8e8"))
                painter.drawText(QPointF(left + column.key_width + BESIDE_KEY, baseline), words)
            left += column.width + BETWEEN


def _fitted(
    rows: list[tuple[str, str]], room: float, metrics: QFontMetricsF
) -> tuple[_Column, ...]:
    """As many columns as fit beside each other, one at least."""
    best: tuple[_Column, ...] = ()
    for count in range(1, len(rows) + 1):
        deep = -(-len(rows) // count)
        columns = tuple(
            _column(rows[first : first + deep], metrics) for first in range(0, len(rows), deep)
        )
        wide = sum(c.width for c in columns) + BETWEEN * (len(columns) - 1) + 2 * EDGE
        if best and wide > room:
            break
        best = columns
    return best


def _column(rows: list[tuple[str, str]], metrics: QFontMetricsF) -> _Column:
    key_width = max(metrics.horizontalAdvance(key) for key, _ in rows)
    words = max(metrics.horizontalAdvance(words) for _, words in rows)
    return _Column(tuple(rows), key_width, key_width + BESIDE_KEY + words)
