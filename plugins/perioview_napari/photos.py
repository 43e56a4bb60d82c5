"""The photographs of a viewer: those that are open, those of the visit, the one in view."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from perioview.errors import InputRefused
from perioview_napari.convert import image_of_layer, is_perioview_image
from perioview_napari.find_panel import open_marking_panel
from perioview_napari.visits import Visits, visit_of_viewer

if TYPE_CHECKING:
    from perioview_napari.plaque_panel import PlaquePanel

ASK_OUTLINES = "Press 'Outline teeth by a click', then click each crown; then 'Measure plaque'."


class Photos:
    """Finds, opens and shows photographs for a plaque panel.

    Parameters
    ----------
    panel : PlaquePanel
    """

    def __init__(self, panel: PlaquePanel) -> None:
        self.panel = panel
        self._last: Any = None

    def all(self) -> list[Any]:
        """Photographs that are open."""
        return [
            la for la in self.panel.viewer.layers
            if is_perioview_image(la) and image_of_layer(la)[0].colour
        ]  # fmt: skip

    def in_view(self) -> Any:
        """Return the photograph in view; it stays so while outlines on it are the active layer.

        Raises
        ------
        InputRefused
            If none was opened by perioview.
        """
        photos = [la for la in self.all() if la.visible]
        if not photos:
            raise InputRefused("no photograph is in view; open one with perioview.")
        active = self.panel.viewer.layers.selection.active
        if active in photos:
            self._last = active
        elif self._last not in photos:
            self._last = photos[-1]
        return self._last

    def show(self) -> None:
        """Bring a photograph into view; where none is open, those of the visit are opened."""
        if any(la.visible for la in self.all()):
            self.panel.say(self.panel.message.text() or ASK_OUTLINES)
        elif self.all():
            self._bring_up(self.all()[0])
        else:
            self.open()

    def open(self) -> None:
        """Open the photographs that the visit in the window lists, and show the first."""
        folder = visit_of_viewer(self.panel.viewer)
        try:
            opened = [] if folder is None else Visits().photos(folder)
        except InputRefused as error:
            self.panel.say(str(error))
            return
        known = {la.name for la in self.all()}
        new = [(data, kwargs) for data, kwargs, _ in opened if kwargs["name"] not in known]
        # napari wants one unit for all layers.
        units = (
            {"units": self.panel.viewer.layers[0].units} if len(self.panel.viewer.layers) else {}
        )
        added = [self.panel.viewer.add_image(data, **kwargs | units) for data, kwargs in new]
        if added:
            self._bring_up(added[0])
        elif opened:
            self._bring_up(next(la for la in self.all() if la.name == opened[0][1]["name"]))
        else:
            self.panel.say(
                "No photograph is open. Drag one into the window, or list it in the visit."
            )

    def _bring_up(self, photo: Any) -> None:
        marking = open_marking_panel(self.panel.viewer)
        if marking is None:
            photo.visible = True
            self.panel.viewer.layers.selection.active = photo
        else:
            marking.show_layer(photo)
        self.panel.say(ASK_OUTLINES)
