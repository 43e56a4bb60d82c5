"""A rectangle over the grey card in view: dragged, or as the visit states it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from qtpy.QtCore import QSignalBlocker
from qtpy.QtWidgets import QPushButton

from perioview.errors import InputRefused
from perioview.image import Image
from perioview_napari.convert import image_of_layer, position_from_world
from perioview_napari.region_boxes import Box, Labels
from perioview_napari.still_drawn import keep_drawn

CARD = "grey card"
Corner = tuple[float, float]
Card = tuple[float, float, float, float]


def off_card(before: Labels, after: Labels, box: Box, card: Card | None) -> Labels:
    """Return outlines without what they would newly take of the grey card.

    An outline that touches the card stops every measurement of the photo, and the report.

    Parameters
    ----------
    before, after : ndarray of uint16
        Triadan numbers in the box, as they are and as they are to be.
    box : tuple of slice
    card : tuple of float, optional
        Row and column of two opposite corners, px.
    """
    if card is None or not after.size:
        return after
    (top, bottom), (left, right) = (sorted(round(c) for c in card[k::2]) for k in (0, 1))
    rows, cols = (range(s.start, s.stop) for s in box)
    on_card = np.outer(
        [top <= row <= bottom for row in rows], [left <= col <= right for col in cols]
    )
    return np.where(on_card & (after > 0) & (after != before), before, after)


class CardTool:
    """Button and mouse handler that mark the card of the photograph in view.

    Parameters
    ----------
    viewer : napari.Viewer
    photo_layer : callable
        Returns the photograph in view, or refuses.
    say : callable
        Shows a message.
    chosen : callable
        Is told the card that the user marks, or None when the user takes it away.
    outlines : callable
        Returns the outlines of a photo by its file, which the card may not touch, or None.
    """

    def __init__(
        self,
        viewer: Any,
        photo_layer: Callable[[], Any],
        say: Callable[[str], None],
        chosen: Callable[[Card | None], None],
        outlines: Callable[[Path], Labels | None],
    ) -> None:
        self.viewer, self.photo_layer, self.say, self.chosen = viewer, photo_layer, say, chosen
        self.outlines = outlines
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
            self.say(
                "Drag from one corner of the grey card to the opposite one. Press the button "
                "again to take the card away."
            )
        elif CARD in self.viewer.layers and self.viewer.layers[CARD].visible:
            self.viewer.layers.remove(CARD)
            self.say("Grey card taken away.")
            self.chosen(None)

    def put_away(self) -> None:
        """Let drags be for another tool; a card that is marked stays."""
        with QSignalBlocker(self.button):
            self.button.setChecked(False)

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
        """Show the rectangle between two corners and use it whenever this photo is measured.

        One that cannot be measured with is refused: in a visit it would stop the report.
        """
        from perioview.plaque_card import grey_card

        photo = self.photo_layer()
        image, file = image_of_layer(photo)
        # To whole px, as it is read.
        top, left, bottom, right = (round(at) for at in (*start, *end))
        card = (top, left, bottom, right)
        try:
            grey_card(image, card, self.outlines(file))
        except InputRefused as error:
            self.say(str(error))
            return
        self.show(photo, card)
        self.say("Grey card marked; it counts when plaque is measured.")
        self.chosen(card)

    def show(self, photo: Any, card: Card | None) -> None:
        """Show the card of a photo in place of the last one, or none."""
        layer = next((la for la in self.viewer.layers if la.name == CARD), None)
        if card is None:
            if layer is not None:
                layer.visible = False
            return
        top, left, bottom, right = card
        around = np.array([(top, left), (top, right), (bottom, right), (bottom, left)], float)
        if layer is None:
            keep_drawn(self.viewer, photo)
            active = self.viewer.layers.selection.active
            layer = self.viewer.add_shapes(
                [around],
                shape_type="polygon",
                name=CARD,
                edge_color="black",
                edge_width=2,
                face_color="transparent",
            )
            self.viewer.layers.selection.active = active
        else:
            layer.data = [around]
        layer.scale, layer.translate = photo.scale, photo.translate
        layer.metadata = {"card": card, "photo": image_of_layer(photo)[0].sha256}
        layer.visible = True

    def corners(self, photo: Image) -> Card | None:
        """Return the card that is shown, if it is in this photo."""
        if CARD not in self.viewer.layers or not self.viewer.layers[CARD].visible:
            return None
        kept = self.viewer.layers[CARD].metadata
        return kept["card"] if kept["photo"] == photo.sha256 else None
