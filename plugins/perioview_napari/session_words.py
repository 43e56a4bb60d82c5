"""The words on top of the window: what comes next, and before it what keeps marks off the disk."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Any

from perioview.errors import InputRefused
from perioview_napari import asking
from perioview_napari.convert import image_of_layer
from perioview_napari.session import Session
from perioview_napari.session_file import PROTECTED

if TYPE_CHECKING:
    from perioview_napari.marking import Marking


def words(marking: Marking) -> str:
    """Say what comes next on the radiograph of a `Marking`, and what is not saved."""
    unsaved = unsaved_words(marking.session, marking.opened.unsaved())
    return f"{unsaved} {next_words(marking)}".strip()


def next_words(marking: Marking) -> str:
    """Say what comes next."""
    if marking.layer is None:
        return "Open a visit (below), or drag radiographs into this window"
    if not marking.active:
        return "Marking is off. Tick 'Marking on' to go on"
    if marking.photo:
        return marking.photo_words
    if marking.session is None:
        return marking.unusable or "Choose the species: dog or cat"
    several = len(marking.image_layers()) > 1
    said = asking.words(marking.session, marking.placing.pointing, several)
    if marking.placing.pointing and marking.waiting:
        return f"Looking for marks, a moment. {said}"
    return said


def unsaved_words(shown: Session | None, unsaved: list[Session]) -> str:
    """Say what is not on disk, the radiograph that is shown first, or that nothing can be."""
    if shown is not None and shown.file.waits:
        return f"Not saved ({shown.file.refused})."
    if unsaved:
        return f"{unsaved[0].image.name} is not saved ({unsaved[0].file.refused})."
    if shown is not None and shown.file.refused:
        return f"Marks cannot be saved here ({shown.file.refused})."
    return ""


def cannot_be_saved(session: Session) -> str:
    """Say where marks cannot be saved and why, and what to do."""
    file, folder = session.file, session.marks_path.parent
    if file.conflict:
        return file.conflict
    what, where = ("file", file.path) if file.refused == PROTECTED else ("folder", folder)
    return (
        f"{where}: marks cannot be saved here ({file.refused}); to mark, make the {what} writable "
        "or open a copy of it."
    )


def unusable_words(marking: Marking, fault: InputRefused, layer: Any, species: str | None) -> str:
    """Say what is wrong with a layer's marks file; nothing if only its species is missing.

    Without the file's folder, which the message beside the radiograph tells.
    """
    image, path = image_of_layer(layer)
    if not species and not image.species:
        return ""
    folder = marking.opened.marks_path(path).resolve().parent
    return str(fault).replace(f"{folder}{os.sep}", "")
