"""What a record tells of a patient's past, apart from the way there (see test_attach)."""

from __future__ import annotations

import copy
import dataclasses
import datetime
import io
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import pydicom
import pytest

from perioview.chart import Chart, ChartRow
from perioview.errors import InputRefused
from perioview.files.reading import read_image
from perioview.record.archive_source import images_from_archive
from perioview.record.folder import Folder
from perioview.record.history import history, marks_from_report, measurements_from_report
from perioview.record.objects import record_objects
from perioview.record.outbox import send, write_outbox
from perioview.record.trend import courses, trend_svg
from perioview.record.versions import versions
from perioview.verbs.history import versions_table
from tests.record_examples import example_radiograph
from tests.test_record_folder import encoded
from tests.test_record_objects import draft_objects, example_examination, example_photo, of


def test_history_of_a_photo_holds_its_plaque() -> None:
    reports = of(draft_objects(), "SR")
    rows = history("PV-0001", reports)["measurements"]
    plaque = {r["quantity"]: r for r in rows if r["side"] is None}
    tooth = example_photo().result.teeth[0]
    assert plaque["coverage_pct"]["value"] == tooth.coverage.value
    assert plaque["coverage_pct"]["sd"] == tooth.coverage.sd
    assert plaque["gingival_half_pct"]["value"] == tooth.gingival_half_pct
    assert plaque["stained_px"]["unit"] == "px"
    assert "coronal_half_pct" not in plaque  # unknown is absent, not zero
    photo = of(draft_objects(), "XC")[0]
    assert plaque["coverage_pct"]["image_uid"] == photo.SOPInstanceUID


def test_other_patients_and_other_reports_are_passed_over() -> None:
    reports = of(draft_objects(), "SR")
    foreign = pydicom.Dataset()
    foreign.Modality, foreign.PatientID = "SR", "PV-0001"
    found = history("PV-0001", [foreign, *reports])
    assert {r["report_uid"] for r in found["measurements"]} == {
        str(r.SOPInstanceUID) for r in reports
    }
    assert history("PV-0009", reports) == {
        "patient": {"id": "PV-0009", "species": None},
        "measurements": [],
    }
    with pytest.raises(InputRefused, match="no perioview measurement report"):
        marks_from_report(foreign)


def test_probing_travels_with_the_tooth_and_blank_stays_blank() -> None:
    rows = (
        ChartRow(308, "buccal", probing_depth_mm=4.5, furcation=1),
        ChartRow(308, "lingual", probing_depth_mm=6.0, furcation=2),
        ChartRow(308, "buccal", when="after", probing_depth_mm=9.0),
        ChartRow(308, mobility=0),
    )
    exam = dataclasses.replace(example_examination(), chart=Chart(rows), photos=())
    report = of(record_objects(exam), "SR")[0]
    told = {
        (r["tooth"], r["quantity"]): r["value"]
        for r in measurements_from_report(report)
        if r["root"] is None
    }
    assert told == {
        (308, "probing_depth_mm"): 6.0,
        (308, "furcation_index"): 2.0,
        (308, "mobility_index"): 0.0,
    }


def row(date: str, value: float, tooth: int = 308, side: str = "mesial") -> dict[str, object]:
    held = {"tooth": tooth, "root": "mesial", "side": side, "unit": "%", "sd": 2.0}
    return {"date": date, "quantity": "bone_loss_pct", "value": value, **held}


def test_trend_has_a_panel_per_tooth_and_a_point_per_visit() -> None:
    rows = [row("2026-09-05", 40.0), row("2026-03-05", 20.0), row("2026-03-05", 10.0, 309)]
    lines = courses(rows)[308, "bone_loss_pct"]["mesial mesial"]
    assert [value for _, value, _ in lines] == [20.0, 40.0]
    svg = ElementTree.fromstring(trend_svg(rows))
    name = "{http://www.w3.org/2000/svg}"
    panels = svg.findall(f"{name}g")
    assert [len(p.findall(f"{name}circle")) for p in panels] == [2, 1]
    early, late = panels[0].findall(f"{name}circle")
    assert float(early.get("cx", 0)) < float(late.get("cx", 0))
    # More loss stands higher: 20 points are a fifth of the axis.
    axis = 130
    difference = float(early.get("cy", 0)) - float(late.get("cy", 0))
    assert difference == pytest.approx(axis / 5)
    assert ElementTree.fromstring(trend_svg([])) is not None


def test_a_visit_without_its_chart_does_not_unsay_what_was_probed() -> None:
    chart = Chart((ChartRow(308, "buccal", probing_depth_mm=4.5, furcation=1),))
    charted = dataclasses.replace(example_examination(), chart=chart, photos=())
    held = of(record_objects(charted), "SR")
    bare = dataclasses.replace(charted, chart=None)
    assert of(record_objects(bare, earlier=held), "SR") == []
    moved = dataclasses.replace(bare, radiographs=(example_radiograph(4.0),))
    (later,) = of(record_objects(moved, earlier=held), "SR")
    rows = {(r["tooth"], r["quantity"]): r["value"] for r in measurements_from_report(later)}
    assert rows[308, "probing_depth_mm"] == 4.5 and rows[308, "furcation_index"] == 1
    # A chart that says nothing of the tooth does: blank is what it says now.
    empty = dataclasses.replace(charted, chart=Chart(()))
    (unsaid,) = of(record_objects(empty, earlier=held), "SR")
    quantities = {r["quantity"] for r in measurements_from_report(unsaid)}
    assert not quantities & {"probing_depth_mm", "furcation_index"}


def test_versions_tell_who_changed_what_and_when() -> None:
    exam = dataclasses.replace(example_examination(), photos=())
    other = dataclasses.replace(exam, radiographs=(example_radiograph(4.0),))
    held: list[pydicom.Dataset] = []
    for now, signer in ((exam, None), (other, None), (other, "Rowan Maple")):
        held += of(record_objects(now, earlier=held, verify=signer), "SR")
    told = versions("PV-0001", held[::-1])
    assert told["patient"] == {"id": "PV-0001", "species": "dog"}
    first, second, third = told["versions"]
    assert [v["version"] for v in told["versions"]] == [1, 2, 3]
    assert [v["predecessor_uid"] for v in told["versions"]] == [
        None,
        *[str(r.SOPInstanceUID) for r in held[:2]],
    ]
    assert [v["verified"] for v in told["versions"]] == [False, False, True]
    assert [v["current"] for v in told["versions"]] == [False, False, True]
    assert (first["by"], first["at"]) == ("Maple^Rowan", "2026-03-05")
    # Signed now, by whoever signed, not on the day of the visit.
    assert third["by"] == "Rowan Maple"
    signed = datetime.datetime.fromisoformat(third["at"])
    assert abs(datetime.datetime.now().astimezone() - signed) < datetime.timedelta(minutes=5)
    assert third["changes"] == [] == first["changes"]
    site = exam.radiographs[0].sites[1]
    moved = other.radiographs[0].sites[1]
    where = {"tooth": site.tooth, "root": site.root, "side": site.side}
    change = {
        **where,
        "quantity": "bone_loss_pct",
        "before": site.bone_loss_pct.value,
        "after": moved.bone_loss_pct.value,
        "unit": "%",
    }
    assert change in second["changes"]
    table = "\n".join(versions_table(told["versions"]))
    before, after = (f"{s.bone_loss_pct.value:.1f} %" for s in (site, moved))
    assert f"{before} to {after}" in table and "by Rowan Maple" in table
    assert table.count("replaced") == 2 and table.count("unverified") == 2


def test_versions_survive_a_missing_predecessor_and_a_ring() -> None:
    exam = dataclasses.replace(example_examination(), photos=())
    other = dataclasses.replace(exam, radiographs=(example_radiograph(4.0),))
    first = of(record_objects(exam), "SR")
    second = of(record_objects(other, earlier=first), "SR")
    (alone,) = versions("PV-0001", second)["versions"]
    assert alone["version"] == 2 and alone["changes"] == [] and alone["current"]
    ring = pydicom.dcmread(io.BytesIO(encoded(first[0])))
    ring.PredecessorDocumentsSequence = copy.deepcopy(second[0].PredecessorDocumentsSequence)
    item = ring.PredecessorDocumentsSequence[0].ReferencedSeriesSequence[0]
    item.ReferencedSOPSequence[0].ReferencedSOPInstanceUID = second[0].SOPInstanceUID
    assert len(versions("PV-0001", [ring, *second])["versions"]) == 2
    assert versions("PV-0009", second)["versions"] == []


def test_images_come_back_from_the_archive_to_be_measured(tmp_path: Path) -> None:
    archive = Folder(tmp_path / "archive")
    objects = draft_objects()
    send(write_outbox(tmp_path / "o", objects), archive)
    study = str(archive.studies("PV-0001")[0].StudyInstanceUID)
    (tmp_path / "images").mkdir()
    paths = images_from_archive(archive, "PV-0001", study, tmp_path / "images")
    assert len(paths) == 2  # the radiograph and the photo, not the pictures drawn over them
    images = [read_image(p) for p in paths]
    uids = {i.attributes["sop_uid"] for i in images}
    assert uids == {o.SOPInstanceUID for o in objects if o.SeriesNumber in (7001, 7002)}
    assert {i.species for i in images} == {"dog"}
    with pytest.raises(InputRefused, match="holds no image"):
        images_from_archive(archive, "PV-0002", study, tmp_path / "images")
