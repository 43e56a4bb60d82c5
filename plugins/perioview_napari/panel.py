"""The dock widget: teeth in view, what comes next in words, the numbers, scale and view."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import Any

from qtpy.QtCore import Qt, QTimer
from qtpy.QtWidgets import QCheckBox, QHBoxLayout, QWidget

from perioview.errors import InputRefused
from perioview.marking_round import Step, teeth_from_text, tooth_views
from perioview.teeth import SPECIES
from perioview.teeth import tooth as tooth_of
from perioview_napari import keys
from perioview_napari.actions import RoundActions
from perioview_napari.chooser import Chooser
from perioview_napari.convert import image_of_layer, is_perioview_image
from perioview_napari.marking import Marking
from perioview_napari.numbers_table import NumbersTable
from perioview_napari.round_buttons import RoundButtons
from perioview_napari.scale_controls import (
    ScaleControls,
    ask_for_ruler,
    free_label,
    ruler_steps,
    scale_gist,
    window_words,
)
from perioview_napari.sections import Section, scrolled, wrapped
from perioview_napari.view_controls import ViewControls
from perioview_napari.visit_controls import VisitControls
from perioview_napari.visits import Visits
from perioview_napari.window_actions import WindowActions

STYLE = """
QLabel#next { font-size: 16px; font-weight: 600; padding: 5px; border-radius: 4px;
              background: #10344d; color: #ffffff; }
QLabel#message { padding: 2px; }
QLabel#caution { font-size: 12px; color: #c4c4c4; }
QToolButton#heading { font-weight: 600; color: #9ad0f5; border: none; background: transparent;
                      padding: 3px 0px; }
QTableWidget { font-size: 13px; }
"""
HOW_TO_MARK_A_PHOTO = "Is it a radiograph in colour? Choose the species, and it can be marked."
ROOMY = 900
"""Height in px from which scale and view are unfolded of themselves."""


class MarkingPanel(QWidget):
    """Marks and measures the radiographs of a viewer.

    Parameters
    ----------
    napari_viewer : napari.Viewer
    """

    def __init__(self, napari_viewer: Any) -> None:
        super().__init__()
        self.viewer = napari_viewer
        self.visits = Visits()
        self.marking = Marking(napari_viewer, self.visits.marks_path)
        self._opening = False
        self._waiting = False
        self.actions = RoundActions(self.marking, self.say)
        self.window_actions = WindowActions(self)
        self.setStyleSheet(STYLE)
        self.setMinimumWidth(345)
        self._build()
        self.shortcuts = keys.install(napari_viewer.window._qt_viewer, self.run)
        self.marking.changed.connect(self.fill)
        self.marking.tooth_changed.connect(self.fill_tooth)
        self.marking.message.connect(self.say)
        self.marking.chosen.connect(self.show_layer)
        napari_viewer.layers.events.inserted.connect(self._layers_changed)
        napari_viewer.layers.events.removed.connect(self._layers_changed)
        self._layers_changed()

    def closeEvent(self, event: Any) -> None:
        """Let go of the viewer."""
        self.release()
        super().closeEvent(event)

    def release(self) -> None:
        """Switch keys and mouse off and let go of the viewer."""
        for shortcut in self.shortcuts:
            shortcut.setEnabled(False)
        with contextlib.suppress(Exception):
            self.viewer.layers.events.inserted.disconnect(self._layers_changed)
            self.viewer.layers.events.removed.disconnect(self._layers_changed)
        self.marking.close()

    # -- building ---------------------------------------------------------------------------

    def _build(self) -> None:
        column = scrolled(self)
        column.addWidget(self._chooser())
        column.addLayout(self._switches())
        self.next = wrapped("next")
        self.next.setMinimumHeight(58)
        self.status = wrapped("message", 2)
        self.progress = wrapped("", 2)
        self.buttons = RoundButtons(self.run, self.actions.skip)
        self.table = NumbersTable()
        self.table.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.table.setMinimumHeight(150)
        self.table.chosen.connect(self._site_chosen)
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
        self.chooser.image_chosen.connect(self._image_chosen)
        self.chooser.species_chosen.connect(self._species_chosen)
        self.chooser.teeth_typed.connect(self._teeth_typed)
        self.chooser.view_chosen.connect(self._view_chosen)
        self.images, self.species = self.chooser.images, self.chooser.species
        self.teeth = self.chooser.teeth
        return self.chooser

    def _switches(self) -> QHBoxLayout:
        self.marks_on = QCheckBox("Marking on")
        self.marks_on.setToolTip("On: clicks place marks, keys work. Off: both are napari's own")
        self.marks_on.setChecked(True)
        self.marks_on.toggled.connect(self.set_marking)
        self.point_on = QCheckBox("Point at whole roots  .")
        self.point_on.setToolTip(
            "One click midway along a root: its CEJ, apex and crests are proposed"
        )
        self.point_on.toggled.connect(self.marking.point)
        row = QHBoxLayout()
        for box in (self.marks_on, self.point_on):
            box.setFocusPolicy(Qt.FocusPolicy.NoFocus)
            row.addWidget(box)
        return row

    def _scale(self) -> QWidget:
        self.scale = ScaleControls()
        self.scale.ruler_given.connect(self.ask_for_ruler)
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

    def _layers_changed(self, event: Any = None) -> None:
        layers = self.marking.image_layers()
        shown = self.marking.layer in layers
        at = layers.index(self.marking.layer) if shown else -1
        self.chooser.list_images((layer.name for layer in layers), at)
        if not layers:
            self.marking.layer = None
            self.fill()
        elif not shown and not self._opening:
            self.show_layer(layers[0])
        elif not self._opening and event is not None and event.type == "inserted":
            self._opened_meanwhile(event.value)

    def _opened_meanwhile(self, layer: Any) -> None:
        """Show what was dragged into the window: it would lie over the marks at its own scale."""
        if not is_perioview_image(layer) or not layer.visible or self._waiting:
            return

        def show() -> None:
            self._waiting = False
            if layer in self.viewer.layers and layer.visible and self.marking.active:
                self.show_layer(layer)

        self._waiting = True
        QTimer.singleShot(0, show)

    def show_layer(self, layer: Any, species: str | None = None) -> None:
        """Show a radiograph and its marking."""
        image, path = image_of_layer(layer)
        known = species or self.visits.species(path)
        try:
            if image.species and known and image.species != known:
                raise InputRefused(
                    f"{image.name}: the image says {image.species}, the visit {known}; correct one."
                )
            photo = species is None and self.visits.shows_photo(image, path)
            self.marking.show(layer, known, self.visits.teeth(path), photo=photo)
            self.say("", False)
        except InputRefused as fault:
            self.say(str(fault), True)
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

    def _image_chosen(self, index: int) -> None:
        self.show_layer(self.marking.image_layers()[index])
        self.focus_canvas()

    def focus_canvas(self) -> None:
        """Give the keyboard back to the radiograph: in a field, a key would choose an entry."""
        self.viewer.window._qt_viewer.canvas.native.setFocus()

    def _species_chosen(self, index: int) -> None:
        session = self.marking.session
        layer = self.marking.layer
        self.focus_canvas()
        if index == 0 or layer is None:
            return
        species = SPECIES[index - 1]
        if session is not None and session.species == species:
            return
        image, _ = image_of_layer(layer)
        if image.species is not None and image.species != species:
            self.say(f"{image.name}: the image says {image.species}.", True)
            self.fill()
            return
        self.marking.forget(layer)
        self.show_layer(layer, species)

    def _teeth_typed(self) -> None:
        session = self.marking.session
        if session is None:
            self.say("Choose the species first.", True)
            return
        try:
            numbers = teeth_from_text(self.teeth.text(), session.species)
        except InputRefused as fault:
            self.say(str(fault), True)
            return
        self.choose_teeth(numbers)

    def choose_teeth(self, numbers: tuple[int, ...]) -> None:
        """Set the teeth in view."""
        session = self.marking.session
        if session is not None:
            # First, or the field would not show what was understood.
            self.focus_canvas()
            self.marking.act(lambda: session.round.choose_teeth(numbers))

    def _view_chosen(self, view: str) -> None:
        session = self.marking.session
        if session is not None:
            self.choose_teeth(tooth_views(session.species)[view])

    def _site_chosen(self, tooth: int, root: str, side: str) -> None:
        session = self.marking.session
        if session is not None:
            step = Step("crest", tooth, root, side)
            self.marking.act(lambda: session.round.go_to(step), changes=False)

    # -- actions by key or button -----------------------------------------------------------

    def run(self, action: str) -> None:
        """Do what a key or button stands for."""
        if self.marking.photo and not keys.works(action, keys.PHOTO):
            self.say("This is a photograph: marks go on radiographs (PgUp, PgDown).", True)
            return
        own = getattr(self.window_actions, action, None)
        (own or getattr(self.actions, action))()

    # -- scale ------------------------------------------------------------------------------

    def ask_for_ruler(self, distances: str, label: str = "") -> None:
        """Ask for clicks on the band edges of a probe, or the ends of a known length."""
        session = self.marking.session
        if session is None:
            return
        try:
            ruler_steps(distances, label)
        except InputRefused as fault:
            self.say(str(fault), True)
            return
        label = label or free_label(session.round.marks)
        self.marking.act(
            lambda: ask_for_ruler(session.round, ruler_steps(distances, label)),
            said="One click each, in this order; the wheel zooms in.",
        )

    def use_scale(self, mm_per_px: float | None) -> None:
        """Use a typed scale, or go back to ruler and file with None."""
        session = self.marking.session
        if session is None:
            return
        try:
            session.use_scale(mm_per_px)
        except InputRefused as fault:
            self.say(str(fault), True)
            return
        self.marking.rescale()
        gist = scale_gist(session.calibration)
        self.say(
            f"Scale back to: {gist}."
            if mm_per_px is None
            else f"Scale as typed: {gist}, in this window only. The report takes a clicked length "
            "or the file's; 'mm per pixel' 0 goes back to those.",
            False,
        )

    # -- visit ------------------------------------------------------------------------------

    def open_visit(self, folder: Path) -> None:
        """Show the radiographs of a visit folder in place of what is open."""
        try:
            self.visits.add(folder)
            opened = self.visits.layers(folder)
        except InputRefused as fault:
            self.say(str(fault), True)
            return
        self.open_layers(opened)

    def open_layers(self, opened: list[Any], species: str | None = None) -> None:
        """Show these layers in place of the radiographs that are open."""
        for layer in self.marking.image_layers():
            self.viewer.layers.remove(layer)
        # Shown once, when all are there: showing takes longer than adding.
        self._opening = True
        try:
            for data, kwargs, _ in opened:
                self.viewer.add_image(data, **kwargs | {"units": opened[0][1]["units"]})
        finally:
            self._opening = False
        layers = self.marking.image_layers()
        if layers:
            self.show_layer(layers[0], species)
            self.marking.seeing.fit()

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
        self.progress.setText(progress_words(session))
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


def progress_words(session: Any) -> str:
    """Say how far the round is: steps done, the tooth in words, what was left out."""
    state = session.round.state
    steps = state.steps
    words = f"{sum(not state.open(s) for s in steps)} of {len(steps)} steps done"
    if state.cursor is not None and state.cursor.tooth is not None:
        words += f" · {tooth_of(state.cursor.tooth, session.species).words}"
    if state.skips:
        words += f" · {len(state.skips)} skipped"
    if state.sound:
        words += " · no radiographic loss: " + ", ".join(map(str, state.sound))
    return words
