"""What the marks of a radiograph look like: lines, labels and words, in image pixels; no Qt."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from perioview.bone_loss import Site
from perioview.bone_loss_doubts import misplaced
from perioview.marking_round import Step
from perioview.marks import Marks
from perioview_napari.convert import COLOURS
from perioview_napari.guide import guide
from perioview_napari.proposed import Proposed
from perioview_napari.session import Session
from perioview_napari.shapes import Chip, Dot, Drawing, Line, Point

STAGE_COLOURS = {"0-1": "#8fd694", "2": "#f2d45c", "3": "#f5a04c", "4": "#ff6b6b", "": "#d0d0d0"}
AXIS_COLOUR = "#f4f4f4"
NO_TEETH = "Choose the teeth in view"
MANY_CHIPS = 24  # more labels than this hide the radiograph, and slow its drawing


def _foot(point: Point, axis: tuple[Point, Point], pitch: Point) -> Point:
    scale = np.array(pitch)
    p, o, a = (np.array(v) * scale for v in (point, *axis))
    along = a - o
    foot = (o + along * ((p - o) @ along) / (along @ along)) / scale
    return float(foot[0]), float(foot[1])


def site_text(site: Site) -> str:
    """Return the percentage and its SD as a person reads them; a dash when not measured."""
    percent = site.bone_loss_pct
    return f"{percent.value:.0f} ± {percent.sd:.0f} %" if percent.known else "–"


def _site_drawing(
    site: Site, stage: str, marks: Marks, pitch: Point
) -> tuple[list[Line], list[Chip]]:
    lines: list[Line] = []
    chips: list[Chip] = []
    level = marks.of(root=site.root, side=site.side, landmark="defect_base") or marks.of(
        root=site.root, side=site.side, landmark="crest"
    )
    if level and site.axis:
        at = (level[0].row, level[0].col)
        foot = _foot(at, site.axis, pitch)
        colour = STAGE_COLOURS[stage]
        lines.append(Line(at, foot, colour, 2.0))
        if site.bone_loss_pct.known:
            chips.append(Chip(at, foot, site_text(site), colour))
    return lines, chips


def tooth_drawing(
    sites: Sequence[Site], stages: Sequence[str], marks: Marks, pitch: Point
) -> tuple[tuple[Line, ...], tuple[Chip, ...]]:
    """Draw one tooth: CEJ line, root axes, crest levels with their labels.

    Parameters
    ----------
    sites : sequence of Site
        Of one tooth.
    stages : sequence of str
        Stage of each site alone.
    marks : Marks
        Of that tooth.
    pitch : tuple of float
        Row and column pitch, so that a right angle is one on the tooth.
    """
    lines: list[Line] = []
    chips: list[Chip] = []
    cej = [m for m in marks if m.landmark == "cej"]
    if len(cej) > 1:
        first = next((m for m in cej if m.side == "mesial"), cej[0])
        last = next((m for m in reversed(cej) if m.side == "distal"), cej[-1])
        lines.append(Line((first.row, first.col), (last.row, last.col), COLOURS["cej"], 2.0))
    axes = dict.fromkeys(s.axis for s in sites if s.axis is not None)
    lines += [Line(*axis, AXIS_COLOUR, 1.5, dashed=True) for axis in axes]
    for site, stage in zip(sites, stages, strict=True):
        more_lines, more_chips = _site_drawing(site, stage, marks, pitch)
        lines += more_lines
        chips += more_chips
    return tuple(lines), tuple(chips)


@dataclass(frozen=True, slots=True)
class ToothDrawing:
    """One tooth: lines, a label per site, one that speaks for the tooth, doubts of its marks."""

    lines: tuple[Line, ...] = ()
    chips: tuple[Chip, ...] = ()
    brief: tuple[Chip, ...] = ()
    doubts: tuple[str, ...] = ()


def measured_tooth(
    session: Session, tooth: int, marks: Marks
) -> tuple[tuple[tuple[Site, ...], tuple[Any, ...]], ToothDrawing]:
    """Measure a tooth from these marks and draw it: (sites, stages) and the drawing."""
    of_tooth = Marks(marks.of(tooth=tooth))
    sites, stages = session.staged(tooth, of_tooth)
    lines, chips = tooth_drawing(
        sites, [session.site_stage(s) for s in sites], of_tooth, session.calibration.pitch
    )
    known = [s.bone_loss_pct.value for s in sites if s.bone_loss_pct.known]
    brief: tuple[Chip, ...] = ()
    if chips and len(chips) == len(known):
        worst = chips[known.index(max(known))]
        brief = (Chip(worst.at, worst.away, f"{tooth}: {worst.text}", worst.colour),)
    doubts = misplaced(of_tooth, sites, session.calibration, session.species)
    return (sites, stages), ToothDrawing(lines, chips, brief, doubts)


def marked_drawing(
    session: Session, parts: Mapping[int, ToothDrawing], sites: Sequence[Site], words: str = ""
) -> Drawing:
    """Draw the radiograph being marked: all teeth, the guide, the proposals, the words.

    Parameters
    ----------
    session : Session
    parts : mapping of int to ToothDrawing
        Every marked tooth as `measured_tooth` drew it.
    sites : sequence of Site
        Of the tooth in hand.
    words : str
        What comes next, where that is not the mark the round asks for.
    """
    state = session.round.state
    cursor = state.cursor
    number = None if cursor is None else cursor.tooth
    lines = [line for part in parts.values() for line in part.lines]
    crowded = sum(len(part.chips) for part in parts.values()) > MANY_CHIPS
    chips = [
        chip
        for tooth, part in parts.items()
        for chip in (part.brief if crowded and tooth != number else part.chips)
    ]
    if number is not None:
        lines += guide(state, sites, session.calibration.pitch, session.root_direction)
    chips += proposal_chips(session.proposals)
    marked = (*session.round.marks, *(p.mark for p in session.proposals))
    return Drawing(
        tuple(lines),
        tuple(chips),
        tuple(Dot(p[2:], AXIS_COLOUR) for p in state.pointed if state.open(Step("apex", *p[:2]))),
        keep_clear=tuple((m.row, m.col) for m in marked),
        banner=words or banner(session, cursor),
        note=proposal_note(session, number),
        doubt=doubt_note([d for part in parts.values() for d in part.doubts]),
    )


def doubt_note(doubts: Sequence[str]) -> str:
    """Say that marks are hardly where they are meant to be; the first tooth of several."""
    more = f" ({len(doubts) - 1} more like it)" if len(doubts) > 1 else ""
    return f"{doubts[0]}{more}" if doubts else ""


def proposal_note(session: Session, number: int | None) -> str:
    """Say what waits to be kept of the tooth in hand."""
    waiting = [p for p in session.proposals if p.mark.tooth == number]
    if not waiting:
        return ""
    unseen = sum(p.unseen for p in waiting)
    doubtful = sum(p.doubtful for p in waiting) - unseen
    sure = len(waiting) - doubtful - unseen
    parts = []
    if sure:
        them = "the sure ones" if doubtful or unseen else "them" if sure > 1 else "it"
        parts.append(f"{len(waiting)} proposed: K keeps {them}")
    if doubtful:
        proposed = "" if sure else "proposed "
        parts.append(f"{doubtful} {proposed}of low confidence: look, drag, or Shift+K")
    if unseen:
        parts.append(f"{unseen} not seen: click, drag, or skip (N)")
    words = "; ".join(parts)
    if any("side_assumed" in p.flags for p in waiting):
        words += "; which side is mesial is assumed: check"
    return words


def proposal_chips(proposals: Iterable[Proposed]) -> tuple[Chip, ...]:
    """Label proposals as what they are; a doubtful one says so."""
    return tuple(
        Chip(
            (p.mark.row, p.mark.col),
            (p.mark.row, p.mark.col + (1.0 if p.mark.side == "mesial" else -1.0)),
            _proposal_words(p),
            "#ff9d9d" if p.doubtful else "#d8d8d8",
        )
        for p in proposals
    )


def _proposal_words(p: Proposed) -> str:
    if p.carried:
        return "from last visit: look" if p.doubtful else "from last visit"
    sd = ""
    if p.sd_mm is not None and np.isfinite(p.sd_mm):
        # Nobody reads a radiograph to less: not "± 0.0".
        sd = f" ± {max(p.sd_mm, 0.1):.1f} mm"
    if p.unseen:
        return f"margin not seen{sd}"
    return f"low confidence{sd}" if p.doubtful else f"proposed{sd}"


def banner(session: Session, step: Step | None) -> str:
    """Say in words what comes next."""
    state = session.round.state
    if step is None:
        return "Nothing is left to mark on this image" if state.roots else NO_TEETH
    if state.mark_at(step) is not None:
        return f"Marked: {step.words}; a click moves it"
    return f"Next: {step.words}"
