"""Where the outlines of a photograph are kept: accepted ones for all to read, proposals apart."""

from __future__ import annotations

import itertools
from collections.abc import Collection, Iterable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from perioview.errors import InputRefused
from perioview_napari.region_boxes import Box

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


class Damaged(InputRefused):
    """A file of proposals is none: the accepted outlines are read without it."""


def read_kept(file: Path, *, rows: int, cols: int) -> tuple[Labels, set[int]]:
    """Read the outlines of a photo, and which of them nobody has looked at.

    Raises
    ------
    InputRefused
        If a file of them cannot be read; `Damaged` if it is that of the proposals.
    """
    drawn = _read(drawn_at(file), rows=rows, cols=cols)
    if not proposed_at(file).is_file():
        return drawn, set()
    try:
        proposed = _read(proposed_at(file), rows=rows, cols=cols)
    except InputRefused as error:
        raise Damaged(*error.faults) from error
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


class Kept:
    """The files of a photo's outlines; a fault in writing them stands until they are written.

    Parameters
    ----------
    file : Path
        The photo.
    """

    def __init__(self, file: Path) -> None:
        self.file = file
        self.fault = ""
        """Why what is seen is not on disk, in one line; empty if it is."""
        # What belongs into the two files, those accepted and the proposals; which do not hold it.
        self._labels: tuple[Labels, ...] = ()
        # A file of proposals that is none lies there; it is put aside before it is written over.
        self._damaged = False
        self._behind: set[Path] = set()

    @property
    def _places(self) -> tuple[Path, Path]:
        # Each time: the photo may have come into a visit meanwhile.
        return kept_at(self.file), proposed_at(self.file)

    def read(self, *, rows: int, cols: int) -> tuple[Labels, set[int]]:
        """Read the outlines, and which of them nobody has looked at.

        Raises
        ------
        InputRefused
            If a file of them cannot be read.
        """
        try:
            drawn, doubtful = read_kept(self.file, rows=rows, cols=cols)
            self._damaged = False
        except Damaged:
            drawn, doubtful = _read(drawn_at(self.file), rows=rows, cols=cols), set()
            self._damaged, there = True, proposed_at(self.file)
            self.fault = (
                f"{there.name}: cannot be read, so outlines nobody had looked at are not shown; "
                f"outline these teeth again. It will be kept as {_aside(there).name}."
            )
        seen = accepted(drawn, doubtful)
        self._labels = seen, drawn - seen
        self._behind = set(self._places)
        return drawn, doubtful

    def save(self, data: Labels, doubtful: Collection[int], boxes: Iterable[Box] = ()) -> str:
        """Write accepted outlines where regions are read, and the proposals beside them.

        Parameters
        ----------
        data : ndarray of uint16, shape (rows, cols)
        doubtful : collection of int
            The proposals among them.
        boxes : iterable of tuple of slice
            Where something has changed since: a large photo is not gone through for nothing.

        Returns
        -------
        str
            Why they cannot be written, empty if they are.
        """
        for box in boxes:
            seen = accepted(data[box], doubtful)
            parts = seen, data[box] - seen
            for place, labels, part in zip(self._places, self._labels, parts, strict=True):
                if not np.array_equal(labels[box], part):
                    labels[box] = part
                    self._behind.add(place)
        try:
            self._write()
            self.fault = ""
        except (InputRefused, OSError) as error:
            self.fault = (
                f"NOT SAVED: {kept_at(self.file)} cannot be written ({self._reason(error)}). Once "
                "that is mended, 'Measure plaque' or any change saves all outlines."
            )
        return self.fault

    def _write(self) -> None:
        from perioview.files.regions import write_regions

        path, _ = self._places
        path.parent.mkdir(exist_ok=True)
        if self._damaged:
            there = proposed_at(self.file)
            there.rename(_aside(there))
            self._damaged = False
        for place, labels in zip(self._places, self._labels, strict=True):
            if not labels.any():
                place.unlink(missing_ok=True)
            elif place in self._behind or not place.is_file():
                write_regions(place, labels)
            self._behind.discard(place)
        if not self._labels[0].any() and drawn_at(self.file).is_file():
            # Polygons from elsewhere would come back in place of what was erased here.
            write_regions(path, self._labels[0])

    def _reason(self, error: Exception) -> str:
        folder = kept_at(self.file).parent
        if folder.is_symlink() and not folder.exists():
            return "its folder is a link that leads nowhere"
        if isinstance(cause := error.__cause__ or error, OSError) and cause.strerror:
            return cause.strerror
        return str(error)


def _aside(damaged: Path) -> Path:
    """Where a damaged file is put; nothing is written over."""
    names = (f"{damaged.name}.damaged{f'-{n}' if n > 1 else ''}" for n in itertools.count(1))
    return next(at for at in map(damaged.with_name, names) if not at.exists())
