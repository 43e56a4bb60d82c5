"""A rectangle dragged over a grey card in view, for the next measurement of plaque."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from qtpy.QtWidgets import QPushButton

from perioview.errors import InputRefused
from perioview.image import Image
from perioview_napari.convert import image_of_layer, position_from_world

CARD = "grey card"
Corner = tuple[float, float]


class CardTool:
    """Button and mouse handler that mark the card of the photograph in view.

    Parameters
    ----------
    viewer : napari.Viewer
    photo_layer : callable
        Returns the photograph in view, or refuses.
    say : callable
        Shows a message.
    """

    def __init__(
        self, viewer: Any, photo_layer: Callable[[], Any], say: Callable[[str], None]
    ) -> None:
        self.viewer, self.photo_layer, self.say = viewer, photo_layer, say
        self.button = QPushButton("Mark the grey card by a drag")
        self.button.setCheckable(True)
        self.button.toggled.connect(self._switched)
        viewer.mouse_drag_callbacks.append(self._dragged)

    def release(self) -> None:
        """Let go of the viewer."""
        if self._dragged in self.viewer.mouse_drag_callbacks:
            self.viewer.mouse_drag_callbacks.remove(self._dragged)

    def _switched(self, on: bool) -> None:
        if on:
            self.say("Drag from one corner of the grey card to the opposite one.")
        elif CARD in self.viewer.layers:
            self.viewer.layers.remove(CARD)

    def _dragged(self, viewer: Any, event: Any) -> Any:
        if not self.button.isChecked() or event.button != 1:
            return
        event.handled = True
        try:
            photo = self.photo_layer()
        except InputRefused as error:
            self.say(str(error))
            return
        start = position_from_world(photo, event.position)
        yield
        while event.type == "mouse_move":
            event.handled = True
            yield
        self.mark(start, position_from_world(photo, event.position))

    def mark(self, start: Corner, end: Corner) -> None:
        """Show the rectangle between two corners and use it in the next measurement."""
        photo = self.photo_layer()
        if CARD in self.viewer.layers:
            self.viewer.layers.remove(CARD)
        around = np.array([start, (start[0], end[1]), end, (end[0], start[1])], float)
        self.viewer.add_shapes(
            [around],
            shape_type="polygon",
            name=CARD,
            scale=photo.scale,
            edge_color="black",
            edge_width=2,
            face_color="transparent",
            metadata={"card": (*start, *end), "photo": image_of_layer(photo)[0].sha256},
        )
        self.viewer.layers.selection.active = photo
        self.say("Grey card marked; it counts when plaque is measured.")

    def corners(self, photo: Image) -> tuple[float, float, float, float] | None:
        """Return the card's corners in a photo, if one is marked in it."""
        if CARD not in self.viewer.layers or not self.button.isChecked():
            return None
        kept = self.viewer.layers[CARD].metadata
        return kept["card"] if kept["photo"] == photo.sha256 else None
