"""Letters of any script: fonts on this computer for what the report's own font lacks."""

from __future__ import annotations

import os
import re
import unicodedata
from collections.abc import Iterator
from functools import cache
from pathlib import Path

LIKELY = re.compile(
    r"fallback|unicode|cjk|noto|droid|hei|ming|song|gothic|malgun|nirmala|sans", re.I
)
MOST_FONTS = 400
"""Fonts opened at most in search of a letter: a large collection must not stall a report."""
BOX = "\u25a1"


def _folders() -> Iterator[Path]:
    home = Path.home()
    shared = os.environ.get("XDG_DATA_DIRS", "/usr/local/share:/usr/share").split(":")
    yield from (Path(folder) / "fonts" for folder in shared if folder)
    yield from (home / ".local/share/fonts", home / ".fonts", home / "Library/Fonts")
    yield from (Path("/Library/Fonts"), Path("/System/Library/Fonts"))
    if windows := os.environ.get("WINDIR"):
        yield Path(windows) / "Fonts"
    if own := os.environ.get("LOCALAPPDATA"):
        yield Path(own) / "Microsoft/Windows/Fonts"


@cache
def installed_fonts() -> tuple[Path, ...]:
    """Font files of this computer, the likeliest for foreign scripts first."""
    found = {
        path
        for folder in _folders()
        if folder.is_dir()
        for path in folder.rglob("*")
        if path.suffix.lower() in (".ttf", ".otf", ".ttc")
        and not re.search(r"bold|italic|oblique|mono|emoji", path.name, re.I)
    }
    order = sorted(found, key=lambda p: (not LIKELY.search(p.name), p.suffix != ".ttf", p.name))
    return tuple(order[:MOST_FONTS])


@cache
def letters_of(path: Path) -> frozenset[int]:
    """Code points a font file draws; none where it cannot be read."""
    from fontTools.ttLib import (  # type: ignore[import-untyped,unused-ignore]
        TTFont,
        TTLibError,
    )

    try:
        with TTFont(path, lazy=True, fontNumber=0) as font:
            return frozenset(font.getBestCmap() or ())
    except (TTLibError, OSError, KeyError, ValueError, AssertionError):
        return frozenset()


def fonts_with(letter: str) -> Iterator[Path]:
    """Installed font files that draw a letter, the likeliest first."""
    return (path for path in installed_fonts() if ord(letter) in letters_of(path))


def is_shapeless(letter: str) -> bool:
    """Whether a character has no shape of its own: controls, joiners, variation selectors."""
    return unicodedata.category(letter) in ("Cc", "Cf", "Cs") or "\ufe00" <= letter <= "\ufe0f"


def needs_joining(letter: str) -> bool:
    """Whether letters of this script change shape beside each other (Arabic, Indic)."""
    return unicodedata.bidirectional(letter) == "AL" or "\u0900" <= letter <= "\u0dff"
