"""Where the outlines of a photograph are kept: accepted ones for all to read, proposals apart."""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Labels = NDArray[np.uint16]


def kept_at(file: Path) -> Path:
    """Where the regions of a photo are written: in its visit, else beside it."""
    file = file.absolute()
    folder = file.parent.parent
    if file.parent.name == "images" and (folder / "visit.toml").is_file():
        return folder / "regions" / f"{file.name}.png"
    return file.with_name(f"{file.name}.regions.png")


def drawn_at(file: Path) -> Path:
    """Where the regions of a photo are read from: what was drawn here, else polygons."""
    from perioview.files.visit_folder import regions_path

    path = kept_at(file)
    if path.parent.name == "regions" and not path.is_file():
        return regions_path(path.parent.parent, file.name) or path
    return path


def proposed_at(file: Path) -> Path:
    """Where outlines are kept that nobody has looked at: only the window reads this ending."""
    path = kept_at(file)
    return path.with_name(f"{path.name}.proposed")


def read_kept(file: Path, *, rows: int, cols: int) -> tuple[Labels, set[int]]:
    """Read the outlines of a photo, and which of them nobody has looked at.

    Raises
    ------
    InputRefused
        If a file of them cannot be read.
    """
    drawn = _read(drawn_at(file), rows=rows, cols=cols)
    if not proposed_at(file).is_file():
        return drawn, set()
    proposed = _read(proposed_at(file), rows=rows, cols=cols)
    # What was accepted while its proposal could not be taken away counts as accepted.
    proposed[(drawn > 0) | np.isin(proposed, np.unique(drawn))] = 0
    return np.where(drawn > 0, drawn, proposed), {int(t) for t in np.unique(proposed) if t}


def _read(path: Path, *, rows: int, cols: int) -> Labels:
    from perioview.files.regions import read_regions

    if not path.is_file():
        return np.zeros((rows, cols), np.uint16)
    return np.array(read_regions(path, rows=rows, cols=cols, may_be_empty=True), np.uint16)


def accepted(data: Labels, doubtful: Collection[int]) -> Labels:
    """Return the outlines without those that nobody has looked at."""
    return np.where(np.isin(data, list(doubtful)), 0, data).astype(np.uint16)


def keep(file: Path, data: Labels, doubtful: Collection[int]) -> None:
    """Write what is accepted where regions are read, and the proposals beside it.

    Raises
    ------
    InputRefused, OSError
        If a file cannot be written.
    """
    from perioview.files.regions import write_regions

    path, seen = kept_at(file), accepted(data, doubtful)
    path.parent.mkdir(exist_ok=True)
    for place, labels in ((path, seen), (proposed_at(file), data - seen)):
        if labels.any():
            write_regions(place, labels)
        else:
            place.unlink(missing_ok=True)
    if not seen.any() and drawn_at(file).is_file():
        # Polygons from elsewhere would come back in place of what was erased here.
        write_regions(path, seen)
