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
    states : str
        What may be shown while it works: M(arking a radiograph), T (its teeth are not chosen
        yet), P(hotograph).
    """

    key: str
    action: str
    words: str = ""
    shown: str = ""
    states: str = "M"


MARKING, UNREADY, PHOTO, NOTHING = "M", "T", "P", ""
"""What is shown; with NOTHING open, or marking off, no key of ours works."""

KEYS = (
    KeyAction("K", "keep", "keep proposals: sure, all", "K, Shift+K"),
    KeyAction("Shift+K", "keep_doubtful"),
    KeyAction(".", "point", "point at whole roots", states="MT"),
    KeyAction("N", "skip", "skip: unseen, say why", "N, Shift+N"),
    KeyAction("Shift+N", "skip_for"),
    KeyAction("Q", "no_loss", "no radiographic loss: tooth"),
    KeyAction("U", "undo", "undo, redo", "U, Shift+U", states="MT"),
    KeyAction("Shift+U", "redo", states="MT"),
    KeyAction("Up", "back", "back, forward one mark", "Up, Down"),
    KeyAction("Down", "forward"),
    KeyAction("J", "jump", "jump to a tooth", states="MT"),
    KeyAction("W", "remove", "remove this mark"),
    KeyAction("Shift+Up", "nudge_up", "nudge the mark", "Shift+arrows"),
    KeyAction("Shift+Down", "nudge_down"),
    KeyAction("Shift+Left", "nudge_left"),
    KeyAction("Shift+Right", "nudge_right"),
    KeyAction("G", "roots", "other set of roots"),
    KeyAction("Insert", "defect", "add a defect base here"),
    KeyAction("PgUp", "previous_image", "previous, next image", "PgUp, PgDown", states="MTP"),
    KeyAction("PgDown", "next_image", states="MTP"),
    KeyAction("End", "repeat", "next image, same teeth", states="MT"),
    KeyAction("/", "invert", "invert", states="MT"),
    KeyAction("`", "local_contrast", "local contrast", states="MT"),
    KeyAction("F2", "rotate", "turn, mirror the view", "F2, F3", states="MTP"),
    KeyAction("F3", "mirror", states="MTP"),
    KeyAction("F4", "beside", "side by side", states="MTP"),
    KeyAction("F5", "darker", "darker, brighter", "F5, F6", states="MTP"),
    KeyAction("F6", "brighter", states="MTP"),
    KeyAction("F7", "snap", "marks settle on edges", states="MT"),
    KeyAction("F11", "plaque", "plaque on a photo", states="MTP"),
    KeyAction("F12", "ruler", "scale by a probe", states="MT"),
    KeyAction("H", "keys", "hide or show this list", states="MTP"),
)

OUTLINING = (("U, Shift+U", "undo, redo outlines"),)
"""What a key does on a photograph where it does something else on a radiograph."""


def install(parent: QWidget, run: Callable[[str], None]) -> list[QShortcut]:
    """Bind every key on the viewer's widget and return the shortcuts, to be switched off."""
    made = []
    for entry in KEYS:
        shortcut = QShortcut(QKeySequence(entry.key), parent)
        shortcut.setContext(Qt.ShortcutContext.WidgetWithChildrenShortcut)
        shortcut.activated.connect(lambda action=entry.action: run(action))
        made.append(shortcut)
    return made


def lines(state: str = MARKING) -> list[tuple[str, str]]:
    """Return keys and words that work in a state, for showing on the screen."""
    if state == NOTHING:
        return []
    own = list(OUTLINING) if state == PHOTO else []
    return own + [(k.shown or k.key, k.words) for k in KEYS if k.words and state in k.states]


def works(action: str, state: str) -> bool:
    """Whether an action does something in a state."""
    return any(k.action == action and state in k.states for k in KEYS) or (
        state == PHOTO and action in ("undo", "redo")
    )
