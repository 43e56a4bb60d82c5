"""Files a window kept beside those another program had changed: how they are called."""

from __future__ import annotations

import re
from pathlib import Path

SUFFIX = ".unsaved"
_COPY = re.compile(rf"(?P<of>.+){re.escape(SUFFIX)}(?:-\d+)?")


def copy_name(name: str, number: int) -> str:
    """Return how the copy of a file is called; the first bears no number."""
    return f"{name}{SUFFIX}{f'-{number}' if number > 1 else ''}"


def copied_name(name: str) -> str:
    """Return how the file is called that this is a copy of; empty if it is no copy."""
    match = _COPY.fullmatch(name)
    return match["of"] if match else ""


def kept_copies(path: Path) -> list[Path]:
    """Return the copies that lie beside a file, in the order of their names."""
    try:
        beside = sorted(path.parent.iterdir())
    except OSError:
        return []
    return [file for file in beside if copied_name(file.name) == path.name]
