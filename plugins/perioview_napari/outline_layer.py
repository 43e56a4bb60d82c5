"""A label layer that shows outlines only, and draws anew no more than what was changed."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
from napari.layers import Labels as LabelLayer
from napari.utils.colormaps import DirectLabelColormap
from numpy.typing import NDArray

from perioview_napari.region_boxes import Box, box_of, grown

# Blue and orange differ for every common colour deficiency, and both from gum, stain and enamel.
SURE, DOUBTFUL = (0.0, 0.45, 1.0, 1.0), (1.0, 0.5, 0.0, 1.0)
# What a doubtful outline is shown as; no tooth has this number.
SHOWN_DOUBTFUL = 1
# Of napari's keys for label layers, those for the size of the brush and for a stroke begun.
USEFUL = ("[", "]", "Escape")


class OutlineLayer(LabelLayer):
    """Tooth numbers as a label layer; each tooth is shown as its outline.

    napari's own outlines take seconds on a whole photograph, at every change of data or colour.

    Parameters
    ----------
    data : ndarray of uint16, shape (rows, cols)
        Triadan numbers.
    thick : int
        Of the outlines, px.
    **kwargs
        As for napari's label layer.
    """

    def __init__(self, data: NDArray[np.uint16], *, thick: int, **kwargs: Any) -> None:
        self.doubtful: frozenset[int] = frozenset()
        colours = {None: SURE, 0: (0, 0, 0, 0), SHOWN_DOUBTFUL: DOUBTFUL}
        super().__init__(data, colormap=DirectLabelColormap(color_dict=colours), **kwargs)
        self.contour = thick
        self.preserve_labels = True
        # napari's keys would change tooth, tool or picture and leave our buttons and files behind.
        for key in LabelLayer.class_keymap:
            if str(key) not in USEFUL:
                self.bind_key(key, _nothing, overwrite=True)

    @property
    def _type_string(self) -> str:
        # napari looks for icons and writers by this name.
        return "labels"

    def _calculate_contour(
        self, labels: NDArray[Any], data_slice: tuple[slice, ...]
    ) -> NDArray[Any] | None:
        """Outlines in a part of the layer; napari asks for them whenever it shows that part."""
        if self.contour < 1 or labels.ndim != 2:
            return None
        shown = np.zeros_like(labels[data_slice])
        wider = grown((data_slice[0], data_slice[1]), self.contour + 1, labels.shape)
        part = labels[wider]
        box = box_of(part > 0)
        if box is None:
            return shown
        box = grown(box, 1, part.shape)
        drawn = np.zeros_like(part)
        drawn[box] = self._drawn(part[box])
        inner = tuple(
            slice(a.start - b.start, a.stop - b.start)
            for a, b in zip(data_slice, wider, strict=True)
        )
        shown[:] = drawn[inner]
        return shown

    def _drawn(self, labels: NDArray[Any]) -> NDArray[Any]:
        shown = np.where(edges(labels, self.contour), labels, 0)
        if self.doubtful:
            shown[np.isin(shown, list(self.doubtful))] = SHOWN_DOUBTFUL
        return shown

    def draw_anew(self, boxes: Iterable[Box], doubtful: Iterable[int]) -> None:
        """Show what was written into parts of the data, and these teeth as doubtful."""
        self.doubtful = frozenset(doubtful)
        for box in boxes:
            self._updated_slice = grown(box, self.contour + 1, self.data.shape)
            self._partial_labels_refresh()


def _nothing(layer: Any) -> None:
    """What a key does that napari would do something else by."""


def edges(labels: NDArray[Any], thick: int) -> NDArray[np.bool_]:
    """Which pixels of the teeth lie at most so many px from the edge of their tooth.

    Parameters
    ----------
    labels : ndarray, shape (rows, cols)
        0 outside teeth.
    thick : int
        Measured as in an octagon, for speed.
    """
    import cv2

    edge = np.zeros(labels.shape, np.uint8)
    for one, next_ in (
        ((slice(1, None), slice(None)), (slice(None, -1), slice(None))),
        ((slice(None), slice(1, None)), (slice(None), slice(None, -1))),
    ):
        differs = labels[one] != labels[next_]
        edge[one] |= differs
        edge[next_] |= differs
    # An octagon is a square grown by a diamond; both are quick for any size.
    square = round(0.41 * thick)
    edge = cv2.dilate(edge, np.ones((2 * square + 1, 2 * square + 1), np.uint8))
    cross = cv2.getStructuringElement(cv2.MORPH_CROSS, (3, 3))
    if thick > square:
        edge = cv2.dilate(edge, cross, iterations=thick - square)
    near: NDArray[np.bool_] = (edge > 0) & (labels > 0)
    return near
