"""What a session could not write over another program's marks, kept beside them; no Qt."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from pathlib import Path

from perioview.errors import InputRefused
from perioview.files.atomic import write_atomically
from perioview.files.kept_copies import copy_name, kept_copies
from perioview.marks import Marks


class KeptCopy:
    """The marks and the round of one session, beside the files they could not go into.

    Parameters
    ----------
    marks, rounds : Path
        Those files.
    """

    def __init__(self, marks: Path, rounds: Path) -> None:
        self._files = (marks, rounds)
        self._paths: tuple[Path, Path] | None = None
        self._held: tuple[bytes, bytes] | None = None

    @property
    def marks(self) -> bytes | None:
        """The marks as they were last kept; None while none were."""
        return None if self._held is None else self._held[0]

    @property
    def path(self) -> Path | None:
        """Where the marks are kept; None while none are, or if somebody took them away."""
        at = None if self._paths is None else self._paths[0]
        return at if at is not None and content(at) == self.marks else None

    def keep(self, marks: bytes, rounds: bytes) -> Path:
        """Keep marks and round and return where the marks are; no other copy is written over.

        What was kept and is the same stays as it is: a copy that somebody took away, to use it or
        to have done with it, does not come back.

        Raises
        ------
        InputRefused
            If the folder cannot be written.
        """
        if self._paths is None or (self.path is None and self._paths[0].exists()):
            self._paths = self._free()
        if self._held != (marks, rounds):
            for path, data in zip(self._paths, (marks, rounds), strict=True):
                write_atomically(path, data)
            self._held = (marks, rounds)
        return self._paths[0]

    def _free(self) -> tuple[Path, Path]:
        for number in itertools.count(1):
            marks, rounds = (f.with_name(copy_name(f.name, number)) for f in self._files)
            if not marks.exists() and not rounds.exists():
                return marks, rounds
        raise AssertionError("numbers do not end")

    def drop(self) -> None:
        """Take the copy away once the files themselves hold it; what others wrote there stays."""
        if self._paths is not None and self._held is not None:
            for path, data in zip(self._paths, self._held, strict=True):
                if content(path) == data:
                    path.unlink(missing_ok=True)
        self._paths = self._held = None


def kept_words(
    marks: Path, rounds: Path, own: Path | None, marks_of: Callable[[Path], Marks] | None
) -> str:
    """Say which copies lie beside the files of a radiograph, and what to do with them.

    Parameters
    ----------
    marks, rounds : Path
        The files.
    own : Path or None
        The copy of the window that asks, which is no news to it.
    marks_of : callable or None
        Reads marks; refuses what is none.

    Returns
    -------
    str
        Empty if there are none.
    """
    said = []
    left = [file.name for file in kept_copies(rounds)]
    for copy in kept_copies(marks):
        beside = rounds.name + copy.name.removeprefix(marks.name)
        rest = f" Do the same with {beside}." if beside in left else ""
        left = [name for name in left if name != beside]
        if copy == own:
            continue
        try:
            count = len(marks_of(copy)) if marks_of is not None else 0
        except InputRefused:
            count = 0
        held = f"{count} mark{'s' * (count != 1)}" if count else "marks"
        said.append(
            f"{copy.name} holds {held} that could not be saved; to use them, rename it to "
            f"{marks.name} and open the visit again, else take it away.{rest}"
        )
    said += [
        f"{name} (left out, teeth without loss) went with marks that are no longer beside it; to "
        f"use it, rename it to {rounds.name} and open the visit again, else take it away."
        for name in left
    ]
    return " ".join(said)


def content(path: Path) -> bytes | None:
    """Return what a file holds; None if it cannot be read."""
    try:
        return path.read_bytes()
    except OSError:
        return None
