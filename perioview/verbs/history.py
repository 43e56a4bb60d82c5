"""`perioview history`: earlier measurements of a patient, read back from the record."""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from perioview.errors import InputRefused


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of the verb."""
    from perioview.verbs.output import add_json_argument

    parser.add_argument("patient", metavar="PATIENT", help="number of the patient")
    parser.add_argument(
        "--from",
        dest="source",
        metavar="DEST",
        required=True,
        help="a folder, http(s)://… (DICOMweb) or dicom://AE@host:port",
    )
    parser.add_argument(
        "--all", action="store_true", help="also reports that a later one has replaced"
    )
    parser.add_argument(
        "--plot", metavar="SVG", help="draw the course of every tooth over time to SVG"
    )
    add_json_argument(parser)


def run(args: argparse.Namespace) -> None:
    """Show the history."""
    from perioview.record.destination import destination_from
    from perioview.record.history import history
    from perioview.verbs.output import emit

    reports = destination_from(args.source).reports(args.patient)
    result = history(args.patient, reports, superseded=args.all)
    if not result["measurements"]:
        raise InputRefused(
            f"patient {args.patient}: no measurement found at {args.source}; "
            "check the number and the place, or attach a visit first."
        )
    if args.plot:
        from perioview.files.atomic import write_atomically
        from perioview.record.trend import trend_svg

        write_atomically(Path(args.plot), trend_svg(result["measurements"]).encode())
    emit(args, result, history_table(result["measurements"]))


_SHOWN = {
    "bone_loss_mm": ("bone loss", 2),
    "bone_loss_px": ("bone loss", 1),
    "bone_loss_pct": ("bone loss", 1),
    "infrabony_mm": ("infrabony", 2),
    "coverage_pct": ("plaque", 1),
    "probing_depth_mm": ("probing", 1),
    "furcation_index": ("furcation", 0),
    "mobility_index": ("mobility", 0),
}


def history_table(rows: Iterable[dict[str, Any]]) -> Iterator[str]:
    """Table for a person: one line per number that is followed over time.

    Parameters
    ----------
    rows : iterable of dict
        As `perioview.record.history.history` gives them.

    Yields
    ------
    str
    """
    yield f"{'date':10}  {'tooth':>5} {'root':12} {'side':6}  {'quantity':10} {'value':>16}  stage"
    for row in rows:
        if row["quantity"] not in _SHOWN:
            continue
        name, digits = _SHOWN[row["quantity"]]
        sd = "" if row["sd"] is None else f" ± {row['sd']:.{digits}f}"
        unit = "" if row["unit"] == "1" else f" {row['unit']}"
        value = f"{row['value']:.{digits}f}{sd}{unit}"
        yield (
            f"{row['date'] or '':10}  {row['tooth'] or '':>5} {row['root'] or '':12} "
            f"{row['side'] or '':6}  {name:10} {value:>16}  {row['stage'] or '':5}"
            + ("" if row["verified"] else "unverified")
        ).rstrip()
