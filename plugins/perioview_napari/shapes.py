"""What can be drawn over a radiograph, in image pixels; no Qt."""

from __future__ import annotations

from dataclasses import dataclass

Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Line:
    """A line between two (row, col) positions in px."""

    start: Point
    end: Point
    colour: str
    width: float = 2.0
    dashed: bool = False


@dataclass(frozen=True, slots=True)
class Chip:
    """A label beside a (row, col) position, moved away from `away` so that it hides no mark."""

    at: Point
    away: Point
    text: str
    colour: str


@dataclass(frozen=True, slots=True)
class Dot:
    """A mark of a radiograph that is not being marked: seen, and not to be grabbed."""

    at: Point
    colour: str


@dataclass(frozen=True, slots=True)
class Caption:
    """Words at the lower left corner of a radiograph."""

    corners: tuple[Point, ...]
    text: str
    colour: str


@dataclass(frozen=True, slots=True)
class Drawing:
    """All that is drawn over the radiographs, in px of the one being marked."""

    lines: tuple[Line, ...] = ()
    chips: tuple[Chip, ...] = ()
    dots: tuple[Dot, ...] = ()
    captions: tuple[Caption, ...] = ()
    keep_clear: tuple[Point, ...] = ()
    banner: str = ""
    note: str = ""
    doubt: str = ""
