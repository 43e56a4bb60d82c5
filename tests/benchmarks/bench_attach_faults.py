"""What faults of a real archive lose or double: nothing, if attach keeps its word.

A visit of nine objects goes through a proxy on loopback that kills Orthanc at a drawn byte of a
drawn object, so that every kill falls while storing; then Orthanc starts again, and the visit is
attached again. Then an archive whose disk is full, and ourselves killed while writing a folder.
Phantom visits: random pixels, invented marks.

    python tests/benchmarks/bench_attach_faults.py --kills 50
"""

from __future__ import annotations

import argparse
import collections
import dataclasses
import os
import random
import signal
import subprocess
import tempfile
import time
from pathlib import Path

import numpy as np
from pydicom.dataset import Dataset

from perioview.errors import InputRefused
from perioview.record.destination import destination_from
from perioview.record.folder import Folder
from perioview.record.objects import record_objects
from perioview.record.outbox import send, write_outbox
from perioview.visit import Visit
from tests.orthanc import Orthanc, orthanc_at
from tests.record_examples import PATIENT, VISIT
from tests.record_proxy import proxy_to
from tests.test_record_objects import example_examination, png

PDF = b"%PDF-1.4\n%%EOF\n"


def visit_objects(number: int) -> tuple[Dataset, ...]:
    """Nine objects of a patient of their own."""
    exam = example_examination()
    patient = PATIENT | {"id": f"PV-{number:04d}"}
    visit = Visit(patient, {"name": "Birch^Alder"}, VISIT)
    pictures = {
        exam.radiographs[0].file: png(np.full((300, 510, 3), 90, np.uint8)),
        exam.photos[0].file: png(np.full((310, 500, 3), 20, np.uint8)),
    }
    return record_objects(dataclasses.replace(exam, visit=visit), PDF, pictures)


def kills(way: str, count: int) -> None:
    draw = random.Random(5)
    told: collections.Counter[str] = collections.Counter()
    wanted: set[str] = set()
    with tempfile.TemporaryDirectory() as name, orthanc_at(Path(name) / "orthanc") as server:
        outbox = Path(name) / "outbox"
        port = server.dicom if way == "dimse" else server.http
        with proxy_to(port) as proxy:
            address = str(getattr(server, way)).replace(str(port), str(proxy.port))
            destination = destination_from(address)
            for number in range(count):
                objects = visit_objects(number)
                parcels = write_outbox(outbox, objects)
                wanted |= {p.uid for p in parcels}
                sizes = [p.path.stat().st_size for p in parcels]
                at = draw.randrange(len(parcels))
                moment = sum(sizes[:at]) + draw.randrange(sizes[at])
                before = len(server.get("/instances"))
                proxy.at(moment, lambda: server.process and server.process.kill())
                try:
                    send(parcels, destination, outbox=outbox)
                    told["not cut short"] += 1
                except InputRefused:
                    told["cut short"] += 1
                waiting = len(list(outbox.glob("*.dcm"))) if outbox.exists() else 0
                server.stop(kill=True)
                server.start()
                arrived = len(server.get("/instances")) - before
                told["with part of the objects there"] += 0 < arrived < len(parcels)
                told["gone from the outbox though not there"] += waiting + arrived < len(parcels)
                send(write_outbox(outbox, objects), destination, outbox=outbox)
                assert not outbox.exists()
        uids = stored(server)
    print(f"{way}: server killed {count} times within an object being stored:", dict(told))
    print(f"  lost {len(wanted - set(uids))}, doubled {len(uids) - len(set(uids))}", end="")
    print(f", never sent {len(set(uids) - wanted)}; {len(wanted)} objects")


def stored(server: Orthanc) -> list[str]:
    return [
        server.get(f"/instances/{i}/simplified-tags")["SOPInstanceUID"]
        for i in server.get("/instances")
    ]


def full_disk(way: str, size_mb: int = 2) -> None:
    """An archive on a disk of two megabytes; then one with room and the same index."""
    with tempfile.TemporaryDirectory() as name:
        small, folder = Path(name) / "orthanc" / "db", Path(name)
        small.mkdir(parents=True)
        mount = ["mount", "-t", "tmpfs", "-o", f"size={size_mb}m", "tmpfs", str(small)]
        if subprocess.run(mount, capture_output=True).returncode:
            print("full disk: needs the right to mount a small disk; not tried")
            return
        try:
            with orthanc_at(folder / "orthanc") as server:
                destination = destination_from(getattr(server, way))
                refused, fault = 0, ""
                every = [write_outbox(folder / f"o{n}", visit_objects(n)) for n in range(4)]
                for number, parcels in enumerate(every):
                    try:
                        send(parcels, destination, outbox=folder / f"o{number}")
                    except InputRefused as error:
                        refused += 1
                        fault = fault or str(error).split(": ", 1)[-1]
                waiting = sum(len(list((folder / f"o{n}").glob("*.dcm"))) for n in range(4))
                server.stop()
                bigger = ["mount", "-o", "remount,size=64m", str(small)]
                subprocess.run(bigger, check=True)
                server.start()
                for number in range(len(every)):
                    send(write_outbox(folder / f"o{number}", visit_objects(number)), destination,
                         outbox=folder / f"o{number}")  # fmt: skip
                uids, wanted = stored(server), {p.uid for parcels in every for p in parcels}
            print(f"{way}: disk full: {refused} of 4 visits refused, {waiting} objects waited;")
            print(f"  told: {fault}")
            print(f"  lost {len(wanted - set(uids))}, doubled {len(uids) - len(set(uids))}")
        finally:
            subprocess.run(["umount", str(small)], check=False)


def client_kills(count: int) -> None:
    """Kill ourselves while a visit goes into a folder; then attach again."""
    broken = lost = cut = 0
    draw = random.Random(7)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for number in range(count):
            objects = visit_objects(number)
            parcels = write_outbox(folder / "outbox", objects)
            archive = Folder(folder / "archive")
            child = os.fork()
            if child == 0:
                archive.store(parcels, lambda done, total: time.sleep(0.01))
                os._exit(0)
            time.sleep(draw.uniform(0, 0.12))
            os.kill(child, signal.SIGKILL)
            cut += os.waitpid(child, 0)[1] != 0
            try:
                held = archive.held(parcels)
                broken += 0 < len(held) < len(parcels)
            except InputRefused:
                broken += 1
            send(parcels, archive, outbox=folder / "outbox")
            lost += len(parcels) - len(archive.held(parcels))
        files = [p for p in (folder / "archive").rglob("*") if p.is_file()]
        doubled = len(files) - 1 - 9 * count
    print(f"folder: we ourselves killed {count} times, {cut} in the middle;", end=" ")
    print(f"half-written {broken}, lost {lost}, files beyond nine a visit {doubled}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=50)
    parser.add_argument("--way", choices=("dimse", "web"), action="append")
    args = parser.parse_args()
    client_kills(args.kills)
    for way in args.way or ("dimse", "web"):
        kills(way, args.kills)
        full_disk(way)


if __name__ == "__main__":
    main()
