"""A real Orthanc on free loopback ports, with a temporary configuration.

Needs Debian's packages orthanc and orthanc-dicomweb.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import socket
import subprocess
import time
import urllib.request
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

HINT = "Orthanc is missing; install it with apt-get install orthanc orthanc-dicomweb"
_PLUGINS = ("/usr/share/orthanc/plugins", "/usr/lib/orthanc/plugins")
OUR_PORT = 0


def free_ports(count: int) -> list[int]:
    """Ports nobody listens at; asked for one by one, the same can come twice."""
    with contextlib.ExitStack() as held:
        probes = [held.enter_context(socket.socket()) for _ in range(count)]
        for probe in probes:
            probe.bind(("127.0.0.1", 0))
        return [int(probe.getsockname()[1]) for probe in probes]


def free_port() -> int:
    return free_ports(1)[0]


def needed(program: str, hint: str) -> str:
    """Path of an outside program; a CI without it fails instead of passing untested."""
    found = shutil.which(program)
    if not found:
        if os.environ.get("CI"):
            pytest.fail(hint)
        pytest.skip(hint)
    return found


@dataclass
class Orthanc:
    folder: Path
    http: int
    dicom: int
    ours: int
    users: dict[str, str]
    more: dict[str, Any] = field(default_factory=dict)
    before_start: Callable[[], None] | None = None
    process: subprocess.Popen[bytes] | None = None

    @property
    def web(self) -> str:
        return f"http://127.0.0.1:{self.http}/dicom-web"

    @property
    def dimse(self) -> str:
        return f"dicom://ARCHIVE@127.0.0.1:{self.dicom}"

    @classmethod
    def beside(cls, folder: Path, users: dict[str, str] | None = None, **more: Any) -> Orthanc:
        """One more server, running; whoever asks for it stops it."""
        needed("Orthanc", HINT)
        folder.mkdir(parents=True, exist_ok=True)
        server = cls(folder, *free_ports(3), users or {}, more)
        server.start()
        return server

    def start(self) -> None:
        configuration: dict[str, Any] = {
            "Name": "test",
            "StorageDirectory": str(self.folder / "db"),
            "IndexDirectory": str(self.folder / "db"),
            "HttpPort": self.http,
            "DicomPort": self.dicom,
            "DicomAet": "ARCHIVE",
            "RemoteAccessAllowed": False,
            "AuthenticationEnabled": bool(self.users),
            "RegisteredUsers": self.users,
            "DicomAlwaysAllowFind": True,
            "DicomAlwaysAllowGet": True,
            "DicomAlwaysAllowStore": True,
            "DicomModalities": {"ours": ["PERIOVIEW", "127.0.0.1", self.ours]},
            "Plugins": [p for p in _PLUGINS if Path(p).is_dir()],
            "DicomWeb": {"Enable": True, "Root": "/dicom-web/", "StudiesMetadata": "Full"},
            "SyncStorageArea": False,
            "OverwriteInstances": False,
        } | self.more
        path = self.folder / "orthanc.json"
        path.write_text(json.dumps(configuration))
        log = (self.folder / "orthanc.log").open("ab")
        self.process = subprocess.Popen(
            [needed("Orthanc", HINT), str(path)],
            stdout=log,
            stderr=log,
            cwd=self.folder,
            preexec_fn=self.before_start,
        )
        log.close()
        deadline = time.monotonic() + 20
        while time.monotonic() < deadline:
            with contextlib.suppress(OSError):
                self.get("/system")
                return
            if self.process.poll() is not None:
                break
            time.sleep(0.05)
        raise RuntimeError((self.folder / "orthanc.log").read_text()[-2000:])

    def stop(self, *, kill: bool = False) -> None:
        if self.process is None:
            return
        if kill:
            self.process.kill()
        else:
            self.process.terminate()
        self.process.wait(20)
        self.process = None

    def get(self, path: str) -> Any:
        """Ask Orthanc's own interface, not the one under test."""
        address = f"http://127.0.0.1:{self.http}{path}"
        request = urllib.request.Request(address)
        for user, password in self.users.items():
            import base64

            code = base64.b64encode(f"{user}:{password}".encode()).decode()
            request.add_header("Authorization", f"Basic {code}")
        with urllib.request.urlopen(request, timeout=10) as answer:
            data = answer.read()
        return json.loads(data) if "json" in answer.headers.get("Content-Type", "") else data

    def files(self) -> dict[str, bytes]:
        """Every stored object by its UID, as Orthanc gives it."""
        found: dict[str, bytes] = {}
        for instance in self.get("/instances"):
            uid = self.get(f"/instances/{instance}/simplified-tags")["SOPInstanceUID"]
            assert uid not in found, f"{uid} is there twice"
            found[uid] = self.get(f"/instances/{instance}/file")
        return found


@contextlib.contextmanager
def orthanc_at(folder: Path, users: dict[str, str] | None = None, **more: Any) -> Iterator[Orthanc]:
    server = Orthanc.beside(folder, users, **more)
    try:
        yield server
    finally:
        # Its folder goes with it; a proper end takes seconds.
        server.stop(kill=True)


@pytest.fixture
def orthanc(tmp_path: Path) -> Iterator[Orthanc]:
    with orthanc_at(tmp_path / "orthanc") as server:
        yield server
