"""A brush in hand: it stays what its button says, whatever napari's own controls do."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from app_model.types import KeyCode, KeyMod

from perioview_napari.plaque_regions import Regions


class BrushHeld:
    """Holds the tool and the tooth of a brush.

    Parameters
    ----------
    regions : Regions
    number : int
        The tooth that is painted.
    mode : str
        ``paint`` or ``erase``.
    undo, redo : callable
        What the keys do by which napari undoes its brush: on the screen alone.
    lost : callable
        Called when another tool was taken, or the outlines were hidden.
    """

    def __init__(
        self,
        regions: Regions,
        number: int,
        mode: str,
        *,
        undo: Callable[[], None],
        redo: Callable[[], None],
        lost: Callable[[], None],
    ) -> None:
        self.regions, self.number, self.mode, self.lost = regions, number, mode, lost
        bind = regions.layer.bind_key
        bind(KeyMod.CtrlCmd | KeyCode.KeyZ, lambda layer: undo(), overwrite=True)
        bind(KeyMod.CtrlCmd | KeyMod.Shift | KeyCode.KeyZ, lambda layer: redo(), overwrite=True)
        regions.brush(number, mode)
        for changed in self._events():
            changed.connect(self._check)

    def _events(self) -> tuple[Any, ...]:
        events = self.regions.layer.events
        return events.mode, events.selected_label, events.preserve_labels, events.visible

    def _check(self, event: Any = None) -> None:
        layer = self.regions.layer
        if layer.mode != self.mode or not layer.visible:
            self.lost()
            return
        # Strokes of another number, or over other teeth, would be kept as if they were meant.
        layer.selected_label = self.number
        if not layer.preserve_labels:
            layer.preserve_labels = True

    def put_away(self) -> None:
        """Let the mouse move the photo again."""
        for changed in self._events():
            changed.disconnect(self._check)
        self.regions.brush(self.number, "pan_zoom")
        if not self.regions.layer.visible and self.regions.photo.visible:
            self.regions.set_visible(True)
