"""Paints the drawing over napari's canvas: dark-backed labels, black-edged lines."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from qtpy.QtCore import QEvent, QObject, QPointF, QRectF, Qt, Signal
from qtpy.QtGui import QColor, QFont, QFontMetricsF, QPainter, QPaintEvent, QPen
from qtpy.QtWidgets import QWidget

from perioview_napari import keys
from perioview_napari.shapes import Caption, Chip, Dot, Drawing, Line

CHIP_PX = 13
CHIP_GAP = 14.0
MARK_PX = 9.0
DOT_PX = 3.5
KEY_LINE = 15
KEY_COLUMN = 262
DARK = QColor(15, 15, 15, 215)


class Overlay(QWidget):
    """A transparent sheet on the canvas; mouse and keys pass through it.

    Parameters
    ----------
    canvas : QWidget
        napari's own canvas widget, which it covers.
    """

    resized = Signal()

    def __init__(self, canvas: QWidget) -> None:
        super().__init__(canvas)
        self.setAttribute(Qt.WidgetAttribute.WA_TransparentForMouseEvents)
        self.setAttribute(Qt.WidgetAttribute.WA_NoSystemBackground)
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.drawing = Drawing()
        self.keys_shown = True
        # (row, col) of the image to the canvas: 2 x 3.
        self.affine: NDArray[np.float64] | None = None
        canvas.installEventFilter(self)
        self.setGeometry(canvas.rect())
        self.show()

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        """Follow the canvas in size."""
        if event.type() == QEvent.Type.Resize and isinstance(watched, QWidget):
            self.setGeometry(watched.rect())
            self.resized.emit()
        return False

    def point(self, at: tuple[float, float]) -> QPointF:
        """Return where a (row, col) position lies on the canvas."""
        assert self.affine is not None
        x, y = self.affine @ (at[0], at[1], 1.0)
        return QPointF(x, y)

    def paintEvent(self, event: QPaintEvent) -> None:
        """Paint lines first, then labels over them, then the words in the corners."""
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        font = QFont(self.font())
        font.setPixelSize(CHIP_PX)
        painter.setFont(font)
        if self.affine is not None:
            for line in self.drawing.lines:
                self._line(painter, line)
            for dot in self.drawing.dots:
                self._dot(painter, dot)
            for caption in self.drawing.captions:
                self._caption(painter, caption, QFontMetricsF(font))
            self._chips(painter, QFontMetricsF(font))
        self._banner(painter)
        if self.keys_shown:
            self._keys(painter)
        painter.end()

    def _line(self, painter: QPainter, line: Line) -> None:
        start, end = self.point(line.start), self.point(line.end)
        edge = QPen(QColor(0, 0, 0, 190), line.width + 2.2)
        edge.setCapStyle(Qt.PenCapStyle.RoundCap)
        pen = QPen(QColor(line.colour), line.width)
        if line.dashed:
            pen.setDashPattern([5, 4])
            edge.setColor(QColor(0, 0, 0, 110))
        painter.setPen(edge)
        painter.drawLine(start, end)
        painter.setPen(pen)
        painter.drawLine(start, end)

    def _dot(self, painter: QPainter, dot: Dot) -> None:
        painter.setPen(QPen(QColor(0, 0, 0), 1.0))
        painter.setBrush(QColor(dot.colour))
        painter.drawEllipse(self.point(dot.at), DOT_PX, DOT_PX)

    def _caption(self, painter: QPainter, caption: Caption, metrics: QFontMetricsF) -> None:
        # However the view is turned: at the radiograph's left and lower edge on the screen.
        corners = [self.point(corner) for corner in caption.corners]
        left, low = min(p.x() for p in corners), max(p.y() for p in corners)
        wide = max(p.x() for p in corners) - left - 8
        words = metrics.elidedText(caption.text, Qt.TextElideMode.ElideRight, wide - 12)
        height = metrics.height() + 4
        box = QRectF(left + 4, low - height - 4, metrics.horizontalAdvance(words) + 12, height)
        if wide > 40:
            self._chip(painter, box, words, caption.colour)

    def _chips(self, painter: QPainter, metrics: QFontMetricsF) -> None:
        chips = [c for c in self.drawing.chips if self._visible(self.point(c.at))]
        clear = len(self.drawing.keep_clear)
        # Left, top, right, bottom of all that no label may cover; an array, for they are hundreds.
        taken = np.empty((clear + len(chips), 4))
        if clear:
            assert self.affine is not None
            marks = np.array(self.drawing.keep_clear) @ self.affine[:, :2].T + self.affine[:, 2]
            taken[:clear] = np.hstack([marks - MARK_PX, marks + MARK_PX])
        for i, chip in enumerate(chips, start=clear):
            at = self.point(chip.at)
            box = self._place(chip, at, metrics, taken[:i])
            taken[i] = box.left(), box.top(), box.right(), box.bottom()
            near = QPointF(box.left() if box.left() > at.x() else box.right(), box.center().y())
            if abs(near.y() - at.y()) > box.height() / 2:
                painter.setPen(QPen(QColor(chip.colour), 1.0))
                painter.drawLine(at, near)
            self._chip(painter, box, chip.text, chip.colour)

    def _visible(self, at: QPointF) -> bool:
        across = -50 < at.x() < self.width() + 50
        return bool(across and -20 < at.y() < self.height() + 20)

    def _place(
        self, chip: Chip, at: QPointF, metrics: QFontMetricsF, taken: NDArray[np.float64]
    ) -> QRectF:
        away = self.point(chip.away)
        width = metrics.horizontalAdvance(chip.text) + 12
        height = metrics.height() + 4
        beside = [at.x() - CHIP_GAP - width, at.x() + CHIP_GAP]
        if at.x() >= away.x():
            beside.reverse()
        for shift in (0.0, 1.1, -1.1, 2.2, -2.2, 3.3, -3.3, 4.4, -4.4):
            for left in beside if shift else beside[:1]:
                box = QRectF(left, at.y() + (shift - 0.5) * height, width, height)
                free = (
                    (taken[:, 0] >= box.right())
                    | (taken[:, 2] <= box.left())
                    | (taken[:, 1] >= box.bottom())
                    | (taken[:, 3] <= box.top())
                )
                if free.all():
                    return box
        return QRectF(beside[0], at.y() - height / 2, width, height)

    def _chip(self, painter: QPainter, box: QRectF, text: str, colour: str) -> None:
        painter.setPen(QPen(QColor(colour), 1.2))
        painter.setBrush(DARK)
        painter.drawRoundedRect(box, 4, 4)
        painter.setPen(QColor(colour))
        painter.drawText(box, Qt.AlignmentFlag.AlignCenter, text)

    def _banner(self, painter: QPainter) -> None:
        top = 8.0
        for text, pixels, colour in (
            (self.drawing.banner, 17, "#ffffff"),
            (self.drawing.note, 13, "#ffcf70"),
        ):
            if not text:
                continue
            font = QFont(self.font())
            font.setPixelSize(pixels)
            painter.setFont(font)
            metrics = QFontMetricsF(font)
            box = QRectF(8, top, metrics.horizontalAdvance(text) + 20, metrics.height() + 8)
            painter.setPen(Qt.PenStyle.NoPen)
            painter.setBrush(DARK)
            painter.drawRoundedRect(box, 5, 5)
            painter.setPen(QColor(colour))
            painter.drawText(box, Qt.AlignmentFlag.AlignCenter, text)
            top = box.bottom() + 5

    def keys_height(self) -> float:
        """Return the height of the strip of keys at the foot of the canvas, in its pixels."""
        if not self.keys_shown:
            return 0.0
        return float(-(-len(keys.lines()) // self._key_columns()) * KEY_LINE + 12)

    def _key_columns(self) -> int:
        # The scale bar keeps its corner.
        return int(max(1, (self.width() - 130) // KEY_COLUMN))

    def _keys(self, painter: QPainter) -> None:
        font = QFont(self.font())
        font.setPixelSize(12)
        painter.setFont(font)
        rows = keys.lines()
        columns = self._key_columns()
        height = self.keys_height()
        deep = -(-len(rows) // columns)
        box = QRectF(6, self.height() - height - 4, columns * KEY_COLUMN, height)
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(QColor(15, 15, 15, 190))
        painter.drawRoundedRect(box, 5, 5)
        for i, (key, words) in enumerate(rows):
            left = box.left() + 9 + (i // deep) * KEY_COLUMN
            baseline = box.top() + KEY_LINE * (i % deep + 1)
            painter.setPen(QColor("#9ad0f5"))
            painter.drawText(QPointF(left, baseline), key)
            painter.setPen(QColor("#e8e8e8"))
            painter.drawText(QPointF(left + 58, baseline), words)


def canvas_affine(viewer: Any, layer: Any) -> NDArray[np.float64]:
    """Return the map from a layer's (row, col) to the canvas's (x, y), as a 2 x 3 matrix."""
    canvas = viewer.window._qt_viewer.canvas
    transform = canvas.view.transform * canvas.view.scene.transform
    displayed = viewer.dims.displayed
    corners = np.array([(0.0, 0.0), (1000.0, 0.0), (0.0, 1000.0)])
    world = np.array([layer.data_to_world(c) for c in corners])
    # vispy counts x first: the last displayed axis.
    xy = world[:, [displayed[1], displayed[0]]]
    mapped = np.asarray(transform.map(np.column_stack([xy, np.zeros(3), np.ones(3)])))
    mapped = mapped[:, :2] / mapped[:, 3:4]
    origin = mapped[0]
    return np.column_stack([(mapped[1] - origin) / 1000, (mapped[2] - origin) / 1000, origin])
