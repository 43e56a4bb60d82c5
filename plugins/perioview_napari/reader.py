"""Opens radiographs, photographs and visit folders with their scale and contrast."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from perioview_napari.convert import LayerData, layer_from_image

PathOrPaths = str | Sequence[str]
VISIT_FILE = "visit.toml"


def reader(path: PathOrPaths) -> Callable[[PathOrPaths], list[LayerData]] | None:
    """Return the function that opens these paths, or None if they are not for perioview."""
    paths = [path] if isinstance(path, str) else list(path)
    if all(Path(p).is_file() or (Path(p) / VISIT_FILE).is_file() for p in paths):
        return layers
    return None


def layers(path: PathOrPaths) -> list[LayerData]:
    """Read files and visit folders as napari layers; the first is shown, the others wait.

    Raises
    ------
    InputRefused
        If a file cannot be read; nothing is opened then.
    """
    from perioview.files.reading import read_image

    paths = [path] if isinstance(path, (str, Path)) else list(path)
    opened = [
        layer_from_image(read_image(file), file) for p in paths for file in image_files(Path(p))
    ]
    for _, kwargs, _ in opened[1:]:
        kwargs["visible"] = False
    return opened


def image_files(path: Path) -> list[Path]:
    """Return the radiographs of a visit folder, where it has none its photos; or the file."""
    if not path.is_dir():
        return [path]
    from perioview.files.visit_folder import read_visit

    visit = read_visit(path)
    return [path / entry["file"] for entry in visit.images or visit.photos]
