"""Buttons that correct the outline of the tooth in hand: brush, nudges, undo, redo."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from qtpy.QtWidgets import QGridLayout, QPushButton

from perioview.errors import InputRefused
from perioview_napari.brush_held import BrushHeld
from perioview_napari.plaque_regions import Regions

# Of the photo's width.
BRUSH = 0.015


class CorrectTools:
    """A row of buttons for the tooth that the plaque panel names.

    Parameters
    ----------
    panel : PlaquePanel
        Gives the regions and the number, and shows what is said.
    """

    def __init__(self, panel: Any) -> None:
        self.panel = panel
        self.row = QGridLayout()
        self.brushes: dict[str, QPushButton] = {}
        self._held: BrushHeld | None = None
        self._offered: int | None = None
        for place, (mode, words, help_) in enumerate(
            (
                ("paint", "Paint", "add to the tooth with the brush ([ and ] change its size)"),
                ("erase", "Erase", "take away with the brush"),
            )
        ):
            button = QPushButton(words)
            button.setCheckable(True)
            button.setToolTip(help_)
            button.toggled.connect(lambda on, mode=mode: self._brush(mode, on))
            self.brushes[mode] = button
            self.row.addWidget(button, 0, place)
        acts = (
            ("Wider", "move its whole outline out a little", lambda r, n: r.nudge(n, 1)),
            ("Narrower", "move its whole outline in a little", lambda r, n: r.nudge(n, -1)),
            ("Keep as is", "the outline was looked at and is right", lambda r, n: r.accept(n)),
            ("Remove", "erase the outline of this tooth", lambda r, n: r.remove(n)),
        )
        for place, (words, help_, act) in enumerate(acts, start=2):
            button = QPushButton(words)
            button.setToolTip(help_)
            button.clicked.connect(lambda _=False, act=act, words=words: self._act(act, words))
            self.row.addWidget(button, place // 4, place % 4)
        for place, (words, help_, step) in enumerate(
            (
                ("Undo", "take the last change of the outlines back", self.undo),
                ("Redo", "do again what was taken back", self.redo),
            ),
            start=2,
        ):
            button = QPushButton(words)
            button.setToolTip(help_)
            button.clicked.connect(step)
            self.row.addWidget(button, 1, place)
        self.all = QPushButton("Keep all outlines as they are")
        self.all.setToolTip("every outline with a question mark was looked at and is right")
        self.all.clicked.connect(self.keep_all)
        self.row.addWidget(self.all, 2, 0, 1, 4)

    @property
    def painting(self) -> bool:
        """Whether a brush is in hand."""
        return any(button.isChecked() for button in self.brushes.values())

    def stop(self) -> None:
        """Put the brush away."""
        for button in self.brushes.values():
            button.setChecked(False)

    def photo_came(self, photo: Any) -> None:
        """Put the brush away if it was for another photo, and offer a number for this one."""
        if self._held is not None and self._held.regions.photo is not photo:
            self.stop()
        self.panel.outlining.photo_came(photo)

    def chosen(self) -> None:
        """Another number was chosen: what is in hand was for the tooth before."""
        self._offered = None
        self.stop()

    def _number(self, regions: Regions) -> int:
        """The tooth named; where the number is the next one offered, the one outlined last.

        Raises
        ------
        InputRefused
            If there is no such tooth, or it is still being outlined.
        """
        named = int(self.panel.number.tooth())
        jobs = self.panel.outlining.jobs
        if named in regions.teeth or not self.panel.number.offered:
            jobs.check_none(regions, named)
            return named
        # What was clicked last is meant, not the tooth that was outlined before it.
        jobs.check_none(regions)
        return next((n for n in reversed(regions.order) if n in regions.teeth), named)

    def _brush(self, mode: str, on: bool) -> None:
        if not on:
            if not self.painting:
                self._put_away()
            return
        try:
            regions = self.panel.regions()
            if not self.brushes[mode].isChecked():
                return  # another photo has come into view only now, and the brush was put away
            number = self._number(regions)
            if mode == "erase":
                check_outlined(number, regions)
        except InputRefused as error:
            self.brushes[mode].setChecked(False)
            self.panel.say(str(error))
            return
        for other, button in self.brushes.items():
            if other != mode:
                button.setChecked(False)
        self.panel.outline.setChecked(False)
        self.panel.card.put_away()
        named = self.panel.number.value()
        if number != named:
            # While it is painted the field says which tooth is; then the next one is offered again.
            self.panel.number.put(number, offered=False)
            self._offered = named
        # A brush on a tooth that was not outlined yet draws it.
        regions.layer.brush_size = max(3, round(BRUSH * regions.layer.data.shape[1]))
        if self._held is not None:
            self._held.put_away()
        self._held = BrushHeld(
            regions, number, mode, undo=self.undo, redo=self.redo, lost=self._lost
        )
        what = "adds to" if mode == "paint" else "takes from"
        words = f"The brush {what} {number}; press the button again when done."
        self.panel.say(regions.told(words))

    def _lost(self) -> None:
        self.stop()
        self.panel.say("The brush was put away; press 'Paint' or 'Erase' to take it again.")

    def _put_away(self) -> None:
        if self._held is not None:
            held, self._held = self._held, None
            held.put_away()
        if self._offered is not None:
            self.panel.number.put(self._offered, offered=True)
            self._offered = None

    def _act(self, act: Any, words: str) -> None:
        try:
            regions = self.panel.regions()
            number = self._number(regions)
            check_outlined(number, regions)
            act(regions, number)
        except InputRefused as error:
            self.panel.say(str(error))
            return
        self.panel.say(regions.told(f"{number}: {words.lower()}."))

    def keep_all(self) -> None:
        """Take all outlines nobody has looked at as they are."""
        try:
            regions = self.panel.regions()
        except InputRefused as error:
            self.panel.say(str(error))
            return
        kept = sorted(regions.doubtful)
        regions.accept(*kept)
        words = f"{', '.join(map(str, kept))}: kept as is." if kept else "All are kept already."
        self.panel.say(regions.told(words))

    def undo(self) -> None:
        """Take the last change of the outlines back."""
        self._step(Regions.undo, "Taken back. Shift+U does it again.", "Nothing to take back.")

    def redo(self) -> None:
        """Do again what was taken back."""
        self._step(Regions.redo, "Done again.", "Nothing to do again.")

    def _step(self, step: Callable[[Regions], bool], done: str, nothing: str) -> None:
        try:
            regions = self.panel.regions()
            # The last change would be one before the click.
            self.panel.outlining.jobs.check_none(regions)
            before = set(regions.teeth)
            went = step(regions)
            # The next click outlines again what is no more.
            for number in sorted(before - set(regions.teeth))[:1]:
                if number != self.panel.number.value():
                    self.chosen()
                # Nobody typed it: the next photo is offered a number of its own.
                self.panel.number.put(number, offered=True)
        except InputRefused as error:
            self.panel.say(str(error))
            return
        self.panel.say(regions.told(done if went else nothing))


def check_outlined(number: int, regions: Regions) -> None:
    """Refuse a tooth that has no outline to correct.

    Raises
    ------
    InputRefused
        In one line.
    """
    if number not in regions.teeth:
        raise InputRefused(f"{number} is not outlined; click it first.")
