"""`perioview attach`: a visit as DICOM, into a folder or an archive."""

from __future__ import annotations

import argparse
import contextlib
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from perioview.errors import InputRefused

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from perioview.record.outbox import Sent
    from perioview.record.since_last import SinceLast
    from perioview.visit import Examination


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of the verb."""
    parser.add_argument("visit", metavar="VISIT", help="visit folder")
    parser.add_argument(
        "--to",
        metavar="DEST",
        required=True,
        help="a folder, http(s)://… (DICOMweb) or dicom://AE@host:port",
    )
    parser.add_argument(
        "--verify",
        metavar="NAME",
        help="clinician who verifies the reports; they are unverified without",
    )
    parser.add_argument(
        "--confirm",
        action="store_true",
        help="attach although an image names another patient, species or date",
    )
    parser.add_argument(
        "--withdraw",
        action="store_true",
        help="take back what the record still says of images that have no measurements any more",
    )
    parser.add_argument(
        "--previous", metavar="VISIT", help="earlier visit folder, compared with in the report"
    )
    parser.add_argument("--mark-sd", metavar="S", help="the observer's repeatability")


def run(args: argparse.Namespace) -> None:
    """Attach the visit."""
    sent = attach(
        args.visit,
        args.to,
        verify=args.verify,
        confirm=args.confirm,
        mark_sd=args.mark_sd,
        withdraw=args.withdraw,
        previous=args.previous,
    )
    print(
        f"{len(sent.stored)} objects stored and confirmed, {len(sent.present)} were there already."
    )


def attach(
    visit: str | Path,
    to: str,
    *,
    verify: str | None = None,
    confirm: bool = False,
    mark_sd: str | None = None,
    withdraw: bool = False,
    previous: str | None = None,
) -> Sent:
    """Write a visit's record and store it.

    Parameters
    ----------
    visit : path
        Visit folder.
    to : str
        A folder, ``http(s)://…`` or ``dicom://AE@host:port``.
    verify : str, optional
        Clinician who verifies the reports.
    confirm : bool
        Whether images that name another patient, species or date are taken all the same.
    mark_sd : str, optional
        The observer's repeatability.
    withdraw : bool
        Whether images without measurements take back what the record holds of them.
    previous : str, optional
        Folder of an earlier visit; the report tells what changed since.

    Returns
    -------
    Sent

    Raises
    ------
    InputRefused
        If the visit or the destination will not do; what was not confirmed stays in
        ``record/outbox``.
    """
    from perioview.files.stray_files import tell_strays
    from perioview.files.visit_folder import examine
    from perioview.record.destination import destination_from
    from perioview.record.identity import digest
    from perioview.record.objects import examination_identity, patient_faults
    from perioview.record.outbox import own_images, send, write_outbox
    from perioview.record.since_last import since_last
    from perioview.record.visit_record import unmeasured, visit_record

    if verify is not None and not verify.strip():
        raise InputRefused("--verify is empty; give the name of the clinician who verifies.")
    destination = destination_from(to)
    _refuse_own_folder(Path(visit), to)
    examination = examine(visit, mark_sd=mark_sd)
    tell_strays(visit, examination.visit)
    faults = patient_faults(examination)
    if faults and not confirm:
        raise InputRefused(*faults)
    identity = examination_identity(examination)
    since = since_last(str(visit), previous, examination, mark_sd) if previous else None
    told = digest(since.json_object()) if since is not None else ""
    pdf, pictures = _printed(examination, since)
    outbox = Path(visit) / "record" / "outbox"
    own = own_images(examination)
    with contextlib.ExitStack() as connection:
        try:
            there = connection.enter_context(destination.connected(own, ours=True))
            earlier = there.reports(identity.patient_id, identity.study_uid)
        except InputRefused:
            # What an archive that is down does not take waits for it as well.
            waiting = visit_record(examination, pdf, pictures, verify=verify, since=told)
            write_outbox(outbox, waiting)
            raise
        if not withdraw:
            _tell_unmeasured(unmeasured(examination, earlier))
        objects = visit_record(
            examination,
            pdf,
            pictures,
            verify=verify,
            earlier=earlier,
            withdraw=withdraw,
            since=told,
        )
        if not objects:
            raise InputRefused(f"{visit}: nothing is measured yet; mark an image or outline teeth.")
        parcels = own + write_outbox(outbox, objects)
        return send(parcels, there, outbox=outbox, progress=_progress)


def _tell_unmeasured(files: tuple[str, ...]) -> None:
    for file in files:
        print(
            f"note: {file}: has no measurements here, those in the record stay current; "
            "--withdraw takes them back.",
            file=sys.stderr,
        )


def _refuse_own_folder(visit: Path, to: str) -> None:
    # Its record folder may be deleted and made again at any time: no place for the only copy.
    if "://" not in to and Path(to).resolve().is_relative_to(visit.resolve()):
        raise InputRefused(
            f"{to}: lies inside the visit folder {visit}; name a folder outside of it."
        )


def _printed(
    examination: Examination, since: SinceLast | None
) -> tuple[bytes, dict[str, NDArray[np.uint8]]]:
    """Make the visit report and the pictures with marks and values burned in."""
    from perioview.record.findings import findings
    from perioview.record.picture import annotated
    from perioview.record.report import clinical_pdf

    pictures = {r.file: annotated(r) for r in examination.radiographs if len(r.marks)}
    for photo in examination.photos:
        if photo.result is not None:
            from perioview.plaque_overlay import overlay

            pictures[photo.file] = overlay(photo.image, photo.regions, photo.result)
    return clinical_pdf(findings(examination, since), pictures), pictures


def _progress(done: int, total: int) -> None:
    if sys.stderr.isatty():
        print(f"\rstored {done} of {total}", end="\n" if done == total else "", file=sys.stderr)
