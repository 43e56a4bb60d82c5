"""What holds for each photograph: gum side, dye, grey card and species."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from pathlib import Path
from typing import Any
from weakref import WeakKeyDictionary

from qtpy.QtCore import QSignalBlocker, QTimer
from qtpy.QtWidgets import QComboBox

from perioview.errors import InputRefused
from perioview_napari.convert import image_of_layer
from perioview_napari.grey_card import Card, CardTool
from perioview_napari.photo_stated import BY_THE_JAW, DYES, GUM, NOT_STAINED, state, stated
from perioview_napari.regions_kept import Labels

KEPT = "kept in visit.toml, and the report goes by it."
HERE_ONLY = "in this window only; the report does not go by it."
OF_NO_VISIT = "in this window only; the photo is of no visit that would keep it."
NOT_KNOWN = "not known"
# What was chosen in a window and no visit keeps: it outlives the panel.
_IN_WINDOW: WeakKeyDictionary[Any, dict[Path, dict[str, Any]]] = WeakKeyDictionary()


class PhotoSettings:
    """Two choices and the card of the photograph in view, each photo with its own.

    What is chosen for a photo of a visit is written there, and so the report goes by it. What
    cannot be written holds in this window.

    Parameters
    ----------
    viewer : napari.Viewer
    photo_layer : callable
        Returns the photograph in view, or refuses.
    say : callable
        Shows a message.
    came : callable
        Called when another photograph has come into view, none is any more, or what holds for
        one was changed.
    outlines : callable
        Returns the outlines of a photo by its file, or None.
    """

    def __init__(
        self,
        viewer: Any,
        photo_layer: Callable[[], Any],
        say: Callable[[str], None],
        came: Callable[[], None],
        outlines: Callable[[Path], Labels | None],
    ) -> None:
        self.viewer, self.photo_layer, self.say, self.came = viewer, photo_layer, say, came
        self.species = "dog"
        self.gum, self.dye = QComboBox(), QComboBox()
        self.gum.setPlaceholderText(NOT_KNOWN)
        self.card = CardTool(viewer, photo_layer, say, self._card_chosen, outlines)
        for name, box, words in (("gum", self.gum, GUM), ("dye", self.dye, DYES)):
            box.addItems(list(words))
            box.currentTextChanged.connect(
                lambda text, name=name: self._choose(name, text, f"{name} {text}")
            )
        # What could not be written into a visit, and all of photos that are of none.
        self._chosen = _IN_WINDOW.setdefault(viewer.window, {})
        self._shown: Any = None
        self._faults: tuple[str, ...] = ()
        # Once the window has shown the other photo: layers must not come while it changes them.
        self._later = QTimer()
        self._later.setSingleShot(True)
        self._later.timeout.connect(self._follow)
        viewer.layers.selection.events.active.connect(self._changed)
        # A viewer that closes takes its panels with it and tells none of them.
        self.gum.destroyed.connect(self.release)
        self._changed()

    def release(self, gone: Any = None) -> None:
        """Let go of the viewer; once done, nothing."""
        # At the end of the program Qt may have taken the timer already.
        with contextlib.suppress(RuntimeError, ValueError):
            self._later.stop()
            self.viewer.layers.selection.events.active.disconnect(self._changed)
        self.card.release()

    def _changed(self, event: Any = None) -> None:
        self._later.start(0)

    def _follow(self) -> None:
        try:
            photo = self.photo_layer()
        except InputRefused:
            # None in view; a card would lie over a radiograph.
            self.card.show(None, None)
            self._shown, self._faults = None, ()
            self.came()
            return
        try:
            self.show(photo)
        except InputRefused as error:
            self.say(str(error))

    def of(self, file: Path) -> dict[str, Any]:
        """Return what is known of a photo's gum, dye and card.

        Raises
        ------
        InputRefused
            If its visit cannot be read.
        """
        return stated(file) | self._chosen.get(file, {})

    def used(self, file: Path) -> dict[str, Any]:
        """Return gum side, dye and card with which a photo is measured.

        Raises
        ------
        InputRefused
            If its visit cannot be read.
        """
        said = self.of(file)
        return {
            "gum": gum_side(said.get("gum", BY_THE_JAW)),
            "dye": said.get("dye", DYES[0]),
            "card": said.get("card"),
        }

    def card_of(self, file: Path) -> Card | None:
        """Return the grey card of a photo; None also where its visit cannot be read."""
        try:
            return self.of(file).get("card")
        except InputRefused:
            return None

    def show(self, photo: Any) -> None:
        """Show what holds for a photo that has come into view.

        One whose visit cannot be read comes into view as well, with nothing known of it.

        Raises
        ------
        InputRefused
            If its visit cannot be read.
        """
        if photo is not self._shown or self._faults:
            before = self._shown, self._faults
            self._faults = self._fill(photo)
            self._shown = photo
            if before != (photo, self._faults):
                self.came()
        if self._faults:
            raise InputRefused(*self._faults)

    def _fill(self, photo: Any) -> tuple[str, ...]:
        """Show what is known of a photo; return why there is nothing."""
        from perioview.files.visit_folder import visit_of_image

        image, file = image_of_layer(photo)
        faults: tuple[str, ...] = ()
        self.species = image.species or "dog"
        known: dict[str, Any] = dict.fromkeys(("gum", "dye"), NOT_KNOWN)
        try:
            visit = visit_of_image(file)
            self.species = (visit.species if visit else None) or self.species
            known = {"gum": BY_THE_JAW, "dye": DYES[0]} | self.of(file)
        except InputRefused as error:
            faults = tuple(error.faults)
        not_stained = known["dye"] == NOT_STAINED
        self.dye.setPlaceholderText("not stained" if not_stained else NOT_KNOWN)
        for box, value in ((self.gum, known["gum"]), (self.dye, known["dye"])):
            with QSignalBlocker(box):
                box.setCurrentIndex(box.findText(value))
        self.dye.setEnabled(not not_stained)
        self.card.show(photo, known.get("card"))
        return faults

    def _card_chosen(self, card: Any) -> None:
        self._choose("card", card, f"grey card {'taken away' if card is None else 'marked'}")

    def _choose(self, name: str, value: Any, words: str) -> None:
        """Take a choice for the photo in view, and write it into its visit."""
        try:
            photo = self.photo_layer()
        except InputRefused as error:
            self.say(str(error))
            return
        _, file = image_of_layer(photo)
        waiting = self._chosen.setdefault(file, {})
        waiting[name] = value
        try:
            if state(file, waiting):
                del self._chosen[file]
                self.say(f"{file.name}: {words}; {KEPT}")
            else:
                self.say(f"{file.name}: {words}, {OF_NO_VISIT}")
        except InputRefused as error:
            self.say(f"{file.name}: {words}, {HERE_ONLY} {error}")
        if self._faults:
            # The choice may have set right what the visit said.
            with contextlib.suppress(InputRefused):
                self.show(photo)
        self.came()

    def asked(self) -> dict[str, Any]:
        """Return gum side, dye and card that hold for the photograph in view, and show them.

        Raises
        ------
        InputRefused
            If none is in view, its visit cannot be read or says that it is not stained.
        """
        photo = self.photo_layer()
        self.show(photo)
        _, file = image_of_layer(photo)
        check_stained(file, self.of(file))
        # The visit may have been changed elsewhere since it was shown.
        self._fill(photo)
        return self.used(file)


def gum_side(words: str) -> str | None:
    """Return the side as `perioview.plaque.plaque` takes it."""
    return None if words == BY_THE_JAW else words


def check_stained(file: Path, said: dict[str, Any]) -> None:
    """Refuse a photo that the visit records as not stained.

    Raises
    ------
    InputRefused
        In one line.
    """
    if said.get("dye") == NOT_STAINED:
        raise InputRefused(
            f'{file.name}: is recorded as not stained (dye = "none"); choose the photograph taken '
            "after staining, or correct its dye in visit.toml."
        )
