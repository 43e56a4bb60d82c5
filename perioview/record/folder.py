"""A folder as destination: a DICOM file-set with its DICOMDIR (PS3.10 8)."""

from __future__ import annotations

import base64
import contextlib
import hashlib
import os
import shutil
from collections.abc import Iterator, Sequence
from pathlib import Path

import pydicom
from pydicom.dataset import Dataset

from perioview.errors import InputRefused
from perioview.record.destination import Parcel, Progress
from perioview.record.directory import NAME, Node, add_object, directory_bytes, read_directory


def file_id(header: Dataset) -> list[str]:
    """Path of an object below the DICOMDIR: no names, eight characters a part (PS3.10 8.2)."""

    def part(first: str, text: object) -> str:
        code = base64.b32encode(hashlib.sha256(str(text).encode()).digest())
        return first + code.decode()[:7]

    return [
        part("P", header.get("PatientID", "")),
        part("S", header.StudyInstanceUID),
        part("I", header.SOPInstanceUID),
    ]


class Folder:
    """A file-set on disk; whole or not changed at all.

    Parameters
    ----------
    root : Path
        Made if it does not exist.
    """

    def __init__(self, root: Path) -> None:
        self.root = root

    @contextlib.contextmanager
    def connected(self, parcels: Sequence[Parcel], *, ours: bool = False) -> Iterator[Folder]:
        """Return the folder itself: there is nothing to hold open."""
        yield self

    def _leaves(self, kind: str | None = None) -> Iterator[tuple[Dataset, Dataset, Dataset]]:
        for patient in read_directory(self.root / NAME):
            for study in patient.children:
                for node in study.walk():
                    held = node.record.get("ReferencedFileID")
                    if held and kind in (None, node.record.DirectoryRecordType):
                        yield patient.record, study.record, node.record

    def _read(self, record: Dataset) -> Dataset:
        held = record.ReferencedFileID
        parts = [held] if isinstance(held, str) else list(held)
        path = self.root.joinpath(*parts)
        try:
            return pydicom.dcmread(path)
        except Exception as error:
            raise InputRefused(
                f"{path}: is listed in the DICOMDIR but cannot be read ({type(error).__name__}); "
                "restore it from a copy, or attach the visit again."
            ) from error

    def held(self, parcels: Sequence[Parcel]) -> set[str]:
        """UIDs of those parcels that are already there, their files included."""
        listed = {
            str(r.ReferencedSOPInstanceUIDInFile)
            for _, _, r in self._leaves()
            if "ReferencedSOPInstanceUIDInFile" in r
        }
        return {
            p.uid
            for p in parcels
            if p.uid in listed and self.root.joinpath(*file_id(p.header)).is_file()
        }

    def store(self, parcels: Sequence[Parcel], progress: Progress) -> set[str]:
        """Copy the files in, then put the new DICOMDIR in place of the old.

        Parameters
        ----------
        parcels : sequence of Parcel
        progress : callable
            Told of (done, total).

        Returns
        -------
        set of str
            UIDs stored.

        Raises
        ------
        InputRefused
            If the folder cannot be written; it is then as it was.
        """
        placed: list[Path] = []
        made = not self.root.exists()
        try:
            self.root.mkdir(parents=True, exist_ok=True)
            with _locked(self.root):
                for left in self.root.glob(f".{NAME}.*"):
                    left.unlink(missing_ok=True)
                tree = read_directory(self.root / NAME)
                for done, parcel in enumerate(parcels, 1):
                    self._place(tree, parcel, placed)
                    progress(done, len(parcels))
                _replace(self.root / NAME, directory_bytes(tree))
        except BaseException as error:
            for path in placed:
                path.unlink(missing_ok=True)
                with contextlib.suppress(OSError):
                    path.parent.rmdir()
                    path.parent.parent.rmdir()
            if made:
                with contextlib.suppress(OSError):
                    self.root.rmdir()
            if not isinstance(error, OSError):
                raise
            raise InputRefused(
                f"{self.root}: cannot be written ({error.strerror or error}); nothing was stored. "
                "Choose a folder that is writable and has room."
            ) from error
        return {p.uid for p in parcels}

    def _place(self, tree: list[Node], parcel: Parcel, placed: list[Path]) -> None:
        parts = file_id(parcel.header)
        path = self.root.joinpath(*parts)
        if not path.exists():
            placed.append(path)
        path.parent.mkdir(parents=True, exist_ok=True)
        for left in path.parent.glob(f"{path.name}.*"):
            left.unlink(missing_ok=True)  # by a program that was killed; we hold the lock
        draft = path.with_name(f"{path.name}.{os.getpid()}")
        try:
            shutil.copyfile(parcel.path, draft)
            with draft.open("rb+") as file:
                os.fsync(file.fileno())
            os.replace(draft, path)
        finally:
            draft.unlink(missing_ok=True)
        add_object(tree, parcel.header, parts)

    def reports(self, patient: str, study: str | None = None) -> list[Dataset]:
        """Structured reports of a patient, or of one study of that patient."""
        return [
            self._read(record)
            for of, where, record in self._leaves("SR DOCUMENT")
            if str(of.PatientID) == patient
            and study in (None, str(where.get("StudyInstanceUID", "")))
        ]

    def studies(self, patient: str) -> list[Dataset]:
        """Study records of a patient."""
        return [
            node.record
            for top in read_directory(self.root / NAME)
            if str(top.record.PatientID) == patient
            for node in top.children
        ]

    def objects(self, patient: str, study: str) -> Iterator[Dataset]:
        """All objects of one study."""
        for of, where, record in self._leaves():
            if str(of.PatientID) == patient and str(where.StudyInstanceUID) == study:
                yield self._read(record)


def _replace(path: Path, data: bytes) -> None:
    draft = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        with draft.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.replace(draft, path)
    finally:
        draft.unlink(missing_ok=True)


@contextlib.contextmanager
def _locked(root: Path) -> Iterator[None]:
    """Keep two programs from writing one DICOMDIR at a time; a killed one leaves no lock."""
    try:
        import fcntl
    except ImportError:  # no such locks on this system
        yield
        return
    descriptor = os.open(root, os.O_RDONLY)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX)
        yield
    finally:
        os.close(descriptor)
