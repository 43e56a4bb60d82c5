"""Teeth by kind: outlines of crowns, and the roots that go with them."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from anatomy import Root, Tooth

Points = tuple[tuple[float, float], ...]


def crown(kind: str, width: float, height: float) -> Points:
    """Give a crown's outline from its mesial to its distal CEJ, scaled from shares."""
    shares: dict[str, Points] = {
        "premolar": (
            (-0.5, 0), (-0.55, -0.14), (-0.49, -0.34), (-0.36, -0.46), (-0.14, -0.86),
            (-0.03, -1.06),
            (0.03, -1.04), (0.14, -0.78), (0.28, -0.46), (0.38, -0.47), (0.51, -0.32), (0.55,
                -0.14), (0.5, 0),
        ),
        "lower carnassial": (
            (-0.5, 0), (-0.55, -0.16), (-0.50, -0.42), (-0.36, -0.74), (-0.28, -0.76),
            (-0.14, -0.55),
            (-0.06, -0.62), (0.02, -1.0), (0.08, -1.05), (0.15, -0.82), (0.21, -0.42), (0.32,
                -0.46),
            (0.45, -0.38), (0.54, -0.18), (0.5, 0),
        ),
        "upper carnassial": (
            (-0.5, 0), (-0.55, -0.15), (-0.49, -0.36), (-0.36, -0.50), (-0.20, -0.95),
            (-0.13, -1.05),
            (-0.05, -0.85), (0.08, -0.50), (0.20, -0.66), (0.36, -0.62), (0.50, -0.40), (0.54,
                -0.15), (0.5, 0),
        ),
        "molar": (
            (-0.5, 0), (-0.56, -0.25), (-0.48, -0.7), (-0.28, -1.05), (-0.1, -0.75), (0.08, -0.72),
            (0.28, -1.0), (0.46, -0.65), (0.55, -0.25), (0.5, 0),
        ),
        "canine": (
            (-0.5, 0), (-0.56, -0.10), (-0.50, -0.35), (-0.22, -0.75), (0.16, -1.02), (0.26, -1.03),
            (0.30, -0.85), (0.42, -0.45), (0.53, -0.12), (0.5, 0),
        ),
        "incisor": (
            (-0.5, 0), (-0.56, -0.12), (-0.55, -0.5), (-0.42, -0.85), (-0.05, -1.04), (0.1, -1.0),
            (0.42, -0.8), (0.52, -0.4), (0.54, -0.12), (0.5, 0),
        ),
    }  # fmt: skip
    return tuple((x * width, y * height) for x, y in shares[kind])


def two_rooted(
    number: int,
    x: float,
    width: float,
    height: float,
    lengths: tuple[float, float],
    furcation: float,
    levels: tuple[float, float, float, float],
    *,
    kind: str = "premolar",
    split: float = 0.0,
    **rest: Any,
) -> Tooth:
    """Give a tooth with a mesial and a distal root; ``levels`` from mesial to distal, in mm."""
    w = width
    mesial = Root(
        "mesial", -w / 2, (split - 0.05) * w, (-0.30 + split / 2) * w, lengths[0],
        levels[0], levels[1], cej=("mesial",),
    )  # fmt: skip
    distal = Root(
        "distal", (split + 0.05) * w, w / 2, (0.31 + split / 2) * w, lengths[1],
        levels[2], levels[3], cej=("distal",),
    )  # fmt: skip
    thick = rest.pop("thickness", 0.52 * w)
    return Tooth(
        number, x, 0.0, 0.0, w, float(thick), crown(kind, w, height), (mesial, distal), furcation,

        **rest,
    )  # fmt: skip


def carnassial(
    number: int,
    x: float,
    width: float,
    height: float,
    length: float,
    furcation: float,
    levels: tuple[float, float, float, float],
    **rest: Any,
) -> Tooth:
    """Give an upper fourth premolar: its palatal root seen behind and mesial of the mesiobuccal."""
    w = width
    base = two_rooted(
        number, x, w, height, (length, length * 0.96), furcation, levels,
        kind="upper carnassial", split=-0.06, **rest,
    )  # fmt: skip
    mesial, distal = base.roots
    buccal = replace(mesial, name="mesiobuccal", apex_x=-0.22 * w)
    palatal = Root(
        "mesiopalatal", -0.46 * w, -0.18 * w, -0.50 * w, length * 0.86, 0.0, 0.0,
        depth=0.45, behind=True, cej=("mesial",), taper=0.4,
    )  # fmt: skip
    return replace(base, roots=(buccal, palatal, distal))


def single(
    number: int,
    x: float,
    width: float,
    height: float,
    length: float,
    levels: tuple[float, float],
    *,
    kind: str = "premolar",
    apex_x: float = 0.0,
    tilt_deg: float = 0.0,
    y: float = 0.0,
    **rest: Any,
) -> Tooth:
    """Give a single-rooted tooth."""
    root = Root("single", -width / 2, width / 2, apex_x, length, *levels, taper=0.45)
    thick = float(rest.pop("thickness", 0.75 * width))
    return Tooth(
        number, x, y, tilt_deg, width, thick, crown(kind, width, height), (root,),
            **rest
    )  # fmt: skip
