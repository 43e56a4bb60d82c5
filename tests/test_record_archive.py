"""A real archive server: everything arrives once, comes back identical, and survives faults."""

from __future__ import annotations

import gc
import socket
import ssl
import struct
import subprocess
import threading
import warnings
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import pytest

from perioview.errors import InputRefused
from perioview.record.destination import destination_from, no_progress
from perioview.record.history import history, marks_from_report
from perioview.record.outbox import send, write_outbox
from tests.orthanc import Orthanc, free_port, needed, orthanc_at
from tests.record_examples import example_radiograph
from tests.test_record_folder import encoded
from tests.test_record_objects import draft_objects

pytestmark = [
    pytest.mark.server,
    # pynetdicom drops the socket of a refused connection without closing it.
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
]


@pytest.fixture(autouse=True)
def sockets_collected() -> Iterator[None]:
    """Keep a socket that pynetdicom dropped from being blamed on a later test."""
    yield
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ResourceWarning)
        gc.collect()


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Orthanc]:
    with orthanc_at(tmp_path_factory.mktemp("orthanc")) as running:
        yield running


def data_set(data: bytes) -> bytes:
    """Everything behind the file meta information, which names the last program that wrote it."""
    (length,) = struct.unpack_from("<I", data, 140)  # PS3.10 7.1: (0002,0000) comes first
    return data[144 + length :]


@pytest.mark.parametrize("way", ["web", "dimse"])
def test_every_object_arrives_once_and_comes_back_identical(tmp_path: Path, way: str) -> None:
    with orthanc_at(tmp_path / "orthanc") as server:
        destination = destination_from(getattr(server, way))
        objects = draft_objects()
        for _ in range(2):
            send(write_outbox(tmp_path / "o", objects), destination, outbox=tmp_path / "o")
        assert not (tmp_path / "o").exists()
        stored = server.files()
        assert set(stored) == {str(o.SOPInstanceUID) for o in objects}
        returned = {
            str(o.SOPInstanceUID): o
            for o in destination.objects("PV-0001", str(objects[0].StudyInstanceUID))
        }
        assert set(returned) == set(stored)
        for o in objects:
            sent = data_set(encoded(o))
            assert data_set(stored[str(o.SOPInstanceUID)]) == sent, o.Modality
            assert data_set(encoded(returned[str(o.SOPInstanceUID)])) == sent, o.Modality
        assert len(destination.studies("PV-0001")) == 1
        assert destination.studies("PV-0002") == [] == destination.reports("PV-0002")
        reports = destination.reports("PV-0001")
        assert example_radiograph().marks in [marks_from_report(r) for r in reports]
        told = history("PV-0001", reports)["measurements"]
        values = {s.bone_loss_pct.value for s in example_radiograph().sites}
        assert values == {m["value"] for m in told if m["quantity"] == "bone_loss_pct"}


def test_storage_commitment_confirms(tmp_path: Path) -> None:
    with orthanc_at(tmp_path / "orthanc") as server:
        destination = destination_from(f"{server.dimse}?listen={server.ours}")
        parcels = write_outbox(tmp_path / "o", draft_objects()[:2])
        assert destination.store(parcels, no_progress) == {p.uid for p in parcels}


def test_commitment_of_what_is_not_there_is_not_confirmed(server: Orthanc, tmp_path: Path) -> None:
    destination = destination_from(f"{server.dimse}?listen={server.ours}")
    parcels = write_outbox(tmp_path / "o", draft_objects()[:1])
    with destination.connected(parcels) as there:
        assert there._committed(parcels) == set()  # type: ignore[attr-defined]


@pytest.mark.parametrize("way", ["web", "dimse"])
def test_a_server_killed_midway_loses_and_doubles_nothing(tmp_path: Path, way: str) -> None:
    with orthanc_at(tmp_path / "orthanc") as server:
        destination = destination_from(getattr(server, way))
        outbox = tmp_path / "o"
        parcels = write_outbox(outbox, draft_objects())

        def kill(done: int, total: int) -> None:
            if done == 3:
                server.stop(kill=True)

        with pytest.raises(InputRefused):
            send(parcels, destination, outbox=outbox, progress=kill)
        assert len(list(outbox.glob("*.dcm"))) == len(parcels)
        with pytest.raises(InputRefused, match="cannot be reached"):
            send(parcels, destination, outbox=outbox)
        server.start()
        send(write_outbox(outbox, draft_objects()), destination, outbox=outbox)
        assert set(server.files()) == {p.uid for p in parcels}
        assert not outbox.exists()


def test_credentials_come_from_the_environment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with orthanc_at(tmp_path / "orthanc", {"practice": "s3cret"}) as server:
        destination = destination_from(server.web)
        parcels = write_outbox(tmp_path / "o", draft_objects()[:1])
        monkeypatch.setenv("PERIOVIEW_USER", "practice")
        monkeypatch.setenv("PERIOVIEW_PASSWORD", "wr0ng")
        with pytest.raises(InputRefused, match="401") as refused:
            send(parcels, destination, outbox=tmp_path / "o")
        assert "wr0ng" not in str(refused.value)
        assert parcels[0].path.exists()
        monkeypatch.setenv("PERIOVIEW_PASSWORD", "s3cret")
        send(parcels, destination, outbox=tmp_path / "o")
        assert set(server.files()) == {parcels[0].uid}


@pytest.mark.parametrize("form", ["http://127.0.0.1:{}/dicom-web", "dicom://A@127.0.0.1:{}"])
def test_an_archive_that_is_down(tmp_path: Path, form: str) -> None:
    parcels = write_outbox(tmp_path / "o", draft_objects()[:1])
    with pytest.raises(InputRefused, match="cannot be reached"):
        send(parcels, destination_from(form.format(free_port())), outbox=tmp_path / "o")
    assert parcels[0].path.exists()


def test_what_answers_is_no_archive(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:

        def hang_up() -> None:
            connection, _ = listener.accept()
            connection.close()

        thread = threading.Thread(target=hang_up)
        thread.start()
        parcels = write_outbox(tmp_path / "o", draft_objects()[:1])
        address = f"dicom://A@127.0.0.1:{listener.getsockname()[1]}"
        with pytest.raises(InputRefused, match="cannot be reached"):
            send(parcels, destination_from(address), outbox=tmp_path / "o")
        thread.join()


@pytest.fixture
def untrusted(tmp_path: Path) -> Iterator[HTTPServer]:
    """HTTPS server whose certificate nobody vouches for."""
    key, certificate = tmp_path / "key.pem", tmp_path / "cert.pem"
    subprocess.run(
        [
            needed("openssl", "openssl is missing; install it with apt-get install openssl"),
            *[
                "req",
                "-x509",
                "-newkey",
                "rsa:2048",
                "-nodes",
                "-subj",
                "/CN=localhost",
                "-days",
                "1",
            ],
            *("-keyout", str(key), "-out", str(certificate)),
        ],
        check=True,
        capture_output=True,
    )
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificate, key)
    server = HTTPServer(("127.0.0.1", 0), BaseHTTPRequestHandler)
    server.socket = context.wrap_socket(server.socket, server_side=True)
    server.handle_error = lambda *_: None  # type: ignore[method-assign]
    threading.Thread(target=server.serve_forever, daemon=True).start()
    yield server
    server.shutdown()
    server.server_close()


def test_an_untrusted_certificate_is_refused(untrusted: HTTPServer, tmp_path: Path) -> None:
    parcels = write_outbox(tmp_path / "o", draft_objects()[:1])
    address = f"https://localhost:{untrusted.server_port}/dicom-web"
    with pytest.raises(InputRefused, match="certificate is not trusted"):
        send(parcels, destination_from(address), outbox=tmp_path / "o")
    assert parcels[0].path.exists()


@pytest.mark.parametrize(
    ("status", "body", "told"),
    [
        (507, b"", "full"),
        (503, b"", "failed"),
        (200, b'[{"00080018":', "not understood"),
        (200, b"<html>portal</html>", "not understood"),
    ],
)
def test_odd_answers_lose_nothing(tmp_path: Path, status: int, body: bytes, told: str) -> None:
    class Odd(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(status)
            self.send_header("Content-Type", "application/dicom+json")
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_: object) -> None:
            pass

    server = HTTPServer(("127.0.0.1", 0), Odd)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        parcels = write_outbox(tmp_path / "o", draft_objects()[:1])
        with pytest.raises(InputRefused, match=told):
            send(parcels, destination_from(f"http://127.0.0.1:{server.server_port}"))
        assert parcels[0].path.exists()
    finally:
        server.shutdown()
        server.server_close()
