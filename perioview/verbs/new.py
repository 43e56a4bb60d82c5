"""`perioview new`: a visit folder, made and filled."""

from __future__ import annotations

import argparse
import datetime as dt
import math
import sys
from typing import Any

from perioview.errors import InputRefused


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of the verb."""
    parser.add_argument("visit", metavar="VISIT", help="folder to make")
    parser.add_argument("images", metavar="IMAGE", nargs="*", help="radiographs to copy into it")
    parser.add_argument("--patient", metavar="ID", required=True, help="number of the patient")
    parser.add_argument("--name", help="patient's name as family^given")
    parser.add_argument("--species", choices=("dog", "cat"))
    add_source_arguments(parser)
    parser.add_argument(
        "--marks",
        action="store_true",
        help="with --from: also what was entered: the newest marks, chart, tooth regions, steps",
    )
    parser.add_argument(
        "--photo",
        metavar="PHOTO",
        action="append",
        default=[],
        dest="photos",
        help="photograph taken before cleaning; may be repeated",
    )
    parser.add_argument(
        "--photo-after",
        metavar="PHOTO",
        action="append",
        default=[],
        dest="photos_after",
        help="photograph taken after cleaning; may be repeated",
    )
    parser.add_argument(
        "--gum",
        choices=("up", "down", "left", "right"),
        help="side on which the gum lies on the photographs; else upper jaw up, lower jaw down",
    )
    parser.add_argument(
        "--dye",
        choices=("one-tone", "two-tone"),
        default="one-tone",
        help="what the photographs are stained with (default: %(default)s)",
    )
    parser.add_argument("--breed")
    parser.add_argument("--sex", choices=("F", "M"))
    parser.add_argument("--neutered", action=argparse.BooleanOptionalAction)
    parser.add_argument("--birth-date", metavar="YYYY-MM-DD")
    parser.add_argument("--weight-kg", type=float)
    parser.add_argument("--owner")
    parser.add_argument(
        "--date", metavar="YYYY-MM-DD", help="of the visit, or of the study with --from"
    )
    parser.add_argument(
        "--kind",
        choices=("cleaning", "recheck", "examination"),
        help="examination, unless said here or by the record",
    )
    parser.add_argument("--clinician")
    parser.add_argument("--practice")


def add_source_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare where images are taken from, and which study."""
    parser.add_argument(
        "--from",
        dest="source",
        metavar="DEST",
        help="take the images from a folder, http(s)://… (DICOMweb) or dicom://AE@host:port",
    )
    parser.add_argument("--study", metavar="UID", help="with --from: which study of the patient")


def parsed_date(text: str, what: str) -> dt.date:
    """Date that a user wrote; `what` names the option in the refusal."""
    try:
        return dt.date.fromisoformat(text)
    except ValueError as error:
        raise InputRefused(f"{what} '{text}' is no date; write it as 2026-03-05.") from error


def run(args: argparse.Namespace) -> None:
    """Make the visit folder."""
    from perioview.files.visit_folder import new_visit

    _check_animal(args)
    patient = {
        "breed": args.breed,
        "sex": args.sex,
        "neutered": args.neutered,
        "birth_date": parsed_date(args.birth_date, "--birth-date") if args.birth_date else None,
        "weight_kg": args.weight_kg,
    }
    visit = {
        "date": parsed_date(args.date, "--date") if args.date else None,
        "kind": args.kind,
        "clinician": args.clinician,
        "practice": args.practice,
    }
    tables = {
        "patient_fields": {k: v for k, v in patient.items() if v is not None},
        "owner": {"name": args.owner} if args.owner else {},
        "visit": {k: v for k, v in visit.items() if v is not None},
    }
    if args.source:
        if args.gum:
            raise InputRefused(
                f"--gum {args.gum}: belongs to photographs named here; with --from say it in the "
                "window, or in visit.toml."
            )
        _from_archive(args, tables)
        return
    faults = [f"--{n} is missing; give it." for n in ("name", "species") if not getattr(args, n)]
    faults += [
        f"--{n} needs --from, the archive to take it from."
        for n in ("study", "marks")
        if getattr(args, n)
    ]
    if faults:
        raise InputRefused(*faults)
    tables["visit"].setdefault("date", dt.date.today())
    made = new_visit(
        args.visit,
        patient=args.patient,
        name=args.name,
        species=args.species,
        images=args.images,
        photos=args.photos,
        photos_after=args.photos_after,
        dye=args.dye,
        gum=args.gum,
        **tables,
    )
    print(f"{args.visit}: {_counted(len(made.images), len(made.photos))} copied.")


def _check_animal(args: argparse.Namespace) -> None:
    faults = []
    weight = args.weight_kg
    if weight is not None and not (math.isfinite(weight) and weight > 0):
        faults.append(f"--weight-kg {weight:g} is no weight; give kilograms, as 6.4.")
    day = parsed_date(args.date, "--date") if args.date else dt.date.today()
    if args.birth_date and parsed_date(args.birth_date, "--birth-date") > day:
        faults.append(f"--birth-date {args.birth_date} is after the visit ({day}); correct it.")
    if faults:
        raise InputRefused(*faults)


def _counted(radiographs: int, photographs: int) -> str:
    """Both numbers in words, each noun as its number asks."""
    parts = ((radiographs, "radiograph"), (photographs, "photograph"))
    return " and ".join(f"{n} {noun}{'' if n == 1 else 's'}" for n, noun in parts)


def _from_archive(args: argparse.Namespace, tables: dict[str, dict[str, Any]]) -> None:
    from perioview.files.visit_folder import read_visit
    from perioview.record.archive_visit import visit_from_archive
    from perioview.record.destination import source_from

    if args.images or args.photos or args.photos_after:
        raise InputRefused(
            "--from takes the images from the archive; name no files beside it, or leave it out."
        )
    visit_from_archive(
        args.visit,
        source_from(args.source),
        args.patient,
        study=args.study,
        date=tables["visit"].get("date"),
        name=args.name,
        species=args.species,
        marks=args.marks,
        told=lambda line: print(f"{args.visit}: {line}", file=sys.stderr),
        **tables,
    )
    made = read_visit(args.visit)
    print(f"{args.visit}: {_counted(len(made.images), len(made.photos))} taken from the archive.")
