"""Attach many visits to a real Orthanc and read them back; beside it a bare C-STORE.

Faults too: the server killed at random moments, then the attach repeated. Needs Debian's
orthanc and orthanc-dicomweb. Phantom visits: random pixels, invented marks.

    python tests/benchmarks/bench_attach.py --visits 100 --kills 50
"""

from __future__ import annotations

import argparse
import dataclasses
import os
import random
import signal
import statistics
import tempfile
import threading
import time
from pathlib import Path

import pydicom
from pynetdicom import AE

from perioview.errors import InputRefused
from perioview.marks import Marks
from perioview.record.destination import destination_from
from perioview.record.folder import Folder
from perioview.record.history import current_reports, history, marks_from_report
from perioview.record.objects import record_objects
from perioview.record.outbox import Sent, send, write_outbox
from perioview.record.structured_report import site_values
from perioview.visit import Examination, Radiograph, Visit
from tests.orthanc import Orthanc, orthanc_at
from tests.record_examples import PATIENT, VISIT, example_image, example_radiograph

# A sensor of 1500 x 2000 px at 16 bit, as is common.
ROWS, COLS = 1500, 2000


def visit_number(number: int, rows: int, cols: int) -> tuple[Examination, Radiograph]:
    import numpy as np

    measured = example_radiograph(shift=number / 100)
    pixels = np.random.default_rng(number).integers(0, 65535, (rows, cols)).astype(np.uint16)
    image = dataclasses.replace(example_image(), pixels=pixels, sha256=f"{number:064x}")
    measured = dataclasses.replace(measured, image=image)
    patient = PATIENT | {"id": f"PV-{number:04d}"}
    return Examination(Visit(patient, {"name": "Birch^Alder"}, VISIT), "dog", (measured,)), measured


def attached(exam: Examination, destination: object, outbox: Path) -> tuple[Sent, list[object]]:
    patient = str(exam.visit.patient["id"])
    earlier = destination.reports(patient)  # type: ignore[attr-defined]
    objects = record_objects(exam, earlier=earlier)
    parcels = write_outbox(outbox, objects)
    return send(parcels, destination, outbox=outbox), list(objects)  # type: ignore[arg-type]


def bare_store(server: Orthanc, files: list[Path]) -> float:
    """Time of a plain pynetdicom C-STORE of the same bytes, one association."""
    started = time.perf_counter()
    entity = AE(ae_title="PERIOVIEW")
    for path in files:
        header = pydicom.dcmread(path, stop_before_pixels=True)
        entity.add_requested_context(header.SOPClassUID, header.file_meta.TransferSyntaxUID)
    association = entity.associate("127.0.0.1", server.dicom, ae_title="ARCHIVE")
    for path in files:
        assert association.send_c_store(pydicom.dcmread(path)).Status == 0
    association.release()
    return time.perf_counter() - started


def round_trip(way: str, visits: int, rows: int, cols: int) -> None:
    times, builds, bare, reading = [], [], [], []
    worst_number = worst_place = 0.0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with orthanc_at(folder / "orthanc") as server, orthanc_at(folder / "bare") as other:
            destination = destination_from(getattr(server, way))
            for number in range(visits):
                exam, measured = visit_number(number, rows, cols)
                started = time.perf_counter()
                objects = record_objects(exam)
                builds.append(time.perf_counter() - started)
                files = [p.path for p in write_outbox(folder / "bare-files", objects)]
                bare.append(bare_store(other, files))
                started = time.perf_counter()
                attached(exam, destination, folder / "outbox")
                times.append(time.perf_counter() - started)
                patient = f"PV-{number:04d}"
                started = time.perf_counter()
                reports = destination.reports(patient)
                rows_read = history(patient, reports)["measurements"]
                reading.append(time.perf_counter() - started)
                (report,) = current_reports(reports)
                worst_place = max(worst_place, farthest(marks_from_report(report), measured.marks))
                worst_number = max(worst_number, farthest_number(rows_read, measured))
            count = len(server.files())
    middle = statistics.median
    print(f"{way}: {visits} visits, {count} objects; per visit, median, in ms:")
    print(f"  attach {1e3 * middle(times):.0f}, of it building {1e3 * middle(builds):.0f};", end="")
    print(f" bare C-STORE of the same bytes {1e3 * middle(bare):.0f};", end=" ")
    print(f"ratio {middle(t / b for t, b in zip(times, bare, strict=True)):.2f};", end=" ")
    print(f"history {1e3 * middle(reading):.0f}")
    print(f"  largest difference: number {worst_number:g}, coordinate {worst_place:g} px")


def farthest(one: Marks, other: Marks) -> float:
    assert len(one) == len(other)
    return max(max(abs(a.row - b.row), abs(a.col - b.col)) for a, b in zip(one, other, strict=True))


def farthest_number(rows: list[dict[str, object]], measured: Radiograph) -> float:
    held = {
        (s.tooth, s.root, s.side, n): m
        for s in measured.sites
        for n, m in site_values(s)
        if m.known
    }
    worst = 0.0
    for row in rows:
        name = str(row["quantity"]).removesuffix("_mm")
        truth = held[row["tooth"], row["root"], row["side"], name]  # type: ignore[index]
        worst = max(worst, abs(float(row["value"]) - truth.value))  # type: ignore[arg-type]
        worst = max(worst, abs(float(row["sd"]) - truth.sd))  # type: ignore[arg-type]
    return worst


def kills(way: str, count: int) -> None:
    lost = doubled = refused = partial = 0
    draw = random.Random(5)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with orthanc_at(folder / "orthanc") as server:
            destination = destination_from(getattr(server, way))
            wanted: set[str] = set()
            started = time.perf_counter()
            attached(visit_number(count, 300, 500)[0], destination, folder / "outbox")
            usual = time.perf_counter() - started
            for number in range(count):
                exam, _ = visit_number(number, 300, 500)
                moment = draw.uniform(0, 1.1 * usual)
                timer = threading.Timer(moment, lambda: server.process and server.process.kill())
                timer.start()
                try:
                    attached(exam, destination, folder / "outbox")
                except InputRefused:
                    refused += 1
                timer.join()
                server.stop(kill=True)
                server.start()
                arrived = len(server.get("/instances")) - 3 * (number + 1)
                partial += 0 < arrived < 3
                _, objects = attached(exam, destination, folder / "outbox")
                wanted |= {str(o.SOPInstanceUID) for o in objects}  # type: ignore[attr-defined]
                left = folder / "outbox"
                assert not left.exists() or not any(left.iterdir())
            instances = [
                server.get(f"/instances/{i}/simplified-tags")["SOPInstanceUID"]
                for i in server.get("/instances")
            ]
            doubled = len(instances) - len(set(instances))
            lost = len(wanted - set(instances))
            extra = len(set(instances)) - 3 * (count + 1)
    print(
        f"{way}: server killed {count} times at random moments, {refused} attaches cut short,",
        end=" ",
    )
    print(f"{partial} with part of the objects there;")
    print(f"  lost {lost}, doubled {doubled}, beyond three objects a visit {extra}")


def client_kills(count: int) -> None:
    """Kill ourselves while a visit goes into a folder; then attach again."""
    broken = lost = cut = 0
    draw = random.Random(7)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for number in range(count):
            exam, _ = visit_number(number, 300, 500)
            objects = record_objects(exam)
            parcels = write_outbox(folder / "outbox", objects)
            archive = Folder(folder / "archive")
            child = os.fork()
            if child == 0:
                archive.store(parcels, lambda done, total: time.sleep(0.01))
                os._exit(0)
            time.sleep(draw.uniform(0, 0.08))
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
        doubled = len(files) - 1 - 3 * count
    print(f"folder: we ourselves killed {count} times, {cut} in the middle;", end=" ")
    print(f"half-written {broken}, lost {lost}, files beyond three a visit {doubled}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--visits", type=int, default=100)
    parser.add_argument("--kills", type=int, default=50)
    parser.add_argument("--rows", type=int, default=ROWS)
    parser.add_argument("--cols", type=int, default=COLS)
    parser.add_argument("--way", choices=("dimse", "web"), action="append")
    args = parser.parse_args()
    if args.kills:
        client_kills(args.kills)
    for way in args.way or ("dimse", "web"):
        if args.visits:
            round_trip(way, args.visits, args.rows, args.cols)
        if args.kills:
            kills(way, args.kills)


if __name__ == "__main__":
    main()
