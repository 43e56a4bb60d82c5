"""The marks file of a radiograph and the round beside it: read, written, and what waits; no Qt."""

from __future__ import annotations

import os
from collections.abc import Callable
from functools import partial
from pathlib import Path

from perioview.errors import InputRefused, reason
from perioview.files.atomic import write_atomically
from perioview.files.tables import marks_text, read_marks, read_text, write_marks
from perioview.image import Image
from perioview.marking_round import RoundState, round_from_text
from perioview.marks import Marks
from perioview_napari.proposed import Proposed, proposals_from_text


class SessionFile:
    """Two files on disk, and whether they hold all that was to be written.

    Parameters
    ----------
    path : Path
        The marks file; it need not be there yet.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._content: bytes | None = None
        """What the marks file holds as far as this session knows; None while it is not there."""
        self._written: Marks | None = None
        """The marks the file holds, as far as this session has read or written it."""
        self.waits = False
        """Whether something could not be written and is not on disk."""
        self._folder_seen = False
        self.refused = self._why_not_writable()
        """Why nothing can be written, in a few words; empty as far as is known."""

    @property
    def round_path(self) -> Path:
        """File beside the marks for what a marks file has no place for."""
        return self.path.with_suffix(".round.json")

    def _why_not_writable(self) -> str:
        """Say in a few words why the folder cannot be written; empty if it seems it can."""
        try:
            self._folder_seen = self.path.parent.is_dir()
            folder = self.path.parent if self._folder_seen else self.path.parent.parent
            return "" if os.access(folder, os.W_OK | os.X_OK) else "it is read-only"
        except OSError as fault:
            return reason(fault)

    def _make_folder(self) -> None:
        # Once, not whenever it is missed: a folder that is away for a while comes back.
        if not self._folder_seen:
            self.path.parent.mkdir(exist_ok=True)
            self._folder_seen = True

    def read(self, species: str, image: Image) -> tuple[RoundState, tuple[Proposed, ...]]:
        """Read marks, round and proposals, as far as they are there.

        Raises
        ------
        InputRefused
            If a file cannot be used: in one line, with the last good copy of the marks.
        """
        marks_of = partial(read_marks, species=species, rows=image.rows, cols=image.cols)
        try:
            if self.path.exists():
                self._content = self.path.read_bytes()
                self._written = marks_of(self.path)
        except InputRefused as fault:
            raise InputRefused(_one_line(fault) + self._good_copy(marks_of)) from fault
        except OSError as fault:
            raise InputRefused(f"{self.path}: cannot be read ({reason(fault)}).") from fault
        marks = self._written or Marks()
        if not self.round_path.exists():
            return RoundState(marks), ()
        text, source = read_text(self.round_path), str(self.round_path)
        return round_from_text(text, marks, source), proposals_from_text(text, source)

    def _good_copy(self, marks_of: Callable[[Path], Marks]) -> str:
        """Say where the copy `write_marks` kept lies, if that can be read."""
        copy = self.path.with_name(self.path.name + ".bak")
        try:
            count = len(marks_of(copy))
        except InputRefused:
            return ""
        marks = f"{count} mark{'s' * (count != 1)}"
        return f" The last good copy ({marks}) is {copy}: rename it to {self.path.name}."

    def write(self, marks: Marks, rest: str, *, only_round: bool = False) -> None:
        """Write marks and round, each whole or not at all.

        Parameters
        ----------
        marks : Marks
        rest : str
            The round and its proposals.
        only_round : bool
            Leave marks alone that are as they were written.

        Raises
        ------
        InputRefused
            If the folder cannot be written.
        """
        try:
            self._make_folder()
            # Marks first: a kill between the two loses no mark, at most where the round stood.
            if marks != self._written or not (only_round or self.path.exists()):
                self._keep_foreign(marks)
                write_marks(self.path, marks)
                self._content, self._written = self.path.read_bytes(), marks
            write_atomically(self.round_path, rest.encode())
        except (InputRefused, OSError) as fault:
            cause = fault if isinstance(fault, OSError) else fault.__cause__
            self.refused = reason(cause) if isinstance(cause, OSError) else str(fault)
            # Proposals alone are found again.
            self.waits = self.waits or not only_round
            if isinstance(fault, InputRefused):
                raise
            raise InputRefused(f"{self.path}: cannot be written ({self.refused}).") from fault
        self.refused, self.waits = "", False

    def _keep_foreign(self, marks: Marks) -> None:
        """Refuse to write over what another program or window has put there; keep both."""
        if not self.path.exists() or self.path.read_bytes() == self._content:
            return
        own = self.path.with_name(self.path.name + ".unsaved")
        write_atomically(own, marks_text(marks).encode())
        raise InputRefused(
            f"{self.path}: was changed by another program or window, and is left as it is; this "
            f"window's marks are in {own.name}. Rename one of them, and open the image again."
        )


def _one_line(fault: InputRefused) -> str:
    first, *more = fault.faults
    return first + (f" ({len(more)} more fault{'s' * (len(more) > 1)} in it.)" if more else "")
