"""The number of the tooth in hand: chosen by the user, or offered along the arcade."""

from __future__ import annotations

from collections.abc import Callable

from qtpy.QtCore import QSignalBlocker
from qtpy.QtWidgets import QSpinBox

from perioview.teeth import tooth


class ToothNumber(QSpinBox):
    """A field for a Triadan number.

    Parameters
    ----------
    species : callable
        Returns the species of the photograph in view.
    """

    def __init__(self, species: Callable[[], str]) -> None:
        super().__init__()
        self.species = species
        self.offered = True
        """Whether the program put the number there and the user has not touched it since."""
        self.setRange(101, 899)
        self.setValue(308)
        self.setToolTip("the tooth that the next click outlines, or that is corrected")
        self.valueChanged.connect(self._touched)

    def _touched(self, number: int) -> None:
        self.offered = False

    def tooth(self) -> int:
        """Return the number.

        Raises
        ------
        InputRefused
            If the species has no such tooth.
        """
        return tooth(self.value(), self.species()).number

    def put(self, number: int, *, offered: bool) -> None:
        """Write a number that the user has not chosen."""
        with QSignalBlocker(self):
            self.setValue(number)
        self.offered = offered
