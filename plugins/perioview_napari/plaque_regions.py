"""Tooth regions of a photo as a layer: outlined, numbered, corrected with brush and nudges."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from perioview.errors import InputRefused
from perioview_napari.convert import image_of_layer
from perioview_napari.photos import lie_on
from perioview_napari.regions_kept import Labels, accepted, keep, read_kept

REGIONS = "tooth regions"
NUMBERS = "tooth numbers"
# Blue and orange differ for every common colour deficiency, and both from gum, stain and enamel.
SURE, DOUBTFUL = (0.0, 0.45, 1.0, 1.0), (1.0, 0.5, 0.0, 1.0)
STEPS_BACK = 30
State = tuple[Labels, frozenset[int], tuple[int, ...]]


class Regions:
    """The regions of one photo, as a label layer and the numbers over it.

    Parameters
    ----------
    viewer : napari.Viewer
    photo : Image layer
    said : callable
        Shows a message.
    """

    def __init__(self, viewer: Any, photo: Any, said: Callable[[str], None]) -> None:
        self.viewer, self.photo, self.say = viewer, photo, said
        image, self.file = image_of_layer(photo)
        self.name = image.name
        drawn, self.doubtful = read_kept(self.file, rows=image.rows, cols=image.cols)
        self.order: list[int] = []
        self._back: list[State] = []
        self._again: list[State] = []
        self.layer = viewer.add_labels(
            drawn,
            name=f"{REGIONS}: {image.name}",
            scale=photo.scale,
            translate=photo.translate,
            opacity=1.0,
        )
        self.layer.contour = max(2, round(image.cols / 350))
        self.layer.preserve_labels = True
        self._kept = self.layer.data.copy()
        self.layer.events.paint.connect(self._painted)
        self.numbers: Any = None
        self._show()

    def close(self) -> None:
        """Take outlines and numbers out of the viewer."""
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
        self.layer.data, self.doubtful = read_kept(self.file, rows=rows, cols=cols)

    def set_visible(self, on: bool) -> None:
        """Show outlines and numbers, or hide them while another photo is in view."""
        for layer in (self.layer, self.numbers):
            if layer in self.viewer.layers:
                layer.visible = on

    @property
    def data(self) -> Labels:
        """Triadan number at each pixel, 0 elsewhere; shape (rows, cols)."""
        return np.asarray(self.layer.data, np.uint16)

    @property
    def accepted(self) -> Labels:
        """The same without the proposals nobody has looked at."""
        return accepted(self.data, self.doubtful)

    @property
    def teeth(self) -> list[int]:
        """Teeth outlined."""
        return [int(t) for t in np.unique(self.data) if t]

    def at(self, row: float, col: float) -> int:
        """Tooth at a place, 0 for none."""
        place = round(row), round(col)
        inside = all(0 <= p < n for p, n in zip(place, self.layer.data.shape, strict=True))
        return int(self.layer.data[place]) if inside else 0

    def take(self, number: int, mask: NDArray[np.bool_], *, sure: bool) -> None:
        """Make a mask the region of a tooth, where no other tooth is."""
        data = self.data.copy()
        data[data == number] = 0
        data[mask & (data == 0)] = number
        self._remember()
        self.doubtful.discard(number)
        if not sure:
            self.doubtful.add(number)
        self.order = [*(n for n in self.order if n != number), number]
        self._take(data)

    def replace(self, data: Labels) -> None:
        """Show and keep other regions; one step that can be taken back."""
        self._remember()
        self._take(data)

    def _take(self, data: Labels) -> None:
        self.layer.data = data
        self._settled()

    def nudge(self, number: int, step: int) -> None:
        """Move the outline of a tooth out (positive) or in by so many px of the screen's size."""
        import cv2

        size = max(1, round(self.layer.data.shape[1] / 700)) * abs(step)
        disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * size + 1, 2 * size + 1))
        data = self.data.copy()
        mask = (data == number).astype(np.uint8)
        moved = (cv2.dilate if step > 0 else cv2.erode)(mask, disc) > 0
        if not moved.any():
            self.say(f"{number} would vanish; remove it instead.")
            return
        data[data == number] = 0
        data[moved & (data == 0)] = number
        self._remember()
        self.doubtful.discard(number)
        self._take(data)

    def remove(self, number: int) -> None:
        """Erase the outline of a tooth."""
        self._remember()
        self.doubtful.discard(number)
        self.order = [n for n in self.order if n != number]
        self._take(np.where(self.data == number, 0, self.data).astype(np.uint16))

    def accept(self, number: int) -> None:
        """Take a doubtful outline as it is."""
        self._remember()
        self.doubtful.discard(number)
        self._settled()

    def undo(self) -> bool:
        """Take the last change back; False if there is none."""
        return self._gone_to(self._back, self._again)

    def redo(self) -> bool:
        """Do again what was taken back last; False if there is nothing."""
        return self._gone_to(self._again, self._back)

    def _gone_to(self, states: list[State], other: list[State]) -> bool:
        if not states:
            return False
        other.append(self._state(self.data.copy()))
        self.layer.data, doubtful, order = states.pop()
        self.doubtful, self.order = set(doubtful), list(order)
        self._settled()
        return True

    def _state(self, data: Labels) -> State:
        return data, frozenset(self.doubtful), tuple(self.order)

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
        self._remember(self._kept)
        self.doubtful.discard(int(self.layer.selected_label))
        self._settled()

    def _remember(self, data: Labels | None = None) -> None:
        state = self._state(self.data.copy() if data is None else data)
        self._back = [*self._back[1 - STEPS_BACK :], state]
        self._again = []

    def _settled(self) -> None:
        self._kept = self.data.copy()
        self._show()
        self.save()

    def save(self) -> None:
        """Keep the regions on disk."""
        try:
            keep(self.file, self.data, self.doubtful)
        except (InputRefused, OSError) as error:
            self.say(str(error))

    def _show(self) -> None:
        from napari.utils.colormaps import DirectLabelColormap

        colours: dict[int | None, Any] = {None: SURE, 0: (0, 0, 0, 0)}
        colours |= dict.fromkeys(self.doubtful, DOUBTFUL)
        self.layer.colormap = DirectLabelColormap(color_dict=colours)
        self._write_numbers()

    def _write_numbers(self) -> None:
        if self.layer not in self.viewer.layers:
            return  # closed meanwhile: an outline that came later is on disk alone
        teeth = self.teeth
        places = np.array([np.argwhere(self.data == t).mean(axis=0) for t in teeth])
        words = [f"{t}?" if t in self.doubtful else str(t) for t in teeth]
        if self.numbers in self.viewer.layers:
            self.numbers.data = places.reshape(-1, 2)
            self.numbers.features = {"words": words}
            self.numbers.selected_data = set()
            self.numbers.refresh_text()
            return
        if not teeth:
            return
        active = self.viewer.layers.selection.active
        self.numbers = self.viewer.add_points(
            places,
            name=f"{NUMBERS}: {self.name}",
            visible=self.layer.visible,
            scale=self.photo.scale,
            translate=self.photo.translate,
            size=max(12, self.layer.data.shape[1] / 21),
            face_color=[0, 0, 0, 0.8],
            border_width=0,
            features={"words": words},
            text={"string": "{words}", "color": "white", "size": 10, "anchor": "center"},
        )
        self.viewer.layers.selection.active = active
