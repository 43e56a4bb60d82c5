"""The map that lies over a photo of a plaque panel, and whether it still holds."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from qtpy.QtCore import Qt
from qtpy.QtWidgets import QLabel, QStackedWidget, QWidget

from perioview.errors import InputRefused
from perioview_napari.photos import lie_on
from perioview_napari.plaque_table import plaque_table
from perioview_napari.regions_kept import Labels
from perioview_napari.sections import wrapped
from perioview_napari.stays import STAYS

if TYPE_CHECKING:
    from perioview_napari.plaque_panel import PlaquePanel

MAP = "plaque map"
OLD = (
    "Outlines, dye, gum side or grey card were changed since the last measurement, so map and "
    "table are put away. Measure again, or undo the change."
)


@dataclass(frozen=True, slots=True, eq=False)
class Basis:
    """What a result was measured with; it holds as long as that is what holds now.

    Parameters
    ----------
    outlines : ndarray
        A copy: they are corrected in place.
    settings : object
    now : callable
        Returns both as they stand.
    """

    outlines: Labels
    settings: object
    now: Callable[[], tuple[Labels | None, object]]

    def holds(self) -> bool:
        """Whether nothing was changed since."""
        try:
            outlines, settings = self.now()
        except InputRefused:
            # A visit that cannot be read says nothing else; it is told where its photo is shown.
            return True
        same = outlines is None or np.array_equal(outlines, self.outlines)
        return same and settings == self.settings


class Maps:
    """The map over one photo: of plaque, or of what stays.

    Parameters
    ----------
    panel : PlaquePanel
    """

    def __init__(self, panel: PlaquePanel) -> None:
        self.panel = panel
        self.photo: Any = None
        self._basis: Basis | None = None
        self._asked: Basis | None = None
        self.table = plaque_table()
        self.old: QLabel = wrapped()
        self.old.setText(OLD)
        self.old.setAlignment(Qt.AlignmentFlag.AlignTop)
        self.old.setStyleSheet("color: #ff9d9d;")
        self._nothing = QWidget()
        # In one place: buttons that move are missed by the next click.
        self.place = QStackedWidget()
        for page in (self.table, self.old, self._nothing):
            self.place.addWidget(page)

    def _open(self) -> list[Any]:
        layers = self.panel.viewer.layers
        return [layers[name] for name in (MAP, STAYS) if name in layers]

    def holds(self) -> bool:
        """Whether the map, and the table with it, is of what is outlined and chosen now."""
        return self._basis is None or self._basis.holds()

    def ask(self, basis: Basis) -> None:
        """Take note of what is being measured."""
        self._asked = basis

    def is_last_asked(self, basis: Basis) -> bool:
        """Whether nothing else was measured since: an older result that comes late is dropped."""
        return self._asked is basis

    def lay_over(self, photo: Any, picture: Any, name: str, basis: Basis) -> None:
        """Show a map over the photo, in place of the last one and under the outlines."""
        layers = self.panel.viewer.layers
        active = layers.selection.active
        self.remove()
        self.photo, self._basis = photo, basis
        self.panel.viewer.add_image(
            picture, rgb=True, name=name, scale=photo.scale, translate=photo.translate
        )
        self._under_outlines(layers[name])
        # Another photo may have come into view while this one was measured.
        layers.selection.active = active if active in layers else photo
        self.panel.show_own()
        self.fade(self.panel.slider.value())

    def _under_outlines(self, layer: Any) -> None:
        """Let outlines be seen on the map, but not their numbers: the map has its own."""
        layers = self.panel.viewer.layers
        for regions in self.panel.open_regions.values():
            if regions.photo is self.photo and regions.layer in layers:
                layers.move(layers.index(layer), layers.index(regions.layer))
                if regions.numbers in layers:
                    layers.move(layers.index(regions.numbers), layers.index(layer))

    def remove(self) -> None:
        """Take the map away."""
        for layer in self._open():
            self.panel.viewer.layers.remove(layer)

    def check(self, event: Any = None) -> None:
        """Put map and table away once what was measured is changed, back once it is as it was."""
        self.show_on(self.panel.pictures.seen())

    def show_on(self, photo: Any) -> None:
        """Show map and table if they are of the photo in view and still hold, else hide them."""
        own = self.photo is photo
        old = own and not self.holds()
        for layer in self._open():
            layer.visible = own and not old
        table = self.table if own or self.photo is None else self._nothing
        self.place.setCurrentWidget(self.old if old else table)

    def lie(self) -> None:
        """Lie where the photo lies now."""
        for layer in self._open():
            if self.photo is not None:
                lie_on(self.photo, layer)

    def fade(self, percent: int) -> None:
        """Let the photo show through the map."""
        for layer in self._open():
            layer.opacity = percent / 100
