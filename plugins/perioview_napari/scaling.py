"""What follows when the user gives a scale: by clicks on a probe or a length, or typed."""

from __future__ import annotations

from collections.abc import Callable

from perioview.errors import InputRefused
from perioview_napari.marking import Marking
from perioview_napari.scale_controls import free_label, ruler_steps, scale_gist


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
        label = label or free_label(session.round.marks)
        self.marking.act(
            lambda: session.round.ask_for(ruler_steps(distances, label)),
            said="One click each, in this order; the wheel zooms in.",
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
