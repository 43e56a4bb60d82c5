"""What keys and buttons do to the window: which radiograph is shown, and how it is seen."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING

from qtpy.QtWidgets import QInputDialog

from perioview.errors import InputRefused
from perioview_napari.convert import image_of_layer
from perioview_napari.orientation import Orientation
from perioview_napari.view_controls import ViewControls

if TYPE_CHECKING:
    from perioview_napari.correct_tools import CorrectTools
    from perioview_napari.panel import MarkingPanel

GAMMA_STEP = 2


class WindowActions:
    """One method per action, named as in `keys.KEYS`; the round's own are in `RoundActions`.

    Parameters
    ----------
    panel : MarkingPanel
    """

    def __init__(self, panel: MarkingPanel) -> None:
        self.panel = panel
        self.marking = panel.marking

    def join(self, view: ViewControls) -> None:
        """Let the controls of the view do what they say."""
        view.local.toggled.connect(self.marking.seeing.show_local_contrast)
        view.gamma.valueChanged.connect(self._gamma_slid)
        view.beside.toggled.connect(self._show_beside)
        view.snap.toggled.connect(self._snapping_switched)
        view.reach.valueChanged.connect(self._reach_changed)
        view.reach.editingFinished.connect(self.panel.focus_canvas)

    def point(self) -> None:
        """Let clicks point at whole roots, whose marks are then proposed, or place marks."""
        self.panel.point_on.toggle()

    def plaque(self) -> None:
        """Open the panel that measures plaque, or bring it to the front."""
        from perioview_napari.find_panel import open_plaque_panel

        open_plaque_panel(self.panel.viewer)

    def ruler(self) -> None:
        """Ask for a probe's bands, to click on them."""
        self.panel.scale.ask_for_bands()

    def undo(self) -> None:
        """Take the last action back: of the marks, on a photograph of its outlines."""
        if not self.marking.photo:
            self.panel.actions.undo()
        elif (correct := self._outlines()) is None:
            self.panel.say("Nothing to undo on this photograph.", False)
        else:
            correct.undo()

    def redo(self) -> None:
        """Do again what was taken back last: of the marks, on a photograph of its outlines."""
        if not self.marking.photo:
            self.panel.actions.redo()
        elif (correct := self._outlines()) is None:
            self.panel.say("Nothing to redo on this photograph.", False)
        else:
            correct.redo()

    def _outlines(self) -> CorrectTools | None:
        from perioview_napari.find_panel import docked_plaque_panel

        plaque = docked_plaque_panel(self.panel.viewer)
        return None if plaque is None else plaque.correct

    def jump(self) -> None:
        """Ask for a tooth and go there."""
        actions = self.panel.actions
        number, given = QInputDialog.getInt(
            self.panel, "Jump to a tooth", "Tooth number", actions.tooth() or 101, 101, 899
        )
        if given:
            actions.jump(number)

    def skip_for(self) -> None:
        """Ask why the mark that is asked for is left out."""
        self.panel.buttons.ask_reason()

    def previous_image(self) -> None:
        """Show the radiograph before."""
        self._by(-1)

    def next_image(self) -> None:
        """Show the radiograph after."""
        self._by(1)

    def _by(self, offset: int) -> None:
        layers = self.marking.image_layers()
        if layers:
            at = layers.index(self.marking.layer) if self.marking.layer in layers else 0
            self.panel.show_layer(layers[(at + offset) % len(layers)])

    def repeat(self) -> None:
        """Take the next radiograph for the same teeth."""
        before = self.marking.session
        numbers = () if before is None else tuple(n for n, _ in before.round.state.roots)
        self._by(1)
        session = self.marking.session
        if not numbers or session is None or session is before:
            return
        own = {n for n, _ in session.round.state.roots}
        self.panel.choose_teeth(numbers)
        if gone := own - {n for n, _ in session.round.state.roots}:
            teeth = ", ".join(map(str, sorted(gone)))
            self.panel.say(f"Same teeth as before; this image had {teeth}. U takes it back.", False)

    def invert(self) -> None:
        """Invert the view."""
        self.marking.seeing.invert()

    def local_contrast(self) -> None:
        """Switch local contrast on or off."""
        self.panel.view.local.toggle()

    def rotate(self) -> None:
        """Turn the view a quarter clockwise."""
        self._orient(self.marking.seeing.orientation.rotated())

    def mirror(self) -> None:
        """Mirror the view."""
        self._orient(self.marking.seeing.orientation.mirrored())

    def _orient(self, orientation: Orientation) -> None:
        self.marking.seeing.orient(orientation)
        if self.marking.seeing.beside:
            # Turned, another number of rows may show the radiographs larger.
            self.marking.rescale()

    def darker(self) -> None:
        """Darken the middle greys."""
        self._gamma(-GAMMA_STEP)

    def brighter(self) -> None:
        """Brighten the middle greys."""
        self._gamma(GAMMA_STEP)

    def _gamma(self, step: int) -> None:
        slider = self.panel.view.gamma
        slider.setValue(slider.value() + step)

    def _gamma_slid(self, value: int) -> None:
        if self.marking.layer is not None:
            self.marking.layer.gamma = self.panel.view.gamma_of(value)

    def beside(self) -> None:
        """Show the radiographs side by side, or one alone."""
        self.panel.view.beside.toggle()

    def _show_beside(self, on: bool) -> None:
        if on:
            for layer in self.marking.image_layers():
                image, path = image_of_layer(layer)
                visits = self.panel.visits
                # One that cannot be marked is shown all the same, without marks.
                with contextlib.suppress(InputRefused):
                    if visits.shows_photo(image, path):
                        continue
                    self.marking.open_session(layer, visits.species(path), visits.teeth(path))
        self.marking.show_beside(on)

    def snap(self) -> None:
        """Let marks settle on edges, or stay exactly where they are put."""
        self.panel.view.snap.toggle()

    def _snapping_switched(self, on: bool) -> None:
        self.marking.placing.snapping = on
        self.panel.say(
            "CEJ and crest marks settle on the nearest edge within reach."
            if on
            else "Marks stay where they are put.",
            False,
        )

    def _reach_changed(self, reach_mm: float) -> None:
        if self.marking.session is not None:
            self.marking.session.snap_mm = reach_mm

    def keys(self) -> None:
        """Show or hide the list of keys."""
        self.marking.seeing.show_keys(not self.marking.overlay.keys_shown)
