"""What the next click is for, in words: a mark, or a root to point at; no Qt."""

from __future__ import annotations

from perioview.marking_round import RoundState, Step, step_of
from perioview_napari.drawing import banner
from perioview_napari.session import Session


def asked(session: Session, pointing: bool) -> Step | None:
    """Return the mark the next click places: where roots were pointed at, one not proposed."""
    state = session.round.state
    cursor = state.cursor
    if cursor is None or not pointing:
        return cursor
    # Where the margin was not seen, nothing can be kept: a click is what is wanted.
    proposed = {step_of(p.mark) for p in session.proposals if not p.unseen}
    if cursor not in proposed:
        return cursor
    of_tooth = (s for s in state.steps if s.tooth == cursor.tooth and state.open(s))
    return next((s for s in of_tooth if s not in proposed), cursor)


def root_to_point_at(session: Session) -> str | None:
    """Return the root of the tooth in hand that is still to be pointed at, if there is one."""
    state = session.round.state
    if state.cursor is None or state.cursor.tooth is None:
        return None
    apices = [p.mark.root or "" for p in session.proposals if p.mark.landmark == "apex"]
    return state.root_to_point_at(state.cursor.tooth, apices)


def words(session: Session, pointing: bool, more_images: bool) -> str:
    """Say what comes next.

    Parameters
    ----------
    session : Session
    pointing : bool
        Whether clicks point at whole roots.
    more_images : bool
        Whether there are other radiographs to go on with.
    """
    state = session.round.state
    root = root_to_point_at(session) if pointing else None
    if root is not None and state.cursor is not None:
        named = "" if root == "single" else f", {root} root"
        return f"Point at: {state.cursor.tooth}{named}. Click midway along it"
    step = asked(session, pointing)
    if step is not None and step.landmark == "ruler" and state.mark_at(step) is None:
        return ruler_words(state, step)
    said = banner(session, step)
    done = state.cursor is None and bool(state.roots)
    return f"{said}. PgDown: next image" if done and more_images else said


def ruler_words(state: RoundState, step: Step) -> str:
    """Say which end or edge of a ruler is clicked next, and how many there are."""
    left_out = {s.step for s in state.skips} - {step}
    edges = [
        s
        for s in state.extra
        if s.landmark == "ruler" and s.object == step.object and s not in left_out
    ]
    at = edges.index(step) + 1 if step in edges else 1
    if len(edges) == 2:
        length = abs((edges[1].mm or 0.0) - (edges[0].mm or 0.0))
        which = "one end" if at == 1 else "the other end"
        return f"Scale: click {which} of the {length:g} mm. N leaves it out"
    return (
        f"Scale: click the probe's edge at {step.mm:g} mm ({at} of {len(edges)}). N leaves it out"
    )
