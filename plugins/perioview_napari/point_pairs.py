"""Matching points clicked on two radiographs side by side."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np

from perioview_napari.convert import position_from_world

PAIRS = "matching points"
COLOURS = ("#e69f00", "#56b4e9", "#00b38a", "#f0e442", "#d55e00", "#e38fc0", "#ffffff")
CLICK_PX = 4.0
GAP = 0.04
Point = tuple[float, float]


class PointPairs:
    """Lays two radiographs side by side and collects pairs of clicks.

    Parameters
    ----------
    viewer : napari.Viewer
    earlier, later : Image layer
    changed : callable
        Called after every point.
    """

    def __init__(self, viewer: Any, earlier: Any, later: Any, changed: Callable[[], None]) -> None:
        self.viewer = viewer
        self.layers = (earlier, later)
        self.changed = changed
        self.points: tuple[list[Point], list[Point]] = ([], [])
        self._order: list[int] = []
        self._before = [
            (la, la.visible, tuple(la.translate), tuple(la.scale)) for la in viewer.layers
        ]
        self._arrange()
        self._shown: Any = None
        viewer.mouse_drag_callbacks.append(self._pressed)

    def _arrange(self) -> None:
        earlier, later = self.layers
        for layer in self.viewer.layers:
            layer.visible = layer in self.layers
        wide = earlier.data.shape[1] * earlier.scale[-1]
        high = earlier.data.shape[0] * earlier.scale[-2]
        # As high as its neighbour, whatever the sensor: only places are compared here.
        share = high / (later.data.shape[0] * later.scale[-2])
        later.scale = tuple(np.asarray(later.scale) * share)
        earlier.translate = (0.0, 0.0)
        later.translate = (0.0, wide * (1 + GAP))
        self.viewer.reset_view()

    def close(self) -> None:
        """Put everything back as it was."""
        if self._pressed in self.viewer.mouse_drag_callbacks:
            self.viewer.mouse_drag_callbacks.remove(self._pressed)
        if self._shown is not None and self._shown in self.viewer.layers:
            self.viewer.layers.remove(self._shown)
        for layer, visible, translate, scale in self._before:
            if layer in self.viewer.layers:
                layer.visible, layer.translate, layer.scale = visible, translate, scale

    @property
    def pairs(self) -> list[tuple[Point, Point]]:
        """Complete pairs, ((row, col) later, (row, col) earlier) in px of each image."""
        earlier, later = self.points
        return list(zip(later, earlier, strict=False))

    @property
    def words(self) -> str:
        """What to click next."""
        counts = [len(p) for p in self.points]
        number = min(counts) + 1
        where = (
            "either image"
            if counts[0] == counts[1]
            else ("the earlier (left)" if counts[0] < counts[1] else "the later (right)")
        )
        return (
            f"{number - 1} pairs. Pair {number}: click on {where}. Four or more, far apart, on "
            "teeth and not on the bone margin; then 'Lay the later on the earlier'."
        )

    def _pressed(self, viewer: Any, event: Any) -> Iterator[None]:
        if event.button != 1 or event.modifiers:
            return
        start = np.array(event.pos, dtype=float)
        yield
        while event.type == "mouse_move":
            yield
        if np.abs(np.array(event.pos) - start).max() <= CLICK_PX:
            self.click(event.position)

    def click(self, world: Any) -> None:
        """Take a click at a place of napari's world."""
        for index, layer in enumerate(self.layers):
            row, col = position_from_world(layer, world)
            rows, cols = layer.data.shape[:2]
            if -0.5 <= row <= rows - 0.5 and -0.5 <= col <= cols - 0.5:
                mine, other = self.points[index], self.points[1 - index]
                # One point ahead at most: the partner comes first, so a second click corrects.
                if len(mine) > len(other):
                    mine[-1] = (row, col)
                else:
                    mine.append((row, col))
                    self._order.append(index)
                self._draw()
                self.changed()
                return

    def undo(self) -> None:
        """Take the last point back."""
        if self._order:
            self.points[self._order.pop()].pop()
            self._draw()
            self.changed()

    def _draw(self) -> None:
        places, numbers, colours = [], [], []
        for layer, points in zip(self.layers, self.points, strict=True):
            for number, point in enumerate(points):
                places.append(layer.data_to_world(point))
                numbers.append(str(number + 1))
                colours.append(COLOURS[number % len(COLOURS)])
        if self._shown is not None and self._shown in self.viewer.layers:
            self.viewer.layers.remove(self._shown)
        self._shown = None
        if places:
            high = float(self.layers[0].data.shape[0] * self.layers[0].scale[-2])
            self._shown = self.viewer.add_points(
                np.array(places), name=PAIRS, size=0.035 * high, symbol="cross",
                face_color=colours, border_width=0, features={"n": numbers},
                text={"string": "{n}", "color": "white", "size": 14, "anchor": "upper_left"},
                units=self.layers[0].units,
            )  # fmt: skip
            self._shown.editable = False
