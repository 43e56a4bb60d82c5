"""A faint line along which the next mark lies, as far as the marks before it tell."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from perioview.bone_loss import Site
from perioview.marking_round import RoundState, Step, tooth_steps
from perioview.marks import Mark, Marks
from perioview_napari.convert import COLOURS
from perioview_napari.shapes import Line, Point


def guide(
    state: RoundState,
    sites: Sequence[Site],
    pitch: Point,
    direction: Callable[[Mark, Mark], int] = lambda a, b: 0,
) -> tuple[Line, ...]:
    """Faint line along which the next mark lies, as far as earlier marks tell.

    A crest lies beside its root, between the CEJ of its side and the apex; an apex on the
    normal of the CEJ line; a furcation below the CEJ line, midway.

    Parameters
    ----------
    state : RoundState
    sites : sequence of Site
        Of the tooth in hand.
    pitch : tuple of float
        Row and column pitch.
    direction : callable
        Tells from two CEJ marks which way the roots point, as `root_direction` does; asked
        only while no apex is marked.
    """
    step = state.cursor
    if step is None or step.tooth is None or state.mark_at(step) is not None:
        return ()
    marks = Marks(state.marks.of(tooth=step.tooth))
    if step.landmark in ("crest", "defect_base"):
        return _crest_guide(step, marks, sites)
    cej = marks.of(landmark="cej")
    if step.landmark in ("apex", "furcation") and len(cej) == 2:
        return _normal_guide(step, state, (cej[0], cej[1]), pitch, direction)
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
    step: Step,
    state: RoundState,
    cej: tuple[Mark, Mark],
    pitch: Point,
    direction: Callable[[Mark, Mark], int],
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
    elif seen := direction(*cej):
        signs = (float(seen),)
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
