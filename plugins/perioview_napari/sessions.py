"""The sessions of the radiographs that were opened, each made when it is first asked for."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

from perioview.calibration import Calibration, calibration
from perioview.errors import InputRefused
from perioview.image import Image
from perioview_napari.convert import image_of_layer
from perioview_napari.session import Session
from perioview_napari.species_said import species_said


class Sessions:
    """One session a marks file, by the identity of each layer that shows its radiograph.

    Parameters
    ----------
    marks_path : callable
        Returns the marks file of an image file.
    """

    def __init__(self, marks_path: Callable[[Path], Path]) -> None:
        self.marks_path = marks_path
        self.by_layer: dict[int, Session] = {}
        self._images: dict[int, Image] = {}
        self._unsaved: list[Session] = []

    def open(self, layer: Any, species: str | None = None, teeth: tuple[int, ...] = ()) -> Session:
        """Return the session of a radiograph, made when its file is first asked for.

        Raises
        ------
        InputRefused
            If its marks file cannot be used, or the species is not known.
        """
        image, path = image_of_layer(layer)
        if self._images.get(id(layer)) is not image:
            # Of a layer that was closed, whose identity this one was given.
            self.close(layer)
        held = self.by_layer.get(id(layer))
        if held is not None and held.file.conflict and held.file.copy.path is None:
            # Somebody took away what was kept of it: the file's own marks are to hold.
            held = None
        if held is not None and held.file.out_of_date():
            # What is shown is to be what is there, or the next mark would be against it.
            held = None
        if held is None:
            file = self.marks_path(path).resolve()
            session = self._anew(image, file, species, teeth)
            if species not in (None, session.species):
                raise InputRefused(
                    f"{image.name}: its marks wait to be saved as a {session.species}'s; "
                    "let them be saved first, then choose the species."
                )
            self.by_layer[id(layer)], self._images[id(layer)] = session, image
            session.closed = False
        return self.by_layer[id(layer)]

    def _anew(
        self, image: Image, file: Path, species: str | None, teeth: tuple[int, ...]
    ) -> Session:
        """Return the session of a file, or read the file: two sessions would write it in turns.

        One whose marks another program's kept out of the file is left for what is there now; its
        own marks lie beside it. So is one with nothing to save whose file was changed.
        """
        session = self._of_file(file)
        if session is not None and session.file.conflict:
            self._save(session)
        changed = session is not None and session.file.out_of_date()
        if session is not None and not session.file.conflict and not changed:
            return session
        known = session.species if session is not None else None
        new = self._new(image, file, species or known, teeth)
        if session is not None:
            if changed:
                new.file.changed = (
                    f"{file.name} was changed by another program or window; its marks are shown "
                    "as they are now."
                )
                state = new.round.state
                if state.cursor is not None and not state.open(state.cursor):
                    # Of the marks before; a click would move one that was set elsewhere.
                    new.round.go_to(state.open_after(state.cursor))
            session.closed, session.file.waits = True, False
            self._let_go(session)
        return new

    def check(self, layer: Any, species: str) -> None:
        """Refuse a species that the radiograph's image or marks are not of; nothing is changed.

        Raises
        ------
        InputRefused
            If its marks file cannot be used so.
        """
        image, path = image_of_layer(layer)
        self._new(image, self.marks_path(path).resolve(), species, ())

    def take(self, sessions: Iterable[Session]) -> None:
        """Go on with what sessions of a panel that was closed could not write."""
        self._unsaved += sessions

    def _of_file(self, file: Path) -> Session | None:
        held = (*self.by_layer.values(), *self.unsaved())
        return next((s for s in held if s.marks_path == file), None)

    def _new(
        self, image: Image, file: Path, species: str | None, teeth: tuple[int, ...]
    ) -> Session:
        if species is None and image.species is None:
            raise InputRefused(f"{image.name}: choose the species; the file names none.")
        species_said(image, None, species)
        return Session(image, file, species, teeth)

    def unsaved(self) -> list[Session]:
        """Return the sessions with something not on disk; until it is, they are held here."""
        held = dict.fromkeys((*self._unsaved, *self.by_layer.values()))
        self._unsaved = [s for s in held if s.file.waits]
        return self._unsaved

    def save_unsaved(self) -> list[Session]:
        """Try again to write what is not on disk; return the sessions where that went well."""
        waited = self.unsaved()
        for session in waited:
            self._save(session)
        return [s for s in waited if not s.file.waits]

    def scale_of(self, layer: Any) -> Calibration:
        """Return the scale that holds for a radiograph: its session's, else its file's."""
        session, (image, _) = self.by_layer.get(id(layer)), image_of_layer(layer)
        own = session is not None and self._images.get(id(layer)) is image
        return session.calibration if session is not None and own else calibration(image)

    def close(self, layer: Any) -> None:
        """Let go of a layer that was closed; the last one's session is read anew when reopened."""
        self.unsaved()
        session = self.by_layer.pop(id(layer), None)
        if session is not None and session not in self.by_layer.values():
            session.closed = True

    def forget(self, layer: Any) -> None:
        """Open the radiograph's marks anew the next time it is shown."""
        session = self.by_layer.get(id(layer))
        if session is not None:
            self.save_unsaved()
            session.closed = True
            self._let_go(session)

    def _let_go(self, session: Session) -> None:
        for key in [k for k, held in self.by_layer.items() if held is session]:
            del self.by_layer[key]

    @staticmethod
    def _save(session: Session) -> None:
        with contextlib.suppress(InputRefused):
            session.save()
