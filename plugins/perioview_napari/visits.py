"""What the visit folder of an image file says: species, teeth in view, where its marks lie."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from perioview_napari.convert import LayerData
from perioview_napari.reader import VISIT_FILE, layers


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
        """Return the radiographs of a visit folder as layers."""
        return layers([str(folder)])

    def _folder(self, file: Path) -> Path | None:
        file = file.resolve()
        folder = file.parent.parent
        if file.parent.name != "images" or not (folder / VISIT_FILE).is_file():
            return None
        if folder not in self._known:
            self.add(folder)
        return folder

    def marks_path(self, file: Path) -> Path:
        """Return the marks file of an image: in its visit, else beside the image."""
        from perioview.files.visit_folder import marks_path

        folder = self._folder(file)
        if folder is None:
            return file.with_name(file.name + ".csv")
        path = marks_path(folder, file.name)
        path.parent.mkdir(exist_ok=True)
        return path

    def species(self, file: Path) -> str | None:
        """Return the species the visit names."""
        folder = self._folder(file)
        return None if folder is None else self._known[folder].patient.get("species")

    def teeth(self, file: Path) -> tuple[int, ...]:
        """Return the teeth the visit says this image shows."""
        folder = self._folder(file)
        if folder is None:
            return ()
        for entry in self._known[folder].images:
            if Path(entry["file"]).name == file.name:
                return tuple(int(n) for n in entry.get("teeth", ()))
        return ()
