"""`perioview report`: everything of a visit, measured and written into its record folder."""

from __future__ import annotations

import argparse
import datetime as dt
import json
import os
import shutil
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from perioview.errors import InputRefused

if TYPE_CHECKING:
    from perioview.record.findings import Findings


MEASUREMENTS = "measurements.json"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of the verb."""
    parser.add_argument("visit", metavar="VISIT", help="visit folder")
    parser.add_argument("--out", metavar="DIR", help="where to write; VISIT/record by default")
    parser.add_argument("--mark-sd", metavar="S", help="repeatability of a mark, as for measure")
    parser.add_argument("--previous", metavar="VISIT", help="earlier visit folder, to compare with")
    parser.add_argument("--home-care", metavar="FILE", help="a practice's own home care (TOML)")


def record_files(found: Findings, rules: dict[str, Any] | None = None) -> dict[str, bytes]:
    """Everything the record folder holds, by file name."""
    from perioview.record.calendar import calendar
    from perioview.record.mouth_map import mouth_picture, mouth_svg
    from perioview.record.owner_page import owner_html, owner_page, owner_pdf
    from perioview.record.picture import annotated, file_names, png
    from perioview.record.report import clinical_pdf

    exam = found.examination
    drawn = {r.file: annotated(r) for r in exam.radiographs}
    page = owner_page(found, rules, drawn)
    patient_id = str(exam.visit.patient["id"])
    made = dt.datetime.now(dt.UTC)
    names = file_names(exam.radiographs)
    written = {
        "sites.csv": found.sites_csv().encode(),
        "mouth.svg": mouth_svg(found.map_shapes).encode(),
        "mouth.png": png(mouth_picture(found.map_shapes)),
        "report.pdf": clinical_pdf(found, drawn),
        "owner.html": owner_html(page).encode(),
        "owner.pdf": owner_pdf(page),
    }
    if page.plan.rechecks:
        days = calendar(patient_id, page.pet, page.plan.rechecks, made)
        written["recheck.ics"] = days.encode()
    for radiograph in exam.radiographs:
        written[names[radiograph.file]] = png(drawn[radiograph.file])
    if found.since:
        for file, data in found.since.pictures.items():
            written[f"{Path(file).name}.since-last.png"] = data
    for photo in exam.photos:
        if photo.result is not None:
            from perioview.plaque_overlay import overlay

            picture = overlay(photo.image, photo.regions, photo.result)
            written[f"{photo.image.name}.plaque.png"] = png(picture)
    told = found.json_object() | {"files": sorted([*written, MEASUREMENTS])}
    told_text = json.dumps(told, indent=2, allow_nan=False, ensure_ascii=False) + "\n"
    return {MEASUREMENTS: told_text.encode(), **written}


def _earlier_files(folder: Path) -> list[str]:
    """Files that an earlier report wrote into a record folder, by its own list."""
    try:
        names = json.loads((folder / MEASUREMENTS).read_text("utf-8"))["files"]
    except (OSError, ValueError, KeyError, TypeError):
        return []
    # A name only, never a way out of the folder.
    return [
        n
        for n in names
        if isinstance(n, str) and n and Path(n).name == n and (folder / n).is_file()
    ]


def write_record(folder: Path, written: dict[str, bytes]) -> None:
    """Write all files, or none.

    Raises
    ------
    InputRefused
        If the folder cannot be written.
    """
    draft = folder.parent / f".{folder.name}.{os.getpid()}.draft"
    try:
        draft.mkdir(parents=True)
        for name, data in written.items():
            (draft / name).write_bytes(data)
        folder.mkdir(exist_ok=True)
        earlier = {"recheck.ics", *_earlier_files(folder)}
        for name in written:
            os.replace(draft / name, folder / name)
        for name in earlier - set(written):
            # An earlier plan or picture must not be taken for one of this report.
            (folder / name).unlink(missing_ok=True)
    except OSError as error:
        raise InputRefused(
            f"{folder}: cannot be written ({error.strerror}); choose another folder with --out."
        ) from error
    finally:
        shutil.rmtree(draft, ignore_errors=True)


def run(args: argparse.Namespace) -> None:
    """Measure the visit and write its record."""
    from perioview.files.stray_files import tell_strays
    from perioview.files.visit_folder import examine
    from perioview.home_care import home_care_rules
    from perioview.record.findings import findings
    from perioview.record.objects import patient_faults
    from perioview.record.since_last import since_last
    from perioview.verbs.output import check_folder

    folder = Path(args.out) if args.out else Path(args.visit) / "record"
    if os.path.isfile(Path(args.visit, "visit.toml")):
        check_folder(folder)
    exam = examine(args.visit, mark_sd=args.mark_sd)
    tell_strays(args.visit, exam.visit)
    for fault in patient_faults(exam):
        print(f"caution: {fault}", file=sys.stderr)
    since = since_last(args.visit, args.previous, exam, args.mark_sd) if args.previous else None
    found = findings(exam, since)
    rules = home_care_rules(args.home_care) if args.home_care else None
    written = record_files(found, rules)
    write_record(folder, written)
    staged = [a for a in found.assessments if a.stage]
    for a in staged:
        doubt = ", borderline" if a.borderline else ""
        print(f"{a.tooth}: stage {a.stage} ({', '.join(a.decided_by).replace('_', ' ')}{doubt})")
    print(f"{folder}: {len(written)} files, report.pdf among them.")
    print("A measuring aid: radiographs under-read bone loss; the clinician decides.")
