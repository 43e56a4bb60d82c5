"""Where the invented sample visits lie: beside the checkout, or inside the installed package."""

from __future__ import annotations

from pathlib import Path

import perioview
from perioview.errors import InputRefused


def sample_visits() -> tuple[Path, ...]:
    """Folders of the sample visits, by name.

    Raises
    ------
    InputRefused
        If they were not installed.
    """
    package = Path(perioview.__file__).parent
    for folder in (package / "sample_images", package.parent / "sample_images"):
        found = tuple(sorted(p.parent for p in folder.glob("*/visit.toml")))
        if found:
            return found
    raise InputRefused(f"{package}: the sample visits are missing; install perioview again.")
