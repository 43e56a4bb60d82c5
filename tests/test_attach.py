"""`attach` and `history` on a visit folder, end to end into a folder."""

from __future__ import annotations

import datetime
import json
from pathlib import Path

import numpy as np
import pydicom
import pytest
from PIL import Image as Pillow
from pydicom.dataset import Dataset
from pydicom.uid import DigitalIntraOralXRayImageStorageForPresentation

from perioview.cli import main
from perioview.errors import InputRefused
from perioview.files.tables import read_marks, write_marks
from perioview.files.visit_folder import new_visit
from perioview.marks import Marks
from perioview.record.destination import Parcel, Progress
from perioview.record.folder import Folder
from perioview.record.history import marks_from_report
from perioview.record.identity import Identity, new_object, put_patient
from perioview.record.secondary_capture import put_pixels
from tests.record_examples import OWNER, PATIENT, VISIT, example_image, example_marks
from tests.test_record_folder import contents

FIELDS = ("breed", "sex", "neutered", "birth_date", "weight_kg")


def radiograph_file(path: Path, patient: str = "PV-0001", day: str = "20260305") -> Dataset:
    """An intraoral radiograph as a sensor writes it, in a study of its own (invented)."""
    identity = Identity(patient, "Birch^Juniper", "dog", "1.2.826.0.1.1", day, study_id="7")
    dataset = new_object(
        DigitalIntraOralXRayImageStorageForPresentation, "1.2.826.0.1.3", identity, "radiographs"
    )
    put_patient(dataset, identity)
    dataset.Modality = "IO"
    dataset.StudyTime = "101500"
    dataset.SeriesInstanceUID = "1.2.826.0.1.2"
    dataset.PixelSpacing = [0.03, 0.03]
    dataset.ImagerPixelSpacing = [0.031, 0.031]
    put_pixels(dataset, example_image().pixels)
    dataset.save_as(path, enforce_file_format=True)
    return dataset


def visit_of(tmp_path: Path, image: Path, name: str = "visit", **visit: object) -> Path:
    folder = tmp_path / name
    new_visit(
        folder,
        patient="PV-0001",
        name="Birch^Juniper",
        species="dog",
        images=[image],
        patient_fields={k: PATIENT[k] for k in FIELDS},
        owner=OWNER,
        visit=VISIT | visit,
    )
    write_marks(folder / "marks" / f"{image.name}.csv", example_marks())
    return folder


@pytest.fixture
def plain(tmp_path: Path) -> Path:
    image = tmp_path / "left-jaw.png"
    Pillow.fromarray(example_image().pixels).save(image)
    return visit_of(tmp_path, image)


def told(capsys: pytest.CaptureFixture[str], *arguments: object) -> dict[str, object]:
    assert main([*map(str, arguments), "--json", "-"]) == 0
    found: dict[str, object] = json.loads(capsys.readouterr().out)
    return found


def test_history_gives_back_what_measure_said(
    plain: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["attach", str(plain), "--to", str(tmp_path / "archive")]) == 0
    capsys.readouterr()
    image, marks = plain / "images/left-jaw.png", plain / "marks/left-jaw.png.csv"
    measured = told(capsys, "measure", image, "--marks", marks, "--species", "dog")
    read = told(capsys, "history", "PV-0001", "--from", tmp_path / "archive")
    assert read["patient"] == {"id": "PV-0001", "species": "dog"}
    keys = "date tooth root side quantity value sd unit stage verified report_uid image_uid"
    found = {}
    for row in read["measurements"]:  # type: ignore[attr-defined]
        assert list(row) == keys.split()
        assert (row["date"], row["verified"]) == ("2026-03-05", False)
        found[row["tooth"], row["root"], row["side"], row["quantity"]] = row
    stages = {t["tooth"]: t["radiographic_stage"] for t in measured["teeth"]}  # type: ignore[attr-defined]
    compared = 0
    for site in measured["sites"]:  # type: ignore[attr-defined]
        for quantity in ("bone_loss_mm", "bone_loss_pct", "root_length_mm", "infrabony_mm"):
            if site[quantity] is None:
                continue
            row = found[site["tooth"], site["root"], site["side"], quantity]
            assert row["value"] == site[quantity]
            assert row["sd"] == site.get(f"{quantity}_sd", row["sd"])
            assert row["stage"] == stages[site["tooth"]]
            compared += 1
    assert compared == len(found) == 25


def test_originals_stay_and_nobody_is_named(plain: Path, tmp_path: Path) -> None:
    before = contents(plain)
    assert main(["attach", str(plain), "--to", str(tmp_path / "archive")]) == 0
    after = contents(plain)
    assert {k: v for k, v in after.items() if k in before} == before
    assert not (plain / "record" / "outbox").exists()
    names = " ".join(contents(tmp_path / "archive")).casefold()
    assert not any(word in names for word in ("juniper", "birch", "pv-0001", "jaw"))


def test_a_dicom_radiograph_keeps_its_study_and_its_bytes(tmp_path: Path) -> None:
    image = tmp_path / "left-jaw.dcm"
    original = radiograph_file(image)
    visit = visit_of(tmp_path, image)
    archive = tmp_path / "archive"
    assert main(["attach", str(visit), "--to", str(archive)]) == 0
    files = [pydicom.dcmread(p) for p in archive.rglob("I*") if p.is_file()]
    assert {f.StudyInstanceUID for f in files} == {"1.2.826.0.1.1"}
    assert sorted(f.Modality for f in files) == ["DOC", "IO", "OT", "PR", "SR"]
    assert image.read_bytes() in contents(archive).values()
    report = Folder(archive).reports("PV-0001")[0]
    marks = visit / "marks" / "left-jaw.dcm.csv"
    assert marks_from_report(report) == read_marks(marks, species="dog", rows=300, cols=500)
    evidence = report.CurrentRequestedProcedureEvidenceSequence[0].ReferencedSeriesSequence[0]
    pointed = evidence.ReferencedSOPSequence[0].ReferencedSOPInstanceUID
    assert pointed == original.SOPInstanceUID


@pytest.mark.parametrize(
    ("patient", "day", "what"),
    [("PV-0002", "20260305", "PV-0002"), ("PV-0001", "20260304", "03-04")],
)
def test_another_patients_image_is_refused_unless_confirmed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], patient: str, day: str, what: str
) -> None:
    image = tmp_path / "left-jaw.dcm"
    radiograph_file(image, patient, day)
    visit = visit_of(tmp_path, image)
    archive = tmp_path / "archive"
    assert main(["attach", str(visit), "--to", str(archive)]) == 2
    error = capsys.readouterr().err
    assert what in error and "--confirm" in error and "Juniper" not in error
    assert not archive.exists() and not (visit / "record" / "outbox").exists()
    assert main(["attach", str(visit), "--to", str(archive), "--confirm"]) == 0
    # Even so, nothing is written into another patient's study.
    made = [r for r in Folder(archive).reports("PV-0001")]
    assert len(made) == 1
    if patient != "PV-0001":
        assert made[0].StudyInstanceUID != "1.2.826.0.1.1"
        assert Folder(archive).reports(patient) == []


def test_two_visits_make_a_history(
    plain: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    archive = tmp_path / "archive"
    image = plain / "images" / "left-jaw.png"
    pixels = np.asarray(Pillow.open(image)).copy()
    pixels[0, 0] += 1
    later_image = tmp_path / "later.png"
    Pillow.fromarray(pixels).save(later_image)
    later = visit_of(tmp_path, later_image, "later", date=datetime.date(2026, 9, 5))
    write_marks(later / "marks" / "later.png.csv", example_marks(shift=5.0))
    for visit in (later, plain):
        assert main(["attach", str(visit), "--to", str(archive), "--verify", "Maple^Rowan"]) == 0
    capsys.readouterr()
    rows = told(capsys, "history", "PV-0001", "--from", archive)["measurements"]
    dates = [r["date"] for r in rows]  # type: ignore[attr-defined]
    assert dates == sorted(dates) and set(dates) == {"2026-03-05", "2026-09-05"}
    assert all(r["verified"] for r in rows)  # type: ignore[attr-defined]
    assert main(["history", "PV-0001", "--from", str(archive)]) == 0
    table = capsys.readouterr().out
    assert "2026-09-05" in table and "unverified" not in table


def test_replaced_reports_are_shown_only_when_asked(
    plain: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    archive = tmp_path / "archive"
    main(["attach", str(plain), "--to", str(archive)])
    write_marks(plain / "marks" / "left-jaw.png.csv", example_marks(shift=3.0))
    main(["attach", str(plain), "--to", str(archive)])
    capsys.readouterr()
    now = told(capsys, "history", "PV-0001", "--from", archive)["measurements"]
    every = told(capsys, "history", "PV-0001", "--from", archive, "--all")["measurements"]
    assert len(every) == 2 * len(now)  # type: ignore[arg-type]
    assert len({r["report_uid"] for r in now}) == 1  # type: ignore[attr-defined]
    told_of = told(capsys, "history", "PV-0001", "--from", archive, "--versions")["versions"]
    assert [(v["version"], v["current"]) for v in told_of] == [(1, False), (2, True)]  # type: ignore[attr-defined]
    assert main(["history", "PV-0001", "--from", str(archive), "--versions"]) == 0
    assert "version 2" in capsys.readouterr().out


def test_an_answer_lost_after_storing_leaves_one_copy_and_no_outbox(
    plain: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    archive = tmp_path / "archive"
    store = Folder.store

    def cut(self: Folder, parcels: list[Parcel], progress: Progress) -> set[str]:
        store(self, parcels, progress)
        raise InputRefused("cut the connection")

    monkeypatch.setattr(Folder, "store", cut)
    assert main(["attach", str(plain), "--to", str(archive)]) == 2
    assert any((plain / "record" / "outbox").iterdir())
    monkeypatch.undo()
    before = contents(archive)
    assert main(["attach", str(plain), "--to", str(archive)]) == 0
    assert contents(archive) == before
    assert not (plain / "record" / "outbox").exists()


def test_refusals(plain: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    archive = tmp_path / "archive"
    write_marks(plain / "marks" / "left-jaw.png.csv", Marks())
    cases = [
        (["attach", str(tmp_path / "none"), "--to", str(archive)], "visit.toml"),
        (["attach", str(plain), "--to", str(archive), "--verify", " "], "--verify is empty"),
        (["attach", str(plain), "--to", "https://u:pw@archive.test/x"], "holds a password"),
        (["history", "PV-0001", "--from", str(archive)], "no such folder"),
    ]
    for arguments, words in cases:
        assert main(arguments) == 2
        error = capsys.readouterr().err
        assert words in error and "u:pw" not in error
    assert not archive.exists()
