"""Radiographs side by side: the others' measurements, and a caption under each."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from perioview.calibration import Calibration
from perioview.image import Image
from perioview_napari.convert import COLOURS
from perioview_napari.drawing import measured_tooth
from perioview_napari.session import Session
from perioview_napari.shapes import Caption, Chip, Dot, Drawing, Line, Point

FRAME = "#9ad0f5"
WAITING = "#a8a8a8"
Map = Callable[[NDArray[np.float64]], NDArray[np.float64]]


@dataclass(frozen=True, slots=True)
class Still:
    """A radiograph that is not being marked now, in its own pixels."""

    lines: tuple[Line, ...] = ()
    chips: tuple[Chip, ...] = ()
    dots: tuple[Dot, ...] = ()


@dataclass(frozen=True, slots=True)
class Neighbour:
    """One radiograph of the row and how its pixels lie on the one being marked."""

    still: Still
    caption: str
    shape: tuple[int, int]
    current: bool
    onto_shown: Map


def still(session: Session) -> Still:
    """Draw a radiograph as it was left: lines, marks, one label per tooth."""
    marks = session.round.marks
    parts = [measured_tooth(session, tooth, marks)[1] for tooth in marks.teeth()]
    return Still(
        tuple(line for part in parts for line in part.lines),
        tuple(chip for part in parts for chip in part.brief),
        tuple(Dot((m.row, m.col), COLOURS[m.landmark]) for m in marks),
    )


def caption(image: Image, session: Session | None, scale: Calibration) -> str:
    """Name a radiograph, the teeth it shows and how far its marking is."""
    words = image.name
    if session is not None and session.round.state.roots:
        state = session.round.state
        open_steps = sum(state.open(s) for s in state.steps)
        teeth = " ".join(str(n) for n, _ in state.roots)
        # Teeth first: what does not fit is cut at the end.
        words = f"{teeth} \u00b7 " + (f"{open_steps} open" if open_steps else "all marked")
        words += f" \u00b7 {image.name}"
    return words if scale.scaled else f"no scale \u00b7 {words}"


def with_neighbours(drawing: Drawing, row: Iterable[Neighbour]) -> Drawing:
    """Add the other radiographs of the row, and a caption for each."""
    lines, chips, dots = list(drawing.lines), list(drawing.chips), list(drawing.dots)
    captions = []
    for one in row:

        def there(*points: Point, to: Map = one.onto_shown) -> list[Point]:
            return [(float(r), float(c)) for r, c in to(np.array(points, float))]

        for line in one.still.lines:
            start, end = there(line.start, line.end)
            lines.append(replace(line, start=start, end=end))
        for chip in one.still.chips:
            at, away = there(chip.at, chip.away)
            chips.append(replace(chip, at=at, away=away))
        dots += [replace(dot, at=there(dot.at)[0]) for dot in one.still.dots]
        low, high = -0.5, (one.shape[0] - 0.5, one.shape[1] - 0.5)
        corners = there((low, low), (low, high[1]), (high[0], high[1]), (high[0], low))
        colour = FRAME if one.current else WAITING
        captions.append(Caption(tuple(corners), one.caption, colour))
        if one.current:
            ends = [*corners[1:], corners[0]]
            lines += [Line(a, b, FRAME, 1.5) for a, b in zip(corners, ends, strict=True)]
    return replace(
        drawing,
        lines=tuple(lines),
        chips=tuple(chips),
        dots=tuple(dots),
        captions=tuple(captions),
    )
