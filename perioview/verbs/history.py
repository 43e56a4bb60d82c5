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
        "--versions",
        action="store_true",
        help="how the numbers changed from report to report, and who answers for each",
    )
    parser.add_argument(
        "--plot", metavar="SVG", help="draw the course of every tooth over time to SVG"
    )
    add_json_argument(parser)


def run(args: argparse.Namespace) -> None:
    """Show the history."""
    from perioview.record.destination import source_from
    from perioview.record.history import history
    from perioview.verbs.output import check_targets, emit

    check_targets(args.plot)
    reports = source_from(args.source).reports(args.patient)
    if args.versions:
        from perioview.record.versions import versions

        told = versions(args.patient, reports)
        _refuse_nothing(args, told["versions"])
        emit(args, told, versions_table(told["versions"]))
        return
    result = history(args.patient, reports, superseded=args.all)
    _refuse_nothing(args, result["measurements"])
    if args.plot:
        from perioview.files.atomic import write_atomically
        from perioview.record.trend import trend_svg

        write_atomically(Path(args.plot), trend_svg(result["measurements"]).encode())
    from perioview.record.course import course_table, site_courses

    rows = result["measurements"]
    result["rates"] = [course.json_object() for course in site_courses(rows)]
    emit(args, result, [*history_table(rows), *course_table(rows)])


def _refuse_nothing(args: argparse.Namespace, rows: list[Any]) -> None:
    if not rows:
        raise InputRefused(
            f"patient {args.patient}: no measurement found at {args.source}; "
            "check the number and the place, or attach a visit first."
        )


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


def _value(quantity: str, value: float | None, unit: str) -> str:
    if value is None:
        return "none"
    return f"{value:.{_SHOWN[quantity][1]}f}" + ("" if unit == "1" else f" {unit}")


def versions_table(rows: Iterable[dict[str, Any]]) -> Iterator[str]:
    """Table for a person: every report, who answers for it, and what it changed.

    Parameters
    ----------
    rows : iterable of dict
        As `perioview.record.versions.versions` gives them.

    Yields
    ------
    str
    """
    image = None
    for row in rows:
        if row["image_uid"] != image:
            image = row["image_uid"]
            yield f"{row['date'] or 'no date'}  image {image}"
        state = "verified" if row["verified"] else "unverified"
        who = f"by {row['by']}" if row["by"] else ""
        stands = "" if row["current"] else "replaced"
        line = f"  version {row['version']}  {state:10} {row['at'] or '':25} {who}  {stands}"
        yield line.rstrip()
        yield f"    report {row['report_uid']}"
        for change in row["changes"]:
            name = change["quantity"]
            if name not in _SHOWN:
                continue
            where = " ".join(str(change[k]) for k in ("tooth", "root", "side") if change[k])
            before = _value(name, change["before"], change["unit"])
            after = _value(name, change["after"], change["unit"])
            yield f"    {where:28} {_SHOWN[name][0]:10} {before} to {after}"


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
    yield f"{'date':10}  {'tooth':>5} {'root':12} {'side':6}  {'quantity':13} {'value':>16}  stage"
    for row in rows:
        if row["quantity"] not in _SHOWN:
            continue
        name, digits = _SHOWN[row["quantity"]]
        name = f"{name} {row.get('when') or ''}".rstrip()
        sd = "" if row["sd"] is None else f" ± {row['sd']:.{digits}f}"
        unit = "" if row["unit"] == "1" else f" {row['unit']}"
        value = f"{row['value']:.{digits}f}{sd}{unit}"
        yield (
            f"{row['date'] or '':10}  {row['tooth'] or '':>5} {row['root'] or '':12} "
            f"{row['side'] or '':6}  {name:13} {value:>16}  {row['stage'] or '':5}"
            + ("" if row["verified"] else "unverified")
        ).rstrip()
