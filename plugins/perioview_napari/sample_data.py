"""The sample patient's radiographs: invented, made by the script that lies beside them."""

from __future__ import annotations

from pathlib import Path

import perioview
from perioview.errors import InputRefused
from perioview_napari.convert import LayerData
from perioview_napari.reader import VISIT_FILE, layers

SAMPLE = "toy-dog-cleaning"


def sample_visit() -> Path:
    """Return the sample visit: in the wheel, else beside the checkout's package.

    Raises
    ------
    InputRefused
        If this installation came without sample images.
    """
    package = Path(perioview.__file__).parent
    for folder in (package / "sample_images", package.parent / "sample_images"):
        found = sorted(folder.rglob(VISIT_FILE))
        if found:
            named = [path for path in found if path.parent.name == SAMPLE]
            return (named or found)[0].parent
    raise InputRefused("no sample images came with this installation; install perioview's wheel.")


def sample_files() -> list[Path]:
    """Return the radiographs of the sample patient.

    Raises
    ------
    InputRefused
        If this installation came without sample images.
    """
    package = Path(perioview.__file__).parent
    for folder in (package / "sample_images", package.parent / "sample_images"):
        found = sorted(folder.rglob("*.dcm"))
        if found:
            return found
    raise InputRefused("no sample images came with this installation; install perioview's wheel.")


def sample_layers() -> list[LayerData]:
    """Open the sample patient in napari."""
    try:
        return layers([str(sample_visit())])
    except InputRefused:
        return layers([str(sample_files()[0])])
