"""Keys of the marking round: none of them is napari's own, and none fires while text is typed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from qtpy.QtCore import Qt
from qtpy.QtGui import QKeySequence, QShortcut
from qtpy.QtWidgets import QWidget


@dataclass(frozen=True, slots=True)
class KeyAction:
    """One key, the name of what it does, and the words shown for it.

    Parameters
    ----------
    key, action : str
    words : str
        Empty where a line before speaks for this key, too.
    shown : str
        How the line names its keys; the key itself by default.
    """

    key: str
    action: str
    words: str = ""
    shown: str = ""


KEYS = (
    KeyAction("K", "keep", "keep proposals of this tooth"),
    KeyAction("Shift+K", "keep_doubtful", "the doubtful ones, too"),
    KeyAction(".", "point", "point at whole roots"),
    KeyAction("N", "skip", "skip: not visible"),
    KeyAction("Shift+N", "skip_for", "skip: choose why"),
    KeyAction("Q", "no_loss", "no radiographic loss: tooth"),
    KeyAction("U", "undo", "undo, redo", "U, Shift+U"),
    KeyAction("Shift+U", "redo"),
    KeyAction("Up", "back", "back, forward one mark", "Up, Down"),
    KeyAction("Down", "forward"),
    KeyAction("J", "jump", "jump to a tooth"),
    KeyAction("W", "remove", "remove the mark asked for"),
    KeyAction("Shift+Up", "nudge_up", "nudge the mark", "Shift+arrows"),
    KeyAction("Shift+Down", "nudge_down"),
    KeyAction("Shift+Left", "nudge_left"),
    KeyAction("Shift+Right", "nudge_right"),
    KeyAction("G", "roots", "other set of roots"),
    KeyAction("Insert", "defect", "add a defect base here"),
    KeyAction("PgUp", "previous_image", "previous, next image", "PgUp, PgDown"),
    KeyAction("PgDown", "next_image"),
    KeyAction("End", "repeat", "next image, same teeth"),
    KeyAction("/", "invert", "invert"),
    KeyAction("`", "local_contrast", "local contrast"),
    KeyAction("F2", "rotate", "turn, mirror the view", "F2, F3"),
    KeyAction("F3", "mirror"),
    KeyAction("F4", "beside", "side by side"),
    KeyAction("F5", "darker", "darker, brighter", "F5, F6"),
    KeyAction("F6", "brighter"),
    KeyAction("F7", "snap", "marks settle on edges"),
    KeyAction("H", "keys", "hide or show this list"),
)


def install(parent: QWidget, run: Callable[[str], None]) -> list[QShortcut]:
    """Bind every key on the viewer's widget and return the shortcuts, to be switched off."""
    made = []
    for entry in KEYS:
        shortcut = QShortcut(QKeySequence(entry.key), parent)
        shortcut.setContext(Qt.ShortcutContext.WidgetWithChildrenShortcut)
        shortcut.activated.connect(lambda action=entry.action: run(action))
        made.append(shortcut)
    return made


def lines() -> list[tuple[str, str]]:
    """Return keys and words, for showing on the screen."""
    return [(k.shown or k.key, k.words) for k in KEYS if k.words]
