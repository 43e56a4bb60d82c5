"""Faults on the way to a real archive: what is told, what is lost, what is there twice."""

from __future__ import annotations

import resource
import signal
import ssl
import subprocess
import sys
import types
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pydicom
import pytest

from perioview.cli import main
from perioview.errors import InputRefused
from perioview.record.destination import destination_from
from perioview.record.outbox import send, write_outbox
from tests.orthanc import Orthanc, free_port, orthanc_at
from tests.record_certificates import Authority
from tests.record_proxy import proxy_to
from tests.test_attach import plain  # noqa: F401
from tests.test_record_archive import sockets_collected  # noqa: F401
from tests.test_record_objects import draft_objects

pytestmark = [
    pytest.mark.server,
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
]
WAYS = pytest.mark.parametrize("way", ["dimse", "web"])


def address(server: Orthanc, way: str, port: int) -> str:
    ours = server.dicom if way == "dimse" else server.http
    return str(getattr(server, way)).replace(str(ours), str(port))


def port_of(server: Orthanc, way: str) -> int:
    return server.dicom if way == "dimse" else server.http


@WAYS
@pytest.mark.parametrize("object_", [1, 8])
def test_a_server_killed_within_an_object(tmp_path: Path, way: str, object_: int) -> None:
    outbox = tmp_path / "o"
    parcels = write_outbox(outbox, draft_objects())
    before = sum(p.path.stat().st_size for p in parcels[:object_])
    moment = before + parcels[object_].path.stat().st_size // 2
    with orthanc_at(tmp_path / "orthanc") as server, proxy_to(port_of(server, way)) as proxy:
        proxy.at(moment, lambda: server.process and server.process.kill())
        destination = destination_from(address(server, way, proxy.port))
        with pytest.raises(InputRefused, match="the connection"):
            send(parcels, destination, outbox=outbox)
        server.stop(kill=True)
        # Killed while storing: everything still waits here, whatever has arrived there.
        assert len(list(outbox.glob("*.dcm"))) == len(parcels)
        server.start()
        arrived = server.files()
        assert len(arrived) <= object_ + 1 < len(parcels) + 1
        send(write_outbox(outbox, draft_objects()), destination, outbox=outbox)
        assert set(server.files()) == {p.uid for p in parcels}
        assert not outbox.exists()


@WAYS
def test_an_answer_cut_short(tmp_path: Path, way: str) -> None:
    parcels = write_outbox(tmp_path / "o", draft_objects()[:2])
    with orthanc_at(tmp_path / "orthanc") as server, proxy_to(port_of(server, way)) as proxy:
        destination = destination_from(address(server, way, proxy.port))
        send(parcels, destination)
        whole = proxy.answered
        for cut in (whole // 4, whole // 2, whole - 8):
            proxy.answered, proxy.cut_answers_at = 0, cut
            with pytest.raises(InputRefused) as refused:
                destination.reports("PV-0001")
                send(parcels, destination)
                list(destination.objects("PV-0001", str(parcels[0].header.StudyInstanceUID)))
            assert len(refused.value.faults) == 1
        proxy.cut_answers_at = None
        send(parcels, destination, outbox=tmp_path / "o")
        assert set(server.files()) == {p.uid for p in parcels}


def _small_files(limit: int) -> Any:
    def before_start() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))

    return before_start


@WAYS
def test_an_archive_without_room(tmp_path: Path, way: str) -> None:
    outbox = tmp_path / "o"
    with orthanc_at(tmp_path / "orthanc") as server:
        server.stop(kill=True)
        # The radiograph has 300 kB; the index of an empty archive less than 200.
        server.before_start = _small_files(250_000)
        server.start()
        parcels = write_outbox(outbox, draft_objects())
        destination = destination_from(getattr(server, way))
        with pytest.raises(InputRefused) as refused:
            send(parcels, destination, outbox=outbox)
        assert len(refused.value.faults) == 1
        waiting = {pydicom.dcmread(p).SOPInstanceUID for p in outbox.glob("*.dcm")}
        server.stop(kill=True)
        server.before_start = None
        server.start()
        assert {p.uid for p in parcels} - set(server.files()) <= waiting != set()
        send(parcels, destination, outbox=outbox)
        assert set(server.files()) == {p.uid for p in parcels}
        assert not outbox.exists()


def _attach(visit: Path, to: str, **more: Any) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "perioview", "attach", str(visit), "--to", to],
        capture_output=True,
        text=True,
        timeout=120,
        **more,
    )


def test_no_room_for_the_outbox_or_the_folder(plain: Path, tmp_path: Path) -> None:  # noqa: F811
    # The burned-in picture has 450 kB.
    done = _attach(plain, str(tmp_path / "archive"), preexec_fn=_small_files(200_000))
    assert done.returncode == 2 and done.stderr.count("\n") == 1, done.stderr
    assert "outbox cannot be written" in done.stderr
    assert not (tmp_path / "archive").exists()
    outbox = plain / "record" / "outbox"
    assert not outbox.exists() or not list(outbox.glob("*.draft"))
    assert main(["attach", str(plain), "--to", str(tmp_path / "archive")]) == 0
    assert not outbox.exists()


def test_an_archive_that_knows_another_title(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with orthanc_at(tmp_path / "orthanc", DicomCheckCalledAet=True) as server:
        wrong = server.dimse.replace("ARCHIVE", "OTHER")
        assert "refused the association" in one_line(capsys, wrong)
        assert "no measurement found" in one_line(capsys, server.dimse)


def test_what_a_dead_archive_does_not_take_waits(
    plain: Path,  # noqa: F811
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert main(["attach", str(plain), "--to", f"http://127.0.0.1:{free_port()}/dicom-web"]) == 2
    assert capsys.readouterr().err.count("\n") == 1
    assert len(list((plain / "record" / "outbox").glob("*.dcm"))) == 5
    assert main(["attach", str(plain), "--to", str(tmp_path / "archive")]) == 0
    assert not (plain / "record" / "outbox").exists()


def test_a_password_comes_from_the_keyring(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    kept = {("KEEPER", "practice"): "s3cret"}
    ring = types.ModuleType("keyring")
    ring.get_password = lambda service, user: kept.get((service, user))  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "keyring", ring)
    monkeypatch.setenv("PERIOVIEW_USER", "practice")
    monkeypatch.delenv("PERIOVIEW_PASSWORD", raising=False)
    with orthanc_at(tmp_path / "orthanc", {"practice": "s3cret"}) as server:
        with pytest.raises(InputRefused, match="401"):
            destination_from(server.web).reports("PV-0001")
        kept[server.web, "practice"] = "s3cret"
        assert destination_from(server.web).reports("PV-0001") == []


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority(tmp_path_factory.mktemp("authority"))


CERTIFICATES = {
    "good": {},
    "expired": {"expired": True},
    "another": {"host": "archive.test"},
}
TOLD = {"expired": "certificate has expired", "another": "not valid for '127.0.0.1'"}


@pytest.fixture(params=list(CERTIFICATES))
def secured(
    request: pytest.FixtureRequest, tmp_path: Path, authority: Authority
) -> Iterator[tuple[str, Orthanc, str]]:
    """An archive with TLS on both doors, and how good its certificate is."""
    shown = authority.issue(request.param, **CERTIFICATES[request.param])
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(shown.cert, shown.key)
    with (
        orthanc_at(
            tmp_path / "orthanc",
            DicomTlsEnabled=True,
            DicomTlsCertificate=str(shown.cert),
            DicomTlsPrivateKey=str(shown.key),
            DicomTlsTrustedCertificates=str(authority.own.cert),
            DicomTlsRemoteCertificateRequired=False,
        ) as server,
        proxy_to(server.http, context) as proxy,
    ):
        # Debian's Orthanc ends at its first HTTPS request, so TLS stands before it.
        yield request.param, server, f"https://127.0.0.1:{proxy.port}/dicom-web"


def one_line(capsys: pytest.CaptureFixture[str], source: str) -> str:
    """What is told of an archive that cannot be asked."""
    assert main(["history", "PV-0001", "--from", source]) == 2
    error = capsys.readouterr().err
    assert error.count("\n") == 1, error
    return error


def test_tls_is_verified_on_both_doors(
    secured: tuple[str, Orthanc, str],
    authority: Authority,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    kind, server, web = secured
    for to in (server.dimse.replace("dicom://", "dicoms://"), web):
        monkeypatch.delenv("PERIOVIEW_CA", raising=False)
        assert "certificate is not trusted" in one_line(capsys, to)
        monkeypatch.setenv("PERIOVIEW_CA", str(authority.own.cert))
        if kind == "good":
            parcels = write_outbox(tmp_path / "o", draft_objects()[-1:])
            send(parcels, destination_from(to), outbox=tmp_path / "o")
            assert set(server.files()) == {parcels[0].uid}
        else:
            error = one_line(capsys, to)
            assert "certificate is not trusted" in error and TOLD[kind] in error
    monkeypatch.setenv("PERIOVIEW_CA", str(tmp_path / "none.pem"))
    assert "PERIOVIEW_CA" in one_line(capsys, to)
    # No TLS at a door that has it: told, and nothing sent in the clear.
    assert "cannot be reached" in one_line(capsys, server.dimse)


def test_an_archive_that_wants_our_certificate(
    tmp_path: Path,
    authority: Authority,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    shown, ours = authority.issue("shown"), authority.issue("ours")
    monkeypatch.setenv("PERIOVIEW_CA", str(authority.own.cert))
    with orthanc_at(
        tmp_path / "orthanc",
        DicomTlsEnabled=True,
        DicomTlsCertificate=str(shown.cert),
        DicomTlsPrivateKey=str(shown.key),
        DicomTlsTrustedCertificates=str(authority.own.cert),
        DicomTlsRemoteCertificateRequired=True,
    ) as server:
        to = server.dimse.replace("dicom://", "dicoms://")
        assert "PERIOVIEW_CERT" in one_line(capsys, to)
        monkeypatch.setenv("PERIOVIEW_CERT", str(ours.cert))
        monkeypatch.setenv("PERIOVIEW_KEY", str(ours.key))
        assert "no measurement found" in one_line(capsys, to)
