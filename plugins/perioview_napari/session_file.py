"""The marks file of a radiograph and the round beside it: read, written, and what waits; no Qt."""

from __future__ import annotations

import os
from collections.abc import Callable
from functools import partial
from pathlib import Path

from perioview.errors import InputRefused, reason
from perioview.files.atomic import write_atomically
from perioview.files.tables import marks_text, read_marks, write_marks
from perioview.image import Image
from perioview.marking_round import RoundState, round_from_text
from perioview.marks import Marks
from perioview_napari.kept_copy import KeptCopy, content, kept_words
from perioview_napari.proposed import Proposed, proposals_from_text

CHANGED = "the marks file was changed elsewhere"
PROTECTED = "the marks file is write-protected"


class NotWritten(InputRefused):
    """Marks are not written over what is there.

    Parameters
    ----------
    fault : str
    brief : str
        Why, in a few words.
    """

    def __init__(self, fault: str, brief: str) -> None:
        super().__init__(fault)
        self.brief = brief


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
        self.copy = KeptCopy(self.path, self.round_path)
        """Where the marks are kept while another program's are in the file."""
        self.conflict = ""
        """What to do about another program's marks in the file; empty while it has none."""
        self.changed = ""
        """That another program had changed the file and it was read anew; empty once told."""
        self._marks_of: Callable[[Path], Marks] | None = None
        self._folder_seen = False
        self.refused = self._why_not_writable()
        """Why nothing can be written, in a few words; empty as far as is known."""

    @property
    def round_path(self) -> Path:
        """File beside the marks for what a marks file has no place for."""
        return self.path.with_suffix(".round.json")

    def _why_not_writable(self) -> str:
        """Say in a few words why nothing can be written; empty if it seems it can."""
        try:
            self._folder_seen = self.path.parent.is_dir()
            folder = self.path.parent if self._folder_seen else self.path.parent.parent
            if not os.access(folder, os.W_OK | os.X_OK):
                return "it is read-only"
            return PROTECTED if _protected(self.path) else ""
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
        self._marks_of = marks_of
        try:
            if self.path.exists():
                self._content = self.path.read_bytes()
                self._written = marks_of(self.path)
        except InputRefused as fault:
            copies = f"{self._good_copy(marks_of)} {self.copies_words()}".rstrip()
            raise InputRefused(_one_line(fault) + copies) from fault
        except OSError as fault:
            raise InputRefused(f"{self.path}: cannot be read ({reason(fault)}).") from fault
        marks = self._written or Marks()
        if not self.round_path.exists():
            return RoundState(marks), ()
        text, source = self._round_text(), str(self.round_path)
        return round_from_text(text, marks, source), proposals_from_text(text, source)

    def _round_text(self) -> str:
        try:
            return self.round_path.read_bytes().decode("utf-8-sig")
        except OSError as fault:
            raise InputRefused(f"{self.round_path}: cannot be read ({reason(fault)}).") from fault
        except UnicodeDecodeError as fault:
            raise InputRefused(
                f"{self.round_path}: not a marking round (byte {fault.start} is no UTF-8 text); "
                "remove it, the marks are kept apart from it."
            ) from fault

    def _good_copy(self, marks_of: Callable[[Path], Marks]) -> str:
        """Say where the copy `write_marks` kept lies, if that can be read."""
        copy = self.path.with_name(self.path.name + ".bak")
        try:
            count = len(marks_of(copy))
        except InputRefused:
            return ""
        marks = f"{count} mark{'s' * (count != 1)}"
        return f" The last good copy ({marks}) is {copy}: rename it to {self.path.name}."

    def copies_words(self) -> str:
        """Say what lies beside the file that an earlier window could not save; empty if nothing."""
        return kept_words(self.path, self.round_path, self.copy.path, self._marks_of)

    def told(self) -> str:
        """Say, once, that another program has changed the file, and what lies beside it."""
        changed, self.changed = self.changed, ""
        return f"{changed} {self.copies_words()}".strip()

    def out_of_date(self) -> bool:
        """Whether another program has changed the marks file while nothing waits to be written.

        A file that is gone may come back; until then what was read of it holds.
        """
        there = None if self.waits else content(self.path)
        return there is not None and there != self._content

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
            changed = marks != self._written or bool(self.conflict)
            if changed or not (only_round or self.path.exists()):
                self._write_marks(marks, rest)
            write_atomically(self.round_path, rest.encode())
        except (InputRefused, OSError) as fault:
            cause = fault if isinstance(fault, OSError) else fault.__cause__
            self.refused = reason(cause) if isinstance(cause, OSError) else str(fault)
            if isinstance(fault, NotWritten):
                self.refused = fault.brief
            self.conflict = str(fault) if self.refused == CHANGED else ""
            # Proposals alone are found again.
            self.waits = self.waits or not only_round
            if isinstance(fault, InputRefused):
                raise
            raise InputRefused(f"{self.path}: cannot be written ({self.refused}).") from fault
        self.refused, self.conflict, self.waits = self._still_protected(), "", False
        self.copy.drop()

    def _still_protected(self) -> str:
        # The round can be written beside marks that cannot.
        return PROTECTED if _protected(self.path) else ""

    def _write_marks(self, marks: Marks, rest: str) -> None:
        """Write the marks; over what another program or window has put there, keep them beside."""
        text = marks_text(marks).encode()
        there = self.path.read_bytes() if self.path.exists() else None
        # What this window kept beside it is its own, put in place by hand.
        if there not in (None, text, self._content, self.copy.marks):
            own = self.copy.keep(text, rest.encode())
            raise NotWritten(
                f"{self.path}: was changed by another program or window, and is left as it is; "
                f"this window's marks are in {own.name}. Rename that to {self.path.name} to keep "
                "them, or open visit or image again to go on with the others.",
                CHANGED,
            )
        if there != text:
            if _protected(self.path):
                raise NotWritten(
                    f"{self.path}: is write-protected and is left as it is; to save marks, make "
                    "it writable.",
                    PROTECTED,
                )
            write_marks(self.path, marks)
        self._content, self._written = self.path.read_bytes(), marks


def _protected(path: Path) -> bool:
    """Whether a file is there and must not be written; a folder can be written all the same."""
    # Also for whoever may write everything: the file says that it is not to be.
    return path.exists() and not (path.stat().st_mode & 0o222 and os.access(path, os.W_OK))


def _one_line(fault: InputRefused) -> str:
    first, *more = fault.faults
    return first + (f" ({len(more)} more fault{'s' * (len(more) > 1)} in it.)" if more else "")
