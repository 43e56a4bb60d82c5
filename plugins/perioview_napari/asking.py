"""What the next click is for, in words: a mark, or a root to point at; no Qt."""

from __future__ import annotations

from perioview.marking_round import RoundState, Step, step_of
from perioview_napari.drawing import banner
from perioview_napari.session import Session


def asked(session: Session, pointing: bool) -> Step | None:
    """Return the mark the next click places: where roots were pointed at, one not proposed.

    What the user went to by hand stands, proposed or not.
    """
    state = session.round.state
    cursor = state.cursor
    if cursor is None or not pointing or cursor == session.chosen:
        return cursor
    proposed = _to_be_kept(session)
    if cursor not in proposed:
        return cursor
    of_tooth = (s for s in state.steps if s.tooth == cursor.tooth and state.open(s))
    return next((s for s in of_tooth if s not in proposed), cursor)


def _to_be_kept(session: Session) -> set[Step]:
    # Where the margin was not seen, nothing can be kept: a click is what is wanted.
    return {step_of(p.mark) for p in session.proposals if not p.unseen}


def root_to_point_at(session: Session) -> str | None:
    """Return the root of the tooth in hand that is still to be pointed at, if there is one.

    None while the user went to one mark by hand.
    """
    cursor = session.round.state.cursor
    return None if cursor is None or cursor == session.chosen else _root_of(session, cursor)


def _root_of(session: Session, step: Step) -> str | None:
    if step.tooth is None:
        return None
    found = (p.mark for p in session.proposals if p.mark.tooth == step.tooth)
    apices = [m.root or "" for m in found if m.landmark == "apex"]
    return session.round.state.root_to_point_at(step.tooth, apices)


def named(session: Session, pointing: bool) -> Step | None:
    """Return the mark that what comes next is about: of a root to be pointed at, its apex."""
    cursor = session.round.state.cursor
    root = root_to_point_at(session) if pointing else None
    if root is None or cursor is None:
        return asked(session, pointing)
    return Step("apex", cursor.tooth, root)


def follow(session: Session, before: RoundState, *, by_hand: bool) -> None:
    """After an action, remember the step that was gone to by hand, or forget it.

    A mark taken in hand stays so while it is moved, or taken away to be asked for again.
    """
    now = session.round.state
    stays = now.cursor == before.cursor and now.pointed == before.pointed
    if by_hand:
        session.chosen = now.cursor
    elif now != before and not stays:
        session.chosen = None


def waits_for_pointing(session: Session, step: Step, pointing: bool) -> bool:
    """Whether a step waits for a root of its tooth to be pointed at, and is not asked for."""
    is_open = session.round.state.open(step) and step not in _to_be_kept(session)
    return pointing and is_open and _root_of(session, step) is not None


def step_along(session: Session, pointing: bool, offset: int) -> Step | None:
    """Return the step before or after the one that is asked for; None at the end of the round.

    Past what waits for the same root to be pointed at: there the words would stay as they are.
    """
    steps = session.round.state.steps
    now = asked(session, pointing)
    if now in steps:
        at = steps.index(now)
        along = steps[at + 1 :] if offset > 0 else steps[:at][::-1]
    else:
        along = steps if offset > 0 else steps[::-1]
    tooth = now.tooth if now is not None and pointing and root_to_point_at(session) else None
    return next(
        (
            s
            for s in along
            if tooth is None or s.tooth != tooth or not waits_for_pointing(session, s, pointing)
        ),
        None,
    )


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
