"""Paints the drawing over napari's canvas: dark-backed labels, black-edged lines."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from qtpy.QtCore import QEvent, QObject, QPointF, QRectF, Qt, Signal
from qtpy.QtGui import QColor, QFont, QFontMetricsF, QPainter, QPaintEvent, QPen
from qtpy.QtWidgets import QWidget

from perioview_napari.key_strip import KeyStrip
from perioview_napari.shapes import Caption, Chip, Dot, Drawing, Line

CHIP_GAP = 14.0
MARK_PX = 9.0
DOT_PX = 3.5
BANNER = 34.0  # height of the words on top
TALL = 850
"""Height in px of a canvas from which labels and keys are larger: it is looked at from farther."""
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
        self.keys = KeyStrip()
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
        font.setPixelSize(15 if self.height() >= TALL else 13)
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
        self.keys.large = self.height() >= TALL
        self.keys.paint(painter, self.width(), self.height(), self.font())
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
        kept = self._keep_clear()
        clear = len(kept)
        # Left, top, right, bottom of all that no label may cover; an array, for they are hundreds.
        taken = np.empty((clear + len(chips), 4))
        taken[:clear] = kept
        for i, chip in enumerate(chips, start=clear):
            at = self.point(chip.at)
            box = self._place(chip, at, metrics, taken[:i])
            taken[i] = box.left(), box.top(), box.right(), box.bottom()
            near = QPointF(box.left() if box.left() > at.x() else box.right(), box.center().y())
            if abs(near.y() - at.y()) > box.height() / 2:
                painter.setPen(QPen(QColor(chip.colour), 1.0))
                painter.drawLine(at, near)
            self._chip(painter, box, chip.text, chip.colour)

    def _keep_clear(self) -> NDArray[np.float64]:
        """What no label may cover: the words on top, the keys, the marks."""
        wide, high = float(self.width()), float(self.height())
        foot = self.keys_height()
        boxes = np.array([[0.0, 0.0, wide, BANNER + 6], [0.0, high - foot - 4, wide, high + 40]])
        if not self.drawing.keep_clear:
            return boxes
        assert self.affine is not None
        marks = np.array(self.drawing.keep_clear) @ self.affine[:, :2].T + self.affine[:, 2]
        return np.vstack([boxes, np.hstack([marks - MARK_PX, marks + MARK_PX])])

    def _visible(self, at: QPointF) -> bool:
        across = -50 < at.x() < self.width() + 50
        return bool(across and -20 < at.y() < self.height() + 20)

    def _place(
        self, chip: Chip, at: QPointF, metrics: QFontMetricsF, taken: NDArray[np.float64]
    ) -> QRectF:
        away = self.point(chip.away)
        width = metrics.horizontalAdvance(chip.text) + 12
        height = metrics.height() + 4
        # Beside the mark, and where that ends off the canvas, as far in as it takes.
        last = max(self.width() - width - 2.0, 2.0)
        beside = [
            min(max(left, 2.0), last) for left in (at.x() - CHIP_GAP - width, at.x() + CHIP_GAP)
        ]
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
        """The words on top: what comes next; beside or below, what waits to be kept, and doubts."""
        left, top = 8.0, 8.0
        for text, pixels, colour in (
            (self.drawing.banner, 18, "#ffffff"),
            (self.drawing.note, 14, "#ffcf70"),
            (self.drawing.doubt, 14, "#ff9d9d"),
        ):
            if not text:
                continue
            font = QFont(self.font())
            font.setPixelSize(pixels)
            painter.setFont(font)
            metrics = QFontMetricsF(font)
            wide = metrics.horizontalAdvance(text) + 20
            if left > 8 and left + wide > self.width() - 8:
                left, top = 8.0, top + BANNER
            box = QRectF(left, top, min(wide, self.width() - 16), BANNER - 5)
            painter.setPen(Qt.PenStyle.NoPen)
            painter.setBrush(DARK)
            painter.drawRoundedRect(box, 5, 5)
            painter.setPen(QColor(colour))
            words = metrics.elidedText(text, Qt.TextElideMode.ElideRight, box.width() - 16)
            painter.drawText(box, Qt.AlignmentFlag.AlignCenter, words)
            left = box.right() + 5

    def keys_height(self) -> float:
        """Return the height of the strip of keys at the foot of the canvas, in its pixels."""
        self.keys.large = self.height() >= TALL
        return self.keys.height(self.width(), self.font())

    @property
    def keys_shown(self) -> bool:
        """Whether the strip of keys is shown."""
        return self.keys.shown

    @keys_shown.setter
    def keys_shown(self, on: bool) -> None:
        self.keys.shown = on


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
