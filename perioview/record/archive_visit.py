"""A visit folder made from an archive: its images, its patient, and what was entered in it."""

from __future__ import annotations

import datetime as dt
import shutil
import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from pydicom.dataset import Dataset

from perioview.errors import InputRefused
from perioview.record.archive_source import images_from_archive
from perioview.record.destination import Destination
from perioview.record.reopened import reopened

Told = Callable[[str], object]


def chosen_study(
    source: Destination, patient: str, study: str | None = None, date: dt.date | None = None
) -> str:
    """The one study of a patient that fits.

    Parameters
    ----------
    source : Destination
    patient : str
        Patient ID.
    study : str, optional
        Study instance UID.
    date : date, optional
        Study date.

    Returns
    -------
    str
        Study instance UID.

    Raises
    ------
    InputRefused
        If none fits; or if several do, with one line for each.
    """
    day = f"{date:%Y%m%d}" if date else None
    rows = {str(r.StudyInstanceUID): r for r in source.studies(patient)}
    fits = [
        row
        for uid, row in rows.items()
        if study in (None, uid) and day in (None, str(row.get("StudyDate", "")))
    ]
    if len(fits) == 1:
        return str(fits[0].StudyInstanceUID)
    if fits:
        raise InputRefused(
            f"patient {patient}: has {len(fits)} studies there; choose one with --study UID.",
            *sorted(_study_line(row) for row in fits),
        )
    if not rows:
        raise InputRefused(
            f"patient {patient}: has no study there; check the number and the place."
        )
    raise InputRefused(
        f"patient {patient}: has no such study there; choose one of these with --study UID.",
        *sorted(_study_line(row) for row in rows.values()),
    )


def _study_line(row: Dataset) -> str:
    day = str(row.get("StudyDate", "") or "")
    when = f"{day[:4]}-{day[4:6]}-{day[6:8]}" if len(day) == 8 else "no date   "
    said = " ".join(str(row.get("StudyDescription", "") or "").split())
    return f"{when}  {row.StudyInstanceUID}  {said}".rstrip()


def visit_from_archive(
    folder: str | Path,
    source: Destination,
    patient: str,
    *,
    study: str | None = None,
    date: dt.date | None = None,
    name: str | None = None,
    species: str | None = None,
    marks: bool = False,
    told: Told | None = None,
    **tables: Mapping[str, Any],
) -> Path:
    """Make a visit folder of the radiographs and photographs of one study.

    Parameters
    ----------
    folder : path
        Made; refused if it holds anything.
    source : Destination
    patient : str
        Patient ID; nothing of another patient is taken.
    study, date
        Which study, where the patient has several.
    name, species : str, optional
        As the images have them, unless given.
    marks : bool
        Whether what was entered is reopened as well: the marks of the newest reports with a
        scale that was given by the user, chart, tooth regions, steps and awake findings.
    told : callable, optional
        Told in a line what of these the record does not hold.
    **tables : mapping
        Further fields of ``patient_fields``, ``owner`` and ``visit``; they go before what the
        images say.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    InputRefused
        If no study fits, or the visit cannot be made; nothing half-made is left.
    """
    from perioview.files.reading import read_image
    from perioview.files.visit_folder import new_visit

    folder = Path(folder)
    uid = chosen_study(source, patient, study, date)
    with tempfile.TemporaryDirectory(prefix="perioview-") as drop:
        paths = images_from_archive(source, patient, uid, Path(drop))
        images = [read_image(path) for path in paths]
        said = {k: v for image in images[::-1] for k, v in image.attributes.items() if v}
        name = name or said.get("patient_name")
        species = species or next((i.species for i in images if i.species), None)
        if not name or not species:
            missing = "name" if not name else "species"
            raise InputRefused(f"study {uid}: its images say no {missing}; give it as --{missing}.")
        new_visit(
            folder,
            patient=patient,
            name=name,
            species=species,
            images=paths,
            patient_fields=_patient(said, told) | dict(tables.get("patient_fields", {})),
            owner=_owner(said) | dict(tables.get("owner", {})),
            visit=_day(said, None if date else told) | dict(tables.get("visit", {})),
        )
    if marks:
        try:
            for line in reopened(folder, source.reports(patient, uid), tables):
                if told is not None:
                    told(line)
        except BaseException:
            shutil.rmtree(folder, ignore_errors=True)
            raise
    return folder


def _patient(said: Mapping[str, Any], told: Told | None) -> dict[str, Any]:
    keys = ("breed", "neutered", "weight_kg")
    found = {key: said[key] for key in keys if said.get(key) is not None}
    if said.get("sex") in ("F", "M"):
        found["sex"] = said["sex"]
    if said.get("birth_date"):
        born = _date(said["birth_date"])
        if born:
            found["birth_date"] = born
        elif told:
            told(f"the images' birth date '{said['birth_date']}' is no date; it is left out.")
    return found


def _owner(said: Mapping[str, Any]) -> dict[str, Any]:
    return {"name": said["responsible_person"]} if said.get("responsible_person") else {}


def _day(said: Mapping[str, Any], told: Told | None) -> dict[str, Any]:
    day = said.get("study_date")
    found = _date(day)
    if found:
        return {"date": found}
    if told:
        fault = f"study date '{day}' is no date" if day else "images have no study date"
        told(f"its {fault}; the visit bears today's: correct it in visit.toml.")
    return {}


def _date(text: Any) -> dt.date | None:
    try:
        return dt.date.fromisoformat(text) if text else None
    except ValueError:
        return None
