"""Images and marks the tests share."""

from __future__ import annotations

import numpy as np

from perioview.image import FileSpacing, Image
from perioview.marks import Mark, Marks


def blank(rows=400, cols=400, spacing=(0.1, 0.1), modality="DX", **more):
    tags = FileSpacing(pixel_spacing=spacing) if spacing else FileSpacing()
    return Image(np.zeros((rows, cols), np.uint8), "blank.dcm", "0" * 64, modality, tags, **more)


def two_rooted(rng, number=309):
    """A lower molar with every mark, its geometry drawn at random."""
    angle = rng.uniform(0, 2 * np.pi)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])

    def at(row, col):
        return turn @ (np.array([row, col]) + rng.normal(0, 4, 2)) + 1000

    marks = [
        Mark("cej", *at(0, -90), number, "mesial", "mesial"),
        Mark("cej", *at(0, 90), number, "distal", "distal"),
        Mark("apex", *at(150, -60), number, "mesial"),
        Mark("apex", *at(140, 50), number, "distal"),
        Mark("furcation", *at(35, 0), number),
    ]
    for root, side, col in (
        ("mesial", "mesial", -95),
        ("mesial", "distal", -30),
        ("distal", "mesial", 30),
        ("distal", "distal", 95),
    ):
        marks.append(Mark("crest", *at(rng.uniform(20, 90), col), number, root, side))
    return Marks(tuple(marks))
