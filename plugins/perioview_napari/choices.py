"""What follows when the user chooses: a radiograph, a species, the teeth in view, a site."""

from __future__ import annotations

from typing import TYPE_CHECKING

from perioview.errors import InputRefused
from perioview.marking_round import Step, teeth_from_text, tooth_views
from perioview.teeth import SPECIES
from perioview_napari.convert import image_of_layer
from perioview_napari.species_said import species_said

if TYPE_CHECKING:
    from perioview_napari.panel import MarkingPanel


class Choices:
    """Answers the chooser and the table of numbers of a marking panel.

    Parameters
    ----------
    panel : MarkingPanel
    """

    def __init__(self, panel: MarkingPanel) -> None:
        self.panel = panel
        self.marking = panel.marking

    def join(self) -> None:
        """Listen to the fields and the table, once they are made."""
        chooser = self.panel.chooser
        chooser.image_chosen.connect(self.image_chosen)
        chooser.species_chosen.connect(self.species_chosen)
        chooser.teeth_typed.connect(self.teeth_typed)
        chooser.view_chosen.connect(self.view_chosen)
        self.panel.table.chosen.connect(self.site_chosen)

    def image_chosen(self, index: int) -> None:
        """Show the radiograph of this place in the list."""
        self.panel.show_layer(self.marking.image_layers()[index])
        self.panel.focus_canvas()

    def species_chosen(self, index: int) -> None:
        """Mark the radiograph as one of this species; 0 is no choice."""
        session, layer = self.marking.session, self.marking.layer
        self.panel.focus_canvas()
        if index == 0 or layer is None:
            return
        species = SPECIES[index - 1]
        if session is not None and session.species == species:
            return
        image, path = image_of_layer(layer)
        try:
            species_said(image, self.panel.visits.species(path), species)
            if session is not None:
                # Refused later, what can be undone would be gone with the session.
                self.marking.opened.check(layer, species)
        except InputRefused as fault:
            self.panel.say(str(fault), True)
            self.panel.fill()
            return
        self.marking.forget(layer)
        self.panel.show_layer(layer, species)

    def teeth_typed(self) -> None:
        """Read the field and set the teeth in view."""
        session = self.marking.session
        if session is None:
            self.panel.say(self.marking.unusable or "Choose the species first.", True)
            return
        try:
            numbers = teeth_from_text(self.panel.teeth.text(), session.species)
        except InputRefused as fault:
            self.panel.say(str(fault), True)
            return
        self.choose_teeth(numbers)

    def choose_teeth(self, numbers: tuple[int, ...]) -> None:
        """Set the teeth in view."""
        session = self.marking.session
        if session is not None:
            # First, or the field would not show what was understood.
            self.panel.focus_canvas()
            self.marking.act(lambda: session.round.choose_teeth(numbers))

    def view_chosen(self, view: str) -> None:
        """Set the teeth of a view named in words."""
        session = self.marking.session
        if session is not None:
            self.choose_teeth(tooth_views(session.species)[view])

    def site_chosen(self, tooth: int, root: str, side: str) -> None:
        """Ask for the crest of a site."""
        session = self.marking.session
        if session is not None:
            step = Step("crest", tooth, root, side)
            self.marking.act(lambda: session.round.go_to(step), changes=False)
