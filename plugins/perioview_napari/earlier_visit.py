"""An earlier visit opened beside the one in the window."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from perioview_napari.convert import is_perioview_image


def open_beside(viewer: Any, folder: Path) -> tuple[Any, list[tuple[str, str]]]:
    """Open a visit's radiographs hidden, named with its date.

    Returns
    -------
    tuple
        The visit's date, and of each image the file's name and the layer's.

    Raises
    ------
    InputRefused
        If it is not a visit folder, or an image cannot be read.
    """
    from perioview.files.visit_folder import read_visit
    from perioview_napari.reader import layers

    date = read_visit(folder).visit.get("date", folder.name)
    opened = layers(str(folder))
    own = [la for la in viewer.layers if is_perioview_image(la)]
    # napari wants one unit for all layers.
    units = {"units": own[0].units} if own else {}
    names = []
    for data, kwargs, _ in opened:
        name = f"{kwargs['name']} of {date}"
        names.append((kwargs["name"], name))
        viewer.add_image(data, **kwargs | units | {"name": name, "visible": False})
    return date, names
