"""`perioview new`: a visit folder, made and filled."""

from __future__ import annotations

import argparse
import datetime as dt

from perioview.errors import InputRefused


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of the verb."""
    parser.add_argument("visit", metavar="VISIT", help="folder to make")
    parser.add_argument("images", metavar="IMAGE", nargs="*", help="radiographs to copy into it")
    parser.add_argument("--patient", metavar="ID", required=True, help="number of the patient")
    parser.add_argument("--name", required=True, help="patient's name as family^given")
    parser.add_argument("--species", required=True, choices=("dog", "cat"))
    parser.add_argument("--photo", metavar="PHOTO", action="append", default=[], dest="photos")
    parser.add_argument("--breed")
    parser.add_argument("--sex", choices=("F", "M"))
    parser.add_argument("--neutered", action=argparse.BooleanOptionalAction)
    parser.add_argument("--birth-date", metavar="YYYY-MM-DD")
    parser.add_argument("--weight-kg", type=float)
    parser.add_argument("--owner")
    parser.add_argument("--date", metavar="YYYY-MM-DD", help="of the visit; today by default")
    parser.add_argument(
        "--kind", choices=("cleaning", "recheck", "examination"), default="examination"
    )
    parser.add_argument("--clinician")
    parser.add_argument("--practice")


def _date(text: str, what: str) -> dt.date:
    try:
        return dt.date.fromisoformat(text)
    except ValueError as error:
        raise InputRefused(f"{what} '{text}' is no date; write it as 2026-03-05.") from error


def run(args: argparse.Namespace) -> None:
    """Make the visit folder."""
    from perioview.files.visit_folder import new_visit

    patient = {
        "breed": args.breed,
        "sex": args.sex,
        "neutered": args.neutered,
        "birth_date": _date(args.birth_date, "--birth-date") if args.birth_date else None,
        "weight_kg": args.weight_kg,
    }
    visit = {
        "date": _date(args.date, "--date") if args.date else dt.date.today(),
        "kind": args.kind,
        "clinician": args.clinician,
        "practice": args.practice,
    }
    new_visit(
        args.visit,
        patient=args.patient,
        name=args.name,
        species=args.species,
        images=args.images,
        photos=args.photos,
        patient_fields={k: v for k, v in patient.items() if v is not None},
        owner={"name": args.owner} if args.owner else {},
        visit={k: v for k, v in visit.items() if v is not None},
    )
    print(
        f"{args.visit}: {len(args.images)} radiographs and {len(args.photos)} photographs copied."
    )
