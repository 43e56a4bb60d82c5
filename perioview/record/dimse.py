"""An archive that speaks DIMSE: C-STORE, storage commitment, C-FIND, C-GET (PS3.4 B, C, J)."""

from __future__ import annotations

import contextlib
import logging
import os
import threading
import urllib.parse
from collections.abc import Iterator, Sequence
from typing import Any

import pydicom
from pydicom.dataset import Dataset
from pydicom.uid import UID, ExplicitVRLittleEndian, ImplicitVRLittleEndian

from perioview.errors import InputRefused
from perioview.record.destination import Parcel, Progress
from perioview.record.identity import uid_from

_STUDY_ROOT_FIND = "1.2.840.10008.5.1.4.1.2.2.1"
_STUDY_ROOT_GET = "1.2.840.10008.5.1.4.1.2.2.3"
_COMMITMENT = "1.2.840.10008.1.20.1"
_COMMITMENT_INSTANCE = "1.2.840.10008.1.20.1.1"
_PLAIN = [ExplicitVRLittleEndian, ImplicitVRLittleEndian]
_PENDING = (0xFF00, 0xFF01)
_WAIT_S = 30.0


class Dimse:
    """An archive reached by the classic DICOM protocol.

    Parameters
    ----------
    address : str
        ``dicom://AE@host:port``, ``dicoms://`` with TLS. With ``?listen=PORT`` it is asked to
        commit to storage, and answers there; without, a query confirms. Our own AE title is
        PERIOVIEW or ``PERIOVIEW_AE``; ``PERIOVIEW_CA``, ``PERIOVIEW_CERT`` and
        ``PERIOVIEW_KEY`` name the files TLS needs.

    Raises
    ------
    InputRefused
        If the address is incomplete.
    """

    def __init__(self, address: str) -> None:
        parts = urllib.parse.urlsplit(address)
        try:
            port = parts.port
        except ValueError:
            port = None
        if not (parts.username and parts.hostname and port):
            raise InputRefused(f"{address}: is incomplete; write it as dicom://AE@host:port.")
        self.title = urllib.parse.unquote(parts.username)[:16]
        self.host, self.port = parts.hostname, port
        self.tls = parts.scheme == "dicoms"
        listen = urllib.parse.parse_qs(parts.query).get("listen", [""])[0]
        self.listen = int(listen) if listen.isdigit() else None
        self.name = f"{parts.scheme}://{self.title}@{self.host}:{self.port}"

    def _entity(self) -> Any:
        try:
            from pynetdicom import AE
        except ImportError as error:
            raise InputRefused(
                "an archive by DIMSE needs the archive extra; "
                "install it with pip install 'perioview[archive]'."
            ) from error
        # Its faults come to the user as one line each, from here, and without names.
        logging.getLogger("pynetdicom").addHandler(logging.NullHandler())
        entity = AE(ae_title=os.environ.get("PERIOVIEW_AE", "PERIOVIEW"))
        entity.dimse_timeout = entity.network_timeout = _WAIT_S
        entity.acse_timeout = 10
        entity.connection_timeout = 10
        return entity

    @contextlib.contextmanager
    def _association(self, entity: Any, **more: Any) -> Iterator[Any]:
        from pynetdicom import evt

        handlers = [(evt.EVT_CONN_OPEN, _without_delay), *more.pop("handlers", [])]
        association = entity.associate(
            self.host,
            self.port,
            ae_title=self.title,
            evt_handlers=handlers,
            tls_args=(self._tls(), self.host) if self.tls else None,
            **more,
        )
        if not association.is_established:
            told = "refused the association" if association.is_rejected else "cannot be reached"
            raise InputRefused(
                f"{self.name}: {told}; check title, address and certificate, and that the "
                "archive knows our title."
            )
        try:
            yield association
        finally:
            if association.is_established:
                association.release()

    def _tls(self) -> Any:
        import ssl

        try:
            context = ssl.create_default_context(cafile=os.environ.get("PERIOVIEW_CA"))
            if os.environ.get("PERIOVIEW_CERT"):
                context.load_cert_chain(
                    os.environ["PERIOVIEW_CERT"], os.environ.get("PERIOVIEW_KEY")
                )
        except (OSError, ssl.SSLError) as error:
            raise InputRefused(
                "the files named in PERIOVIEW_CA, PERIOVIEW_CERT or PERIOVIEW_KEY cannot be "
                "read; check them."
            ) from error
        return context

    def _query(self, association: Any, level: str, **keys: str) -> list[Dataset]:
        query = Dataset()
        query.QueryRetrieveLevel = level
        for keyword, value in keys.items():
            setattr(query, keyword, value)
        found: list[Dataset] = []
        for status, row in association.send_c_find(query, _STUDY_ROOT_FIND):
            if "Status" not in status:
                raise InputRefused(f"{self.name}: cut the connection; try again.")
            if status.Status in _PENDING and row is not None:
                found.append(row)
            elif status.Status != 0:
                raise InputRefused(f"{self.name}: answered a query with {status.Status:04X}.")
        return found

    @contextlib.contextmanager
    def _asking(self) -> Iterator[Any]:
        entity = self._entity()
        entity.add_requested_context(_STUDY_ROOT_FIND)
        with self._association(entity) as association:
            yield association

    def held(self, parcels: Sequence[Parcel]) -> set[str]:
        """UIDs of those parcels that the archive finds by query."""
        with self._asking() as association:
            return self._found(association, parcels)

    def _found(self, association: Any, parcels: Sequence[Parcel]) -> set[str]:
        there: set[str] = set()
        series = {
            (str(p.header.StudyInstanceUID), str(p.header.SeriesInstanceUID)) for p in parcels
        }
        for study, one in sorted(series):
            keys = {"StudyInstanceUID": study, "SeriesInstanceUID": one}
            rows = self._query(association, "IMAGE", SOPInstanceUID="", **keys)
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
        entity = self._entity()
        entity.add_requested_context(_STUDY_ROOT_FIND)
        for sop_class, syntax in sorted({_kind(p) for p in parcels}):
            entity.add_requested_context(sop_class, syntax)
        with self._association(entity) as association:
            for done, parcel in enumerate(parcels, 1):
                self._store_one(association, parcel)
                progress(done, len(parcels))
            if self.listen is None:
                return self._found(association, parcels)
        return self._committed(parcels)

    def _store_one(self, association: Any, parcel: Parcel) -> None:
        try:
            status = association.send_c_store(pydicom.dcmread(parcel.path))
        except (RuntimeError, ValueError) as error:
            raise InputRefused(
                f"{self.name}: cut the connection, or does not take objects of class "
                f"{UID(parcel.header.SOPClassUID).name}."
            ) from error
        if "Status" not in status:
            raise InputRefused(f"{self.name}: cut the connection; attach again to go on.")
        # B000, B006, B007 are warnings: stored, with remarks (PS3.4 B.2.3).
        if status.Status != 0 and status.Status >> 12 != 0xB:
            reason = "is full" if status.Status >> 8 == 0xA7 else "refused an object"
            raise InputRefused(f"{self.name}: {reason} (status {status.Status:04X}).")

    def _committed(self, parcels: Sequence[Parcel]) -> set[str]:
        """Ask the archive to answer for the objects (PS3.4 J.3), and wait for its word."""
        from pynetdicom import evt

        wanted = {p.uid for p in parcels}
        transaction = uid_from("commitment", *sorted(wanted), os.getpid())
        kept: set[str] = set()
        answered = threading.Event()

        def report(event: Any) -> tuple[int, None]:
            told = event.event_information
            if str(told.get("TransactionUID", "")) == transaction:
                for item in told.get("ReferencedSOPSequence", None) or []:
                    kept.add(str(item.ReferencedSOPInstanceUID))
                answered.set()
            return 0x0000, None

        entity = self._entity()
        entity.add_supported_context(_COMMITMENT, scu_role=True, scp_role=True)
        handlers = [(evt.EVT_N_EVENT_REPORT, report)]
        server = entity.start_server(
            ("", self.listen), block=False, evt_handlers=handlers, ae_title=entity.ae_title
        )
        try:
            entity.add_requested_context(_COMMITMENT)
            with self._association(entity, handlers=handlers) as association:
                status, _ = association.send_n_action(
                    _commitment_request(parcels, transaction),
                    1,
                    _COMMITMENT,
                    _COMMITMENT_INSTANCE,
                )
                if status.get("Status") == 0:
                    answered.wait(_WAIT_S)
        finally:
            server.shutdown()
        return kept & wanted

    def reports(self, patient: str, study: str | None = None) -> list[Dataset]:
        """Structured reports of a patient, or of one study of that patient."""
        with self._asking() as association:
            studies = [study] if study else [r.StudyInstanceUID for r in self._studies(patient)]
            series = [
                (str(one), str(row.SeriesInstanceUID))
                for one in studies
                for row in self._query(
                    association,
                    "SERIES",
                    StudyInstanceUID=str(one),
                    SeriesInstanceUID="",
                    Modality="SR",
                )
                # An archive may leave a key unmatched (PS3.4 C.2.2.1).
                if str(row.get("Modality", "")) == "SR"
            ]
        found = [
            dataset
            for one, uid in series
            for dataset in self._fetched("SERIES", StudyInstanceUID=one, SeriesInstanceUID=uid)
        ]
        return [d for d in found if str(d.get("PatientID", "")) == patient]

    def studies(self, patient: str) -> list[Dataset]:
        """Studies of a patient as the archive lists them."""
        return self._studies(patient)

    def _studies(self, patient: str) -> list[Dataset]:
        keys = {"StudyInstanceUID": "", "StudyDate": "", "StudyDescription": ""}
        with self._asking() as association:
            rows = self._query(association, "STUDY", PatientID=patient, **keys)
        return [row for row in rows if str(row.get("PatientID", "")) == patient]

    def objects(self, patient: str, study: str) -> Iterator[Dataset]:
        """All objects of one study of the patient."""
        for dataset in self._fetched("STUDY", StudyInstanceUID=study):
            if str(dataset.get("PatientID", "")) == patient:
                yield dataset

    def _fetched(self, level: str, **keys: str) -> list[Dataset]:
        from pynetdicom import build_role, evt

        found: list[Dataset] = []

        def received(event: Any) -> int:
            dataset = event.dataset
            dataset.file_meta = event.file_meta
            found.append(dataset)
            return 0x0000

        entity = self._entity()
        entity.add_requested_context(_STUDY_ROOT_GET)
        classes = _storage_classes()
        for sop_class in classes:
            entity.add_requested_context(sop_class, _PLAIN)
        query = Dataset()
        query.QueryRetrieveLevel = level
        for keyword, value in keys.items():
            setattr(query, keyword, value)
        roles = [build_role(sop_class, scp_role=True) for sop_class in classes]
        with self._association(
            entity, ext_neg=roles, handlers=[(evt.EVT_C_STORE, received)]
        ) as association:
            last = Dataset()
            for status, _ in association.send_c_get(query, _STUDY_ROOT_GET):
                last = status
            if last.get("Status") != 0:
                raise InputRefused(
                    f"{self.name}: did not hand over all objects (status "
                    f"{last.get('Status', 0xFFFF):04X}); try again."
                )
        return found


def _kind(parcel: Parcel) -> tuple[str, str]:
    return str(parcel.header.SOPClassUID), str(parcel.header.file_meta.TransferSyntaxUID)


def _storage_classes() -> list[str]:
    root = "1.2.840.10008.5.1.4.1.1"
    tails = "1 1.1 1.1.1 1.2 1.3 1.3.1 7 7.1 7.2 7.3 7.4 11.1 11.2 66.4 77.1.4 88.11 88.22 88.33"
    return [f"{root}.{tail}" for tail in (*tails.split(), "88.34", "104.1")]


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


def _without_delay(event: Any) -> None:
    """Small objects must not wait for the network to fill a packet."""
    import socket

    connection = event.assoc.dul.socket
    if connection is not None and connection.socket is not None:
        connection.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
