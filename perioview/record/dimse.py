"""An archive that speaks DIMSE: C-STORE, storage commitment, C-FIND, C-GET or C-MOVE."""

from __future__ import annotations

import contextlib
import copy
import os
import threading
from collections.abc import Iterator, Sequence
from typing import Any

import pydicom
from pydicom.dataset import Dataset
from pydicom.uid import (
    UID,
    ColorSoftcopyPresentationStateStorage,
    ComprehensiveSRStorage,
    EncapsulatedPDFStorage,
    ExplicitVRLittleEndian,
    GrayscaleSoftcopyPresentationStateStorage,
    ImplicitVRLittleEndian,
    JPEGBaseline8Bit,
    SecondaryCaptureImageStorage,
    SegmentationStorage,
    VLPhotographicImageStorage,
)

from perioview.errors import InputRefused
from perioview.record.destination import Parcel, Progress
from perioview.record.identity import uid_from
from perioview.record.peer import STUDY_ROOT_FIND, WAIT_S, peer_from
from perioview.record.retrieval import retrieved

_COMMITMENT = "1.2.840.10008.1.20.1"
_COMMITMENT_INSTANCE = "1.2.840.10008.1.20.1.1"
# What a visit's record is made of.
_OURS = [
    (SecondaryCaptureImageStorage, JPEGBaseline8Bit),
    (VLPhotographicImageStorage, JPEGBaseline8Bit),
    (ComprehensiveSRStorage, ExplicitVRLittleEndian),
    (GrayscaleSoftcopyPresentationStateStorage, ExplicitVRLittleEndian),
    (ColorSoftcopyPresentationStateStorage, ExplicitVRLittleEndian),
    (SegmentationStorage, ExplicitVRLittleEndian),
    (EncapsulatedPDFStorage, ExplicitVRLittleEndian),
]


class Dimse:
    """An archive reached by the classic DICOM protocol (PS3.4 B, C, J).

    Parameters
    ----------
    address : str
        ``dicom://AE@host:port``, ``dicoms://`` with TLS. With ``?listen=PORT`` it is asked to
        commit to storage, and answers there; without, a query confirms. There it also sends
        what it hands over by C-MOVE: where it offers no C-GET, or with ``&retrieve=move``. Our
        own AE title is PERIOVIEW or ``PERIOVIEW_AE``; ``PERIOVIEW_CA``, ``PERIOVIEW_CERT`` and
        ``PERIOVIEW_KEY`` name the files TLS needs.

    Raises
    ------
    InputRefused
        If the address is incomplete.
    """

    def __init__(self, address: str) -> None:
        self.peer = peer_from(address)
        self._open: Any = None
        self._answers = _Answers()

    @contextlib.contextmanager
    def connected(self, parcels: Sequence[Parcel], *, ours: bool = False) -> Iterator[Dimse]:
        """Hold one association open that queries and takes these parcels."""
        if self._open is not None:
            yield self
            return
        kinds = {kind for p in parcels for kind in _kinds(*_kind(p))}
        if ours:
            kinds |= {kind for c, syntax in _OURS for kind in _kinds(c, syntax)}
        entity = self.peer.entity()
        entity.add_requested_context(STUDY_ROOT_FIND)
        for sop_class, syntax in sorted(kinds):
            entity.add_requested_context(sop_class, syntax)
        with contextlib.ExitStack() as stack:
            handlers: list[Any] = []
            if self.peer.listen is not None:
                handlers = self._answers.handlers()
                entity.add_supported_context(_COMMITMENT, scu_role=True, scp_role=True)
                stack.enter_context(self.peer.answered(entity, handlers))
                entity.add_requested_context(_COMMITMENT)
            there = copy.copy(self)
            there._open = stack.enter_context(self.peer.associated(entity, handlers=handlers))
            yield there

    @contextlib.contextmanager
    def _asking(self) -> Iterator[Any]:
        if self._open is not None:
            yield self._open
            return
        entity = self.peer.entity()
        entity.add_requested_context(STUDY_ROOT_FIND)
        with self.peer.associated(entity) as association:
            yield association

    def held(self, parcels: Sequence[Parcel]) -> set[str]:
        """UIDs of those parcels that the archive finds by query."""
        with self._asking() as association:
            there = {
                str(row.SeriesInstanceUID)
                for study in sorted({str(p.header.StudyInstanceUID) for p in parcels})
                for row in self.peer.listed(
                    association, "SERIES", StudyInstanceUID=study, SeriesInstanceUID=""
                )
            }
            return self._found(
                association, [p for p in parcels if str(p.header.SeriesInstanceUID) in there]
            )

    def _found(self, association: Any, parcels: Sequence[Parcel]) -> set[str]:
        there: set[str] = set()
        series = {
            (str(p.header.StudyInstanceUID), str(p.header.SeriesInstanceUID)) for p in parcels
        }
        for study, one in sorted(series):
            keys = {"StudyInstanceUID": study, "SeriesInstanceUID": one}
            rows = self.peer.listed(association, "IMAGE", SOPInstanceUID="", **keys)
            there |= {str(row.SOPInstanceUID) for row in rows}
        return there & {p.uid for p in parcels}

    def store(self, parcels: Sequence[Parcel], progress: Progress) -> set[str]:
        """Store, then have it confirmed: by commitment where we can listen, else by query.

        Parameters
        ----------
        parcels : sequence of Parcel
        progress : callable
            Told of (done, total).

        Returns
        -------
        set of str
            UIDs confirmed.

        Raises
        ------
        InputRefused
            If the archive refuses an object, or cuts the connection.
        """
        if self._open is None:
            with self.connected(parcels) as there:
                return there.store(parcels, progress)
        accepted = {
            (str(c.abstract_syntax), str(c.transfer_syntax[0]))
            for c in self._open.accepted_contexts
        }
        for done, parcel in enumerate(parcels, 1):
            self._store_one(parcel, accepted)
            progress(done, len(parcels))
        if any(c.abstract_syntax == _COMMITMENT for c in self._open.accepted_contexts):
            return self._committed(parcels)
        return self._found(self._open, parcels)

    def _store_one(self, parcel: Parcel, accepted: set[tuple[str, str]]) -> None:
        try:
            status = self._open.send_c_store(_sendable(parcel, accepted))
        except (RuntimeError, ValueError, AttributeError, NotImplementedError) as error:
            raise InputRefused(
                f"{self.peer.name}: cut the connection, or does not take objects of class "
                f"{UID(parcel.header.SOPClassUID).name}."
            ) from error
        if "Status" not in status:
            raise InputRefused(f"{self.peer.name}: cut the connection; attach again to go on.")
        # B000, B006, B007 are warnings: stored, with remarks (PS3.4 B.2.3).
        if status.Status != 0 and status.Status >> 12 != 0xB:
            reason = "is full" if status.Status >> 8 == 0xA7 else "refused an object"
            raise InputRefused(f"{self.peer.name}: {reason} (status {status.Status:04X}).")

    def _committed(self, parcels: Sequence[Parcel]) -> set[str]:
        """Ask the archive to answer for the objects (PS3.4 J.3), and wait for its word."""
        wanted = {p.uid for p in parcels}
        transaction = str(uid_from("commitment", *sorted(wanted), os.getpid()))
        self._answers.expect(transaction)
        try:
            status, _ = self._open.send_n_action(
                _commitment_request(parcels, transaction), 1, _COMMITMENT, _COMMITMENT_INSTANCE
            )
        except (RuntimeError, ValueError):
            return set()
        if status.get("Status") != 0:
            return self._found(self._open, parcels)
        return self._answers.kept(transaction) & wanted

    def reports(self, patient: str, study: str | None = None) -> list[Dataset]:
        """Structured reports of a patient, or of one study of that patient."""
        with self._asking() as association:
            rows = [] if study else self._studies(association, patient)
            studies = [study] if study else [str(r.StudyInstanceUID) for r in rows]
            series = [
                (one, str(row.SeriesInstanceUID))
                for one in studies
                for row in self.peer.listed(
                    association,
                    "SERIES",
                    StudyInstanceUID=one,
                    SeriesInstanceUID="",
                    Modality="SR",
                )
                # An archive may leave a key unmatched (PS3.4 C.2.2.1).
                if str(row.get("Modality", "")) == "SR"
            ]
        wanted = [{"StudyInstanceUID": one, "SeriesInstanceUID": uid} for one, uid in series]
        found = retrieved(self.peer, "SERIES", wanted)
        return [d for d in found if str(d.get("PatientID", "")) == patient]

    def studies(self, patient: str) -> list[Dataset]:
        """Studies of a patient as the archive lists them."""
        with self._asking() as association:
            return self._studies(association, patient)

    def _studies(self, association: Any, patient: str) -> list[Dataset]:
        keys = {"StudyInstanceUID": "", "StudyDate": "", "StudyDescription": ""}
        rows = self.peer.listed(association, "STUDY", PatientID=patient, **keys)
        return [row for row in rows if str(row.get("PatientID", "")) == patient]

    def objects(self, patient: str, study: str) -> Iterator[Dataset]:
        """All objects of one study of the patient."""
        for dataset in retrieved(self.peer, "STUDY", [{"StudyInstanceUID": study}]):
            if str(dataset.get("PatientID", "")) == patient:
                yield dataset


class _Answers:
    """What an archive has committed to, by transaction; it may answer on any association."""

    def __init__(self) -> None:
        self._kept: dict[str, set[str]] = {}
        self._told: dict[str, threading.Event] = {}

    def handlers(self) -> list[Any]:
        from pynetdicom import evt

        return [(evt.EVT_N_EVENT_REPORT, self._report)]

    def expect(self, transaction: str) -> None:
        self._kept[transaction] = set()
        self._told[transaction] = threading.Event()

    def kept(self, transaction: str) -> set[str]:
        self._told[transaction].wait(WAIT_S)
        return self._kept[transaction]

    def _report(self, event: Any) -> tuple[int, None]:
        said = event.event_information
        transaction = str(said.get("TransactionUID", ""))
        if transaction in self._kept:
            for item in said.get("ReferencedSOPSequence", None) or []:
                self._kept[transaction].add(str(item.ReferencedSOPInstanceUID))
            self._told[transaction].set()
        return 0x0000, None


def _kind(parcel: Parcel) -> tuple[str, str]:
    header = parcel.header
    return str(header.SOPClassUID), str(header.file_meta.TransferSyntaxUID)


def _kinds(sop_class: str, syntax: str) -> list[tuple[str, str]]:
    """Class and transfer syntaxes of an object, as it is and as any archive must take it."""
    # Implicit VR is the one that nobody may refuse (PS3.5 10.1).
    return [(sop_class, s) for s in (syntax, ExplicitVRLittleEndian, ImplicitVRLittleEndian)]


def _sendable(parcel: Parcel, accepted: set[tuple[str, str]]) -> Any:
    """The file as it is, or what it holds where the archive wants another encoding."""
    sop_class, syntax = _kind(parcel)
    meta = parcel.header.file_meta
    told = (meta.get("MediaStorageSOPClassUID"), meta.get("MediaStorageSOPInstanceUID"))
    if (sop_class, syntax) in accepted and told == (sop_class, parcel.uid):
        return parcel.path
    dataset = pydicom.dcmread(parcel.path)
    if (sop_class, syntax) not in accepted and UID(syntax).is_compressed:
        dataset.decompress(generate_instance_uid=False)
    return dataset


def _commitment_request(parcels: Sequence[Parcel], transaction: str) -> Dataset:
    request = Dataset()
    request.TransactionUID = transaction
    request.ReferencedSOPSequence = []
    for parcel in parcels:
        item = Dataset()
        item.ReferencedSOPClassUID = parcel.header.SOPClassUID
        item.ReferencedSOPInstanceUID = parcel.uid
        request.ReferencedSOPSequence.append(item)
    return request
