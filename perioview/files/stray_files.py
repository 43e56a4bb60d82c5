"""Marks and tooth regions of a visit that belong to none of its images, and why that may be."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path, PurePath, PurePosixPath

from perioview.files.kept_copies import copied_name
from perioview.files.visit_folder import REGION_SUFFIXES, ROUND_SUFFIX, read_visit
from perioview.visit import Visit

ALIKE = 0.75
"""Likeness of two names (`difflib.SequenceMatcher.ratio`) from which one may be the other."""


@dataclass(frozen=True, slots=True)
class Stray:
    """A file that no image of the visit reads.

    Parameters
    ----------
    file : str
        Below the visit folder.
    sentence : str
        What is wrong with it and what to do.
    """

    file: str
    sentence: str


@dataclass(frozen=True, slots=True)
class _Place:
    """One folder of a visit: whose files lie there, and how they are called."""

    folder: Path
    what: str
    listed: str
    endings: tuple[str, ...]
    images: tuple[str, ...]
    elsewhere: tuple[str, ...]


def stray_files(folder: str | Path, visit: Visit | None = None) -> tuple[Stray, ...]:
    """Files in ``marks/`` and ``regions/`` of a visit that it is read without.

    Parameters
    ----------
    folder : path
        Visit folder.
    visit : Visit, optional
        As it was read.

    Returns
    -------
    tuple of Stray
        In order of their names; hidden files and copies (``.bak``) are not looked at.

    Raises
    ------
    InputRefused
        If the visit cannot be read.
    """
    folder = Path(folder)
    visit = read_visit(folder) if visit is None else visit
    films, photos = (
        tuple(PurePosixPath(str(row["file"])).name for row in rows)
        for rows in (visit.images, visit.photos)
    )
    places = (
        _Place(folder / "marks", "image", "images", (".csv", ROUND_SUFFIX), films, photos),
        _Place(folder / "regions", "photograph", "photos", REGION_SUFFIXES, photos, films),
    )
    return tuple(stray for place in places for stray in _strays(place))


def tell_strays(folder: str | Path, visit: Visit | None = None) -> None:
    """Write a note on standard error for every file that a visit is read without."""
    for stray in stray_files(folder, visit):
        print(f"note: {Path(folder) / stray.file}: {stray.sentence}", file=sys.stderr)


def _strays(place: _Place) -> list[Stray]:
    there = {path.name: path for path in _files(place.folder)}
    read: dict[str, str] = {}
    for image in place.images:
        held = [
            image + ending
            for ending in place.endings
            if (place.folder / (image + ending)).is_file()
        ]
        # Of a photo's regions the first file there is counts.
        read |= dict.fromkeys(held[:1] if place.what == "photograph" else held, image)
    # Where capitals do not count, a file may be read under a name that is not quite its own.
    known = {path.stat().st_ino for name in read if (path := place.folder / name).is_file()}
    found = []
    for name, path in there.items():
        if name in read or name.endswith(".bak") or path.stat().st_ino in known:
            continue
        cause = _cause(name, place, read)
        if cause:
            found.append(Stray(f"{place.folder.name}/{name}", cause))
    return found


def _files(folder: Path) -> list[Path]:
    try:
        return sorted(p for p in folder.iterdir() if p.is_file() and not p.name.startswith("."))
    except OSError:
        return []


def _cause(name: str, place: _Place, read: dict[str, str]) -> str:
    """Say why a file is not read and what to do; empty for a file of another kind."""
    if of := copied_name(name):
        if any(of == image + end for image in place.images for end in place.endings):
            if of.endswith(ROUND_SUFFIX):
                return (
                    "is not read; it belongs to the unsaved marks beside it (what was left out, "
                    f"teeth without loss): rename it to {of} along with them, or take both out."
                )
            return (
                f"holds what could not be saved because another program had changed {of}, and is "
                f"not read; compare the two: rename this one to {of} if it is right, else take it "
                "out."
            )
        return _cause(of, place, read)
    ending = next((e for e in place.endings if name.casefold().endswith(e)), "")
    base = name[: -len(ending)] if ending else PurePath(name).stem
    said = f"belongs to no {place.what} of the visit and is not read; "
    if ending and base in place.images and name == base + ending:
        other = next(n for n, image in read.items() if image == base)
        return f"is not read, because {other} is; keep one of them."
    if not ending:
        # Notes and the like may lie there; what is called as an image is meant for it.
        same = [i for i in place.images if i.casefold() == base.casefold()]
        right = place.endings[0]
        return f"{said}it must end in {right}; save it as {same[0]}{right}." if same else ""
    if base in place.elsewhere:
        return f"{said}{base} is not listed as [[{place.listed}]] in visit.toml; list it there."
    near, why = _nearest(base, place, read)
    if near:
        right = near + ending
        taken = (place.folder / right).is_file()
        also = " in place of the one there, if it is the right one" if taken else ""
        return f"{said}{why}: if it is of {near}, rename it to {right}{also}."
    if (place.folder.parent / "images" / base).is_file():
        return f"{said}images/{base} is not in visit.toml; list it there as [[{place.listed}]]."
    return f"{said}no {place.what} is called {base}; list it in visit.toml, or take this file out."


def _nearest(base: str, place: _Place, read: dict[str, str]) -> tuple[str, str]:
    """The image a name is probably meant for, and what differs; empty where none is like it."""
    said = base.casefold()
    stems = {image: PurePath(image.casefold()).stem for image in place.images}
    for image in place.images:
        if image.casefold() == said:
            return image, "capital and small letters differ"
    for image, stem in stems.items():
        if said == stem:
            return image, f"the image's ending {PurePath(image).suffix} is left out"
    for image, stem in stems.items():
        if PurePath(said).stem == stem:
            return image, f"the image ends in {PurePath(image).suffix}"
    import difflib

    bare = {i.casefold(): i for i in place.images if i not in read.values()}
    for close in difflib.get_close_matches(said, bare, 1, ALIKE):
        return bare[close], f"{bare[close]} is called much the same and has none (renamed?)"
    return "", ""
