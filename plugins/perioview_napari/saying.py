"""What an action did, in words; no Qt."""

from __future__ import annotations

from perioview.marking_round import RoundState
from perioview.teeth import has_tooth, tooth

BACK = "U takes it back."


def change_words(before: RoundState, after: RoundState) -> str:
    """Say what an action did to the marking of a radiograph; nothing where it only moved on.

    Parameters
    ----------
    before, after : RoundState
        Different from each other.
    """
    left_out = [s for s in after.skips if s not in before.skips]
    if left_out:
        return f"Left out ({left_out[0].reason}): {left_out[0].step.words}. {BACK}"
    sound = set(after.sound) - set(before.sound)
    if sound:
        return f"{', '.join(map(str, sorted(sound)))}: no radiographic loss. {BACK}"
    lost, new = len(before.marks) - len(after.marks), set(after.marks) - set(before.marks)
    if lost > 0 and not new:
        return f"Removed {lost} mark{'s' * (lost != 1)}; {_kept(after)} {BACK}"
    if after.marks != before.marks:
        return f"Saved: {_kept(after)}"
    if after.roots != before.roots:
        teeth = ", ".join(str(number) for number, _ in after.roots)
        return f"Teeth in view: {teeth}. {BACK}" if teeth else f"No teeth in view. {BACK}"
    return ""


def _kept(state: RoundState) -> str:
    count = len(state.marks)
    return f"{count} mark{'s' * (count != 1)}."


def progress_words(state: RoundState, species: str) -> str:
    """Say how far the round is: steps done, the tooth in words, what was left out."""
    steps = state.steps
    words = f"{sum(not state.open(s) for s in steps)} of {len(steps)} steps done"
    number = None if state.cursor is None else state.cursor.tooth
    if number is not None and has_tooth(number, species):
        words += f" · {tooth(number, species).words}"
    if state.skips:
        words += f" · {len(state.skips)} skipped"
    if state.sound:
        words += " · no radiographic loss: " + ", ".join(map(str, state.sound))
    return words
