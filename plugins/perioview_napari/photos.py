"""The photographs of a viewer: those that are open, those of the visit, the one in view."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import TYPE_CHECKING, Any

from perioview.errors import InputRefused
from perioview_napari.convert import image_of_layer, is_perioview_image
from perioview_napari.find_panel import open_marking_panel
from perioview_napari.grey_card import CARD
from perioview_napari.outlining import ASK
from perioview_napari.reader import layers as read_layers
from perioview_napari.regions_kept import drawn_at, proposed_at
from perioview_napari.visits import Visits, visit_of_viewer

if TYPE_CHECKING:
    from perioview_napari.plaque_panel import PlaquePanel

ASK_OUTLINES = "Press 'Outline teeth by a click', then click each crown; then 'Measure plaque'."
NOT_OPEN = "no photograph is in view; open one with perioview."


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
        # Faults of photographs that could not be opened, to be said with what is asked for.
        self._not_opened = ""
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
            self.panel.say(self._show_saved(photo))
        self.panel.show_own()
        self.lie()

    def _show_saved(self, photo: Any) -> str:
        """Show the outlines that a photo has on disk; return what is asked for now."""
        if photo is None:
            return self._grey()
        _, file = image_of_layer(photo)
        teeth: list[int] = []
        fault = ""
        if drawn_at(file).is_file() or proposed_at(file).is_file():
            try:
                regions = self.panel.regions()
                teeth, fault = regions.teeth, regions.kept.fault
            except InputRefused as error:
                return str(error)
        asked = ASK if self.panel.outline.isChecked() else self._asked(teeth)
        told, self._not_opened = self._not_opened, ""
        return " ".join(filter(None, (told, fault, asked)))

    def _asked(self, teeth: list[int]) -> str:
        if not teeth:
            return ASK_OUTLINES
        named = ", ".join(map(str, teeth))
        return f"Outlined: {named}. 'Measure plaque'; 'Outline teeth by a click' adds more."

    def _grey(self) -> str:
        """Say why a photograph that is shown cannot be measured; nothing where none is."""
        for layer in self.panel.viewer.layers:
            if is_perioview_image(layer) and layer.visible:
                image, file = image_of_layer(layer)
                # A visit that cannot be read lists nothing.
                with contextlib.suppress(InputRefused):
                    if not image.colour and Visits().shows_photo(image, file):
                        return (
                            f"{image.name}: is grey, and plaque shows in colour only; go to a "
                            "photograph in colour (PgDown) or take one."
                        )
        return ""

    def _look_again(self, event: Any = None) -> None:
        # A photo shown or hidden without a change of the active layer, as by going back from side
        # by side, changes what is in view all the same.
        self.panel.settings._changed()

    def in_view(self) -> Any:
        """Return the photograph in view; it stays so while outlines on it are the active layer.

        Raises
        ------
        InputRefused
            If none was opened by perioview, or it is grey.
        """
        photos = [la for la in self.all() if la.visible]
        if not photos:
            raise InputRefused(self._grey() or NOT_OPEN)
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
        viewer = self.panel.viewer
        folder = visit_of_viewer(viewer)
        try:
            files = [] if folder is None else Visits().photo_files(folder)
        except InputRefused as error:
            self.panel.say(str(error))
            return
        faults: list[str] = []
        for file in files:
            if self._layer_of(file) is None:
                faults += self._open(file)
        opened = [la for la in map(self._layer_of, files) if la is not None]
        # One of the visit's that plaque shows in, else one that says why it does not.
        first = next((la for la in opened if la in self.all()), next(iter(opened), None))
        self._not_opened = " ".join(faults)
        if first is not None:
            self._bring_up(first)
        elif not faults:
            self.panel.say(
                "No photograph is open. Drag one into the window, or list it in the visit."
            )
        else:
            self.panel.say(self._not_opened)

    def _layer_of(self, file: Path) -> Any:
        """Return the layer that shows a file, or None."""
        for layer in self.panel.viewer.layers:
            if is_perioview_image(layer) and image_of_layer(layer)[1].resolve() == file.resolve():
                return layer
        return None

    def _open(self, file: Path) -> list[str]:
        """Open one photograph, not shown yet; return why it cannot be. The others still can."""
        viewer = self.panel.viewer
        # napari wants one unit for all layers.
        units = {"units": viewer.layers[0].units} if len(viewer.layers) else {}
        try:
            ((data, kwargs, _),) = read_layers(str(file))
        except InputRefused as error:
            return list(error.faults)
        viewer.add_image(data, **kwargs | units | {"visible": False})
        return []

    def _bring_up(self, photo: Any) -> None:
        marking = open_marking_panel(self.panel.viewer)
        if marking is None:
            photo.visible = True
            self.panel.viewer.layers.selection.active = photo
        else:
            marking.show_layer(photo)
        # Said anew once it has come into view, unless it is there already or is grey.
        self.panel.say(self._grey() or f"{self._not_opened} {ASK_OUTLINES}".strip())
