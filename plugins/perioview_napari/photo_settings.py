"""What holds for each photograph: gum side, dye, grey card and species."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

from qtpy.QtCore import QSignalBlocker, QTimer
from qtpy.QtWidgets import QComboBox

from perioview.errors import InputRefused
from perioview_napari.convert import image_of_layer
from perioview_napari.grey_card import CardTool

BY_THE_JAW = "by the jaw"
GUM = (BY_THE_JAW, "up", "down", "left", "right")
DYES = ("one-tone", "two-tone")
NOT_STAINED = "none"
OTHERWISE = "visit.toml says otherwise, and the report goes by that."


def stated(file: Path) -> dict[str, Any]:
    """Return what the visit says of a photo: of gum, dye and card those it does state.

    Raises
    ------
    InputRefused
        If the visit cannot be read, or states what cannot be.
    """
    from perioview.comparison_photos import stated_card
    from perioview.verbs.plaque import stated_in_visit

    row = stated_in_visit(file)
    faults = [
        f"{file.name}: {name} is '{row[name]}' in visit.toml; give {' or '.join(known)}."
        for name, known in (("gum", GUM[1:]), ("dye", (*DYES, NOT_STAINED)))
        if row.get(name, known[0]) not in known
    ]
    if faults:
        raise InputRefused(*faults)
    said = {"gum": row.get("gum"), "dye": row.get("dye"), "card": stated_card(row)}
    return {name: value for name, value in said.items() if value is not None}


class PhotoSettings:
    """Two choices and the card of the photograph in view, each photo with its own.

    What the visit states goes first, then what was last chosen for the photo.

    Parameters
    ----------
    viewer : napari.Viewer
    photo_layer : callable
        Returns the photograph in view, or refuses.
    say : callable
        Shows a message.
    came : callable
        Called when another photograph has come into view, or none is any more.
    """

    def __init__(
        self,
        viewer: Any,
        photo_layer: Callable[[], Any],
        say: Callable[[str], None],
        came: Callable[[], None],
    ) -> None:
        self.viewer, self.photo_layer, self.say, self.came = viewer, photo_layer, say, came
        self.species = "dog"
        self.gum, self.dye = QComboBox(), QComboBox()
        self.dye.setPlaceholderText("not stained")
        self.card = CardTool(viewer, photo_layer, say, lambda card: self._choose("card", card))
        for name, box, words in (("gum", self.gum, GUM), ("dye", self.dye, DYES)):
            box.addItems(list(words))
            box.currentTextChanged.connect(lambda text, name=name: self._choose(name, text))
        self._chosen: dict[Path, dict[str, Any]] = {}
        self._shown: Path | None = None
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
            self._shown = None
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
        return self._chosen.get(file, {}) | stated(file)

    def show(self, photo: Any) -> None:
        """Show what holds for a photo that has come into view.

        Raises
        ------
        InputRefused
            If its visit cannot be read.
        """
        from perioview.files.visit_folder import visit_of_image

        image, file = image_of_layer(photo)
        if file == self._shown:
            return
        said, visit = self.of(file), visit_of_image(file)
        self.species = (visit.species if visit else None) or image.species or "dog"
        for box, value in (
            (self.gum, said.get("gum", BY_THE_JAW)),
            (self.dye, said.get("dye", DYES[0])),
        ):
            with QSignalBlocker(box):
                box.setCurrentIndex(box.findText(value))
        self.dye.setEnabled(said.get("dye") != NOT_STAINED)
        self.card.show(photo, said.get("card"))
        self._shown = file
        self.came()

    def _choose(self, name: str, value: Any) -> None:
        try:
            _, file = image_of_layer(self.photo_layer())
            self._chosen.setdefault(file, {})[name] = value
            if stated(file).get(name, value) != value:
                self.say(f"{file.name}: {OTHERWISE}")
        except InputRefused as error:
            self.say(str(error))

    def asked(self) -> dict[str, Any]:
        """Return gum side, dye and card that hold for the photograph in view, as shown.

        Raises
        ------
        InputRefused
            If none is in view, its visit cannot be read or says that it is not stained.
        """
        photo = self.photo_layer()
        self.show(photo)
        image, file = image_of_layer(photo)
        check_stained(file, self.of(file))
        return {
            "gum": gum_side(self.gum.currentText()),
            "dye": self.dye.currentText(),
            "card": self.card.corners(image),
        }


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
