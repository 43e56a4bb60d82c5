"""Lets a panel leave keys and wheel to the photograph: in a button or list they are lost."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from qtpy.QtCore import QEvent, QObject, Qt
from qtpy.QtWidgets import QAbstractButton, QComboBox, QSlider, QSpinBox, QTableWidget, QWidget


class NoWheel(QObject):
    """Keeps the wheel from changing a field that it only passes over; the panel scrolls."""

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        """Hand the wheel on to what lies behind."""
        if event.type() != QEvent.Type.Wheel:
            return False
        if isinstance(watched, QSpinBox) and watched.hasFocus():
            return False
        event.ignore()
        return True


def leave_keyboard(panel: QWidget, give_back: Callable[[], Any]) -> None:
    """Let the keys go on working after a button was pressed or something chosen.

    Parameters
    ----------
    panel : QWidget
        Built whole.
    give_back : callable
        Gives the keyboard to the photograph.
    """
    no_wheel = NoWheel(panel)
    for part in panel.findChildren(QWidget):
        if isinstance(part, QAbstractButton):
            part.setFocusPolicy(Qt.FocusPolicy.NoFocus)
            # It may be in a field still.
            part.clicked.connect(lambda _=False: give_back())
        elif isinstance(part, (QTableWidget, QSlider)):
            part.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        elif isinstance(part, QComboBox):
            part.setFocusPolicy(Qt.FocusPolicy.ClickFocus)
            part.activated.connect(lambda _=0: give_back())
            part.installEventFilter(no_wheel)
        elif isinstance(part, QSpinBox):
            part.setFocusPolicy(Qt.FocusPolicy.ClickFocus)
            part.lineEdit().returnPressed.connect(give_back)
            part.installEventFilter(no_wheel)
