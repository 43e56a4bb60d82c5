"""Radiographs come and go: a visit is opened, a file dragged in, a layer removed."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from qtpy.QtCore import QTimer

from perioview.errors import InputRefused
from perioview_napari.convert import is_perioview_image

if TYPE_CHECKING:
    from perioview_napari.panel import MarkingPanel


class Opening:
    """Keeps a marking panel in step with the layers of its viewer.

    Parameters
    ----------
    panel : MarkingPanel
    """

    def __init__(self, panel: MarkingPanel) -> None:
        self.panel = panel
        self._busy = False
        self._waiting = False

    def layers_changed(self, event: Any = None) -> None:
        """List the radiographs, and show one if the one shown is gone or another came."""
        marking = self.panel.marking
        layers = marking.image_layers()
        shown = marking.layer in layers
        at = layers.index(marking.layer) if shown else -1
        self.panel.chooser.list_images((layer.name for layer in layers), at)
        if not layers:
            marking.layer = None
            self.panel.fill()
        elif self._busy:
            return
        elif not shown:
            self.panel.show_layer(layers[0])
        elif event is not None and event.type == "inserted":
            self._opened_meanwhile(event.value)

    def _opened_meanwhile(self, layer: Any) -> None:
        """Show what was dragged into the window: it would lie over the marks at its own scale."""
        if not is_perioview_image(layer) or not layer.visible or self._waiting:
            return

        def show() -> None:
            self._waiting = False
            layers = self.panel.viewer.layers
            if layer in layers and layer.visible and self.panel.marking.active:
                self.panel.show_layer(layer)

        self._waiting = True
        QTimer.singleShot(0, show)

    def open_visit(self, folder: Path) -> None:
        """Show the radiographs of a visit folder in place of what is open."""
        visits = self.panel.visits
        try:
            visits.add(folder)
            opened = visits.layers(folder)
        except InputRefused as fault:
            self.panel.say(str(fault), True)
            return
        self.open_layers(opened)

    def open_layers(self, opened: list[Any], species: str | None = None) -> None:
        """Show these layers in place of the radiographs that are open."""
        marking, viewer = self.panel.marking, self.panel.viewer
        for layer in marking.image_layers():
            viewer.layers.remove(layer)
        # Shown once, when all are there: showing takes longer than adding.
        self._busy = True
        try:
            for data, kwargs, _ in opened:
                viewer.add_image(data, **kwargs | {"units": opened[0][1]["units"]})
        finally:
            self._busy = False
        layers = marking.image_layers()
        if layers:
            self.panel.show_layer(layers[0], species)
            marking.seeing.fit()
