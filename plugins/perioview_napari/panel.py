"""The dock widget: teeth in view, what comes next in words, the numbers, scale and view."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

from qtpy.QtCore import Qt
from qtpy.QtWidgets import (
    QCheckBox,
    QComboBox,
    QGridLayout,
    QHBoxLayout,
    QInputDialog,
    QLabel,
    QLineEdit,
    QMenu,
    QPushButton,
    QVBoxLayout,
    QWidget,
)

from perioview.errors import InputRefused
from perioview.marking_round import SKIP_REASONS, Step, teeth_from_text, tooth_views
from perioview.teeth import SPECIES
from perioview.teeth import tooth as tooth_of
from perioview_napari import keys
from perioview_napari.actions import RoundActions
from perioview_napari.convert import image_of_layer
from perioview_napari.marking import Marking
from perioview_napari.numbers_table import NumbersTable
from perioview_napari.orientation import Orientation
from perioview_napari.scale_controls import ScaleControls, ruler_steps
from perioview_napari.view_controls import ViewControls
from perioview_napari.visits import Visits

STYLE = """
QLabel#next { font-size: 17px; font-weight: 600; padding: 6px; border-radius: 4px;
              background: #10344d; color: #ffffff; }
QLabel#message { padding: 3px; }
QLabel#heading { font-weight: 600; color: #9ad0f5; padding-top: 6px; }
QTableWidget { font-size: 13px; }
"""


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
        self.actions = RoundActions(self.marking, self.say)
        self.setStyleSheet(STYLE)
        self.setMinimumWidth(330)
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
        column = QVBoxLayout(self)
        column.setSpacing(4)
        self.images = QComboBox()
        self.images.activated.connect(self._image_chosen)
        self.species = QComboBox()
        self.species.addItems(["choose species", *SPECIES])
        self.species.activated.connect(self._species_chosen)
        self.teeth = QLineEdit()
        self.teeth.setPlaceholderText("308 309 or 404-407, then Enter")
        self.teeth.returnPressed.connect(self._teeth_typed)
        self.view_menu = QComboBox()
        self.view_menu.activated.connect(self._view_chosen)
        grid = QGridLayout()
        for row, (label, widget) in enumerate(
            (
                ("Radiograph", self.images),
                ("Species", self.species),
                ("Teeth in view", self.teeth),
                ("or a view", self.view_menu),
            )
        ):
            grid.addWidget(QLabel(label), row, 0)
            grid.addWidget(widget, row, 1)
        grid.setColumnStretch(1, 1)
        column.addLayout(grid)
        self.marks_on = QCheckBox("Marking on: clicks place marks, keys work")
        self.marks_on.setChecked(True)
        self.marks_on.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.marks_on.toggled.connect(self.set_marking)
        column.addWidget(self.marks_on)
        self.point_on = QCheckBox("Point at whole roots  .")
        self.point_on.setToolTip(
            "One click midway along a root: its CEJ, apex and crests are proposed"
        )
        self.point_on.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.point_on.toggled.connect(self.marking.point)
        column.addWidget(self.point_on)
        self.next = QLabel("")
        self.next.setObjectName("next")
        self.next.setWordWrap(True)
        column.addWidget(self.next)
        self.progress = QLabel("")
        self.progress.setWordWrap(True)
        column.addWidget(self.progress)
        column.addLayout(self._round_buttons())
        self.table = NumbersTable()
        self.table.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.table.chosen.connect(self._site_chosen)
        column.addWidget(self.table, 1)
        self.caution = QLabel(
            "± is one SD of marking error only. Radiographs under-read bone loss and show "
            "nothing of buccal and lingual sides."
        )
        self.caution.setWordWrap(True)
        column.addWidget(self.caution)
        column.addWidget(self._heading("Scale"))
        self.scale = ScaleControls()
        self.scale.ruler_given.connect(self.ask_for_ruler)
        self.scale.scale_given.connect(lambda number: self.use_scale(number or None))
        column.addWidget(self.scale)
        column.addWidget(self._heading("View (stored positions never change)"))
        self.view = ViewControls(self.run)
        self.view.local.toggled.connect(self.marking.seeing.show_local_contrast)
        self.view.gamma.valueChanged.connect(self._gamma_slid)
        self.view.beside.toggled.connect(self.show_beside)
        self.view.snap.toggled.connect(self._snapping_switched)
        self.view.reach.valueChanged.connect(self._reach_changed)
        column.addWidget(self.view)
        column.addWidget(self._heading("Visit"))
        column.addLayout(
            self._buttons(("New visit…", self._new_visit), ("Open visit…", self._open_visit))
        )
        self.status = QLabel("")
        self.status.setObjectName("message")
        self.status.setWordWrap(True)
        column.addWidget(self.status)

    def _heading(self, text: str) -> QLabel:
        label = QLabel(text)
        label.setObjectName("heading")
        return label

    def _buttons(self, *entries: tuple[str, Callable[[], object]]) -> QHBoxLayout:
        row = QHBoxLayout()
        for text, action in entries:
            button = QPushButton(text)
            button.setFocusPolicy(Qt.FocusPolicy.NoFocus)
            button.clicked.connect(lambda _=False, act=action: act())
            row.addWidget(button)
        return row

    def _round_buttons(self) -> QGridLayout:
        grid = QGridLayout()
        entries = (
            ("Keep proposals  K", "keep"),
            ("Skip  N", "skip"),
            ("No loss: tooth  Q", "no_loss"),
            ("Back  ↑", "back"),
            ("Undo  U", "undo"),
            ("Redo  Shift+U", "redo"),
        )
        for i, (text, action) in enumerate(entries):
            button = QPushButton(text)
            button.setFocusPolicy(Qt.FocusPolicy.NoFocus)
            button.clicked.connect(lambda _=False, name=action: self.run(name))
            if action == "skip":
                button.setContextMenuPolicy(Qt.ContextMenuPolicy.CustomContextMenu)
                button.customContextMenuRequested.connect(
                    lambda at, b=button: self._skip_menu(b.mapToGlobal(at))
                )
                button.setToolTip("Right click for another reason than 'not visible'")
            grid.addWidget(button, i // 3, i % 3)
        return grid

    def set_marking(self, on: bool) -> None:
        """Let mouse and keys mark, or leave them to napari's own tools."""
        self.marking.active = on
        for shortcut in self.shortcuts:
            shortcut.setEnabled(on)

    def _skip_menu(self, at: Any) -> None:
        menu = QMenu(self)
        for reason in SKIP_REASONS:
            menu.addAction(reason, lambda reason=reason: self.actions.skip(reason))
        menu.exec(at)

    # -- choosing ---------------------------------------------------------------------------

    def _layers_changed(self, event: Any = None) -> None:
        layers = self.marking.image_layers()
        self.images.clear()
        self.images.addItems([layer.name for layer in layers])
        if not layers:
            self.marking.layer = None
            self.fill()
        elif self.marking.layer not in layers:
            if not self._opening:
                self.show_layer(layers[0])
        else:
            self.images.setCurrentIndex(layers.index(self.marking.layer))

    def show_layer(self, layer: Any, species: str | None = None) -> None:
        """Show a radiograph and its marking."""
        image, path = image_of_layer(layer)
        known = species or self.visits.species(path)
        try:
            if image.species and known and image.species != known:
                raise InputRefused(
                    f"{image.name}: the image says {image.species}, the visit {known}; correct one."
                )
            self.marking.show(layer, known, self.visits.teeth(path))
            self.say("", False)
        except InputRefused as fault:
            self.say(str(fault), True)
        with contextlib.suppress(ValueError):
            self.images.setCurrentIndex(self.marking.image_layers().index(layer))
        self.view.show_local_contrast("limits" in layer.metadata["perioview"])
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

    def _species_chosen(self, index: int) -> None:
        session = self.marking.session
        layer = self.marking.layer
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
            self.marking.act(lambda: session.round.choose_teeth(numbers))
            self.viewer.window._qt_viewer.canvas.native.setFocus()

    def _view_chosen(self, index: int) -> None:
        session = self.marking.session
        if session is not None and index > 0:
            self.choose_teeth(tooth_views(session.species)[self.view_menu.itemText(index)])

    def _site_chosen(self, tooth: int, root: str, side: str) -> None:
        session = self.marking.session
        if session is not None:
            step = Step("crest", tooth, root, side)
            self.marking.act(lambda: session.round.go_to(step), changes=False)

    # -- actions by key or button -----------------------------------------------------------

    def run(self, action: str) -> None:
        """Do what a key or button stands for."""
        own = getattr(self, f"do_{action}", None)
        (own or getattr(self.actions, action))()

    def do_point(self) -> None:
        """Let clicks point at whole roots, whose marks are then proposed, or place marks."""
        self.point_on.toggle()

    def do_jump(self) -> None:
        """Ask for a tooth and go there."""
        number, given = QInputDialog.getInt(
            self, "Jump", "Tooth", self.actions.tooth() or 101, 101, 899
        )
        if given:
            self.actions.jump(number)

    def _by(self, offset: int) -> None:
        layers = self.marking.image_layers()
        if layers:
            at = layers.index(self.marking.layer) if self.marking.layer in layers else 0
            self.show_layer(layers[(at + offset) % len(layers)])

    def do_previous_image(self) -> None:
        """Show the radiograph before."""
        self._by(-1)

    def do_next_image(self) -> None:
        """Show the radiograph after."""
        self._by(1)

    def do_repeat(self) -> None:
        """Take the next radiograph for the same teeth."""
        session = self.marking.session
        numbers = () if session is None else tuple(n for n, _ in session.round.state.roots)
        self._by(1)
        if numbers and self.marking.session not in (None, session):
            self.choose_teeth(numbers)

    def do_invert(self) -> None:
        """Invert the view."""
        self.marking.seeing.invert()

    def do_local_contrast(self) -> None:
        """Switch local contrast on or off."""
        self.view.local.toggle()

    def do_rotate(self) -> None:
        """Turn the view a quarter clockwise."""
        self._orient(self.marking.seeing.orientation.rotated())

    def do_mirror(self) -> None:
        """Mirror the view."""
        self._orient(self.marking.seeing.orientation.mirrored())

    def _orient(self, orientation: Orientation) -> None:
        self.marking.seeing.orient(orientation)
        if self.marking.seeing.beside:
            # Turned, another number of rows may show the radiographs larger.
            self.marking.rescale()

    def do_darker(self) -> None:
        """Darken the middle greys."""
        self.view.gamma.setValue(self.view.gamma.value() - 2)

    def do_brighter(self) -> None:
        """Brighten the middle greys."""
        self.view.gamma.setValue(self.view.gamma.value() + 2)

    def _gamma_slid(self, value: int) -> None:
        if self.marking.layer is not None:
            self.marking.layer.gamma = 10 ** (-value / 30)

    def do_beside(self) -> None:
        """Show the radiographs side by side, or one alone."""
        self.view.beside.toggle()

    def show_beside(self, on: bool) -> None:
        """Show all radiographs in a row with their teeth, or the one being marked alone."""
        if on:
            for layer in self.marking.image_layers():
                _, path = image_of_layer(layer)
                # One that cannot be marked is shown all the same, without marks.
                with contextlib.suppress(InputRefused):
                    self.marking.open_session(
                        layer, self.visits.species(path), self.visits.teeth(path)
                    )
        self.marking.show_beside(on)

    def do_snap(self) -> None:
        """Let marks settle on edges, or stay exactly where they are put."""
        self.view.snap.toggle()

    def _snapping_switched(self, on: bool) -> None:
        self.marking.snapping = on
        self.say(
            "CEJ and crest marks settle on the nearest edge within reach."
            if on
            else "Marks stay where they are put.",
            False,
        )

    def _reach_changed(self, reach_mm: float) -> None:
        if self.marking.session is not None:
            self.marking.session.snap_mm = reach_mm

    def do_keys(self) -> None:
        """Show or hide the list of keys."""
        self.marking.seeing.show_keys(not self.marking.overlay.keys_shown)

    # -- scale ------------------------------------------------------------------------------

    def ask_for_ruler(self, distances: str, label: str = "") -> None:
        """Ask for clicks on the band edges of a probe, or the ends of a known length."""
        session = self.marking.session
        if session is None:
            return
        try:
            steps = ruler_steps(distances, label)
        except InputRefused as fault:
            self.say(str(fault), True)
            return
        self.marking.act(lambda: session.round.ask_for(steps))

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

    # -- visit ------------------------------------------------------------------------------

    def _new_visit(self) -> None:
        from perioview_napari.visit_dialog import new_visit_dialog

        try:
            folder = new_visit_dialog(self)
        except InputRefused as fault:
            self.say(str(fault), True)
            return
        if folder is not None:
            self.open_visit(folder)

    def _open_visit(self) -> None:
        from qtpy.QtWidgets import QFileDialog

        chosen = QFileDialog.getExistingDirectory(self, "Open a visit folder")
        if chosen:
            self.open_visit(Path(chosen))

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
        self.status.setText(text)
        self.status.setStyleSheet("color: #ff9d9d;" if fault else "color: #8fd694;")

    def fill(self) -> None:
        """Show the whole state anew."""
        session = self.marking.session
        if session is None:
            self.next.setText(self.marking.words())
            self.progress.setText("")
            self.scale.show_scale(None)
            self.table.fill((), str)
            self.species.setCurrentIndex(0)
            return
        state = session.round.state
        self.species.setCurrentIndex(1 + SPECIES.index(session.species))
        self._fill_views(session.species)
        if not self.teeth.hasFocus():
            self.teeth.setText(" ".join(str(n) for n, _ in state.roots))
        self.next.setText(self.marking.words())
        steps = state.steps
        done = sum(1 for s in steps if not state.open(s))
        words = f"{done} of {len(steps)} steps done"
        if state.cursor is not None and state.cursor.tooth is not None:
            words += f" · {tooth_of(state.cursor.tooth, session.species).words}"
        if state.skips:
            words += f" · {len(state.skips)} skipped"
        if state.sound:
            words += " · no radiographic loss: " + ", ".join(map(str, state.sound))
        self.progress.setText(words)
        self.scale.show_scale(session.calibration)
        numbers = self.marking.numbers()
        self.table.fill(
            (s for tooth in sorted(numbers) for s in numbers[tooth][0]), session.site_stage
        )

    def _fill_views(self, species: str) -> None:
        if self.view_menu.property("species") == species:
            return
        self.view_menu.setProperty("species", species)
        self.view_menu.clear()
        self.view_menu.addItems(["choose a view", *tooth_views(species)])

    def fill_tooth(self, tooth: int) -> None:
        """Show the numbers of one tooth anew, while a mark is dragged."""
        session = self.marking.session
        if session is not None:
            self.table.update_sites(self.marking.numbers()[tooth][0], session.site_stage)
