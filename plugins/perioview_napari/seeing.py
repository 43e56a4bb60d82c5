"""How radiographs are seen: turned, inverted, with other contrast, alone or side by side.

Nothing here changes a stored position or a pixel of the file.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray
from qtpy.QtCore import QTimer

from perioview.calibration import Calibration
from perioview_napari.convert import image_of_layer, is_perioview_image, local_contrast, units
from perioview_napari.orientation import Orientation, camera
from perioview_napari.overlay import BANNER, Overlay

FILLED = 0.97
GAP = 0.03  # between radiographs side by side, of their mean width
Point = tuple[float, float]


class Seeing:
    """The view of a viewer's radiographs.

    Parameters
    ----------
    viewer : napari.Viewer
    overlay : Overlay
    scale_of : callable
        Returns the calibration of an image layer.
    """

    def __init__(
        self, viewer: Any, overlay: Overlay, scale_of: Callable[[Any], Calibration]
    ) -> None:
        self.viewer = viewer
        self.overlay = overlay
        self.scale_of = scale_of
        self.layer: Any = None
        self.orientation = Orientation()
        self.beside = False
        self.closed = False
        self._fitted = True
        # napari puts its scale bar right at the next drawing only.
        self._again = QTimer()
        self._again.setSingleShot(True)
        self._again.setInterval(60)
        self._again.timeout.connect(self._redraw)
        overlay.resized.connect(self._fit_again)
        viewer.mouse_wheel_callbacks.append(self.touched)

    def image_layers(self) -> list[Any]:
        """Return the layers perioview opened."""
        return [layer for layer in self.viewer.layers if is_perioview_image(layer)]

    # -- where each radiograph lies -------------------------------------------------------------

    def arrange(self) -> bool:
        """Give every radiograph its scale and its place; return whether any changed."""
        layers = self.image_layers()
        if self.layer not in layers:
            return False
        shown = layers if self.beside else [self.layer]
        places = self._places(shown)
        changed = False
        with warnings.catch_warnings():
            # napari wants one unit for all layers: those that wait take the shown one's.
            warnings.simplefilter("ignore")
            for layer in layers:
                layer.visible = layer in shown
                scale, shift = places.get(id(layer), (layer.scale, (0.0, 0.0)))
                for name, value in (("scale", scale), ("translate", shift)):
                    if not np.allclose(getattr(layer, name), value, rtol=1e-12, atol=1e-12):
                        setattr(layer, name, value)
                        changed = True
            for layer in self.viewer.layers:
                if layer.ndim == 2:
                    layer.units = units(self.scale_of(self.layer))
        self.viewer.scale_bar.visible = self.scale_of(self.layer).scaled
        return changed

    def _places(self, shown: list[Any]) -> dict[int, tuple[Point, Point]]:
        """Scale and shift of each radiograph, in as many rows as show them largest."""
        marked = self.scale_of(self.layer)
        high, wide = np.array(self.layer.data.shape[:2]) * marked.pitch
        pitches = []
        for layer in shown:
            scale = self.scale_of(layer)
            row, col = scale.pitch
            if scale.scaled != marked.scaled:
                # Sizes cannot be compared: as high as the one being marked, for want of better.
                share = high / (layer.data.shape[0] * row)
                row, col = row * share, col * share
            pitches.append((float(row), float(col)))
        sizes = np.array([v.data.shape[:2] for v in shown]) * pitches
        canvas = self.viewer.window._qt_viewer.canvas.native.size()
        room = (canvas.height() - BANNER - self.overlay.keys_height(), canvas.width())
        if self.orientation.swapped:
            room = room[::-1]
        shifts = largest_rows(sizes, GAP * float(wide), room)
        return {id(v): (p, s) for v, p, s in zip(shown, pitches, shifts, strict=True)}

    def layer_at(self, world: Any) -> Any:
        """Return the visible radiograph at a position of napari's world, if there is one."""
        for layer in self.image_layers():
            row, col = layer.world_to_data(world)[-2:]
            rows, cols = layer.data.shape[:2]
            if layer.visible and -0.5 <= row <= rows - 0.5 and -0.5 <= col <= cols - 0.5:
                return layer
        return None

    def onto_shown(self, layer: Any, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return positions on another radiograph as positions on the one being marked.

        Parameters
        ----------
        layer : Image layer
        points : ndarray, shape (n, 2)
            (row, col) in px of that layer.
        """
        world = points * np.asarray(layer.scale) + np.asarray(layer.translate)
        here = (world - np.asarray(self.layer.translate)) / np.asarray(self.layer.scale)
        return np.asarray(here)

    # -- the view -------------------------------------------------------------------------------

    def orient(self, orientation: Orientation) -> None:
        """Turn or mirror the view."""
        self.orientation = orientation
        orientation.show(self.viewer)
        self.fit()

    def fit(self) -> None:
        """Let the radiographs fill the canvas, until the user zooms or pans."""
        if self.layer is None:
            return
        # Not reset_view: it would make room for the radiographs that wait, too.
        extents = np.array([v.extent.world for v in self.image_layers() if v.visible])
        if not len(extents):
            return
        displayed = list(self.viewer.dims.displayed)
        low = extents[:, 0].min(0)[displayed]
        high = extents[:, 1].max(0)[displayed]
        size = self.viewer.window._qt_viewer.canvas.native.size()
        # No mark may lie under the words on top or the keys at the foot.
        head, foot = BANNER + 6, self.overlay.keys_height()
        room = max(size.height() - head - foot, 1)
        across = np.array((room, max(size.width(), 1))) / np.maximum(high - low, 1e-9)
        zoom = FILLED * float(across.min())
        down, right = ((low + high) / 2).tolist()
        down += (foot - head) / 2 / zoom * (-1 if self.orientation.up else 1)
        seen = camera(self.viewer)
        seen.center = (0.0, down, right)
        seen.zoom = zoom
        self._fitted = True

    def draw_again(self) -> None:
        """Draw once more when the view has come to rest."""
        self._again.start()

    def _redraw(self) -> None:
        if not self.closed:
            self.viewer.window._qt_viewer.canvas._scene_canvas.update()

    def touched(self, *_: Any) -> None:
        """Leave the view as the user puts it from now on."""
        self._fitted = False

    def _fit_again(self) -> None:
        # Once napari itself has taken note of the new size.
        QTimer.singleShot(0, self.fit_if_untouched)

    def fit_if_untouched(self) -> None:
        """Fill the canvas again unless the user has zoomed or panned."""
        if not self.closed and self._fitted and self.layer is not None:
            self.fit()

    def show_keys(self, on: bool) -> None:
        """Show the strip of keys under the radiograph, or give its room to the radiograph."""
        self.overlay.keys_shown = on
        self.overlay.update()
        self.fit_if_untouched()

    def invert(self) -> None:
        """Show dark what was bright, and back."""
        if self.layer is not None and not self.layer.rgb:
            turned = "gray_r" if self.layer.colormap.name == "gray" else "gray"
            self.layer.colormap = turned

    def show_local_contrast(self, on: bool) -> None:
        """Show the radiograph with local contrast, or as it is."""
        if self.layer is None or self.layer.rgb:
            return
        image, _ = image_of_layer(self.layer)
        kept = self.layer.metadata["perioview"]
        if on and "limits" not in kept:
            kept["limits"] = tuple(self.layer.contrast_limits)
            self.layer.data = local_contrast(image)
            self.layer.contrast_limits_range = (0, 65535)
            self.layer.contrast_limits = (0, 65535)
        elif not on and "limits" in kept:
            self.layer.data = image.pixels
            limits = kept.pop("limits")
            self.layer.contrast_limits_range = limits
            self.layer.contrast_limits = limits


def largest_rows(
    sizes: NDArray[np.float64], gap: float, room: tuple[float, float]
) -> list[tuple[float, float]]:
    """Lay pictures out in rows, reading order kept, so that they fill a room best.

    Parameters
    ----------
    sizes : ndarray, shape (n, 2)
        Height and width of each.
    gap : float
        Between neighbours, in the same unit.
    room : tuple of float
        Height and width of the canvas; their ratio counts.

    Returns
    -------
    list of tuple of float
        Shift of each picture, down and right.
    """
    best: tuple[float, list[tuple[float, float]]] = (-1.0, [])
    for across in range(1, len(sizes) + 1):
        shifts, down, widest = [], 0.0, 0.0
        for first in range(0, len(sizes), across):
            row = sizes[first : first + across]
            lefts = np.concatenate([[0.0], np.cumsum(row[:, 1] + gap)])
            shifts += [(down, float(left)) for left in lefts[:-1]]
            down += float(row[:, 0].max()) + gap
            widest = max(widest, float(lefts[-1]) - gap)
        zoom = min(room[0] / (down - gap), room[1] / widest)
        if zoom > best[0]:
            best = (zoom, shifts)
    return best[1]
