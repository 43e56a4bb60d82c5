"""What is drawn over a radiograph, in image pixels: lines, labels and the guide; no Qt."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from perioview.bone_loss import Site
from perioview.marking_round import RoundState, Step, tooth_steps
from perioview.marks import Mark, Marks
from perioview_napari.convert import COLOURS
from perioview_napari.session import Proposed, Session

Point = tuple[float, float]
STAGE_COLOURS = {"0-1": "#8fd694", "2": "#f2d45c", "3": "#f5a04c", "4": "#ff6b6b", "": "#d0d0d0"}
AXIS_COLOUR = "#f4f4f4"


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
class Drawing:
    """All that is drawn over one radiograph."""

    lines: tuple[Line, ...] = ()
    chips: tuple[Chip, ...] = ()
    keep_clear: tuple[Point, ...] = ()
    banner: str = ""
    note: str = ""


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


def proposal_chips(proposals: Iterable[Proposed]) -> tuple[Chip, ...]:
    """Label proposals as what they are; a doubtful one says so."""
    return tuple(
        Chip(
            (p.mark.row, p.mark.col),
            (p.mark.row, p.mark.col + (1.0 if p.mark.side == "mesial" else -1.0)),
            f"low confidence {p.confidence:.2f}?" if p.doubtful else f"proposed {p.confidence:.2f}",
            "#ff9d9d" if p.doubtful else "#d8d8d8",
        )
        for p in proposals
    )


def guide(state: RoundState, sites: Sequence[Site], pitch: Point) -> tuple[Line, ...]:
    """Faint line along which the next mark lies, as far as earlier marks tell.

    A crest lies beside its root, between the CEJ of its side and the apex; an apex on the
    normal of the CEJ line; a furcation below the CEJ line, midway.
    """
    step = state.cursor
    if step is None or step.tooth is None or state.mark_at(step) is not None:
        return ()
    marks = Marks(state.marks.of(tooth=step.tooth))
    if step.landmark in ("crest", "defect_base"):
        return _crest_guide(step, marks, sites)
    cej = marks.of(landmark="cej")
    if step.landmark in ("apex", "furcation") and len(cej) == 2:
        return _normal_guide(step, state, (cej[0], cej[1]), pitch)
    return ()


def _crest_guide(step: Step, marks: Marks, sites: Sequence[Site]) -> tuple[Line, ...]:
    axis = next((s.axis for s in sites if s.root == step.root and s.axis), None)
    if axis is None:
        return ()
    own = marks.of(root=step.root, side=step.side, landmark="cej")
    top = np.array((own[0].row, own[0].col)) if own else np.array(axis[0])
    tip = np.array(axis[1])
    if not own:
        other = marks.of(landmark="cej")
        outer = next((m for m in other if m.root == step.root), None)
        if outer is not None:
            top = 2 * np.array(axis[0]) - np.array((outer.row, outer.col))
    end = top + 0.8 * (tip - np.array(axis[0]))
    return (Line(_pair(top), _pair(end), COLOURS[step.landmark], 1.5, dashed=True),)


def _normal_guide(
    step: Step, state: RoundState, cej: tuple[Mark, Mark], pitch: Point
) -> tuple[Line, ...]:
    scale = np.array(pitch)
    a, b = (np.array((m.row, m.col)) * scale for m in cej)
    roots = dict(state.roots).get(step.tooth or 0, ("single",))
    order = [s.root for s in tooth_steps(step.tooth or 0, roots) if s.landmark == "apex"]
    share = 0.5
    if step.landmark == "apex" and step.root in order:
        share = (order.index(step.root) + 0.5) / len(order)
    normal = np.array([-(b - a)[1], (b - a)[0]])
    middle = a + share * (b - a)
    apex = next((m for m in state.marks if m.landmark == "apex"), None)
    reach = 1.3 / max(1, len(order)) ** 0.5
    signs: tuple[float, ...] = (1.0, -1.0)
    if apex is not None:
        # Roots of one radiograph point the same way.
        toward = (np.array((apex.row, apex.col)) * scale - middle) @ normal
        signs = (math.copysign(1.0, float(toward)),)
    return tuple(
        Line(
            _pair(middle / scale),
            _pair((middle + s * reach * normal) / scale),
            COLOURS[step.landmark],
            1.5,
            dashed=True,
        )
        for s in signs
    )


def _pair(point: NDArray[np.float64]) -> Point:
    return float(point[0]), float(point[1])


def banner(session: Session) -> str:
    """Say in words what comes next."""
    step = session.round.state.cursor
    if not session.round.state.roots and step is None:
        return "Choose the teeth in view"
    if step is None:
        return "All marks of this radiograph are placed"
    done = session.round.state.mark_at(step) is not None
    return f"{'Marked' if done else 'Next'}: {step.words}"
