"""What follows when the user gives a scale: by clicks on a probe or a length, or typed."""

from __future__ import annotations

from collections.abc import Callable

from perioview.errors import InputRefused
from perioview_napari.marking import Marking
from perioview_napari.saying import BACK
from perioview_napari.scale_controls import (
    REMOVE_RULER,
    free_label,
    ruler_in_hand,
    ruler_name,
    ruler_steps,
    scale_gist,
)


class Scaling:
    """Gives the radiograph in view another scale.

    Parameters
    ----------
    marking : Marking
    say : callable
        Tells the user a sentence, and whether it is a fault.
    """

    def __init__(self, marking: Marking, say: Callable[[str, bool], None]) -> None:
        self.marking = marking
        self.say = say

    def ask_for_ruler(self, distances: str, label: str = "") -> None:
        """Ask for clicks on the band edges of a probe, or the ends of a known length."""
        session = self.marking.session
        if session is None:
            return
        try:
            ruler_steps(distances, label)
        except InputRefused as fault:
            self.say(str(fault), True)
            return
        said = "One click each, in this order; the wheel zooms in."
        if session.calibration.method == "ruler" and not label:
            # Hardly meant where it was a wrong length that is to be corrected.
            said = (
                "One click each, in this order. Averaged with the length or probe before; if that "
                f"was wrong: '{REMOVE_RULER}' under Scale."
            )
        label = label or free_label(session.round.marks)
        self.marking.act(lambda: session.round.ask_for(ruler_steps(distances, label)), said=said)

    def remove_ruler(self) -> None:
        """Take away one ruler whole: the one asked for or selected, else the latest."""
        session = self.marking.session
        label = None if session is None else ruler_in_hand(session.round.state)
        if session is None or label is None:
            self.say("No length or probe was clicked on this image.", True)
            return
        named = ruler_name(session.round.state, label)
        self.marking.act(
            lambda: session.round.remove_ruler(label), said=f"Removed: {named}. {BACK}"
        )

    def use_scale(self, mm_per_px: float | None) -> None:
        """Use a typed scale, or go back to ruler and file with None."""
        session = self.marking.session
        if session is None:
            return
        try:
            session.use_scale(mm_per_px)
        except InputRefused as fault:
            self.say(str(fault), True)
            return
        self.marking.rescale()
        gist = scale_gist(session.calibration)
        self.say(
            f"Scale back to: {gist}."
            if mm_per_px is None
            else f"Scale as typed: {gist}, in this window only. The report takes a clicked length "
            "or the file's; 'mm per pixel' 0 goes back to those.",
            False,
        )
