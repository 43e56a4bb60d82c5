"""A form that makes a visit folder: nobody writes it by hand."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

from magicgui.widgets import (
    CheckBox,
    Container,
    DateEdit,
    Dialog,
    FileEdit,
    LineEdit,
    RadioButtons,
)

from perioview.teeth import SPECIES


def visit_form() -> Container[Any]:
    """Return the form's fields, by name as values of the visit."""
    return Container(
        widgets=[
            FileEdit(name="parent", label="make the folder in", mode="d"),
            LineEdit(name="folder", label="name of the folder"),
            LineEdit(name="patient", label="patient number"),
            LineEdit(name="name", label="name (family, given)"),
            RadioButtons(name="species", choices=SPECIES, orientation="horizontal", value="dog"),
            LineEdit(name="breed"),
            DateEdit(name="date", label="date of the visit", value=dt.date.today()),
            LineEdit(name="clinician"),
            LineEdit(name="practice"),
            CheckBox(name="asleep", label="under anaesthesia", value=True),
            FileEdit(name="images", label="radiographs", mode="rm"),
        ]
    )


def visit_from_form(form: Container[Any]) -> Path:
    """Make the visit folder the form describes, and return it.

    Raises
    ------
    InputRefused
        With one line per fault; nothing is left half made.
    """
    from perioview.errors import InputRefused
    from perioview.files.visit_folder import new_visit

    values = {w.name: w.value for w in form}
    name = values["folder"].strip() or values["patient"].strip()
    if not name:
        raise InputRefused("visit: give the patient's number; it names the folder too.")
    folder: Path = Path(values["parent"]) / name
    visit = {"date": values["date"], "asleep": values["asleep"]}
    visit |= {k: values[k] for k in ("clinician", "practice") if values[k]}
    new_visit(
        folder,
        patient=values["patient"],
        name=dicom_name(values["name"]),
        species=values["species"],
        images=[p for p in values["images"] if Path(p).is_file()],
        visit=visit,
    )
    return folder


def dicom_name(typed: str) -> str:
    """Return a name as DICOM writes it; ``Sample, Pip`` becomes ``Sample^Pip``."""
    return typed if "^" in typed else "^".join(part.strip() for part in typed.split(",", 1))


def new_visit_dialog(parent: Any) -> Path | None:
    """Ask for a new visit and make its folder; None when the user thought better of it."""
    form = visit_form()
    dialog = Dialog(widgets=[form], labels=False)
    dialog.native.setWindowTitle("New visit")
    if not dialog.exec():
        return None
    return visit_from_form(form)
