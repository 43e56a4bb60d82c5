"""Tooth regions of a photo as a layer: outlined, numbered, corrected with brush and nudges."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from perioview.errors import InputRefused
from perioview_napari.convert import image_of_layer
from perioview_napari.grey_card import Card, off_card
from perioview_napari.outline_layer import OutlineLayer
from perioview_napari.photos import lie_on
from perioview_napari.region_boxes import (
    Box,
    Labels,
    around,
    box_of,
    given,
    inside,
    moved_out,
    numbers_in,
    place_of,
    places_of,
)
from perioview_napari.region_numbers import Numbers
from perioview_napari.region_steps import Step, Steps
from perioview_napari.regions_kept import Kept, accepted
from perioview_napari.still_drawn import keep_drawn

REGIONS = "tooth regions"
NOWHERE = slice(0, 0), slice(0, 0)
ON_CARD = "Left out what lies on the grey card: no tooth may touch it."


class Regions:
    """The regions of one photo, as a label layer and the numbers over it.

    A photograph has many megapixels: each change is written, drawn and remembered as the box it
    lies in.

    Parameters
    ----------
    viewer : napari.Viewer
    photo : Image layer
    said : callable
        Shows a message.
    card : callable
        Returns the grey card of the photo, which no outline may touch, or None.
    """

    def __init__(
        self,
        viewer: Any,
        photo: Any,
        said: Callable[[str], None],
        card: Callable[[], Card | None] = lambda: None,
    ) -> None:
        self.viewer, self.photo, self.say, self.card = viewer, photo, said, card
        # What has to be said of the last change.
        self._note = ""
        image, self.file = image_of_layer(photo)
        self.name = image.name
        self.kept = Kept(self.file)
        drawn, self.doubtful = self.kept.read(rows=image.rows, cols=image.cols)
        self.order: list[int] = []
        self.steps = Steps()
        layer = OutlineLayer(
            drawn,
            thick=max(2, round(image.cols / 350)),
            name=f"{REGIONS}: {image.name}",
            scale=photo.scale,
            translate=photo.translate,
            opacity=1.0,
        )
        layer.doubtful = frozenset(self.doubtful)
        keep_drawn(viewer, photo)
        self.layer: Any = viewer.add_layer(layer)
        self._places = places_of(drawn)
        self._before = drawn.copy()
        self.layer.events.paint.connect(self._painted)
        self._numbers = Numbers(viewer, photo, self.name)
        self._write_numbers()

    @property
    def numbers(self) -> Any:
        """The layer of numbers, None until there is one."""
        return self._numbers.layer

    def close(self) -> None:
        """Take outlines and numbers out of the viewer."""
        if self.kept.fault:
            self.kept.save(self.layer.data, self.doubtful)
        for layer in (self.layer, self.numbers):
            if layer in self.viewer.layers:
                self.viewer.layers.remove(layer)

    def lie(self) -> None:
        """Lie where the photo lies now: side by side it is moved and scaled."""
        for layer in (self.layer, self.numbers):
            if layer in self.viewer.layers:
                lie_on(self.photo, layer)

    def read_again(self) -> None:
        """Take up what is on disk: others may have written it since these were closed."""
        rows, cols = self.layer.data.shape
        drawn, self.doubtful = self.kept.read(rows=rows, cols=cols)
        self.layer.data, self._before = drawn, drawn.copy()
        self._places = places_of(drawn)

    def set_visible(self, on: bool) -> None:
        """Show outlines and numbers, or hide them while another photo is in view."""
        for layer in (self.layer, self.numbers):
            # Set anew, even to what it is, it takes the brush out of the hand.
            if layer in self.viewer.layers and layer.visible != on:
                layer.visible = on

    @property
    def data(self) -> Labels:
        """Triadan number at each pixel, 0 elsewhere, as it stands: a copy."""
        return np.array(self.layer.data, np.uint16)

    @property
    def accepted(self) -> Labels:
        """The same without the proposals nobody has looked at."""
        return accepted(self.layer.data, self.doubtful)

    @property
    def teeth(self) -> list[int]:
        """Teeth outlined."""
        return sorted(self._places)

    def at(self, row: float, col: float) -> int:
        """Tooth at a place, 0 for none."""
        place = round(row), round(col)
        inside = all(0 <= p < n for p, n in zip(place, self.layer.data.shape, strict=True))
        return int(self.layer.data[place]) if inside else 0

    def take(self, number: int, mask: NDArray[np.bool_], *, sure: bool) -> None:
        """Make a mask the region of a tooth, where no other tooth is."""
        doubtful = self.doubtful - {number} if sure else self.doubtful | {number}
        order = [*(n for n in self.order if n != number), number]
        box = box_of(mask) or NOWHERE
        self._reshape(number, box, mask[box], doubtful, order)

    def replace(self, data: Labels) -> None:
        """Show regions brought over from elsewhere; all are proposals until looked at."""
        box = box_of(self.layer.data != data)
        if box is not None:
            self._do(box, data[box], numbers_in(data), self.order)

    def nudge(self, number: int, step: int) -> None:
        """Move the outline of a tooth out (positive) or in by so many px of the screen's size.

        Raises
        ------
        InputRefused
            If nothing would be left of it.
        """
        box, mask = moved_out(self.layer.data, number, self._places[number].box, step)
        if not mask.any():
            raise InputRefused(f"{number} would vanish; remove it instead.")
        self._reshape(number, box, mask, self.doubtful - {number}, self.order)

    def remove(self, number: int) -> None:
        """Erase the outline of a tooth."""
        if number not in self._places:
            return
        box = self._places[number].box
        order = [n for n in self.order if n != number]
        self._reshape(number, box, np.zeros(()), self.doubtful - {number}, order)

    def _reshape(
        self, number: int, box: Box, mask: NDArray[Any], doubtful: set[int], order: list[int]
    ) -> None:
        """Give a tooth the pixels of a mask, given in a box, where no other tooth is."""
        now = self._places.get(number)
        whole = box if now is None else around(box, now.box)
        part = given(self.layer.data[whole], number, inside(box, whole), mask)
        self._do(whole, part, doubtful, order)

    def accept(self, *numbers: int) -> None:
        """Take doubtful outlines as they are."""
        if not self.doubtful & {*numbers}:
            self.save()
            return
        self._do(NOWHERE, self.layer.data[NOWHERE], self.doubtful - {*numbers}, self.order)

    def _do(self, box: Box, after: Labels, doubtful: set[int], order: list[int]) -> None:
        """Change what lies in a box; one step that can be taken back."""
        step = Step(
            box,
            (self._before[box].copy(), after.copy()),
            (frozenset(self.doubtful), frozenset(doubtful)),
            (tuple(self.order), tuple(order)),
        )
        self.steps.add(step)
        self._go(step, 1)

    def undo(self) -> bool:
        """Take the last change back; False if there is none."""
        return self._went(self.steps.back(), 0)

    def redo(self) -> bool:
        """Do again what was taken back last; False if there is nothing."""
        return self._went(self.steps.again(), 1)

    def _went(self, step: Step | None, to: int) -> bool:
        if step is None:
            return False
        self._go(step, to)
        return True

    def _go(self, step: Step, to: int) -> None:
        """Let things be as before (0) or after (1) a step."""
        turned = self.doubtful ^ step.doubtful[to]
        self.doubtful, self.order = set(step.doubtful[to]), list(step.order[to])
        changed = numbers_in(step.pixels[0]) | numbers_in(step.pixels[1])
        # Each time: the card may have been marked since the step was made first.
        after = off_card(self._before[step.box], step.pixels[to], step.box, self.card())
        self._note = "" if np.array_equal(after, step.pixels[to]) else ON_CARD
        self.layer.data[step.box] = self._before[step.box] = after
        for number in changed:
            known = self._places.pop(number, None)
            within = step.box if known is None else around(step.box, known.box)
            if (place := place_of(self.layer.data, number, within)) is not None:
                self._places[number] = place
        boxes = [self._places[n].box for n in turned if n in self._places]
        self.layer.draw_anew([step.box, *boxes], self.doubtful)
        self._write_numbers()
        self.save([step.box, *boxes])
        # Who shows what was measured from these has to know.
        self.layer.events.data(value=self.layer.data)

    def brush(self, number: int, mode: str) -> None:
        """Let the mouse paint a tooth or erase (``paint``, ``erase``, ``pan_zoom``)."""
        self.layer.selected_label = number
        if mode == "pan_zoom":
            self.layer.mode = mode
            # Another photo may have come into view meanwhile.
            layers = self.viewer.layers
            if layers.selection.active is self.layer and self.photo in layers:
                layers.selection.active = self.photo
        else:
            self.viewer.layers.selection.active = self.layer
            self.layer.mode = mode

    def _painted(self, event: Any = None) -> None:
        # napari paints in place: what was before is only in our copy.
        box = box_of(self.layer.data != self._before)
        if box is not None:
            painted = int(self.layer.selected_label)
            self._do(box, self.layer.data[box], self.doubtful - {painted}, self.order)
            if self._note:
                self.say(self.told(""))

    def save(self, boxes: Iterable[Box] = ()) -> None:
        """Keep the regions, changed in these boxes, on disk; a fault is told until it is done."""
        if fault := self.kept.save(self.layer.data, self.doubtful, boxes):
            self.say(fault)

    def told(self, words: str) -> str:
        """Words about these regions, with what was left out and why they cannot be saved."""
        note, self._note = self._note, ""
        return " ".join(part for part in (self.kept.fault, words, note) if part)

    def _write_numbers(self) -> None:
        at = {n: self._places[n].middle for n in self.teeth}
        self._numbers.show(at, self.doubtful, over=self.layer)
