"""The round's buttons: what the keys do, for a mouse or a finger."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

from qtpy.QtCore import Qt
from qtpy.QtWidgets import QGridLayout, QMenu, QPushButton, QWidget

from perioview.marking_round import SKIP_REASONS
from perioview_napari import keys

ENTRIES = (
    ("Keep proposals  K", "keep"),
    ("Skip  N", "skip"),
    ("No loss: tooth  Q", "no_loss"),
    ("Back  ↑", "back"),
    ("Undo  U", "undo"),
    ("Redo  Shift+U", "redo"),
)
TIPS = {
    "keep": "Take the proposals of this tooth that are sure as marks",
    "skip": "Leave the mark out as not visible; Shift+N or a right click: choose why",
    "no_loss": "Record that this tooth shows no radiographic loss",
}


class RoundButtons(QWidget):
    """Buttons for the acts of the round.

    Parameters
    ----------
    run : callable
        Does what the name of an action stands for, as the keys do.
    skip : callable
        Leaves the mark out for a reason.
    """

    def __init__(self, run: Callable[[str], None], skip: Callable[[str], None]) -> None:
        super().__init__()
        self.skip = skip
        self.buttons: dict[str, QPushButton] = {}
        grid = QGridLayout(self)
        grid.setContentsMargins(0, 0, 0, 0)
        grid.setSpacing(4)
        for i, (text, action) in enumerate(ENTRIES):
            button = plain_button(text, partial(run, action))
            button.setToolTip(TIPS.get(action, ""))
            self.buttons[action] = button
            grid.addWidget(button, i // 3, i % 3)
        skipping = self.buttons["skip"]
        skipping.setContextMenuPolicy(Qt.ContextMenuPolicy.CustomContextMenu)
        skipping.customContextMenuRequested.connect(
            lambda at: self.ask_reason(skipping.mapToGlobal(at))
        )

    def show_state(self, state: str) -> None:
        """Offer only what does something in a state, as in `keys`."""
        for action, button in self.buttons.items():
            button.setEnabled(keys.works(action, state))

    def reasons(self) -> QMenu:
        """Return the menu of reasons, each with a digit to press."""
        menu = QMenu("Skip because it is", self)
        menu.addSection("Skip because it is")
        for number, reason in enumerate(SKIP_REASONS, 1):
            menu.addAction(f"&{number}  {reason}", partial(self.skip, reason))
        return menu

    def ask_reason(self, at: Any = None) -> None:
        """Ask why the mark is left out, below the button or where the mouse is."""
        button = self.buttons["skip"]
        self.reasons().popup(at or button.mapToGlobal(button.rect().bottomLeft()))


def plain_button(text: str, act: Callable[[], object]) -> QPushButton:
    """Return a button that leaves the keyboard to the radiograph."""
    button = QPushButton(text)
    button.setFocusPolicy(Qt.FocusPolicy.NoFocus)
    button.clicked.connect(lambda _=False: act())
    return button
