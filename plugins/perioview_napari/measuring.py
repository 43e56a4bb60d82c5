"""Measures the plaque of the photograph in view: map over it, table beside it, words above."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from qtpy.QtWidgets import QPushButton

from perioview.errors import InputRefused
from perioview_napari.convert import image_of_layer
from perioview_napari.plaque_maps import MAP, Basis
from perioview_napari.plaque_table import fill_table, result_words

if TYPE_CHECKING:
    from perioview_napari.plaque_panel import PlaquePanel
    from perioview_napari.plaque_regions import Regions

CHANGED = "was changed while it was measured; measure it again."


class Measuring:
    """The button that measures, and what it does.

    Parameters
    ----------
    panel : PlaquePanel
    """

    def __init__(self, panel: PlaquePanel) -> None:
        self.panel = panel
        self.button = QPushButton("Measure plaque")
        self.button.clicked.connect(self.measure)

    def measure(self) -> None:
        """Measure plaque inside the regions and lay the map over the photo."""
        from perioview.plaque import plaque

        panel = self.panel
        try:
            photo = panel.photo_layer()
            drawn = panel.regions()
            asked = panel.asked()
        except InputRefused as error:
            panel.say(str(error))
            return
        drawn.save()
        panel.correct.stop()
        image, file = image_of_layer(photo)
        doubtful = sorted(drawn.doubtful)
        basis = Basis(
            drawn.data, asked, lambda: (panel.outlines_of(file), panel.settings.used(file))
        )
        panel.maps.ask(basis)
        panel.say("measuring…")
        panel.start(
            lambda: plaque(image, basis.outlines, **asked),
            lambda result: self._show(drawn, result, doubtful, basis),
        )

    def _show(self, drawn: Regions, result: Any, doubtful: list[int], basis: Basis) -> None:
        from perioview.plaque_overlay import overlay

        if not self.panel.maps.is_last_asked(basis):
            return
        image, _ = image_of_layer(drawn.photo)
        fill_table(self.panel.table, result.json_object()["teeth"])
        self.panel.maps.lay_over(drawn.photo, overlay(image, basis.outlines, result), MAP, basis)
        found = result_words(result, doubtful) if basis.holds() else CHANGED
        self.panel.say(drawn.told(f"{image.name}: {found}"))
