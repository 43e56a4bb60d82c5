"""The only place that knows both napari's layers and perioview's images and marks."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from perioview.calibration import Calibration, calibration
from perioview.errors import InputRefused
from perioview.image import Image, display_limits, grey
from perioview.marks import Mark
from perioview_napari.proposed import Proposed

LayerData = tuple[Any, dict[str, Any], str]
MARKS_LAYER = "marks"

# Okabe & Ito's colours, told apart by colour-blind readers; a shape besides, for grey screens.
COLOURS = {
    "cej": "#56b4e9",
    "crest": "#e69f00",
    "defect_base": "#d55e00",
    "furcation": "#00b38a",
    "apex": "#e38fc0",
    "ruler": "#f0e442",
}
SYMBOLS = {
    "cej": "disc",
    "crest": "diamond",
    "defect_base": "triangle_down",
    "furcation": "triangle_up",
    "apex": "square",
    "ruler": "disc",
}
CLEAR = "#00000000"


def layer_from_image(image: Image, path: Path, scale: Calibration | None = None) -> LayerData:
    """Describe the napari layer of an image: its scale in mm if known, its contrast.

    Parameters
    ----------
    image : Image
    path : Path
        The file it was read from.
    scale : Calibration, optional
        The file's own if left out.

    Returns
    -------
    tuple
        Data (rows, cols[, 3]), keyword arguments and ``"image"``, as napari's readers give it.
    """
    known = scale or calibration(image)
    kwargs: dict[str, Any] = {
        "name": image.name,
        "scale": known.pitch,
        "units": units(known),
        "metadata": {"perioview": {"image": image, "path": str(path)}},
    }
    if image.colour:
        kwargs["rgb"] = True
    else:
        kwargs["colormap"] = "gray_r" if image.inverted else "gray"
        kwargs["contrast_limits"] = display_limits(image)
        # Smooth rather than blocky: a crest is read between pixels.
        kwargs["interpolation2d"] = "linear"
    return image.pixels, kwargs, "image"


def units(scale: Calibration) -> tuple[str, str]:
    """Return the unit of both axes as napari spells it."""
    return ("mm", "mm") if scale.scaled else ("pixel", "pixel")


def image_of_layer(layer: Any) -> tuple[Image, Path]:
    """Return the image a layer shows and its file.

    Raises
    ------
    InputRefused
        If perioview did not open the layer: its scale and origin are not known.
    """
    known = layer.metadata.get("perioview") if hasattr(layer, "metadata") else None
    if not known or "image" not in known:
        raise InputRefused(
            f"layer '{layer.name}' was not opened by perioview, so its file is not known; "
            "open the file with perioview."
        )
    return known["image"], Path(known["path"])


def is_perioview_image(layer: Any) -> bool:
    """Whether perioview opened this layer."""
    return "image" in getattr(layer, "metadata", {}).get("perioview", {})


def position_from_world(layer: Any, world: Sequence[float]) -> tuple[float, float]:
    """Return the (row, col) in px of a position in napari's world."""
    row, col = layer.world_to_data(world)[-2:]
    return float(row), float(col)


def points_from_marks(marks: Iterable[Mark]) -> NDArray[np.float64]:
    """Return the positions of marks as a layer holds them, shape (n, 2), (row, col) in px."""
    return np.array([(m.row, m.col) for m in marks], dtype=float).reshape(-1, 2)


def points_style(marks: Sequence[Mark], proposals: Sequence[Proposed]) -> dict[str, list[Any]]:
    """Return symbol, face and border of each point: marks filled, proposals hollow."""
    shown = [*marks, *(p.mark for p in proposals)]
    hollow = [False] * len(marks) + [True] * len(proposals)
    return {
        "symbol": [SYMBOLS[m.landmark] for m in shown],
        "face_color": [
            CLEAR if h else COLOURS[m.landmark] for m, h in zip(shown, hollow, strict=True)
        ],
        "border_color": [
            COLOURS[m.landmark] if h else "#000000" for m, h in zip(shown, hollow, strict=True)
        ],
        "border_width": [0.18 if h else 0.05 for h in hollow],
    }


def local_contrast(image: Image) -> NDArray[np.uint16]:
    """Return the image with its contrast equalised neighbourhood by neighbourhood; for seeing only.

    Parameters
    ----------
    image : Image
        Grey or sRGB.

    Returns
    -------
    ndarray of uint16, shape (rows, cols)
        In the sense of the file: an inverted image stays inverted.
    """
    import cv2

    low, high = display_limits(image)
    values = np.clip((grey(image).astype(np.float32) - low) / (high - low), 0, 1)
    wide = (values * 65535).astype(np.uint16)
    return np.asarray(cv2.createCLAHE(clipLimit=3.0, tileGridSize=(8, 8)).apply(wide))
