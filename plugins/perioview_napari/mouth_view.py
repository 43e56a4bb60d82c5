"""The map of the mouth, to look at and to choose a tooth on."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from qtpy.QtCore import Qt
from qtpy.QtGui import QImage, QPixmap
from qtpy.QtWidgets import QDialog, QLabel, QPushButton, QVBoxLayout, QWidget

from perioview.record.mouth_map import SIZE, Shape


class MouthMap(QLabel):
    """The map of the mouth; a click names the tooth under it."""

    def __init__(self, chosen: Callable[[int], None]) -> None:
        super().__init__()
        self.chosen = chosen
        self.shapes: tuple[Shape, ...] = ()
        self.setMinimumSize(320, 320)
        self.setAlignment(Qt.AlignmentFlag.AlignCenter)
        self._pixels: QPixmap | None = None

    def show_shapes(self, shapes: tuple[Shape, ...]) -> None:
        """Draw the map."""
        from perioview.record.mouth_map import mouth_picture

        self.shapes = shapes
        picture = np.ascontiguousarray(mouth_picture(shapes, 1))
        rows, cols = picture.shape[:2]
        image = QImage(picture.data, cols, rows, 3 * cols, QImage.Format.Format_RGB888)
        self._pixels = QPixmap.fromImage(image.copy())
        self._fit()

    def _fit(self) -> None:
        if self._pixels is not None:
            self.setPixmap(
                self._pixels.scaled(
                    self.size(),
                    Qt.AspectRatioMode.KeepAspectRatio,
                    Qt.TransformationMode.SmoothTransformation,
                )
            )

    def resizeEvent(self, event: Any) -> None:
        """Keep the map as large as the panel allows."""
        super().resizeEvent(event)
        self._fit()

    def tooth_at(self, x: float, y: float) -> int | None:
        """Return the tooth whose drawing lies nearest a point of the widget, within reach."""
        side = min(self.width(), self.height())
        left, top = (self.width() - side) / 2, (self.height() - side) / 2
        at = np.array([(x - left) / side * SIZE, (y - top) / side * SIZE])
        places = [
            (float(np.hypot(*(np.mean(s.points, axis=0) - at))), s.tooth)
            for s in self.shapes
            if s.tooth is not None
        ]
        if not places:
            return None
        distance, number = min(places)
        return number if distance < 60 else None

    def mousePressEvent(self, event: Any) -> None:
        """Choose the tooth that was clicked."""
        number = self.tooth_at(event.position().x(), event.position().y())
        if number is not None:
            self.chosen(number)


class MapTab(QWidget):
    """The map, and a button that shows it as large as the screen allows.

    Parameters
    ----------
    chosen : callable
        Called with the tooth that was clicked.
    """

    def __init__(self, chosen: Callable[[int], None]) -> None:
        super().__init__()
        self.map = MouthMap(chosen)
        larger = QPushButton("In a window of its own")
        larger.clicked.connect(self.enlarge)
        inside = QVBoxLayout(self)
        inside.addWidget(self.map, 1)
        inside.addWidget(larger)

    def enlarge(self) -> QDialog:
        """Show the map as large as the screen allows; a click there chooses a tooth, too."""
        window = QDialog(self)
        window.setWindowTitle("The whole mouth")
        chart = MouthMap(self.map.chosen)
        box = QVBoxLayout(window)
        box.setContentsMargins(0, 0, 0, 0)
        box.addWidget(chart)
        room = self.screen().availableSize()
        side = int(0.85 * min(room.width(), room.height()))
        window.resize(side, side)
        chart.show_shapes(self.map.shapes)
        window.show()
        return window
