"""Where a record goes and comes from: one small interface, three kinds behind it."""

from __future__ import annotations

import os
import urllib.parse
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from pydicom.dataset import Dataset

from perioview.errors import InputRefused

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Parcel:
    """One object on its way: a DICOM file, and its header.

    Parameters
    ----------
    path : Path
        The file; sent as it is.
    header : Dataset
        Its data set, pixels not needed.
    """

    path: Path
    header: Dataset

    @property
    def uid(self) -> str:
        """SOP instance UID."""
        return str(self.header.SOPInstanceUID)


class Destination(Protocol):
    """An archive or a folder that holds records."""

    def connected(
        self, parcels: Sequence[Parcel], *, ours: bool = False
    ) -> AbstractContextManager[Destination]:
        """Hold one connection open for all that is asked and stored of these parcels.

        With `ours`, of every class of object that a visit's record may hold as well.
        """

    def held(self, parcels: Sequence[Parcel]) -> set[str]:
        """UIDs of those parcels that are already there."""

    def store(self, parcels: Sequence[Parcel], progress: Progress) -> set[str]:
        """Store parcels; return the UIDs whose storage the destination confirmed."""

    def reports(self, patient: str, study: str | None = None) -> list[Dataset]:
        """Structured reports of a patient, or of one study of that patient."""

    def studies(self, patient: str) -> list[Dataset]:
        """Study date, UID and description of a patient's studies."""

    def objects(self, patient: str, study: str) -> Iterator[Dataset]:
        """All objects of one study."""


def no_progress(done: int, total: int) -> None:
    """Say nothing of how far it got."""


def destination_from(text: str) -> Destination:
    """Open a destination by its name.

    Parameters
    ----------
    text : str
        A folder, ``http(s)://…`` (DICOMweb) or ``dicom://AE@host:port``
        (``dicoms://`` with TLS).

    Returns
    -------
    Destination

    Raises
    ------
    InputRefused
        If it is none of these, or holds a password.
    """
    if not text.strip():
        raise InputRefused(
            "the destination is empty; give a folder, http(s)://…, or dicom://AE@host:port."
        )
    parts = urllib.parse.urlsplit(text)
    if parts.password is not None:
        # Never repeat the secret, not even in a message.
        raise InputRefused(
            "the destination holds a password; leave it out and set PERIOVIEW_USER and "
            "PERIOVIEW_PASSWORD, or PERIOVIEW_TOKEN, in the environment."
        )
    if parts.scheme in ("http", "https"):
        from perioview.record.dicomweb import DicomWeb

        return DicomWeb(text)
    if parts.scheme in ("dicom", "dicoms"):
        from perioview.record.dimse import Dimse

        return Dimse(text)
    if "://" in text:
        raise InputRefused(
            f"{text}: '{parts.scheme}' is no destination perioview knows; "
            "give a folder, http(s)://…, or dicom://AE@host:port."
        )
    if os.path.isfile(text):
        raise InputRefused(f"{text}: is a file; name a folder for the record.")
    from perioview.record.folder import Folder

    return Folder(Path(text))


def source_from(text: str) -> Destination:
    """Open a record that is there already, to read from it.

    Parameters
    ----------
    text : str
        As for `destination_from`.

    Returns
    -------
    Destination

    Raises
    ------
    InputRefused
        As `destination_from`, and if it is a folder that does not exist.
    """
    source = destination_from(text)
    root = getattr(source, "root", None)
    if isinstance(root, Path) and not root.is_dir():
        raise InputRefused(f"{text}: there is no such folder; check the name.")
    return source
