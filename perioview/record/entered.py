"""What was entered in a visit and lies in no image: chart, tooth regions, steps, awake findings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path, PurePosixPath
from typing import Any

import numpy as np

from perioview.chart import Chart
from perioview.chart_decision import FILM_AFTER
from perioview.record.content import MOST_POINTS
from perioview.record.region_outlines import Corners, outlines
from perioview.visit import Examination, PhotoResult, Visit

ROUND = "marking_round"
"""Key of an image's row that holds what the marking round noted, as JSON."""
_PLAIN_KEYS = {"file", "mm_per_px"}

# Outlines of each tooth of a photo.
Regions = Mapping[int, tuple[Corners, ...]]


@dataclass(frozen=True, slots=True)
class Entered:
    """What was entered in a visit, its images named by their SOP instance UID.

    Parameters
    ----------
    visit : Visit
        Without the names of patient and owner.
    chart : Chart or None
    regions : mapping of str to mapping
        By photo the outlines of each tooth (`region_outlines`).
    """

    visit: Visit
    chart: Chart | None = None
    regions: Mapping[str, Regions] = field(default_factory=dict)

    @property
    def worth_a_report(self) -> bool:
        """Whether it says anything that reports, images and their headers do not."""
        said = self.visit
        return bool(
            self.chart is not None
            or self.regions
            or said.steps
            or said.other
            or said.photos
            or "asleep" in said.visit
            or any(set(row) - _PLAIN_KEYS for row in said.images)
        )


def entered(examination: Examination, uids: Mapping[str, str]) -> Entered:
    """Take from an examination what its images and reports do not hold.

    Parameters
    ----------
    examination : Examination
    uids : mapping of str to str
        SOP instance UID of each image, by its file in the visit.

    Returns
    -------
    Entered
    """
    visit, folder = examination.visit, Path(examination.folder)
    images, photos = (
        [{**row, "file": uids.get(str(row["file"]), str(row["file"]))} for row in rows]
        for rows in (visit.images, visit.photos)
    )
    kept = Visit(
        {k: v for k, v in visit.patient.items() if k not in ("id", "name", "species")},
        {},
        {k: v for k, v in visit.visit.items() if k != "date"},
        tuple(new | _noted(folder, row) for new, row in zip(images, visit.images, strict=True)),
        tuple(photos),
        visit.steps,
        visit.other,
    )
    regions = {uids[p.file]: _outlined(p, folder) for p in examination.photos if p.file in uids}
    names = {PurePosixPath(file).name: uid for file, uid in uids.items()}
    return Entered(
        kept,
        renamed_films(examination.chart, names),
        {uid: of_teeth for uid, of_teeth in regions.items() if of_teeth},
    )


def _noted(folder: Path, row: Mapping[str, Any]) -> dict[str, str]:
    from perioview.files.tables import read_text
    from perioview.files.visit_folder import ROUND_SUFFIX, marks_path

    path = marks_path(folder, str(row["file"])).with_suffix(ROUND_SUFFIX)
    return {ROUND: read_text(path)} if path.is_file() else {}


def _outlined(photo: PhotoResult, folder: Path) -> dict[int, tuple[Corners, ...]]:
    from scipy.ndimage import find_objects

    labels = getattr(photo.regions, "labels", photo.regions)
    if labels is None:
        labels = _unmeasured(photo, folder)
    if labels is None:
        return {}
    labels = np.asarray(labels).astype(np.int64)
    found: dict[int, tuple[Corners, ...]] = {}
    for tooth, box in enumerate(find_objects(labels), 1):
        if box is None:
            continue
        top, left = box[0].start, box[1].start
        found[tooth] = tuple(
            tuple((row + top, col + left) for row, col in corners)
            for corners in outlines(labels[box] == tooth, MOST_POINTS - 1)
        )
    return found


def _unmeasured(photo: PhotoResult, folder: Path) -> Any:
    """Regions of a photo whose plaque is not measured, because no dye was used."""
    from perioview.files.regions import read_regions
    from perioview.files.visit_folder import regions_path

    path = regions_path(folder, photo.file)
    if path is None:
        return None
    return read_regions(path, rows=photo.image.rows, cols=photo.image.cols)


def renamed_films(chart: Chart | None, names: Mapping[str, str]) -> Chart | None:
    """Chart whose films after an extraction go by other names; what has none stays."""
    if chart is None or FILM_AFTER not in chart.columns:
        return chart
    rows = []
    for row in chart:
        told = row.extra_value(FILM_AFTER)
        new = names.get(PurePosixPath(told).name)
        rows.append(row.with_extra(FILM_AFTER, new) if new else row)
    return replace(chart, rows=tuple(rows))
