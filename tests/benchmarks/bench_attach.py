"""Attach many visits to a real Orthanc and read them back; beside it a bare store of the same.

The bare store is of the same files to a second server in the same run, association or
connection included: by DIMSE as pynetdicom does it by itself, as dcmtk's storescu does, and over
the connection attach uses; by DICOMweb as one STOW request. Needs Debian's orthanc and
orthanc-dicomweb. Phantom visits: random pixels, invented marks. Faults: bench_attach_faults.py.

    python tests/benchmarks/bench_attach.py --visits 100
"""

from __future__ import annotations

import argparse
import dataclasses
import shutil
import statistics
import subprocess
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pydicom
import requests
from PIL import Image as Pillow
from pynetdicom import AE, _config

from perioview.files.tables import write_marks
from perioview.files.visit_folder import new_visit
from perioview.marks import Marks
from perioview.record.destination import Destination, destination_from
from perioview.record.history import current_reports, history, marks_from_report
from perioview.record.objects import examination_identity, record_objects
from perioview.record.outbox import Sent, send, write_outbox
from perioview.record.peer import peer_from
from perioview.record.structured_report import site_values
from perioview.verbs.attach import attach
from perioview.visit import Examination, Radiograph, Visit
from tests.orthanc import Orthanc, orthanc_at
from tests.record_examples import PATIENT, VISIT, example_image, example_marks, example_radiograph

# A sensor of 1500 x 2000 px at 16 bit, as is common.
ROWS, COLS = 1500, 2000


def visit_number(number: int, rows: int, cols: int) -> tuple[Examination, Radiograph]:
    measured = example_radiograph(shift=number / 100)
    pixels = np.random.default_rng(number).integers(0, 65535, (rows, cols)).astype(np.uint16)
    image = dataclasses.replace(example_image(), pixels=pixels, sha256=f"{number:064x}")
    measured = dataclasses.replace(measured, image=image)
    patient = PATIENT | {"id": f"PV-{number:04d}"}
    return Examination(Visit(patient, {"name": "Birch^Alder"}, VISIT), "dog", (measured,)), measured


def attached(
    exam: Examination, destination: Destination, outbox: Path, **more: object
) -> tuple[Sent, list[pydicom.Dataset]]:
    """What the verb does between measuring and telling."""
    study = examination_identity(exam).study_uid
    with destination.connected([], ours=True) as there:
        earlier = there.reports(str(exam.visit.patient["id"]), study)
        objects = record_objects(exam, earlier=earlier)
        parcels = write_outbox(outbox, objects)
        return send(parcels, there, outbox=outbox, **more), list(objects)  # type: ignore[arg-type]


def _presented(files: list[Path]) -> set[tuple[str, str]]:
    headers = [pydicom.dcmread(p, stop_before_pixels=True) for p in files]
    return {(h.SOPClassUID, h.file_meta.TransferSyntaxUID) for h in headers}


def by_pynetdicom(server: Orthanc, files: list[Path]) -> None:
    """C-STORE of data sets over one association, as the library does it by itself."""
    _config.STORE_SEND_CHUNKED_DATASET = False
    entity = AE(ae_title="PERIOVIEW")
    for sop_class, syntax in _presented(files):
        entity.add_requested_context(sop_class, syntax)
    association = entity.associate("127.0.0.1", server.dicom, ae_title="ARCHIVE")
    for path in files:
        assert association.send_c_store(pydicom.dcmread(path)).Status == 0
    association.release()


def by_our_connection(server: Orthanc, files: list[Path]) -> None:
    """C-STORE of files as they are over the connection that attach uses."""
    peer = peer_from(server.dimse)
    entity = peer.entity()
    for sop_class, syntax in _presented(files):
        entity.add_requested_context(sop_class, syntax)
    with peer.associated(entity) as association:
        for path in files:
            assert association.send_c_store(path).Status == 0


def by_storescu(server: Orthanc, files: list[Path]) -> None:
    """C-STORE by dcmtk's own tool, its start included."""
    to = ["-aec", "ARCHIVE", "127.0.0.1", str(server.dicom)]
    subprocess.run(["storescu", *to, *map(str, files)], check=True, capture_output=True)


def by_stow(server: Orthanc, files: list[Path]) -> None:
    """One STOW request with all of them."""
    edge = "bare"
    parts = [
        b"--bare\r\nContent-Type: application/dicom\r\n\r\n" + p.read_bytes() + b"\r\n"
        for p in files
    ]
    kind = f'multipart/related; type="application/dicom"; boundary={edge}'
    answer = requests.post(
        f"{server.web}/studies",
        data=b"".join([*parts, b"--bare--\r\n"]),
        headers={"Content-Type": kind, "Accept": "application/dicom+json"},
        timeout=60,
    )
    answer.raise_for_status()


Bare = Callable[[Orthanc, list[Path]], None]
BARE: dict[str, dict[str, Bare]] = {
    "dimse": {
        "pynetdicom": by_pynetdicom,
        "storescu": by_storescu,
        "our connection": by_our_connection,
    },
    "web": {"one STOW request": by_stow, "pynetdicom C-STORE": by_pynetdicom},
}


def timed(act: Callable[[], object]) -> float:
    started = time.perf_counter()
    act()
    return 1e3 * (time.perf_counter() - started)


def round_trip(way: str, visits: int, rows: int, cols: int) -> None:
    bare = {n: b for n, b in BARE[way].items() if n != "storescu" or shutil.which("storescu")}
    took: dict[str, list[float]] = {k: [] for k in ("attach", "building", "history", *bare)}
    worst_number = worst_place = 0.0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        others = {n: folder / f"bare{i}" for i, n in enumerate(bare)}
        with orthanc_at(folder / "orthanc") as server:
            destination = destination_from(getattr(server, way))
            running = {n: Orthanc.beside(path) for n, path in others.items()}
            try:
                for number in range(visits):
                    exam, measured = visit_number(number, rows, cols)
                    objects = record_objects(exam)
                    took["building"].append(timed(lambda e=exam: record_objects(e)))  # type: ignore[misc]
                    files = [p.path for p in write_outbox(folder / "bare-files", objects)]
                    acts: list[tuple[str, Callable[[], object]]] = [
                        (n, lambda n=n, f=files: bare[n](running[n], f))  # type: ignore[misc]
                        for n in bare
                    ]
                    acts.append(
                        ("attach", lambda e=exam: attached(e, destination, folder / "outbox"))  # type: ignore[misc]
                    )
                    # Whoever comes first finds the other's caches cold: take turns.
                    at = number % len(acts)
                    for what, act in acts[at:] + acts[:at]:
                        took[what].append(timed(act))
                    started = time.perf_counter()
                    reports = destination.reports(f"PV-{number:04d}")
                    rows_read = history(f"PV-{number:04d}", reports)["measurements"]
                    took["history"].append(1e3 * (time.perf_counter() - started))
                    (report,) = current_reports(reports)
                    worst_place = max(
                        worst_place, farthest(marks_from_report(report), measured.marks)
                    )
                    worst_number = max(worst_number, farthest_number(rows_read, measured))
            finally:
                for other in running.values():
                    other.stop()
            count = len(server.files())
    told(way, visits, count, took, list(bare))
    print(f"  largest difference: number {worst_number:g}, coordinate {worst_place:g} px")


def visit_folder(root: Path, number: int, rows: int, cols: int) -> Path:
    """A visit as it lies on disk: one radiograph, a PNG, and its marks."""
    image = root / f"image{number}.png"
    pixels = np.random.default_rng(number).integers(0, 65535, (rows, cols)).astype(np.uint16)
    Pillow.fromarray(pixels).save(image)
    folder = root / f"visit{number}"
    more = {"patient_fields": {k: PATIENT[k] for k in ("breed", "sex", "neutered")}}
    new_visit(folder, patient=f"PV-{number:04d}", name="Birch^Juniper", species="dog",
              images=[image], owner={"name": "Birch^Alder"}, visit=VISIT, **more)  # fmt: skip
    write_marks(folder / "marks" / f"{image.name}.csv", example_marks())
    return folder


def whole_verb(way: str, visits: int, rows: int, cols: int) -> None:
    """The verb itself: reading, measuring, report, pictures, objects, storing, confirming."""
    plain = by_pynetdicom if way == "dimse" else by_stow
    verb: list[float] = []
    bare: list[float] = []
    size = 0
    with tempfile.TemporaryDirectory() as name:
        root = Path(name)
        with orthanc_at(root / "orthanc") as server, orthanc_at(root / "bare") as other:
            for number in range(visits + 1):
                visit = visit_folder(root, number, rows, cols)
                held = root / f"archive{number}"
                attach(visit, str(held))
                files = sorted(p for p in held.rglob("I*") if p.is_file())
                size = sum(p.stat().st_size for p in files)
                acts: list[tuple[list[float], Callable[[], object]]] = [
                    (verb, lambda v=visit: attach(v, getattr(server, way))),  # type: ignore[misc]
                    (bare, lambda f=files: plain(other, f)),  # type: ignore[misc]
                ]
                for times, act in acts[:: 1 if number % 2 else -1]:
                    times.append(timed(act))
    # The first visit loads fonts and libraries.
    ratios = [v / b for v, b in zip(verb[1:], bare[1:], strict=True)]
    print(
        f"{way}: whole verb on {visits} visit folders, {size / 1e6:.1f} MB each, median, in ms: "
        f"{statistics.median(verb[1:]):.0f}; bare store of the same bytes "
        f"{statistics.median(bare[1:]):.0f}; {statistics.median(ratios):.2f} times"
    )


def told(way: str, visits: int, count: int, took: dict[str, list[float]], bare: list[str]) -> None:
    middle = statistics.median
    print(f"{way}: {visits} visits, {count} objects; per visit, median, in ms:")
    print(
        f"  attach {middle(took['attach']):.0f}, of it building {middle(took['building']):.0f}; "
        f"read back as history {middle(took['history']):.0f}"
    )
    for n in bare:
        ratios = [t / b for t, b in zip(took["attach"], took[n], strict=True)]
        without = [
            (t - m) / b for t, m, b in zip(took["attach"], took["building"], took[n], strict=True)
        ]
        print(
            f"  bare store, {n}: {middle(took[n]):.0f}; attach takes {middle(ratios):.2f} times "
            f"that, {middle(without):.2f} without building"
        )


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


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--visits", type=int, default=100)
    parser.add_argument("--rows", type=int, default=ROWS)
    parser.add_argument("--cols", type=int, default=COLS)
    parser.add_argument("--way", choices=("dimse", "web"), action="append")
    parser.add_argument("--verb-visits", type=int, default=20)
    args = parser.parse_args()
    for way in args.way or ("dimse", "web"):
        if args.visits:
            round_trip(way, args.visits, args.rows, args.cols)
        if args.verb_visits:
            whole_verb(way, args.verb_visits, args.rows, args.cols)


if __name__ == "__main__":
    main()
