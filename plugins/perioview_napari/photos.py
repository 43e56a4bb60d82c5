"""The photographs of a viewer: those that are open, those of the visit, the one in view."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from perioview.errors import InputRefused
from perioview_napari.convert import image_of_layer, is_perioview_image
from perioview_napari.find_panel import open_marking_panel
from perioview_napari.grey_card import CARD
from perioview_napari.outlining import ASK
from perioview_napari.stays import STAYS
from perioview_napari.visits import Visits, visit_of_viewer

if TYPE_CHECKING:
    from perioview_napari.plaque_panel import PlaquePanel

MAP = "plaque map"
ASK_OUTLINES = "Press 'Outline teeth by a click', then click each crown; then 'Measure plaque'."


def lie_on(photo: Any, layer: Any) -> None:
    """Lay a layer exactly on a photo."""
    for name in ("scale", "translate"):
        if tuple(getattr(layer, name)) != tuple(getattr(photo, name)):
            setattr(layer, name, getattr(photo, name))


class Photos:
    """Finds, opens and shows photographs for a plaque panel.

    Parameters
    ----------
    panel : PlaquePanel
    """

    def __init__(self, panel: PlaquePanel) -> None:
        self.panel = panel
        self._last: Any = None
        # What words and brush are for.
        self.shown: Any = None

    def all(self) -> list[Any]:
        """Photographs that are open."""
        return [
            la for la in self.panel.viewer.layers
            if is_perioview_image(la) and image_of_layer(la)[0].colour
        ]  # fmt: skip

    def begin(self) -> None:
        """Watch the photographs that are open and those that will be."""
        self.panel.viewer.layers.events.inserted.connect(self.watch)
        self.watch()

    def watch(self, event: Any = None) -> None:
        """Let what lies on the photographs follow when they are moved or hidden (side by side)."""
        for photo in self.all():
            for moved in (photo.events.scale, photo.events.translate):
                moved.connect(self.lie)
            photo.events.visible.connect(self._look_again)
        self.lie()

    def release(self) -> None:
        """Let go of the photographs."""
        self.panel.viewer.layers.events.inserted.disconnect(self.watch)
        for photo in self.all():
            for moved in (photo.events.scale, photo.events.translate):
                moved.disconnect(self.lie)
            photo.events.visible.disconnect(self._look_again)

    def lie(self, event: Any = None) -> None:
        """Lay outlines, map and card where their photo lies now."""
        for regions in self.panel.open_regions.values():
            regions.lie()
        self.panel.maps.lie()
        layers = self.panel.viewer.layers
        if self.shown is not None and CARD in layers:
            lie_on(self.shown, layers[CARD])

    def came(self) -> None:
        """Put away brush and words of the photograph before, and show what is of this one."""
        photo = self.seen()
        if photo is not self.shown:
            self.shown = photo
            self.panel.correct.photo_came(photo)
            asked = ASK if self.panel.outline.isChecked() else ASK_OUTLINES
            self.panel.say("" if photo is None else asked)
        self.panel.show_own()
        self.lie()

    def _look_again(self, event: Any = None) -> None:
        # A photo shown or hidden without a change of the active layer, as by going back from side
        # by side, changes what is in view all the same.
        self.panel.settings._changed()

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

    def seen(self) -> Any:
        """Return the photograph in view, or None."""
        return self.in_view() if any(la.visible for la in self.all()) else None

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


class Maps:
    """The map that lies over one photo of a plaque panel: of plaque, or of what stays.

    Parameters
    ----------
    panel : PlaquePanel
    """

    def __init__(self, panel: PlaquePanel) -> None:
        self.panel = panel
        self.photo: Any = None

    def _open(self) -> list[Any]:
        layers = self.panel.viewer.layers
        return [layers[name] for name in (MAP, STAYS) if name in layers]

    def lay_over(self, photo: Any, picture: Any, name: str) -> None:
        """Show a map over the photo, in place of the last one."""
        layers = self.panel.viewer.layers
        active = layers.selection.active
        self.remove()
        self.photo = photo
        self.panel.viewer.add_image(
            picture, rgb=True, name=name, scale=photo.scale, translate=photo.translate
        )
        # Another photo may have come into view while this one was measured.
        layers.selection.active = active if active in layers else photo
        self.panel.show_own()
        self.fade(self.panel.slider.value())

    def remove(self) -> None:
        """Take the map away."""
        for layer in self._open():
            self.panel.viewer.layers.remove(layer)

    def show_on(self, photo: Any) -> bool:
        """Show the map if it is of the photo in view, else hide it; return which."""
        for layer in self._open():
            layer.visible = self.photo is photo
        return self.photo is photo

    def lie(self) -> None:
        """Lie where the photo lies now."""
        for layer in self._open():
            if self.photo is not None:
                lie_on(self.photo, layer)

    def fade(self, percent: int) -> None:
        """Let the photo show through the map."""
        for layer in self._open():
            layer.opacity = percent / 100
