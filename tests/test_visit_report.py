"""What was entered in a visit, through the record and back: chart, regions, steps, awake."""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
import shutil
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import highdicom
import numpy as np
import pydicom
import pytest

from perioview.chart import Chart, ChartRow
from perioview.chart_decision import with_film_after
from perioview.cli import main
from perioview.files.chart_table import chart_text, read_chart, write_chart
from perioview.files.regions import read_regions
from perioview.files.visit_folder import examine, read_visit, write_visit
from perioview.marking_round import RoundState, Skip, Step, round_text
from perioview.marks import Marks
from perioview.record.destination import destination_from
from perioview.record.entered import Entered
from perioview.record.findings import findings
from perioview.record.history import history, is_report, marks_from_report
from perioview.record.outbox import send, write_outbox
from perioview.record.region_outlines import filled, outlines
from perioview.record.visit_record import visit_record
from perioview.record.visit_report import (
    current_visit_reports,
    entered_from_report,
    is_visit_report,
    visit_report,
)
from perioview.visit import Visit
from tests.orthanc import Orthanc, orthanc_at
from tests.record_examples import example_identity
from tests.record_validators import DCMTK, output, remarks, saved

PATIENT = "PV-0101"
SAMPLE = Path(__file__).parents[1] / "sample_images" / "toy-dog-cleaning"
LEFT_OUT = {"file", "sha256", "modality", "files"}


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sample visit with everything a visit can hold (invented)."""
    folder = tmp_path_factory.mktemp("whole") / "visit"
    shutil.copytree(SAMPLE, folder)
    visit = read_visit(folder)
    awake = {"symmetry": "normal", "lymph_nodes": 'left "large"\nfirm', "stages": {"309": "2"}}
    write_visit(folder, dataclasses.replace(visit, other={"awake": awake}))
    chart = read_chart(folder / "chart.csv", "dog")
    row = chart.row(404)
    assert row is not None
    told = dataclasses.replace(
        row, decision="extract", done="extracted, 2026-03-05T11:00", note="Wurzel = süß; a\\b, c"
    )
    chart = with_film_after(chart.with_row(told), 404, "right-lower-canine.dcm")
    write_chart(folder / "chart.csv", chart)
    noted = RoundState(
        roots=((304, ("single",)), (308, ("mesial", "distal"))),
        skips=(Skip(Step("apex", 308, "mesial"), "overlapped"),),
        sound=(304,),
    )
    (folder / "marks" / "left-jaw.dcm.round.json").write_text(round_text(noted))
    return folder


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Orthanc]:
    with orthanc_at(tmp_path_factory.mktemp("orthanc")) as running:
        yield running


def only_report(reports: Iterable[pydicom.Dataset]) -> pydicom.Dataset:
    (report,) = current_visit_reports(reports)
    return report


def rebuilt(where: str, folder: Path, *more: str) -> Path:
    assert main(["new", str(folder), "--from", where, "--patient", PATIENT, "--marks", *more]) == 0
    return folder


def numbers(folder: Path, names: dict[str, str]) -> Any:
    """Everything the report says, the files of images under the names they had."""
    told = json.dumps(findings(examine(folder)).json_object(), sort_keys=True, default=str)
    for now, before in names.items():
        told = told.replace(now, before)

    def plain(value: Any) -> Any:
        if isinstance(value, dict):
            return {k: plain(v) for k, v in value.items() if k not in LEFT_OUT}
        return [plain(v) for v in value] if isinstance(value, list) else value

    return plain(json.loads(told))


def check_equal(before: Path, after: Path) -> None:
    old, new = read_visit(before), read_visit(after)
    assert (new.patient, new.owner, new.visit) == (old.patient, old.owner, old.visit)
    assert (new.steps, new.other) == (old.steps, old.other)
    names = {}
    for rows, held in ((old.images, new.images), (old.photos, new.photos)):
        assert [dict(r) | {"file": ""} for r in held] == [dict(r) | {"file": ""} for r in rows]
        names |= {
            Path(n["file"]).name: Path(o["file"]).name for o, n in zip(rows, held, strict=True)
        }
    text = (after / "chart.csv").read_text()
    for now, was in names.items():
        text = text.replace(now, was)
    assert text == chart_text(read_chart(before / "chart.csv", "dog"))
    for now, was in names.items():
        for suffix in (".csv", ".round.json"):
            path = before / "marks" / f"{was}{suffix}"
            if suffix == ".round.json" and path.exists():
                assert (after / "marks" / f"{now}{suffix}").read_text() == path.read_text()
        path = before / "regions" / f"{was}.png"
        if path.exists():
            shape = pydicom.dcmread(after / "images" / now)
            size = {"rows": int(shape.Rows), "cols": int(shape.Columns)}
            held_regions = read_regions(after / "regions" / f"{now}.png", **size)
            assert (held_regions == read_regions(path, **size)).all()
    assert numbers(after, names) == numbers(before, {})


@pytest.mark.parametrize(
    "way", ["folder", *(pytest.param(w, marks=pytest.mark.server) for w in ("web", "dimse"))]
)
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.filterwarnings("ignore::ResourceWarning")
def test_a_visit_rebuilt_from_the_record_is_the_visit(
    whole: Path,
    tmp_path: Path,
    request: pytest.FixtureRequest,
    capsys: pytest.CaptureFixture[str],
    way: str,
) -> None:
    where = str(tmp_path / "archive")
    if way != "folder":
        where = str(getattr(request.getfixturevalue("server"), way))
    assert main(["attach", str(whole), "--to", where]) == 0
    capsys.readouterr()
    again = rebuilt(where, tmp_path / "again")
    assert capsys.readouterr().err == ""  # nothing is lacking, nothing is said to be
    check_equal(whole, again)
    # The same goes back: no second report of anything.
    assert main(["attach", str(again), "--to", where]) == 0
    reports = destination_from(where).reports(PATIENT)
    assert sum(map(is_visit_report, reports)) == 1
    assert len(reports) == 1 + 3 + 2


def test_an_older_record_opens_and_says_what_it_lacks(
    whole: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("perioview.record.visit_record.visit_report", lambda *a, **k: None)
    assert main(["attach", str(whole), "--to", str(tmp_path / "archive")]) == 0
    capsys.readouterr()
    again = rebuilt(str(tmp_path / "archive"), tmp_path / "again")
    assert capsys.readouterr().err.splitlines() == [
        f"{again}: not in the record: chart, tooth regions of 2 photographs, awake examination, "
        "steps of the procedure."
    ]
    visit = read_visit(again)
    assert [p["when"] for p in visit.photos] == ["before", "after"]
    assert not (again / "chart.csv").exists() and len(examine(again).radiographs) == 3


def test_what_is_given_goes_before_the_record(whole: Path, tmp_path: Path) -> None:
    assert main(["attach", str(whole), "--to", str(tmp_path / "archive")]) == 0
    folder = rebuilt(
        str(tmp_path / "archive"), tmp_path / "again", "--weight-kg", "4.2", "--kind", "recheck"
    )
    visit = read_visit(folder)
    assert visit.patient["weight_kg"] == 4.2 and visit.visit["kind"] == "recheck"
    assert visit.patient["breed"] == "Toy Poodle" and visit.visit["asleep"] is True


def test_a_changed_chart_replaces_and_a_missing_one_unsays_nothing(
    whole: Path, tmp_path: Path
) -> None:
    folder, archive = tmp_path / "visit", str(tmp_path / "archive")
    shutil.copytree(whole, folder)
    assert main(["attach", str(folder), "--to", archive]) == 0
    first = only_report(destination_from(archive).reports(PATIENT))
    chart = read_chart(folder / "chart.csv", "dog")
    deeper = dataclasses.replace(chart.rows[1], probing_depth_mm=7.5)
    write_chart(folder / "chart.csv", chart.with_row(deeper))
    assert main(["attach", str(folder), "--to", archive, "--verify", "Sample^Clinician"]) == 0
    reports = destination_from(archive).reports(PATIENT)
    second = only_report(reports)
    (before,) = second.PredecessorDocumentsSequence
    assert (
        before.ReferencedSeriesSequence[0].ReferencedSOPSequence[0].ReferencedSOPInstanceUID
        == first.SOPInstanceUID
    )
    assert second.VerificationFlag == "VERIFIED" and first.VerificationFlag == "UNVERIFIED"
    # Images alone, attached again with one step: the chart and the regions stay said.
    (folder / "chart.csv").unlink()
    shutil.rmtree(folder / "regions")
    (folder / "regions").mkdir()
    write_visit(folder, dataclasses.replace(read_visit(folder), steps=()))
    assert main(["attach", str(folder), "--to", archive]) == 0
    third = only_report(destination_from(archive).reports(PATIENT))
    assert third.SOPInstanceUID != second.SOPInstanceUID
    held, was = entered_from_report(third), entered_from_report(second)
    assert held.visit.steps == () and held.chart == was.chart and held.regions == was.regions
    assert held.chart is not None and held.chart.rows[1].probing_depth_mm == 7.5


def test_two_charts_that_do_not_know_of_each_other_are_told(
    whole: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    archive = tmp_path / "archive"
    assert main(["attach", str(whole), "--to", str(archive)]) == 0
    exam = examine(whole)
    other = dataclasses.replace(exam, chart=Chart(exam.chart.rows[:4], exam.chart.columns))
    (apart,) = (o for o in visit_record(other) if is_visit_report(o))
    send(write_outbox(tmp_path / "o", [apart]), destination_from(str(archive)))
    capsys.readouterr()
    rebuilt(str(archive), tmp_path / "again")
    (line,) = capsys.readouterr().err.splitlines()
    assert "holds 2 charts of this visit" in line and line.endswith("is taken.")
    # What is attached next knows of both, replaces them, and is what comes back.
    assert main(["attach", str(whole), "--to", str(archive)]) == 0
    capsys.readouterr()
    again = rebuilt(str(archive), tmp_path / "third")
    assert capsys.readouterr().err == ""
    check_equal(whole, again)
    assert main(["attach", str(whole), "--to", str(archive)]) == 0
    assert sum(map(is_visit_report, destination_from(str(archive)).reports(PATIENT))) == 3


def test_two_reports_of_one_radiograph_are_told_and_the_verified_one_is_taken(
    whole: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    archive = tmp_path / "archive"
    assert main(["attach", str(whole), "--to", str(archive), "--verify", "Sample^Clinician"]) == 0
    exam = examine(whole)
    film, *films = exam.radiographs
    first, *marks = film.marks
    moved = Marks((dataclasses.replace(first, row=first.row + 3), *marks))
    exam = dataclasses.replace(exam, radiographs=(dataclasses.replace(film, marks=moved), *films))
    reports = [o for o in visit_record(exam) if o.get("Modality") == "SR" and is_report(o)]
    (other,) = (o for o in reports if tuple(marks_from_report(o)) == tuple(moved))
    send(write_outbox(tmp_path / "o", [other]), destination_from(str(archive)))
    capsys.readouterr()
    again = rebuilt(str(archive), tmp_path / "again")
    (line,) = capsys.readouterr().err.splitlines()
    assert "marks of it in 2 reports" in line and line.endswith("is taken.")
    assert str(other.SOPInstanceUID) not in line
    check_equal(whole, again)


def test_it_is_no_measurement_and_history_passes_over_it(whole: Path) -> None:
    objects = visit_record(examine(whole))
    reports = [o for o in objects if o.Modality == "SR"]
    without = [r for r in reports if not is_visit_report(r)]
    assert len(without) == len(reports) - 1
    assert history(PATIENT, reports) == history(PATIENT, without)


def test_names_stand_in_the_header_alone(whole: Path) -> None:
    (report,) = (o for o in visit_record(examine(whole)) if is_visit_report(o))
    said = str(report.ContentSequence)
    assert "Sample^Pip" not in said and "Sample^Owner" not in said
    # Not even the names of files, which people make of other names.
    assert "right-lower-canine" not in said and "left-lower-before" not in said


def test_a_visit_of_images_and_marks_has_no_such_report(whole: Path) -> None:
    exam = examine(whole)
    rows = tuple({"file": row["file"]} for row in exam.visit.images)
    visit = Visit(exam.visit.patient, {}, {"date": dt.date(2026, 3, 5)}, rows)
    bare = dataclasses.replace(exam, visit=visit, chart=None, photos=(), folder="")
    assert not any(map(is_visit_report, visit_record(bare)))


def test_every_field_of_a_chart_comes_back() -> None:
    extra = (("agreed_by", "owner, by phone"), ("x=y", "1=2"))
    full = ChartRow(
        308,
        "distolingual",
        "after",
        4.25,
        -0.1,
        True,
        3,
        2,
        1,
        2,
        0,
        "present",
        ("furcation=2", "free words"),
        "extract",
        "not yet",
        "a\nb",
        extra,
    )
    blank = ChartRow(309, extra=(("agreed_by", ""), ("x=y", "")))
    chart = Chart((full, blank), ("agreed_by", "x=y"))
    report = visit_report(example_identity(), Entered(Visit({}), chart), {})
    assert report is not None
    assert entered_from_report(report).chart == chart


def test_an_image_the_archive_lost_is_named(
    whole: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    archive = tmp_path / "archive"
    folder = tmp_path / "visit"
    shutil.copytree(whole, folder)
    assert main(["attach", str(folder), "--to", str(archive)]) == 0
    # As if an archive had never had the second film: its own copy without that image.
    lost = pydicom.dcmread(folder / "images" / "right-lower-canine.dcm").SOPInstanceUID
    other = tmp_path / "other"
    kept = [
        d
        for d in destination_from(str(archive)).objects(PATIENT, _study(archive))
        if d.SOPInstanceUID != lost
    ]
    send(write_outbox(tmp_path / "o", kept), destination_from(str(other)))
    capsys.readouterr()
    again = rebuilt(str(other), tmp_path / "again")
    told = capsys.readouterr().err
    assert told == f"{again}: 1 image is not in the archive any more; left out.\n"
    assert len(read_visit(again).images) == 2


def _study(archive: Path) -> str:
    (row,) = destination_from(str(archive)).studies(PATIENT)
    return str(row.StudyInstanceUID)


def test_polygons_and_undyed_photos_keep_their_regions(whole: Path, tmp_path: Path) -> None:
    folder = tmp_path / "visit"
    shutil.copytree(whole, folder)
    drawn = folder / "regions" / "left-lower-before.jpg.png"
    drawn.unlink()
    drawn.with_suffix(".csv").write_text(
        "tooth,vertex,row,col\n308,1,10.3,20\n308,2,90,25.5\n308,3,60,140\n"
    )
    visit = read_visit(folder)
    photos = (visit.photos[0], {**visit.photos[1], "dye": "none"})
    write_visit(folder, dataclasses.replace(visit, photos=photos))
    assert main(["attach", str(folder), "--to", str(tmp_path / "archive")]) == 0
    again = rebuilt(str(tmp_path / "archive"), tmp_path / "again")
    for old, new in zip(photos, read_visit(again).photos, strict=True):
        header = pydicom.dcmread(again / new["file"])
        size = {"rows": int(header.Rows), "cols": int(header.Columns)}
        name = Path(old["file"]).name
        (path,) = (folder / "regions").glob(f"{name}.*")
        held = again / "regions" / f"{Path(new['file']).name}.png"
        assert (read_regions(held, **size) == read_regions(path, **size)).all()
    assert read_visit(again).photos[1]["dye"] == "none"


def test_outlines_are_exact_for_any_region_analytic() -> None:
    rng = np.random.default_rng(4)
    for _ in range(60):
        rows, cols = rng.integers(1, 40, 2)
        mask = rng.random((rows, cols)) < rng.random()
        found = outlines(mask, 24)
        assert all(4 <= len(corners) <= 24 for corners in found)
        assert (filled(found, rows, cols) == mask).all()
        # The shoelace formula over all of them gives the area, holes taken off.
        twice = sum(
            a[1] * b[0] - b[1] * a[0] for c in found for a, b in zip(c, (*c[1:], c[0]), strict=True)
        )
        assert abs(twice) == 2 * int(mask.sum())
    assert outlines(np.zeros((3, 3), bool), 24) == []


@pytest.mark.validator
def test_it_passes_dciodvfy_dcmtk_and_highdicom(whole: Path, tmp_path: Path) -> None:
    (report,) = (o for o in visit_record(examine(whole)) if is_visit_report(o))
    (path,) = saved([report], tmp_path)
    assert remarks(path) == []
    told = output("dsrdump", DCMTK, str(path))
    assert told.returncode == 0, told.stderr
    assert "Imaging Measurement Report" in told.stdout
    read = highdicom.sr.srread(path)
    planar = read.content.get_planar_roi_measurement_groups()
    assert {g.reference_type.value for g in planar} == {"111030"}
    regions = entered_from_report(report).regions
    count = sum(len(found) for teeth in regions.values() for found in teeth.values())
    assert len(planar) == count > 0
    groups = read.content.get_image_measurement_groups()
    depths = [
        m.value for g in groups for m in g.get_measurements() if m.name.value == "probing_depth_mm"
    ]
    chart = read_chart(whole / "chart.csv", "dog")
    assert depths == [r.probing_depth_mm for r in chart if r.probing_depth_mm is not None]
