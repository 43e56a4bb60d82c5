"""What is drawn over the radiographs, kept tooth by tooth so that a drag draws only its own."""

from __future__ import annotations

from collections.abc import Iterable
from functools import partial
from typing import Any

from perioview.bone_loss import Site
from perioview.marks import Marks
from perioview_napari import drawing, neighbours
from perioview_napari.convert import image_of_layer
from perioview_napari.seeing import Seeing
from perioview_napari.session import Session
from perioview_napari.shapes import Drawing

Numbers = dict[int, tuple[tuple[Site, ...], tuple[Any, ...]]]


class Picture:
    """Numbers and drawing of the radiograph being marked, and of its neighbours.

    Parameters
    ----------
    seeing : Seeing
    sessions : dict
        By the identity of the layer, as they are opened.
    """

    def __init__(self, seeing: Seeing, sessions: dict[int, Session]) -> None:
        self.seeing = seeing
        self.sessions = sessions
        self.numbers: Numbers = {}
        self._parts: dict[int, drawing.ToothDrawing] = {}
        self._others: dict[int, tuple[Any, neighbours.Still]] = {}

    def clear(self) -> None:
        """Forget the radiograph that was marked."""
        self.numbers.clear()
        self._parts.clear()

    def measure(self, session: Session, teeth: Iterable[int], marks: Marks) -> None:
        """Measure and draw these teeth anew."""
        for tooth in teeth:
            measured = drawing.measured_tooth(session, tooth, marks)
            self.numbers[tooth], self._parts[tooth] = measured

    def drawn(self, session: Session | None, words: str) -> Drawing:
        """Return all that is drawn now."""
        shown = Drawing(banner="" if self.seeing.layer is None else words)
        if session is not None:
            cursor = session.round.state.cursor
            number = None if cursor is None else cursor.tooth
            sites = self.numbers.get(number or 0, ((), ()))[0]
            shown = drawing.marked_drawing(session, self._parts, sites, words)
        if self.seeing.beside and self.seeing.layer is not None:
            shown = neighbours.with_neighbours(shown, self._row())
        return shown

    def _row(self) -> list[neighbours.Neighbour]:
        """Every radiograph in the row, in px of the one being marked."""
        row = []
        for layer in self.seeing.image_layers():
            image, _ = image_of_layer(layer)
            session = self.sessions.get(id(layer))
            still = neighbours.Still()
            if session is not None and layer is not self.seeing.layer:
                state = (session.round.marks, session.calibration)
                if self._others.get(id(layer), (None,))[0] != state:
                    self._others[id(layer)] = (state, neighbours.still(session))
                still = self._others[id(layer)][1]
            row.append(
                neighbours.Neighbour(
                    still,
                    neighbours.caption(image, session, self.seeing.scale_of(layer)),
                    (image.rows, image.cols),
                    layer is self.seeing.layer,
                    partial(self.seeing.onto_shown, layer),
                )
            )
        return row
