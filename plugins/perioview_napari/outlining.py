"""Outlines of teeth by a click each; the number goes on to the next tooth by itself."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from qtpy.QtWidgets import QPushButton

from perioview.errors import InputRefused
from perioview.regions_order import offered_tooth
from perioview_napari.convert import image_of_layer, position_from_world

if TYPE_CHECKING:
    from perioview_napari.plaque_panel import PlaquePanel
    from perioview_napari.plaque_regions import Regions

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
        # Outlines still being sought, each on its photo: a later click takes another number.
        self._running: list[tuple[Regions, int]] = []
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
            self.panel.card.put_away()
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

        panel = self.panel
        try:
            regions = panel.regions()
            number = panel.number.tooth()
            if (regions, number) in self._running:
                raise InputRefused(f"{number} is being outlined already; a moment.")
        except InputRefused as error:
            panel.say(str(error))
            return
        pixels, data = image_of_layer(regions.photo)[0].pixels, regions.data
        taken = np.where(data == number, 0, data)
        asked = (regions, number)
        was_offered = panel.number.offered
        self._running.append(asked)
        new = number not in regions.teeth
        offered = self._offer(regions) if new else None
        last = ", the last of this jaw; choose the next number" if new and not offered else ""

        def say(words: str) -> None:
            panel.say(
                words if regions.photo is panel.pictures.shown else f"{regions.name}: {words}"
            )

        def done(outline: Any) -> None:
            self._running.remove(asked)
            live = panel.live(regions)
            if live is not regions and number in live.teeth:
                say(f"{number} was outlined anew meanwhile; that outline stays.")
                return
            live.take(number, outline.mask, sure=outline.sure)
            say(f"{number} outlined{last}.{'' if outline.sure else DOUBTFUL}")

        def refused(fault: str) -> None:
            self._running.remove(asked)
            if panel.number.offered and panel.number.value() == offered:
                panel.number.put(number, offered=was_offered)
            say(f"{number}: {fault}")

        panel.say(f"outlining {number}…")
        panel.start(lambda: tooth_outline(pixels, row, col, taken=taken), done, refused)

    def _offer(self, regions: Regions) -> int | None:
        """Put the tooth after those outlined, or being outlined, on a photo into the field."""
        done = [*regions.order, *(number for of, number in self._running if of is regions)]
        offered = offered_tooth(done, taken=regions.teeth, species=self.panel.species)
        if offered is not None:
            self.panel.number.put(offered, offered=True)
        return offered
