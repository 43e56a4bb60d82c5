"""What every phantom hands over: an image, marks, a scale and where the crest truly is.

Phantoms are not clinical truth: nobody who made them looked at a patient.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from perioview.calibration import Calibration
from perioview.image import FileSpacing, Image
from perioview.marks import Mark, Marks

Key = tuple[int, str, str]
# Modified Triadan numbers of one mandibular quadrant of the dog with its root counts
# (two-rooted 306-310, single-rooted the rest; common knowledge, from memory).
ROW = {n: 2 if 306 <= n <= 310 else 1 for n in range(301, 312)}


@dataclass(frozen=True, slots=True)
class Phantom:
    """One synthetic radiograph and its truth.

    `truth` maps (tooth, root, side) to the crest's (row, col); `traits` to what makes it hard.
    """

    image: Image
    marks: Marks
    calibration: Calibration
    truth: dict[Key, tuple[float, float]]
    traits: dict[Key, tuple[str, ...]]


def packed(
    pixels: NDArray[np.generic], inverted: bool, marks: list[Mark], mm: float, name: str
) -> tuple[Image, Marks, Calibration]:
    """Wrap pixels and marks in the program's own types."""
    image = Image(
        pixels=np.ascontiguousarray(pixels),
        name=name,
        sha256="0" * 64,
        modality="IO",
        spacing=FileSpacing(),
        inverted=inverted,
        species="dog",
    )
    scale = Calibration(row_mm=mm, col_mm=mm, relative_sd=0.0, method="given", notes=(), ratio=1.0)
    return image, Marks(tuple(marks)), scale
