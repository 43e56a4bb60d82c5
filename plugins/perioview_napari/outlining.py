"""Outlines of teeth by a click each; the number goes on to the next tooth by itself."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from qtpy.QtWidgets import QPushButton

from perioview.errors import InputRefused
from perioview.regions_order import offered_tooth
from perioview_napari.convert import image_of_layer, position_from_world
from perioview_napari.work import in_background

if TYPE_CHECKING:
    from perioview_napari.plaque_panel import PlaquePanel

ASK = (
    "Click the middle of a crown; the number goes on by itself. A click on an outlined tooth takes "
    "it up again."
)
DOUBTFUL = " Its edge is doubtful (orange): 'Keep as is' if it is right, else Paint or Erase."


class Outlining:
    """The button that lets clicks outline, and what a click does then.

    Parameters
    ----------
    panel : PlaquePanel
    """

    def __init__(self, panel: PlaquePanel) -> None:
        self.panel = panel
        self.button = QPushButton("Outline teeth by a click")
        self.button.setCheckable(True)
        self.button.toggled.connect(self._switched)
        panel.viewer.mouse_drag_callbacks.append(self.clicked)

    def release(self) -> None:
        """Let go of the viewer."""
        callbacks = self.panel.viewer.mouse_drag_callbacks
        if self.clicked in callbacks:
            callbacks.remove(self.clicked)

    def _switched(self, on: bool) -> None:
        if not on:
            return
        try:
            self.panel.correct.stop()
            self.panel.card.button.setChecked(False)
            self.panel.regions()
            self.panel.say(ASK)
        except InputRefused as error:
            self.button.setChecked(False)
            self.panel.say(str(error))

    def clicked(self, viewer: Any, event: Any) -> None:
        """Outline the tooth under a click, or take up the one that is outlined there."""
        if not self.button.isChecked() or event.button != 1:
            return
        event.handled = True
        try:
            row, col = position_from_world(self.panel.photo_layer(), event.position)
            regions = self.panel.regions()
        except InputRefused as error:
            self.panel.say(str(error))
            return
        number = regions.at(row, col)
        if number and number != self.panel.number.value():
            self.panel.number.setValue(number)
            self.panel.say(f"{number} taken up: correct it, or click it again to outline it anew.")
        else:
            self.outline(row, col)

    def outline(self, row: float, col: float) -> None:
        """Propose the outline of the tooth at a place of the photo, beside the window."""
        from perioview.regions import tooth_outline

        regions = self.panel.regions()
        image, _ = image_of_layer(self.panel.photo_layer())
        number = self.panel.number.value()
        data = regions.data
        taken = np.where(data == number, 0, data)
        before = regions.teeth

        def done(outline: Any) -> None:
            regions.take(number, outline.mask, sure=outline.sure)
            unsure = "" if outline.sure else DOUBTFUL
            self.panel.say(f"{number} outlined.{unsure}")
            if number in before:
                return
            offered = offered_tooth(regions.order, taken=regions.teeth, species=self.panel.species)
            if offered is None:
                self.panel.say(f"{number} outlined, the last of this jaw; choose the next number."
                         f"{unsure}")  # fmt: skip
            else:
                self.panel.number.setValue(offered)

        self.panel.say(f"outlining {number}…")
        self.panel.worker = in_background(
            lambda: tooth_outline(image.pixels, row, col, taken=taken), done, self.panel.say
        )
