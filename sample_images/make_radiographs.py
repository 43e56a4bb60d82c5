"""Make the sample patients: DICOM radiographs with their true marks, charts and visit files.

Run ``python sample_images/make_radiographs.py``; every number is drawn from fixed seeds, so the
same versions of numpy, scipy and the codecs give the same files. Photographs are made by
``make_photographs.py``, which this script calls for the visits that have them.
"""

from __future__ import annotations

import argparse
import csv
from pathlib import Path
from typing import TYPE_CHECKING

import charts
from dicom_objects import write_radiograph
from film import exposure, marks
from make_photographs import write_photographs
from visits import VISITS, SampleVisit

if TYPE_CHECKING:
    from patients import Radiograph

HERE = Path(__file__).resolve().parent
HEADER = ("tooth", "root", "side", "landmark", "row", "col", "mm", "how", "object")


def write_marks(path: Path, radiograph: Radiograph) -> None:
    """Write the true marks of one film, to 1/1024 px."""
    with path.open("w", newline="", encoding="utf-8") as file:
        table = csv.writer(file, lineterminator="\n")
        table.writerow(HEADER)
        for mark in marks(radiograph.scene, radiograph.film):
            site = (mark.tooth or "", mark.root or "", mark.side or "", mark.landmark)
            mm = "" if mark.mm is None else f"{mark.mm:g}"
            tool = "probe" if mark.landmark == "ruler" else ""
            table.writerow((*site, repr(mark.y), repr(mark.x), mm, "placed", tool))


def write_visit(root: Path, visit: SampleVisit, only: str = "") -> None:
    """Write one visit folder; with ``only``, just the films whose path holds that word."""
    folder = root / visit.folder
    for part in ("images", "marks"):
        (folder / part).mkdir(parents=True, exist_ok=True)
    for number, radiograph in enumerate(visit.radiographs, start=1):
        name = Path(radiograph.path).name
        write_marks(folder / "marks" / f"{name}.csv", radiograph)
        if only in radiograph.path:
            pixels = exposure(radiograph.scene, radiograph.film)
            write_radiograph(folder / "images" / name, pixels, radiograph, visit, number)
    charts.write_chart(folder / "chart.csv", visit)
    (folder / "visit.toml").write_text(charts.visit_toml(visit), encoding="utf-8")
    if visit.photos and not only:
        write_photographs(folder, visit)


def main() -> None:
    """Make the visits named on the command line, or all of them."""
    reader = argparse.ArgumentParser(description=__doc__)
    reader.add_argument("--out", type=Path, default=HERE, help="folder for the visit folders")
    reader.add_argument("--visit", action="append", choices=[v.folder for v in VISITS])
    reader.add_argument("--only", default="", help="only films whose path holds this word")
    asked = reader.parse_args()
    for visit in VISITS:
        if not asked.visit or visit.folder in asked.visit:
            write_visit(asked.out, visit, asked.only)


if __name__ == "__main__":
    main()
