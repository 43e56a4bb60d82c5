"""What the visit folder of an image file says: species, teeth in view, where its marks lie."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from perioview.image import Image
from perioview_napari.convert import LayerData, image_of_layer, is_perioview_image
from perioview_napari.reader import VISIT_FILE, layers


def visit_of_viewer(viewer: Any) -> Path | None:
    """Return the visit folder whose images a viewer shows, the first if there are several."""
    for layer in viewer.layers:
        if is_perioview_image(layer):
            folder = image_of_layer(layer)[1].resolve().parent.parent
            if (folder / VISIT_FILE).is_file():
                return folder
    return None


class Visits:
    """Visit folders that were looked into, each read once."""

    def __init__(self) -> None:
        self._known: dict[Path, Any] = {}

    def add(self, folder: Path) -> None:
        """Read a visit folder.

        Raises
        ------
        InputRefused
            If it is not a visit folder.
        """
        from perioview.files.visit_folder import read_visit

        self._known[folder.resolve()] = read_visit(folder)

    def layers(self, folder: Path) -> list[LayerData]:
        """Return the radiographs of a visit folder, where it has none its photos, as layers."""
        return layers([str(folder)])

    def _spelled(self, file: Path) -> Path:
        """Return a file as its visit spells it, whatever link leads there, else where it lies."""
        named = file.parent.resolve() / file.name
        return file.resolve() if self._folder(named) is None else named

    def _folder(self, file: Path) -> Path | None:
        folder = file.parent.parent
        if file.parent.name != "images" or not (folder / VISIT_FILE).is_file():
            return None
        if folder not in self._known:
            self.add(folder)
        return folder

    def marks_path(self, file: Path) -> Path:
        """Return the marks file of an image: in its visit, else beside the image."""
        from perioview.files.visit_folder import marks_path

        spelled = self._spelled(file)
        folder = self._folder(spelled)
        if folder is not None:
            return marks_path(folder, spelled.name)
        beside = file.with_name(file.name + ".csv")
        return beside if beside.exists() else spelled.with_name(spelled.name + ".csv")

    def photo_files(self, folder: Path) -> list[Path]:
        """Return the photographs that a visit lists.

        Raises
        ------
        InputRefused
            If the visit cannot be read.
        """
        if folder.resolve() not in self._known:
            self.add(folder)
        return [folder / str(e["file"]) for e in self._known[folder.resolve()].photos]

    def species(self, file: Path) -> str | None:
        """Return the species the visit names."""
        folder = self._folder(self._spelled(file))
        return None if folder is None else self._known[folder].patient.get("species")

    def shows_photo(self, image: Image, file: Path) -> bool:
        """Whether a file is a photograph and not a radiograph to be marked.

        The visit says so, or it is in colour and nobody has marked it.
        """
        file = self._spelled(file)
        folder = self._folder(file)
        if folder is not None:
            rows = self._known[folder]
            for entries, answer in ((rows.images, False), (rows.photos, True)):
                if any(Path(str(e["file"])).name == file.name for e in entries):
                    return answer
        return image.colour and not self.marks_path(file).exists()

    def teeth(self, file: Path) -> tuple[int, ...]:
        """Return the teeth the visit says this image shows."""
        file = self._spelled(file)
        folder = self._folder(file)
        if folder is None:
            return ()
        for entry in self._known[folder].images:
            if Path(entry["file"]).name == file.name:
                return tuple(int(n) for n in entry.get("teeth", ()))
        return ()
