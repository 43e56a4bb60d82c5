"""A DICOMweb archive as destination: STOW to store, QIDO to confirm, WADO to read (PS3.18)."""

from __future__ import annotations

import contextlib
import copy
import io
import logging
import os
import ssl
import uuid
from collections.abc import Callable, Iterator, Sequence
from typing import Any, TypeVar

import pydicom
from pydicom.dataset import Dataset

from perioview.errors import InputRefused
from perioview.record.destination import Parcel, Progress
from perioview.record.tls import tls_context

T = TypeVar("T")
# Without a transfer syntax an archive may decode what it sends (PS3.18 8.7.3.5.2).
_AS_STORED = (("application/dicom", "*"),)
_NOT_TAKEN = (400, 406, 409, 415)  # an object the archive cannot hold (PS3.18 10.5.3.1)
_TIMEOUT_S = (10, 120)  # to connect, and between two answers of a slow archive


class DicomWeb:
    """An archive reached by DICOMweb.

    Parameters
    ----------
    url : str
        Root of its services. Who we are comes from the environment: ``PERIOVIEW_USER`` and
        ``PERIOVIEW_PASSWORD``, or ``PERIOVIEW_TOKEN``; a password that is not there is looked
        for in the system keyring, under the URL. A certificate authority of the practice's own
        comes from ``PERIOVIEW_CA``, a certificate of ours from ``PERIOVIEW_CERT`` and
        ``PERIOVIEW_KEY``. TLS is always verified.
    """

    def __init__(self, url: str) -> None:
        self.url = url.rstrip("/")
        self._kept: Any = None

    @contextlib.contextmanager
    def connected(self, parcels: Sequence[Parcel], *, ours: bool = False) -> Iterator[DicomWeb]:
        """Keep one HTTP connection for all questions."""
        if self._kept is not None:
            yield self
            return
        there = copy.copy(self)
        there._kept = self._client()
        try:
            yield there
        finally:
            there._kept.session.close()

    def _client(self) -> Any:
        if self._kept is not None:
            return self._kept
        try:
            import requests
            from dicomweb_client.api import DICOMwebClient
        except ImportError as error:
            raise InputRefused(
                "a DICOMweb archive needs the archive extra; "
                "install it with pip install 'perioview[archive]'."
            ) from error
        for name in ("dicomweb_client", "retrying", "urllib3"):
            # Their messages hold addresses with UIDs; the user gets one line, from here.
            logging.getLogger(name).addHandler(logging.NullHandler())
        session = requests.Session()
        # Left to itself the session lets REQUESTS_CA_BUNDLE overrule the authority named here.
        session.trust_env = False
        session.proxies.update(requests.utils.get_environ_proxies(self.url))
        named = ("PERIOVIEW_CA", "REQUESTS_CA_BUNDLE", "CURL_CA_BUNDLE")
        session.verify = next((os.environ[n] for n in named if os.environ.get(n)), True)
        cert, key = os.environ.get("PERIOVIEW_CERT"), os.environ.get("PERIOVIEW_KEY")
        if cert:
            session.cert = (cert, key) if key else cert
        if cert or os.environ.get("PERIOVIEW_CA"):
            tls_context()  # says in one line which file cannot be read
        user, token = os.environ.get("PERIOVIEW_USER"), os.environ.get("PERIOVIEW_TOKEN")
        if user:
            session.auth = (user, self._password(user))
        elif token:
            session.headers["Authorization"] = f"Bearer {token}"
        client = DICOMwebClient(self.url, session=session, timeout=_TIMEOUT_S)
        client.session = session
        # It would try a dead archive for half a minute; the outbox is what waits here.
        client.set_http_retry_params(retry=False)
        return client

    def _password(self, user: str) -> str:
        """From the environment, else from the system keyring where `keyring` is installed."""
        told = os.environ.get("PERIOVIEW_PASSWORD")
        if told is not None:
            return told
        try:
            import keyring  # type: ignore[import-not-found,unused-ignore]

            return keyring.get_password(self.url, user) or ""
        except Exception:  # no keyring, or one that is locked: the archive will say so
            return ""

    def _asked(self, question: Callable[[Any], T]) -> T:
        """Ask the archive; its failures in words that say what to do."""
        client = self._client()
        import requests

        try:
            return question(client)
        except requests.exceptions.SSLError as error:
            raise InputRefused(
                f"{self.url}: its certificate is not trusted ({_tls_words(error)}); renew it, or "
                "name the practice's own authority in PERIOVIEW_CA."
            ) from error
        except requests.exceptions.HTTPError as error:
            status = error.response.status_code if error.response is not None else "?"
            told = {
                401: "who we are is not accepted; set PERIOVIEW_USER and PERIOVIEW_PASSWORD",
                403: "access is denied; ask for the right to store",
                404: "no DICOMweb service is there; check the address",
                507: "the archive is full; make room there",
            }.get(status if isinstance(status, int) else 0, "the archive failed; try again later")
            raise InputRefused(f"{self.url}: answered {status}: {told}.") from error
        except requests.exceptions.InvalidJSONError as error:
            raise InputRefused(
                f"{self.url}: its answer is not understood; check that the address is the root "
                "of a DICOMweb service."
            ) from error
        except (requests.exceptions.RequestException, OSError) as error:
            raise InputRefused(
                f"{self.url}: cannot be reached or cut the connection ({_short(error)}); "
                "check the address and the archive, then try again."
            ) from error

    def held(self, parcels: Sequence[Parcel]) -> set[str]:
        """UIDs of those parcels that the archive finds by query."""
        return self._asked(lambda client: self._found(client, parcels))

    @staticmethod
    def _found(client: Any, parcels: Sequence[Parcel]) -> set[str]:
        studies = {str(p.header.StudyInstanceUID) for p in parcels}
        there: set[str] = set()
        for study in sorted(studies):
            for row in _rows(
                client.search_for_instances(study_instance_uid=study, get_remaining=True)
            ):
                there.add(str(row.SOPInstanceUID))
        return there & {p.uid for p in parcels}

    def store(self, parcels: Sequence[Parcel], progress: Progress) -> set[str]:
        """Store one by one, then ask which arrived.

        Parameters
        ----------
        parcels : sequence of Parcel
        progress : callable
            Told of (done, total).

        Returns
        -------
        set of str
            UIDs the archive finds afterwards.
        """

        def stored(client: Any) -> set[str]:
            for done, parcel in enumerate(parcels, 1):
                _stow(client.session, self.url, parcel)
                progress(done, len(parcels))
            return self._found(client, parcels)

        return self._asked(stored)

    def reports(self, patient: str, study: str | None = None) -> list[Dataset]:
        """Structured reports of a patient, or of one study of that patient."""

        def read(client: Any) -> list[Dataset]:
            filters = {"PatientID": patient, "Modality": "SR"}
            found = client.search_for_series(
                study_instance_uid=study, search_filters=filters, get_remaining=True
            )
            return [
                report
                for row in _rows(found)
                for report in client.retrieve_series(
                    str(row.StudyInstanceUID) if study is None else study,
                    str(row.SeriesInstanceUID),
                    media_types=_AS_STORED,
                )
                if str(report.get("PatientID", "")) == patient
            ]

        return self._asked(read)

    def studies(self, patient: str) -> list[Dataset]:
        """Studies of a patient as the archive lists them."""
        return self._asked(
            lambda client: _rows(
                client.search_for_studies(search_filters={"PatientID": patient}, get_remaining=True)
            )
        )

    def objects(self, patient: str, study: str) -> Iterator[Dataset]:
        """All objects of one study of the patient."""
        found: list[Dataset] = self._asked(
            lambda client: client.retrieve_study(study, media_types=_AS_STORED)
        )
        for dataset in found:
            if str(dataset.get("PatientID", "")) == patient:
                yield dataset


def _stow(session: Any, url: str, parcel: Parcel) -> None:
    """Send a file as it lies there (PS3.18 10.5): the client would decode and encode it again.

    An archive that does not take its transfer syntax gets the same object uncompressed.
    """
    answer = _posted(session, url, parcel.path.read_bytes())
    syntax = parcel.header.file_meta.TransferSyntaxUID
    if answer.status_code in _NOT_TAKEN and syntax.is_compressed:
        dataset = pydicom.dcmread(parcel.path)
        dataset.decompress(generate_instance_uid=False)
        plain = io.BytesIO()
        dataset.save_as(plain, enforce_file_format=True)
        answer = _posted(session, url, plain.getvalue())
    answer.raise_for_status()


def _posted(session: Any, url: str, file: bytes) -> Any:
    boundary = f"perioview-{uuid.uuid4().hex}"
    head = f"--{boundary}\r\nContent-Type: application/dicom\r\n\r\n".encode()
    return session.post(
        f"{url}/studies",
        data=head + file + f"\r\n--{boundary}--\r\n".encode(),
        headers={
            "Content-Type": f'multipart/related; type="application/dicom"; boundary={boundary}',
            "Accept": "application/dicom+json",
        },
        timeout=_TIMEOUT_S,
    )


def _rows(found: list[dict[str, Any]]) -> list[Dataset]:
    return [Dataset.from_json(row) for row in found]


def _tls_words(error: BaseException) -> str:
    """What is wrong with a certificate, from below the layers of the HTTP library."""
    cause: object = error
    while isinstance(cause, BaseException):
        if isinstance(cause, ssl.SSLCertVerificationError):
            return str(cause.verify_message)
        cause = getattr(cause, "reason", None) or (cause.args[0] if cause.args else None)
    return _short(error)


def _short(error: BaseException) -> str:
    # An address or a header may carry what is secret, so only the kind of error is told.
    return type(error).__name__
