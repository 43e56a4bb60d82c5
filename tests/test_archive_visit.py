"""`new --from` and `view --from`: a visit folder out of the record alone."""

from __future__ import annotations

import argparse
import datetime
import shutil
from pathlib import Path
from typing import Any

import pydicom
import pytest

from perioview.cli import main
from perioview.errors import InputRefused
from perioview.files.tables import read_marks, write_marks
from perioview.files.visit_folder import examine, read_visit
from perioview.marks import Marks
from perioview.verbs.view import visit_from_record
from tests.record_examples import example_marks
from tests.test_attach import radiograph_file, visit_of
from tests.test_record_folder import contents


@pytest.fixture(scope="module")
def attached(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A record with one measured radiograph, its scale given by the user."""
    root = tmp_path_factory.mktemp("record")
    image = root / "left-jaw.dcm"
    radiograph_file(image)
    toml = visit_of(root, image) / "visit.toml"
    toml.write_text(toml.read_text() + "mm_per_px = 0.025\n")
    assert toml.read_text().index("[[images]]") < toml.read_text().index("mm_per_px")
    assert main(["attach", str(toml.parent), "--to", str(root / "archive")]) == 0
    return root


@pytest.fixture
def archive(attached: Path, tmp_path: Path) -> Path:
    """The record and the visit it came from, to be changed."""
    shutil.copytree(attached, tmp_path, dirs_exist_ok=True)
    return tmp_path / "archive"


def new(folder: Path, archive: Path, *more: str) -> int:
    words = ["new", str(folder), "--from", str(archive), "--patient", "PV-0001", *more]
    return main(words)


def marks_in(visit: Path) -> Marks:
    (file,) = (visit / "marks").glob("*.csv")
    return read_marks(file, species="dog", rows=300, cols=500)


def test_a_visit_comes_out_of_the_record_and_goes_back_unchanged(
    archive: Path, tmp_path: Path
) -> None:
    assert new(tmp_path / "again", archive, "--marks") == 0
    visit = read_visit(tmp_path / "again")
    assert visit.patient["name"] == "Birch^Juniper" and visit.patient["species"] == "dog"
    assert str(visit.visit["date"]) == "2026-03-05"
    (row,) = visit.images
    image = tmp_path / "again" / row["file"]
    assert pydicom.dcmread(image) == pydicom.dcmread(tmp_path / "left-jaw.dcm")
    (radiograph,) = examine(tmp_path / "again").radiographs
    assert radiograph.marks == marks_in(tmp_path / "visit")
    assert radiograph.calibration.method == "given" and radiograph.calibration.col_mm == 0.025
    # What is measured again is what the record says: no new report, nothing replaced.
    before = {k: v for k, v in contents(archive).items() if b"MEASUREMENT" not in v}
    assert main(["attach", str(tmp_path / "again"), "--to", str(archive)]) == 0
    reports = [pydicom.dcmread(p) for p in archive.rglob("I*") if p.is_file()]
    assert sum(r.Modality == "SR" for r in reports) == 1
    assert set(before) <= set(contents(archive))


def test_images_alone_leave_the_marks(archive: Path, tmp_path: Path) -> None:
    assert new(tmp_path / "again", archive) == 0
    assert list((tmp_path / "again" / "marks").iterdir()) == []


def test_several_studies_are_listed_and_one_is_chosen(
    archive: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    later = tmp_path / "later.dcm"
    other = radiograph_file(later, day="20260905")
    other.StudyInstanceUID, other.SeriesInstanceUID = "1.2.826.0.1.9", "1.2.826.0.1.10"
    other.SOPInstanceUID = other.file_meta.MediaStorageSOPInstanceUID = "1.2.826.0.1.11"
    other.StudyDescription = "Recheck"
    other.save_as(later)
    visit = visit_of(tmp_path, later, "second", date=datetime.date(2026, 9, 5))
    assert main(["attach", str(visit), "--to", str(archive)]) == 0
    capsys.readouterr()
    assert new(tmp_path / "again", archive) == 2
    first, *lines = capsys.readouterr().err.splitlines()
    assert "2 studies" in first and "--study" in first
    assert lines == ["2026-03-05  1.2.826.0.1.1", "2026-09-05  1.2.826.0.1.9  Recheck"]
    assert not (tmp_path / "again").exists()
    assert new(tmp_path / "again", archive, "--date", "2026-09-05") == 0
    assert read_visit(tmp_path / "again").visit["date"].isoformat() == "2026-09-05"
    assert new(tmp_path / "third", archive, "--study", "1.2.826.0.1.1", "--marks") == 0
    assert read_visit(tmp_path / "third").visit["date"].isoformat() == "2026-03-05"
    capsys.readouterr()
    assert new(tmp_path / "no", archive, "--study", "1.2.3") == 2
    assert len(capsys.readouterr().err.splitlines()) == 3


@pytest.mark.parametrize(
    ("more", "told"),
    [
        (["--patient", "PV-0002"], "has no study"),
        (["--species", "cat"], "is of a dog"),
        (["extra.png"], "name no files"),
        (["--date", "2020-01-01"], "no such study"),
    ],
)
def test_what_does_not_fit_is_refused_and_nothing_is_made(
    archive: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], more: list[str], told: str
) -> None:
    capsys.readouterr()
    assert new(tmp_path / "again", archive, *more) == 2
    assert told in capsys.readouterr().err
    assert not (tmp_path / "again").exists()


def test_dates_that_are_none_are_told_and_not_taken(
    archive: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A study filed under no day of the calendar still opens, and is not dated in silence."""
    for path in (p for p in archive.rglob("I*") if p.is_file()):
        content = path.read_bytes()
        path.write_bytes(content.replace(b"20260305", b"20260231"))
    capsys.readouterr()
    assert new(tmp_path / "again", archive) == 0
    (told,) = capsys.readouterr().err.splitlines()
    assert "study date '20260231' is no date" in told
    assert read_visit(tmp_path / "again").visit["date"] == datetime.date.today()
    assert new(tmp_path / "dated", archive, "--date", "2026-03-05") == 0
    assert capsys.readouterr().err == ""
    assert read_visit(tmp_path / "dated").visit["date"] == datetime.date(2026, 3, 5)


def viewed(archive: Path, *paths: Path, **more: Any) -> Path:
    names = ("patient", "study", "date", "species")
    args = argparse.Namespace(source=str(archive), **dict.fromkeys(names))
    for key, value in more.items():
        setattr(args, key, value)
    return visit_from_record(args, list(paths))


def test_view_reopens_the_newest_marks_from_the_record_alone(
    archive: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # Replaced by a later report: the newest is shown.
    moved = example_marks(shift=4.0)
    write_marks(tmp_path / "visit" / "marks" / "left-jaw.dcm.csv", moved)
    assert main(["attach", str(tmp_path / "visit"), "--to", str(archive)]) == 0
    capsys.readouterr()
    folder = viewed(archive, patient="PV-0001")
    assert str(folder) in capsys.readouterr().err
    assert marks_in(folder) == marks_in(tmp_path / "visit")
    assert [m.row for m in marks_in(folder)] == [m.row for m in moved]
    named = viewed(archive, tmp_path / "kept", patient="PV-0001")
    assert named == tmp_path / "kept" and (named / "visit.toml").is_file()
    with pytest.raises(InputRefused, match="is a visit already"):
        viewed(archive, tmp_path / "kept", patient="PV-0001")
    with pytest.raises(InputRefused, match="--patient"):
        viewed(archive)
