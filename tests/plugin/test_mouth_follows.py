"""The mouth's panel follows what is marked, outlined and charted beside it; nothing is lost."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

pytest.importorskip("napari")

from perioview_napari.convert import layer_from_image
from perioview_napari.mouth_panel import MouthPanel

from perioview.files.chart_table import read_chart
from perioview.files.reading import read_image
from perioview.marking_round import RoundState, round_text

SAMPLE = Path(__file__).parents[2] / "sample_images" / "toy-dog-cleaning"
pytestmark = pytest.mark.window


@pytest.fixture
def mouth(tmp_path, make_napari_viewer, qtbot):
    visit = tmp_path / "visit"
    shutil.copytree(SAMPLE, visit)
    viewer = make_napari_viewer(show=True)
    panel = MouthPanel(viewer)
    viewer.window.add_dock_widget(panel, name="Mouth")
    panel.open_visit(visit)
    ready(panel, qtbot)
    return panel, visit


def ready(panel, qtbot):
    qtbot.waitUntil(lambda: not panel.measuring and panel.entry is not None, timeout=30_000)


def line(panel, text):
    panel.line.setText(text)
    panel.take_line()


def test_marks_placed_meanwhile_are_measured_and_charting_goes_on_where_it_was(mouth, qtbot):
    panel, visit = mouth
    line(panel, "after")
    line(panel, "104 n")
    at, past = panel.entry.at, len(panel.entry.past)
    assert panel.at.text().endswith("after scaling") and past > 0
    marks = visit / "marks" / "left-jaw.dcm.csv"
    measured = panel.examination
    marks.write_bytes(marks.read_bytes() + b"\n")
    qtbot.waitUntil(lambda: panel.examination is not measured, timeout=30_000)
    assert (panel.entry.when, panel.entry.at, len(panel.entry.past)) == ("after", at, past)
    # Outlines count as well.
    measured = panel.examination
    outlines = visit / "regions" / "left-lower-after.jpg.png"
    outlines.write_bytes(outlines.read_bytes())
    qtbot.waitUntil(lambda: panel.examination is not measured, timeout=30_000)


def test_a_chart_changed_by_another_program_is_read_not_written_over(mouth, qtbot):
    panel, visit = mouth
    file = visit / "chart.csv"
    header = file.read_text().splitlines()[0]
    row = dict.fromkeys(header.split(","), "") | {
        "tooth": "101",
        "pass": "before",
        "note": "by hand",
    }
    written = file.read_text().rstrip("\n") + "\n" + ",".join(row.values()) + "\n"
    # Before the panel looks by itself.
    panel._clock.stop()
    file.write_text(written)
    line(panel, "104 n")
    assert "another program changed it" in panel.message.text()
    assert file.read_text() == written
    ready(panel, qtbot)
    line(panel, "104 n")
    kept = read_chart(file, "dog")
    assert kept.row(101).note == "by hand" and kept.within_normal(104)


def test_one_damaged_film_does_not_bar_the_chart(mouth, qtbot):
    panel, visit = mouth
    film = visit / "images" / "left-jaw.dcm"
    film.chmod(0o644)
    film.write_bytes(film.read_bytes()[:3000])
    panel.measure_again()
    ready(panel, qtbot)
    assert "left-jaw.dcm" in panel.message.text()
    line(panel, "104 n")
    assert read_chart(visit / "chart.csv", "dog").within_normal(104)


def test_a_gap_of_a_photo_shows_the_photo(mouth, qtbot):
    panel, visit = mouth
    for name in ("left-jaw.dcm", "left-lower-before.jpg", "left-lower-after.jpg"):
        file = visit / "images" / name
        data, kwargs, _ = layer_from_image(read_image(file), file)
        panel.viewer.add_image(data, **kwargs)
    panel.go_to_tooth(309, on_photo=True)
    shown = [layer.name for layer in panel.viewer.layers if layer.visible]
    assert shown == ["left-lower-after.jpg"]


def test_a_chart_that_cannot_be_read_takes_no_line(mouth, qtbot):
    panel, visit = mouth
    file = visit / "chart.csv"
    faulty = file.read_text().rstrip("\n") + "\n999,,before,,,,,,,,,,,,,\n"
    file.write_text(faulty)
    qtbot.waitUntil(lambda: bool(panel.refused), timeout=30_000)
    line(panel, "104 n")
    assert "mend this first" in panel.message.text() and file.read_text() == faulty
    file.write_text(faulty.replace("999,", "101,"))
    qtbot.waitUntil(lambda: not panel.refused and not panel.measuring, timeout=30_000)
    line(panel, "104 n")
    assert read_chart(file, "dog").within_normal(104)


def test_a_round_noted_without_a_mark_is_noticed(mouth, qtbot):
    panel, visit = mouth
    measured = panel.examination
    (visit / "marks" / "right-lower-canine.dcm.round.json").write_text(
        round_text(RoundState(sound=(405,)))
    )
    qtbot.waitUntil(lambda: panel.examination is not measured, timeout=30_000)


def test_the_panel_goes_over_to_the_visit_in_the_window(mouth, qtbot):
    panel, visit = mouth
    other = visit.with_name("other")
    shutil.copytree(visit, other)
    panel._folder_of_layers = lambda: other
    qtbot.waitUntil(lambda: panel.folder == other and panel.entry is not None, timeout=30_000)
    line(panel, "104 n")
    assert read_chart(other / "chart.csv", "dog").within_normal(104)
    assert not read_chart(visit / "chart.csv", "dog").within_normal(104)
