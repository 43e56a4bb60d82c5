"""The one points layer: a view of the session's marks and proposals, never their store."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from perioview.marks import Mark
from perioview_napari.convert import MARKS_LAYER, points_from_marks, points_style
from perioview_napari.orientation import camera
from perioview_napari.proposed import Proposed

POINT_PX = 16


class MarksLayer:
    """Shows marks filled and proposals hollow, of one size at any zoom.

    Parameters
    ----------
    viewer : napari.Viewer
    """

    def __init__(self, viewer: Any) -> None:
        self.viewer = viewer
        self.layer: Any = None
        self._image: Any = None
        camera(viewer).events.zoom.connect(self._zoomed)

    def close(self) -> None:
        """Let go of the viewer."""
        camera(self.viewer).events.zoom.disconnect(self._zoomed)

    def lie_on(self, image: Any) -> None:
        """Lie exactly on an image layer."""
        self._image = image
        if self.layer is not None and image is not None:
            for name in ("scale", "translate"):
                if tuple(getattr(self.layer, name)) != tuple(getattr(image, name)):
                    setattr(self.layer, name, getattr(image, name))

    def show(self, marks: Sequence[Mark], proposals: Sequence[Proposed]) -> None:
        """Show these and no others."""
        positions = points_from_marks([*marks, *(p.mark for p in proposals)])
        if self.layer is None or self.layer not in self.viewer.layers:
            # A layer takes time to make: not before there is a mark to show.
            if self._image is None or not len(positions):
                return
            self.layer = self._made()
        layers = self.viewer.layers
        if layers[-1] is not self.layer:
            # Radiographs opened since lie over it.
            layers.move(layers.index(self.layer), len(layers))
        self.layer.data = positions
        if len(positions):
            style = points_style(marks, proposals)
            self.layer.size = self._size()
            for name in ("symbol", "face_color", "border_color", "border_width"):
                setattr(self.layer, name, style[name])
        self.layer.selected_data = set()

    def _made(self) -> Any:
        active = self.viewer.layers.selection.active
        layer = self.viewer.add_points(
            ndim=2,
            name=MARKS_LAYER,
            scale=self._image.scale,
            translate=self._image.translate,
            units=self._image.units,
            size=POINT_PX,
            # The default limits thicken the border as soon as they take hold.
            canvas_size_limits=(1, 200),
        )
        layer.editable = False
        self.viewer.layers.selection.active = active
        return layer

    def put(self, index: int, row: float, col: float) -> None:
        """Move one point where it is being dragged; quick, for every move of the mouse."""
        self.layer.data[index] = (row, col)
        self.layer.refresh(extent=False, thumbnail=False)

    def _size(self) -> float:
        """Return the size in image pixels that is constant on the screen at any zoom."""
        zoom = float(camera(self.viewer).zoom) * float(self._image.scale[-1])
        return POINT_PX / max(zoom, 1e-9)

    def _zoomed(self, event: Any = None) -> None:
        if self.layer is not None and self._image is not None and len(self.layer.data):
            self.layer.size = self._size()
