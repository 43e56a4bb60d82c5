"""From a visit to its destination: into an outbox first, out of it once storage is confirmed."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pydicom
from pydicom.dataset import Dataset

from perioview.errors import InputRefused
from perioview.record.destination import Destination, Parcel, Progress, no_progress
from perioview.record.objects import in_archive_form
from perioview.visit import Examination, PhotoResult, Radiograph


@dataclass(frozen=True, slots=True)
class Sent:
    """What became of a visit's objects.

    Parameters
    ----------
    stored, present : tuple of str
        UIDs stored now, and those the destination held already.
    """

    stored: tuple[str, ...]
    present: tuple[str, ...]


def own_images(examination: Examination) -> list[Parcel]:
    """The visit's DICOM images, which go along as they are.

    Parameters
    ----------
    examination : Examination

    Returns
    -------
    list of Parcel
        None of the images is changed or copied.
    """
    folder = Path(examination.folder)
    parcels = []
    items: tuple[Radiograph | PhotoResult, ...] = (*examination.radiographs, *examination.photos)
    for item in items:
        path = folder / item.file
        if in_archive_form(item.image) and path.is_file():
            header = pydicom.dcmread(path, stop_before_pixels=True, force=True)
            if "TransferSyntaxUID" in getattr(header, "file_meta", {}):
                parcels.append(Parcel(path, header))
    return parcels


def write_outbox(outbox: Path, objects: Sequence[Dataset]) -> list[Parcel]:
    """Write objects as files, named without anyone's name.

    Parameters
    ----------
    outbox : Path
        Made if it does not exist.
    objects : sequence of Dataset

    Returns
    -------
    list of Parcel

    Raises
    ------
    InputRefused
        If the outbox cannot be written.
    """
    parcels = []
    try:
        outbox.mkdir(parents=True, exist_ok=True)
        for dataset in objects:
            name = hashlib.sha256(str(dataset.SOPInstanceUID).encode()).hexdigest()[:24]
            path = outbox / f"{name}.dcm"
            draft = path.with_suffix(".draft")
            try:
                dataset.save_as(draft, enforce_file_format=True)
                draft.replace(path)
            finally:
                draft.unlink(missing_ok=True)
            parcels.append(Parcel(path, dataset))
    except OSError as error:
        raise InputRefused(
            f"{outbox}: the outbox cannot be written ({error.strerror}); nothing was sent. "
            "Make room or choose a visit folder that is writable."
        ) from error
    return parcels


def send(
    parcels: Sequence[Parcel],
    destination: Destination,
    *,
    outbox: Path | None = None,
    progress: Progress = no_progress,
) -> Sent:
    """Store what the destination lacks; what it confirms leaves the outbox.

    Parameters
    ----------
    parcels : sequence of Parcel
    destination : Destination
    outbox : Path, optional
        Files in it are removed once their storage is confirmed.
    progress : callable
        Told of (done, total).

    Returns
    -------
    Sent

    Raises
    ------
    InputRefused
        If not every object is confirmed; the rest stays in the outbox.
    """
    with destination.connected(parcels) as there:
        held = there.held(parcels)
        missing = [p for p in parcels if p.uid not in held]
        confirmed = there.store(missing, progress) if missing else set()
    for parcel in parcels:
        if outbox is not None and parcel.uid in held | confirmed:
            _remove(parcel.path, outbox)
    left = [p for p in missing if p.uid not in confirmed]
    if left:
        raise InputRefused(
            f"{len(left)} of {len(parcels)} objects are not confirmed as stored; "
            "they wait in the outbox. Attach the visit again when the archive is well."
        )
    if outbox is not None and outbox.exists():
        # What an earlier attempt left is stored by now, or is no longer what the visit says.
        for left_over in outbox.iterdir():
            left_over.unlink(missing_ok=True)
        outbox.rmdir()
    return Sent(tuple(p.uid for p in missing), tuple(p.uid for p in parcels if p.uid in held))


def _remove(path: Path, outbox: Path) -> None:
    if path.parent == outbox:
        path.unlink(missing_ok=True)
        if not any(outbox.iterdir()):
            outbox.rmdir()
