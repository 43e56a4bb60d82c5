"""Mouth, plaque and comparison panels, driven as a user would, in a real (virtual) window."""

import shutil
import tomllib

import numpy as np
import pytest

pytest.importorskip("napari")

from perioview_napari.convert import layer_from_image

from perioview.files.reading import read_image
from perioview.files.samples import sample_visits

pytestmark = pytest.mark.window


def opened(viewer, file):
    data, kwargs, _ = layer_from_image(read_image(file), file)
    return viewer.add_image(data, **kwargs)


@pytest.fixture
def visit(tmp_path):
    sample = next(p for p in sample_visits() if any((p / "marks").iterdir()))
    shutil.copytree(sample, tmp_path / "visit")
    text = (tmp_path / "visit" / "visit.toml").read_text("utf-8")
    # Photographs have their own test; here they would only cost time.
    (tmp_path / "visit" / "visit.toml").write_text(text.replace("[[photos]]", "[[other]]"), "utf-8")
    return tmp_path / "visit"


def test_mouth_panel_charts_maps_and_finds_gaps(make_napari_viewer, qtbot, visit):
    from perioview_napari.mouth_panel import TABS, MouthPanel
    from qtpy.QtWidgets import QLabel

    (visit / "chart.csv").unlink()
    viewer = make_napari_viewer()
    file = next((visit / "images").iterdir())
    opened(viewer, file)
    panel = MouthPanel(viewer)
    qtbot.addWidget(panel)
    qtbot.waitUntil(lambda: panel.entry is not None, timeout=20_000)
    before = len(panel.gaps)
    unprobed = next(g for g in panel.gaps if g.kind == "not_examined" and g.tooth)
    panel.go_to_tooth(unprobed.tooth)
    panel.line.setText("n")
    panel.take_line()
    assert len(panel.gaps) < before
    assert f"\n{unprobed.tooth},".encode() in (visit / "chart.csv").read_bytes()
    at = panel.entry.at
    panel.line.setText("45 3 3 3 3 3")
    panel.take_line()
    # A pocket of 45 mm is refused: nothing is recorded, the line stays to be corrected.
    assert panel.entry.at == at and panel.line.text() == "45 3 3 3 3 3"
    panel.tabs.setCurrentIndex(2)
    panel.next_open()
    assert panel.closing.gap == panel.gaps[0]
    # Where the gap is seen to, with the sentence that says what is missing.
    assert panel.tabs.currentIndex() == TABS[panel.closing.gap.screen]
    shown = panel.tabs.currentWidget().findChildren(QLabel)
    assert panel.closing.gap.sentence in [label.text() for label in shown]
    following = next(g for g in panel.gaps if g.screen == "chart")
    panel.closing.gap = panel.gaps[panel.gaps.index(following) - 1]
    panel.next_open()
    assert panel.tabs.currentIndex() == 0 and panel.message.text() == following.sentence
    panel.tabs.setCurrentIndex(1)
    panel.show()
    large = panel.enlarge_map()
    assert large.findChild(type(panel.map)).shapes == panel.map.shapes
    large.close()
    # Marks that were placed meanwhile are measured when the panel is looked at again.
    marks = next((visit / "marks").iterdir())
    measured = panel.worker
    panel.hide()
    panel.show()
    assert panel.worker is measured
    panel.hide()
    marks.write_bytes(marks.read_bytes() + b"\n")
    panel.show()
    assert panel.worker is not measured
    qtbot.waitUntil(lambda: "measuring" not in panel.title.text(), timeout=20_000)
    # Another visit was opened in the window meanwhile: its chart, not the first animal's.
    other = visit.with_name("other")
    shutil.copytree(visit, other)
    panel.hide()
    panel._folder_of_layers = lambda: other
    panel.show()
    qtbot.waitUntil(lambda: panel.entry is not None, timeout=20_000)
    assert panel.folder == other
    panel._folder_of_layers = lambda: visit
    panel.hide()
    panel.show()
    qtbot.waitUntil(lambda: panel.entry is not None, timeout=20_000)
    procedure = panel.procedure
    pack_in = next(s for s in procedure.steps if s.asks == "count")
    procedure.tick(pack_in, count=2)
    steps = tomllib.loads((visit / "visit.toml").read_text("utf-8"))["steps"]
    assert any(s.get("key") == pack_in.key and s["count"] == 2 and s["at"] for s in steps)
    # Two packs in and fewer out: the close-out says so at once.
    assert any(g.kind == "pack_not_out" for g in panel.gaps)
    assert "NOT ALL OUT" in procedure.packs.text()
    place = next(s for s in panel.map.shapes if s.tooth == 204 and s.kind == "text")
    side = min(panel.map.width(), panel.map.height())
    left, top = (panel.map.width() - side) / 2, (panel.map.height() - side) / 2
    x, y = (c * side / 1000 for c in place.points[0])
    assert panel.map.tooth_at(left + x, top + y) == 204


def test_plaque_panel_outlines_measures_and_saves(make_napari_viewer, qtbot, tmp_path):
    from perioview_napari.plaque_panel import MAP, PlaquePanel
    from PIL import Image

    rows, cols = np.mgrid[:240, :320]
    photo = np.full((240, 320, 3), (150, 60, 70), np.uint8)
    crown = ((rows - 120) / 80) ** 2 + ((cols - 160) / 60) ** 2 < 1
    photo[crown] = (225, 220, 205)
    photo[crown & (rows > 150)] = (205, 90, 130)
    noise = np.random.default_rng(0).normal(0, 3, photo.shape)
    file = tmp_path / "one tooth.png"
    Image.fromarray(np.clip(photo + noise, 0, 255).astype(np.uint8)).save(file)
    viewer = make_napari_viewer()
    opened(viewer, file)
    panel = PlaquePanel(viewer)
    qtbot.addWidget(panel)
    panel.outline.setChecked(True)
    panel.outline_tooth(110, 160)
    # The next click is for the next tooth, even before this one has come.
    assert panel.number.value() == 309
    qtbot.waitUntil(lambda: panel.regions().teeth == [308], timeout=20_000)
    found = panel.regions_layer().data == 308
    # Jaccard index (intersection over union) of the outline with the drawn ellipse.
    assert (found & crown).sum() / (found | crown).sum() > 0.9
    assert panel.regions_path(file).is_file()
    panel.measure()
    qtbot.waitUntil(lambda: MAP in viewer.layers, timeout=20_000)
    assert panel.table.item(0, 0).text() == "308"
    panel.slider.setValue(30)
    assert viewer.layers[MAP].opacity == pytest.approx(0.3)
    panel.close()


def test_compare_panel_aligns_and_refuses(make_napari_viewer, qtbot, visit, tmp_path):
    import cv2
    from perioview_napari.compare_panel import CHANGE, LATER, ComparePanel
    from PIL import Image

    from perioview.image import display

    first = next((visit / "images").iterdir())
    pixels = display(read_image(first))
    turn = cv2.getRotationMatrix2D((400, 400), 3, 1.0)
    turn[:, 2] += 12
    again, other = tmp_path / "again.png", tmp_path / "other.png"
    Image.fromarray(cv2.warpAffine(pixels, turn, pixels.shape[::-1])).save(again)
    noise = np.random.default_rng(1).integers(0, 255, pixels.shape, np.uint8)
    Image.fromarray(noise).save(other)
    viewer = make_napari_viewer()
    for file in (first, again, other):
        opened(viewer, file)
    panel = ComparePanel(viewer)
    qtbot.addWidget(panel)
    panel.earlier.setCurrentText(first.name)
    panel.later.setCurrentText("again.png")
    panel.align()
    qtbot.waitUntil(lambda: LATER in viewer.layers and CHANGE in viewer.layers, timeout=60_000)
    assert "aligned within" in panel.message.text()
    panel.later.setCurrentText("other.png")
    panel.align()
    qtbot.waitUntil(lambda: "aligning" not in panel.message.text(), timeout=60_000)
    assert "aligned within" not in panel.message.text()
    panel.close()
