"""What a record holds of a visit beside its images, put back into the visit folder."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
from pydicom.dataset import Dataset

from perioview.record.entered import ROUND, Entered, Regions, renamed_films
from perioview.record.history import (
    calibration_from_report,
    current_reports,
    image_uid,
    is_report,
    marks_from_report,
)
from perioview.record.identity import MAKER
from perioview.record.region_outlines import filled
from perioview.record.visit_report import current_visit_reports, entered_from_report
from perioview.visit import Visit

_LABEL = re.compile(r"(before|after) cleaning, dye: ([\w-]+)")


def reopened(
    folder: Path, reports: Iterable[Dataset], given: Mapping[str, Mapping[str, Any]]
) -> list[str]:
    """Put marks, chart, tooth regions, steps and awake findings back into a visit folder.

    Parameters
    ----------
    folder : Path
        Visit folder with the images of one study, as `files.visit_folder.new_visit` makes it.
    reports : iterable of Dataset
        Structured reports of the study; the newest of each are taken.
    given : mapping of str to mapping
        Tables ``patient_fields`` and ``visit`` that go before what the record says.

    Returns
    -------
    list of str
        What the record does not hold in one line, then what else is to be known.

    Raises
    ------
    InputRefused
        If a report cannot be read, or the folder not be written.
    """
    from perioview.files.visit_folder import read_visit, write_visit

    reports = list(reports)
    made = read_visit(folder)
    headers = {
        str(row["file"]): pydicom.dcmread(folder / str(row["file"]), stop_before_pixels=True)
        for row in (*made.images, *made.photos)
    }
    files = {str(h.SOPInstanceUID): file for file, h in headers.items()}
    current = current_visit_reports(reports)
    report = current[-1] if current else None
    said = Entered(Visit({})) if report is None else entered_from_report(report)
    visit, lost = _visit(made, said, files, headers, given)
    if report is not None and len(current) > 1:
        lost.append(
            f"the record holds {len(current)} charts of this visit that do not know of each other; "
            f"report {report.SOPInstanceUID} is taken."
        )
    marked: dict[str, list[Dataset]] = {}
    for one in current_reports(r for r in reports if is_report(r)):
        marked.setdefault(image_uid(one), []).append(one)
    lost += _rivals(marked, files)
    uids = {file: uid for uid, file in files.items()}
    taken = {uid: _surest(rivals) for uid, rivals in marked.items()}
    images = [_with_marks(folder, row, taken.get(uids[row["file"]])) for row in visit.images]
    write_visit(folder, replace(visit, images=tuple(images)))
    _write_chart(folder, said, files)
    for uid, regions in said.regions.items():
        if uid in files:
            _write_regions(folder, files[uid], headers[files[uid]], regions)
    return [*_absent(folder, visit, said), *lost]


def _visit(
    made: Visit,
    said: Entered,
    files: Mapping[str, str],
    headers: Mapping[str, Dataset],
    given: Mapping[str, Mapping[str, Any]],
) -> tuple[Visit, list[str]]:
    """Visit as it was entered, its images by their files here; and what is not to be had."""
    held = said.visit
    known = {row["file"] for row in (*held.images, *held.photos)}
    photos = [_labelled(row, headers[row["file"]]) for row in made.photos]
    unnamed = [
        [row for row in rows if str(headers[row["file"]].SOPInstanceUID) not in known]
        for rows in (made.images, photos)
    ]
    images, taken = (
        [{**row, "file": files[row["file"]]} for row in rows if row["file"] in files]
        for rows in (held.images, held.photos)
    )
    names = ("id", "name", "species")
    patient = {k: v for k, v in made.patient.items() if k in names or not held.patient}
    day = {k: v for k, v in made.visit.items() if k == "date" or not held.visit}
    lost = len(known - set(files))
    told = [
        f"{lost} image{'s are' if lost > 1 else ' is'} not in the archive any more; left out."
    ] * bool(lost)
    return Visit(
        patient | dict(held.patient) | dict(given.get("patient_fields", {})),
        made.owner,
        day | dict(held.visit) | dict(given.get("visit", {})),
        (*images, *unnamed[0]),
        (*taken, *unnamed[1]),
        held.steps,
        held.other,
    ), told


def _surest(reports: list[Dataset]) -> Dataset:
    """The report verified last; all of a visit bear its date, so that nothing else orders them."""

    def verified(report: Dataset) -> str:
        by = report.get("VerifyingObserverSequence", None) or []
        return max((str(o.get("VerificationDateTime", "")) for o in by), default="")

    return max(reports, key=verified)


def _rivals(marked: Mapping[str, list[Dataset]], files: Mapping[str, str]) -> list[str]:
    """Name the images whose marks the record holds more than once, with what is taken."""
    return [
        f"{files[uid]}: the record holds marks of it in {len(rivals)} reports that do not know of "
        f"each other; report {_surest(rivals).SOPInstanceUID} is taken."
        for uid, rivals in marked.items()
        if len(rivals) > 1 and uid in files
    ]


def _labelled(row: Mapping[str, Any], header: Dataset) -> dict[str, Any]:
    """Row of a photo of which only its own header says when it was taken, and with what dye."""
    label = _LABEL.fullmatch(str(header.get("ImageComments", "")))
    if label is None or header.get("Manufacturer") != MAKER:
        return dict(row)
    return {**row, "when": label[1], "dye": label[2]}


def _with_marks(folder: Path, row: Mapping[str, Any], report: Dataset | None) -> dict[str, Any]:
    """Put an image's newest marks beside it, and the scale that no file holds into its row."""
    from perioview.files.atomic import write_atomically
    from perioview.files.tables import write_marks
    from perioview.files.visit_folder import ROUND_SUFFIX, marks_path

    path = marks_path(folder, row["file"])
    noted = row.get(ROUND)
    row = {k: v for k, v in row.items() if k != ROUND}
    if noted is not None:
        write_atomically(path.with_suffix(ROUND_SUFFIX), str(noted).encode())
    if report is None:
        return row
    marks = marks_from_report(report)
    if len(marks):
        write_marks(path, marks)
    scale = calibration_from_report(report)
    given = scale is not None and scale.method == "given"
    return {**row, "mm_per_px": scale.col_mm} if scale is not None and given else row


def _write_chart(folder: Path, said: Entered, files: Mapping[str, str]) -> None:
    from perioview.files.chart_table import write_chart

    names = {uid: Path(file).name for uid, file in files.items()}
    chart = renamed_films(said.chart, names)
    if chart is not None:
        write_chart(folder / "chart.csv", chart)


def _write_regions(folder: Path, file: str, header: Dataset, regions: Regions) -> None:
    from perioview.files.regions import write_regions

    labels = np.zeros((int(header.Rows), int(header.Columns)), np.uint16)
    for tooth, found in regions.items():
        labels[filled(found, *labels.shape)] = tooth
    write_regions(folder / "regions" / f"{Path(file).name}.png", labels)


def _absent(folder: Path, visit: Visit, said: Entered) -> list[str]:
    """Name what the record does not hold, in one line."""
    from perioview.files.visit_folder import marks_path, regions_path

    bare = sum(not marks_path(folder, r["file"]).is_file() for r in visit.images)
    plain = sum(
        regions_path(folder, r["file"]) is None for r in visit.photos if r.get("dye") != "none"
    )
    absent = [f"marks of {bare} radiograph{'s' * (bare > 1)}"] * bool(bare)
    absent += ["chart"] * (said.chart is None)
    absent += [f"tooth regions of {plain} photograph{'s' * (plain > 1)}"] * bool(plain)
    absent += ["awake examination"] * ("awake" not in said.visit.other)
    absent += ["steps of the procedure"] * (not said.visit.steps)
    return [f"not in the record: {', '.join(absent)}."] if absent else []
