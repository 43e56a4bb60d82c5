"""The sessions of the radiographs that were opened, each made when it is first asked for."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from perioview.calibration import Calibration, calibration
from perioview.errors import InputRefused
from perioview_napari.convert import image_of_layer
from perioview_napari.session import Session


class Sessions:
    """One session a radiograph, by the identity of its layer.

    Parameters
    ----------
    marks_path : callable
        Returns the marks file of an image file.
    """

    def __init__(self, marks_path: Callable[[Path], Path]) -> None:
        self.marks_path = marks_path
        self.by_layer: dict[int, Session] = {}

    def open(self, layer: Any, species: str | None = None, teeth: tuple[int, ...] = ()) -> Session:
        """Return the session of a radiograph, made when it is first asked for.

        Raises
        ------
        InputRefused
            If its marks file cannot be used, or the species is not known.
        """
        image, path = image_of_layer(layer)
        held = self.by_layer.get(id(layer))
        if held is not None and held.image is not image:
            # Of a layer that was closed, whose identity this one was given.
            self.forget(layer)
        if id(layer) not in self.by_layer:
            if species is None and image.species is None:
                raise InputRefused(f"{image.name}: choose the species; the file names none.")
            self.by_layer[id(layer)] = Session(image, self.marks_path(path), species, teeth)
        return self.by_layer[id(layer)]

    def scale_of(self, layer: Any) -> Calibration:
        """Return the scale that holds for a radiograph: its session's, else its file's."""
        session, (image, _) = self.by_layer.get(id(layer)), image_of_layer(layer)
        return session.calibration if session and session.image is image else calibration(image)

    def forget(self, layer: Any) -> None:
        """Open the radiograph's marks anew the next time it is shown."""
        self.by_layer.pop(id(layer), None)
