"""Stained photographs before and after cleaning (made by make_radiographs.py)."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from visits import SampleVisit


def write_photographs(folder: Path, visit: SampleVisit) -> None:
    """Write the photographs of one visit and their tooth regions."""
