"""Repeated marking of one radiograph, pass by pass, blind to what was marked before.

Each pass is a marks file of its own, ``repeats/IMAGE.OBSERVER.PASS.csv`` beside ``marks/`` of the
visit, or beside the image where there is no visit.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from pathlib import Path

from perioview.errors import InputRefused
from perioview.marking_round import (
    RoundState,
    Skip,
    Step,
    round_from_text,
    round_text,
    step_of,
)
from perioview.marks import Marks
from perioview.teeth import fitting_variant, tooth

FOLDER = "repeats"
NOT_BEFORE = "not needed"
LEAST_PASSES = 2


@dataclass(frozen=True, slots=True)
class RepeatFiles:
    """Where the passes of one observer over one image are kept.

    Parameters
    ----------
    image : Path
        The image's file.
    observer : str
        As it stands in file names.
    """

    image: Path
    observer: str

    @property
    def folder(self) -> Path:
        """Of the visit the image belongs to, else beside the image."""
        home = self.image.parent
        if home.name == "images" and (home.parent / "visit.toml").is_file():
            home = home.parent
        return home / FOLDER

    def marks(self, number: int) -> Path:
        """Marks file of one pass, counted from 1."""
        return self.folder / f"{self.image.name}.{self.observer}.{number}.csv"

    def round(self, number: int) -> Path:
        """File beside the marks that says how far the pass got."""
        return self.marks(number).with_suffix(".round.json")

    @property
    def profile(self) -> Path:
        """What ``measure --mark-sd`` reads."""
        return self.folder / f"{self.image.name}.{self.observer}.json"

    @property
    def plot(self) -> Path:
        """Picture of the repeatability."""
        return self.profile.with_suffix(".png")


def repeat_files(image: Path, observer: str) -> RepeatFiles:
    """Name the files of an observer.

    Raises
    ------
    InputRefused
        If the name has no letter or digit.
    """
    name = re.sub(r"[^\w-]+", "-", observer.strip(), flags=re.UNICODE).strip("-")
    if not name:
        raise InputRefused(f"observer: '{observer}' is no name; type who marks, such as AB.")
    return RepeatFiles(image, name)


def blind_round(earlier: Marks, species: str) -> RoundState:
    """Ask for the very marks that were placed before, and show none of them.

    Parameters
    ----------
    earlier : Marks
        Of the image.
    species : str
        ``dog`` or ``cat``.

    Returns
    -------
    RoundState
        Without a mark; landmarks that were not marked before are left out, rulers too: their
        scatter is known from the ruler itself.

    Raises
    ------
    InputRefused
        If nothing was marked yet.
    """
    wanted = [step_of(m) for m in earlier if m.landmark != "ruler"]
    if not wanted:
        raise InputRefused("no marks yet: mark the radiograph once before repeating it.")
    roots = []
    for number in sorted({s.tooth for s in wanted if s.tooth is not None}):
        known = tooth(number, species)
        found = earlier.roots(number)
        roots.append((number, fitting_variant(known, found) or tuple(found)))
    state = RoundState(roots=tuple(roots))
    usual = set(state.steps)
    extra = tuple(s for s in wanted if s not in usual)
    left_out = tuple(Skip(s, NOT_BEFORE) for s in state.steps if s not in wanted)
    state = RoundState(roots=tuple(roots), skips=left_out, extra=extra)
    return replace(state, cursor=_first(state))


def _first(state: RoundState) -> Step | None:
    """Begin with the usual marks: a defect's base makes no sense before its crest."""
    usual = state.steps[len(state.extra) :]
    return next((s for s in usual if state.open(s)), state.open_after(None))


def begin_pass(files: RepeatFiles, number: int, earlier: Marks, species: str) -> Path:
    """Lay out a pass, or leave one that was begun as it stands; return its marks file.

    Raises
    ------
    InputRefused
        If nothing was marked yet, or the folder cannot be written.
    """
    from perioview.files.atomic import write_atomically

    path = files.marks(number)
    if not files.round(number).exists():
        state = blind_round(earlier, species)
        try:
            path.parent.mkdir(exist_ok=True)
        except OSError as error:
            raise InputRefused(
                f"{path.parent}: cannot be made ({error.strerror}); check the folder."
            ) from error
        write_atomically(files.round(number), round_text(state).encode())
    return path


def passes_done(files: RepeatFiles, species: str, size: tuple[int, int]) -> tuple[Marks, ...]:
    """Read the passes that are finished: every mark placed or left out.

    Parameters
    ----------
    files : RepeatFiles
    species : str
    size : tuple of int
        Rows and columns of the image.

    Raises
    ------
    InputRefused
        If a pass cannot be read.
    """
    from perioview.files.tables import read_marks, read_text

    done: list[Marks] = []
    while files.marks(number := len(done) + 1).exists() and files.round(number).exists():
        marks = read_marks(files.marks(number), species=species, rows=size[0], cols=size[1])
        state = round_from_text(read_text(files.round(number)), marks, str(files.round(number)))
        if state.open_after(None) is not None:
            break
        done.append(marks)
    return tuple(done)
