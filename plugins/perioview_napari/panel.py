"""The dock widget: teeth in view, what comes next in words, the numbers, scale and view."""

from __future__ import annotations

import contextlib
from typing import Any

from qtpy.QtCore import Qt
from qtpy.QtWidgets import QWidget

from perioview_napari import docking, keys, showing
from perioview_napari.actions import RoundActions
from perioview_napari.choices import Choices
from perioview_napari.chooser import Chooser
from perioview_napari.marking import Marking
from perioview_napari.numbers_table import NumbersTable
from perioview_napari.opening import Opening
from perioview_napari.panel_style import STYLE
from perioview_napari.round_buttons import RoundButtons
from perioview_napari.saying import progress_words
from perioview_napari.scale_controls import ScaleControls, scale_gist, window_words
from perioview_napari.scaling import Scaling
from perioview_napari.sections import Section, scrolled, wrapped
from perioview_napari.switches import Switches
from perioview_napari.view_controls import ViewControls
from perioview_napari.visit_controls import VisitControls
from perioview_napari.visits import Visits
from perioview_napari.window_actions import WindowActions

TITLE = "Mark and measure teeth"
HOW_TO_MARK_A_PHOTO = "Is it a radiograph in colour? Choose the species, and it can be marked."
ROOMY = 900
"""Height in px from which scale and view are unfolded of themselves."""


class MarkingPanel(docking.Docked):
    """Marks and measures the radiographs of a viewer.

    Parameters
    ----------
    napari_viewer : napari.Viewer
    """

    def __init__(self, napari_viewer: Any) -> None:
        super().__init__()
        self.viewer = napari_viewer
        self.released = False
        # Two would both mark what is clicked, and write one file in turns.
        unsaved = docking.close_earlier(napari_viewer)
        self.visits = Visits()
        self.marking = Marking(napari_viewer, self.visits.marks_path)
        self.marking.opened.take(unsaved)
        self.opening = Opening(self)
        self.choices = Choices(self)
        self.scaling = Scaling(self.marking, self.say)
        # What other panels, keys and the launcher ask of this one.
        self.choose_teeth = self.choices.choose_teeth
        self.ask_for_ruler = self.scaling.ask_for_ruler
        self.use_scale = self.scaling.use_scale
        self.open_visit = self.opening.open_visit
        self.open_layers = self.opening.open_layers
        self.actions = RoundActions(self.marking, self.say)
        self.window_actions = WindowActions(self)
        self.setStyleSheet(STYLE)
        self.setMinimumWidth(345)
        self._build()
        self.choices.join()
        self.shortcuts = keys.install(napari_viewer.window._qt_viewer, self.run)
        self.marking.changed.connect(self.fill)
        self.marking.tooth_changed.connect(self.fill_tooth)
        self.marking.message.connect(self.say)
        self.marking.chosen.connect(self.show_layer)
        napari_viewer.layers.events.inserted.connect(self.opening.layers_changed)
        napari_viewer.layers.events.removed.connect(self.opening.layers_changed)
        self.opening.layers_changed()

    def closeEvent(self, event: Any) -> None:
        """Let go of the viewer."""
        self.release()
        super().closeEvent(event)

    def dock_closed(self) -> None:
        """Let go of the viewer, or come back while marks are not saved and not to be lost."""
        if self.released or self.parent() is not None:
            return
        if self.marking.saving.may_close():
            self.release()
            return
        self.viewer.window.add_dock_widget(self, name=TITLE, area="right", tabify=True)
        self.show()

    def release(self) -> None:
        """Switch keys and mouse off and let go of the viewer."""
        if self.released:
            return
        self.released = True
        for shortcut in self.shortcuts:
            shortcut.setEnabled(False)
        with contextlib.suppress(Exception):
            self.viewer.layers.events.inserted.disconnect(self.opening.layers_changed)
            self.viewer.layers.events.removed.disconnect(self.opening.layers_changed)
        self.marking.close()
        with contextlib.suppress(Exception):
            # The next panel makes its own; in a window that closes it is gone already.
            self.viewer.layers.remove(self.marking.points.layer)

    # -- building ---------------------------------------------------------------------------

    def _build(self) -> None:
        column = scrolled(self)
        column.addWidget(self._chooser())
        column.addWidget(self._switches())
        self.next = wrapped("next")
        self.next.setMinimumHeight(58)
        self.status = wrapped("message", 2)
        self.progress = wrapped("", 2)
        self.buttons = RoundButtons(self.run, self.actions.skip)
        self.table = NumbersTable()
        self.table.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.table.setMinimumHeight(150)
        self.caution = wrapped("caution")
        self.caution.setText(
            "± is one SD of marking error only. Radiographs under-read bone loss and show "
            "nothing of buccal and lingual sides."
        )
        for part in (self.next, self.status, self.progress, self.buttons):
            column.addWidget(part)
        column.addWidget(self.table, 1)
        column.addWidget(self.caution)
        self.sections = tuple(
            Section(title, body)
            for title, body in (
                ("Scale", self._scale()),
                ("View (stored positions never change)", self._view()),
                ("Visit", self._visit()),
            )
        )
        for section in self.sections:
            column.addWidget(section)

    def _chooser(self) -> Chooser:
        self.chooser = Chooser()
        self.images, self.species = self.chooser.images, self.chooser.species
        self.teeth = self.chooser.teeth
        return self.chooser

    def _switches(self) -> Switches:
        switches = Switches()
        self.marks_on, self.point_on = switches.marks_on, switches.point_on
        self.marks_on.toggled.connect(self.set_marking)
        self.point_on.toggled.connect(self.marking.point)
        return switches

    def _scale(self) -> QWidget:
        self.scale = ScaleControls()
        self.scale.ruler_given.connect(self.ask_for_ruler)
        self.scale.ruler_unwanted.connect(self.scaling.remove_ruler)
        self.scale.scale_given.connect(lambda number: self.use_scale(number or None))
        return self.scale

    def _view(self) -> QWidget:
        self.view = ViewControls(self.run)
        self.window_actions.join(self.view)
        return self.view

    def _visit(self) -> QWidget:
        controls = VisitControls()
        controls.chosen.connect(self.open_visit)
        controls.refused.connect(lambda fault: self.say(fault, True))
        return controls

    def resizeEvent(self, event: Any) -> None:
        """Where there is little room, leave it to the numbers: fold what the user did not open."""
        super().resizeEvent(event)
        for section in self.sections[:2]:
            if not section.chosen and section.is_open != (self.height() >= ROOMY):
                section.open(not section.is_open)

    def set_marking(self, on: bool) -> None:
        """Let mouse and keys mark, or leave them to napari's own tools."""
        self.marking.active = on
        for shortcut in self.shortcuts:
            shortcut.setEnabled(on)
        self.marking.refresh()
        self.fill()

    # -- choosing ---------------------------------------------------------------------------

    def show_layer(self, layer: Any, species: str | None = None) -> None:
        """Show a radiograph and its marking."""
        if self.released:
            return
        showing.show_layer(self, layer, species)
        with contextlib.suppress(ValueError):
            self.images.setCurrentIndex(self.marking.image_layers().index(layer))
        self.view.show_local_contrast("limits" in layer.metadata["perioview"])
        self.view.show_gamma(layer.gamma)
        if self.marking.session is not None:
            self.marking.session.snap_mm = self.view.reach.value()

    def show_tooth(self, layer: Any, number: int) -> None:
        """Show a radiograph and go on with one of the teeth in view there."""
        if layer is not self.marking.layer:
            self.show_layer(layer)
        session = self.marking.session
        if session is not None and number in dict(session.round.state.roots):
            self.actions.jump(number)

    def focus_canvas(self) -> None:
        """Give the keyboard back to the radiograph: in a field, a key would choose an entry."""
        self.viewer.window._qt_viewer.canvas.native.setFocus()

    # -- actions by key or button -----------------------------------------------------------

    def run(self, action: str) -> None:
        """Do what a key or button stands for."""
        if self.marking.photo and not keys.works(action, keys.PHOTO):
            self.say("This is a photograph: marks go on radiographs (PgUp, PgDown).", True)
            return
        own = getattr(self.window_actions, action, None)
        (own or getattr(self.actions, action))()

    # -- showing ----------------------------------------------------------------------------

    def say(self, text: str, fault: bool) -> None:
        """Say what was done, or what was refused."""
        self.status.setText(window_words(text))
        self.status.setStyleSheet("color: #ff9d9d;" if fault else "color: #8fd694;")

    def fill(self) -> None:
        """Show the whole state anew."""
        session = self.marking.session
        self.next.setText(self.marking.words())
        self.buttons.show_state(self.marking.state)
        if session is None:
            self.progress.setText(HOW_TO_MARK_A_PHOTO if self.marking.photo else "")
            self._show_scale(None)
            self.table.fill((), str)
            self.chooser.show_species(None)
            self.chooser.show_teeth(())
            return
        self.chooser.show_species(session.species)
        self.chooser.show_teeth(n for n, _ in session.round.state.roots)
        self.progress.setText(progress_words(session.round.state, session.species))
        self._show_scale(session.calibration)
        numbers = self.marking.numbers()
        self.table.fill(
            (s for tooth in sorted(numbers) for s in numbers[tooth][0]), session.site_stage
        )

    def _show_scale(self, scale: Any) -> None:
        self.scale.show_scale(scale)
        self.sections[0].say("" if scale is None else scale_gist(scale))

    def fill_tooth(self, tooth: int) -> None:
        """Show the numbers of one tooth anew, while a mark is dragged."""
        session = self.marking.session
        if session is not None:
            self.table.update_sites(self.marking.numbers()[tooth][0], session.site_stage)
