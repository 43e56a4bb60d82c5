"""A radiograph is shown with its marking; what cannot be marked is shown all the same."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Any

from perioview.errors import InputRefused
from perioview_napari.convert import image_of_layer
from perioview_napari.species_said import species_said

if TYPE_CHECKING:
    from perioview_napari.panel import MarkingPanel


def show_layer(panel: MarkingPanel, layer: Any, species: str | None) -> None:
    """Show a layer of a marking panel and go on marking it, and say what keeps that from it.

    Parameters
    ----------
    panel : MarkingPanel
    layer : napari.layers.Image
    species : str or None
        What the user says, if anything.
    """
    image, path = image_of_layer(layer)
    marking, visits = panel.marking, panel.visits
    try:
        known = species_said(image, visits.species(path), species)
        photo = species is None and visits.shows_photo(image, path)
        marking.show(layer, known, visits.teeth(path), photo=photo)
        # Marks of an earlier day that are in no marks file are told of whenever it is shown.
        left = "" if marking.session is None else marking.session.file.told()
        panel.say(left, bool(left))
    except InputRefused as fault:
        if layer is not marking.layer:
            _show_unmarked(panel, layer, fault)
        panel.say(str(fault), True)


def _show_unmarked(panel: MarkingPanel, layer: Any, fault: InputRefused) -> None:
    """Show what is refused before its marks are looked for; it is no photograph for that."""
    marking = panel.marking
    marking.show(layer, photo=True)
    marking.photo = False
    folder = image_of_layer(layer)[1].resolve().parent.parent
    # Without the folder, which the message beside the radiograph tells.
    marking.unusable = str(fault).replace(f"{folder}{os.sep}", "")
    marking.refresh()
    marking.changed.emit()
