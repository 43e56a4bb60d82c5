"""Keys of the marking round: none of them is napari's own, and none fires while text is typed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from qtpy.QtCore import Qt
from qtpy.QtGui import QKeySequence, QShortcut
from qtpy.QtWidgets import QWidget


@dataclass(frozen=True, slots=True)
class KeyAction:
    """One key, the name of what it does, and the words shown for it."""

    key: str
    action: str
    words: str


KEYS = (
    KeyAction("K", "keep", "keep proposals of this tooth"),
    KeyAction("Shift+K", "keep_doubtful", "keep the doubtful ones too"),
    KeyAction(".", "point", "point at whole roots"),
    KeyAction("N", "skip", "skip: not visible"),
    KeyAction("Q", "no_loss", "no radiographic loss: tooth"),
    KeyAction("U", "undo", "undo"),
    KeyAction("Shift+U", "redo", "redo"),
    KeyAction("Up", "back", "back one mark"),
    KeyAction("Down", "forward", "forward one mark"),
    KeyAction("J", "jump", "jump to a tooth"),
    KeyAction("W", "remove", "remove the mark asked for"),
    KeyAction("G", "roots", "other set of roots"),
    KeyAction("Insert", "defect", "add a defect base here"),
    KeyAction("PgUp", "previous_image", "previous radiograph"),
    KeyAction("PgDown", "next_image", "next radiograph"),
    KeyAction("End", "repeat", "next one, same teeth"),
    KeyAction("/", "invert", "invert"),
    KeyAction("`", "local_contrast", "local contrast"),
    KeyAction("F2", "rotate", "rotate the view"),
    KeyAction("F3", "mirror", "mirror the view"),
    KeyAction("F4", "beside", "radiographs side by side"),
    KeyAction("F5", "darker", "darker"),
    KeyAction("F6", "brighter", "brighter"),
    KeyAction("F7", "snap", "marks settle on edges"),
    KeyAction("Shift+Up", "nudge_up", "nudge mark (Shift+arrows)"),
    KeyAction("Shift+Down", "nudge_down", ""),
    KeyAction("Shift+Left", "nudge_left", ""),
    KeyAction("Shift+Right", "nudge_right", ""),
    KeyAction("H", "keys", "show or hide this list"),
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
    """Return key and words, for showing on the screen."""
    return [(k.key, k.words) for k in KEYS if k.words]
