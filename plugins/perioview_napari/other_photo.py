"""The other photo of the same mouth: its outlines brought over, and what stays since it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from qtpy.QtWidgets import QComboBox, QFormLayout, QPushButton

from perioview.errors import InputRefused
from perioview.image import Image
from perioview_napari.convert import image_of_layer
from perioview_napari.measuring import CHANGED
from perioview_napari.photo_settings import check_stained, gum_side
from perioview_napari.photo_stated import check_earlier
from perioview_napari.plaque_maps import Basis
from perioview_napari.regions_kept import drawn_at, read_kept
from perioview_napari.sections import narrow
from perioview_napari.stays import STAYS, compared_with, fill_table, in_words

UNSEEN = (
    "Left out: {teeth}, whose outlines on {name} nobody has looked at (orange); go there and press "
    "'Keep all outlines as they are' to count them."
)
LOOK = "Look at each, then 'Keep all outlines as they are'."


def _told_apart(paths: list[Path]) -> list[str]:
    """Names of files; where two are alike, with the visit or folder they lie in."""
    names = [path.name for path in paths]

    def place(path: Path) -> str:
        folder = path.resolve().parent
        return folder.parent.name if folder.name == "images" else folder.name

    return [
        f"{path.name} ({place(path)})" if names.count(path.name) > 1 else path.name
        for path in paths
    ]


class OtherPhoto:
    """Chooser and buttons of the plaque panel.

    Parameters
    ----------
    panel : PlaquePanel
    """

    def __init__(self, panel: Any) -> None:
        self.panel = panel
        self.chosen = narrow(QComboBox())
        self.chosen.setToolTip("a photo of the same mouth whose teeth are outlined already")
        self.rows = QFormLayout()
        self.rows.addRow("outlined photo", self.chosen)
        for words, help_, act in (
            (
                "Bring outlines over from that photo",
                "for another photo of the same teeth, by alignment",
                self.bring_over,
            ),
            (
                "What stays since that photo",
                "compares the photo in view with that one, taken before cleaning",
                self.compare,
            ),
        ):
            button = QPushButton(words)
            button.setToolTip(help_)
            button.clicked.connect(lambda _=False, act=act: act())
            self.rows.addRow(button)

    def list_photos(self, event: Any = None) -> None:
        """Offer every photograph that is open."""
        before = self.chosen.currentData()
        paths = [image_of_layer(la)[1] for la in self.panel.photos()]
        if [str(p) for p in paths] == [self.chosen.itemData(i) for i in range(self.chosen.count())]:
            return
        self.chosen.clear()
        for words, path in zip(_told_apart(paths), paths, strict=True):
            self.chosen.addItem(words, str(path))
        self.chosen.setCurrentIndex(max(0, self.chosen.findData(before)))

    def _other_photo(self) -> tuple[Any, Path, NDArray[np.uint16], str]:
        """Return the photo chosen as the outlined one, its file, its regions, what is left out.

        Raises
        ------
        InputRefused
            If it is the photo in view, or has no regions.
        """
        from perioview.files.regions import read_regions

        photo = self.panel.photo_layer()
        image, file = image_of_layer(photo)
        chosen = self.chosen.currentData()
        source = next(
            (la for la in self.panel.photos() if str(image_of_layer(la)[1]) == chosen), photo
        )
        other, other_file = image_of_layer(source)
        if source is photo or other_file == file:
            raise InputRefused(
                f"{image.name}: is the photo in view; choose the outlined one beside "
                "'outlined photo', and go to the other with PgDown."
            )
        path = drawn_at(other_file)
        if not path.is_file():
            raise InputRefused(
                f"{other.name}: has no outlines yet that were looked at; outline its teeth first."
            )
        drawn = np.asarray(read_regions(path, rows=other.rows, cols=other.cols))
        return other, other_file, drawn, self._left_out(other, other_file)

    def _left_out(self, photo: Image, file: Path) -> str:
        """Name the teeth of a photo that do not count, as nobody has looked at their outlines."""
        known = self.panel.open_regions.get(file)
        try:
            unseen = (
                read_kept(file, rows=photo.rows, cols=photo.cols)[1]
                if known is None
                else known.doubtful
            )
        except InputRefused as error:
            return str(error)
        teeth = ", ".join(map(str, sorted(unseen)))
        return UNSEEN.format(teeth=teeth, name=photo.name) if teeth else ""

    def bring_over(self) -> None:
        """Carry the outlines of another open photo to the one in view, by alignment."""
        from perioview.regions_carried import regions_from

        try:
            image, _ = image_of_layer(self.panel.photo_layer())
            own = f"{image.name}: has outlines of its own; erase them to bring others over."
            other, _, drawn, left_out = self._other_photo()
            regions = self.panel.regions()
            if regions.data.any():
                raise InputRefused(own)
        except InputRefused as error:
            self.panel.say(str(error))
            return

        def done(carried: Any) -> None:
            live = self.panel.live(regions)
            if live.data.any():
                # Drawn while the photos were aligned.
                self.panel.say(own)
                return
            live.replace(carried.regions)
            said = " ".join(part for part in (left_out, *carried.warnings, LOOK) if part)
            self.panel.say(live.told(f"{image.name}: {said}"))

        self.panel.say("aligning the two photos…")
        self.panel.start(lambda: regions_from(drawn, other, image), done)

    def compare(self) -> None:
        """Show what stays in the photo in view of the plaque in the outlined one."""
        panel = self.panel
        try:
            photo = panel.photo_layer()
            image, file = image_of_layer(photo)
            other, other_file, drawn, left_out = self._other_photo()
            check_earlier(other_file, file)
            own = panel.regions().accepted
            panel.asked()
            check_stained(other_file, panel.settings.of(other_file))
            settings = self._settings(other_file, file)
        except InputRefused as error:
            panel.say(str(error))
            return

        def now() -> tuple[Any, object]:
            known = panel.open_regions.get(other_file)
            outlines = None if known is None else known.accepted
            return outlines, self._settings(other_file, file)

        basis = Basis(drawn, settings, now)

        def done(answer: Any) -> None:
            if not panel.maps.is_last_asked(basis):
                return
            found, picture = answer
            fill_table(panel.table, found)
            panel.maps.lay_over(photo, picture, STAYS, basis)
            said = f"{left_out} {in_words(found)}".strip() if basis.holds() else CHANGED
            panel.say(f"{image.name}: {said}")

        panel.maps.ask(basis)
        panel.say("aligning the two photos and measuring both…")
        panel.start(
            lambda: compared_with(
                other, image, drawn, **settings, later_regions=own if own.any() else None
            ),
            done,
        )

    def _settings(self, before: Path, after: Path) -> dict[str, Any]:
        """Gum sides, dye and cards of two photos.

        What nobody has said of the one before is taken to be as in the one after.

        Raises
        ------
        InputRefused
            If a visit cannot be read.
        """
        said, used = self.panel.settings.of(before), self.panel.settings.used(after)
        return {
            "dye": said.get("dye", used["dye"]),
            "gum": gum_side(said["gum"]) if "gum" in said else used["gum"],
            "later_gum": used["gum"],
            "cards": (said.get("card"), used["card"]),
        }
