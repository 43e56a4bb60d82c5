"""Changes of tooth regions that can be taken back and done again."""

from __future__ import annotations

from dataclasses import dataclass, field

from perioview_napari.region_boxes import Box, Labels

STEPS_BACK = 30


@dataclass(frozen=True, slots=True, eq=False)
class Step:
    """What was before and after a change, first and second of each pair.

    Parameters
    ----------
    box : tuple of slice
        Where the change lies.
    pixels : pair of ndarray
        Triadan numbers in the box.
    doubtful : pair of frozenset
        Outlines nobody has looked at.
    order : pair of tuple
        Teeth in the order they were outlined.
    """

    box: Box
    pixels: tuple[Labels, Labels]
    doubtful: tuple[frozenset[int], frozenset[int]]
    order: tuple[tuple[int, ...], tuple[int, ...]]


@dataclass(slots=True)
class Steps:
    """The last steps, and those taken back."""

    done: list[Step] = field(default_factory=list)
    taken_back: list[Step] = field(default_factory=list)

    def add(self, step: Step) -> None:
        """Remember a step; what was taken back before cannot be done again."""
        self.done = [*self.done[1 - STEPS_BACK :], step]
        self.taken_back = []

    def back(self) -> Step | None:
        """Return the step to take back, if there is one."""
        if not self.done:
            return None
        self.taken_back.append(self.done.pop())
        return self.taken_back[-1]

    def again(self) -> Step | None:
        """Return the step to do again, if there is one."""
        if not self.taken_back:
            return None
        self.done.append(self.taken_back.pop())
        return self.done[-1]
