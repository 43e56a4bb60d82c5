"""Certificates of an invented authority, by openssl: good, expired, for another host."""

from __future__ import annotations

import subprocess
from dataclasses import dataclass
from pathlib import Path

from tests.orthanc import needed

OPENSSL = "openssl is missing; install it with apt-get install openssl"
_CONFIGURATION = """
[ca]
default_ca = here
[here]
dir = {folder}
new_certs_dir = {folder}
database = {folder}/index.txt
serial = {folder}/serial
default_md = sha256
policy = any
copy_extensions = copy
unique_subject = no
[any]
commonName = supplied
"""


@dataclass(frozen=True)
class Certificate:
    cert: Path
    key: Path


def _openssl(*arguments: object) -> None:
    done = subprocess.run(
        [needed("openssl", OPENSSL), *map(str, arguments)], capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr


class Authority:
    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder = folder
        (folder / "index.txt").write_text("")
        (folder / "serial").write_text("01\n")
        (folder / "ca.cnf").write_text(_CONFIGURATION.format(folder=folder))
        self.own = Certificate(folder / "ca.pem", folder / "ca.key")
        new = ("req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", 2)
        _openssl(*new, "-subj", "/CN=authority", "-keyout", self.own.key, "-out", self.own.cert)

    def issue(self, name: str, *, host: str = "127.0.0.1", expired: bool = False) -> Certificate:
        made = Certificate(self.folder / f"{name}.pem", self.folder / f"{name}.key")
        request = self.folder / f"{name}.csr"
        kind = "IP" if host.replace(".", "").isdigit() else "DNS"
        _openssl("req", "-new", "-newkey", "rsa:2048", "-nodes", "-subj", f"/CN={name}", "-addext",
                 f"subjectAltName={kind}:{host}", "-keyout", made.key, "-out", request)  # fmt: skip
        span = ("-startdate", "20200101000000Z", "-enddate", "20210101000000Z")
        _openssl("ca", "-batch", "-notext", "-config", self.folder / "ca.cnf", "-cert",
                 self.own.cert, "-keyfile", self.own.key, "-in", request, "-out", made.cert,
                 *(span if expired else ("-days", 2)))  # fmt: skip
        return made
