"""A visit of photographs alone: the window lives, and what is left out or kept is said."""

import subprocess
import sys

import numpy as np
import pytest

pytest.importorskip("napari")

from perioview_napari.regions_kept import proposed_at
from test_plaque_panel import opened
from test_plaque_photos import plain_photo, visit_with

from perioview.files.regions import read_regions, write_regions
from perioview.files.visit_folder import examine

pytestmark = pytest.mark.window
DYE = {"dye": "one-tone"}
CARD = (5, 5, 14, 60)
# A fault in the drawing ends the process, and would end the tests with it.
WINDOW = """
import sys
from pathlib import Path
from napari._qt.qt_event_loop import get_qapp
app = get_qapp()
import numpy as np
from qtpy.QtTest import QTest
from perioview_napari.docking import dock_of
from perioview_napari.find_panel import docked_plaque_panel, open_plaque_panel
from perioview_napari.launch import open_window

viewer = open_window([Path(name) for name in sys.argv[2:]])
canvas = viewer.window._qt_viewer.canvas.native

def drawn():
    for _ in range(4):
        canvas.update()
        QTest.qWait(60)

panel = open_plaque_panel(viewer)
drawn()
if sys.argv[1] == "card":
    panel.card.button.setChecked(True)
    panel.card.mark((5, 5), (14, 60))
    drawn()
    panel.card.button.setChecked(False)
else:
    mask = np.zeros(panel.photo_layer().data.shape[:2], bool)
    mask[20:60, 20:60] = True
    panel.regions().take(308, mask, sure=True)
    drawn()
    dock_of(panel).titleBarWidget().close_button.click()
    drawn()
    assert docked_plaque_panel(viewer) is None
    panel = open_plaque_panel(viewer)
    drawn()
    assert panel.regions().teeth == [308]
drawn()
viewer.close()
print("alive")
"""


@pytest.fixture
def panel(make_napari_viewer, qtbot):
    from perioview_napari.plaque_panel import PlaquePanel

    made = PlaquePanel(make_napari_viewer())
    qtbot.addWidget(made)
    yield made
    made.close()


def in_view(panel, *files):
    """Open photographs; the first comes into view."""
    layers = [opened(panel.viewer, file) for file in files]
    panel.viewer.layers.selection.active = layers[0]
    panel.regions()
    return layers


@pytest.mark.parametrize("what", ["card", "panel"])
def test_window_lives_when_only_photographs_are_left_to_draw(tmp_path, what):
    from conftest import check_display

    check_display()
    files = [plain_photo(tmp_path / name) for name in ("a.png", "b.png")]
    run = subprocess.run(
        [sys.executable, "-c", WINDOW, what, *map(str, files)],
        capture_output=True, text=True, timeout=120,
    )  # fmt: skip
    assert run.returncode == 0 and run.stdout.split()[-1:] == ["alive"], run.stderr


def test_teeth_whose_outlines_nobody_looked_at_are_named(panel, qtbot, tmp_path):
    a, b = visit_with(tmp_path / "visit", {"a.png": DYE, "b.png": DYE})
    in_view(panel, b, a)
    proposal = np.zeros((360, 480), np.uint16)
    proposal[340:358, 2:40] = 309
    write_regions(proposed_at(a), proposal)
    panel.other.chosen.setCurrentText("a.png")
    for act in (panel.other.compare, panel.other.bring_over):
        panel.message.setText("")
        act()
        qtbot.waitUntil(lambda: "Left out: 309, whose" in panel.message.text(), timeout=30_000)
        for tooth in panel.regions().teeth:
            panel.regions().remove(tooth)
    # As well where they are open, and not once they were looked at.
    layers = panel.viewer.layers
    for sure in (False, True):
        layers.selection.active = layers["a.png"]
        panel.regions().take(309, proposal > 0, sure=sure)
        layers.selection.active = layers["b.png"]
        panel.message.setText("")
        panel.other.compare()
        qtbot.waitUntil(lambda: "b.png: " in panel.message.text(), timeout=30_000)
        assert ("Left out" in panel.message.text()) is not sure


def test_outline_ends_at_the_grey_card_and_the_report_is_made(panel, tmp_path):
    (file,) = visit_with(tmp_path / "visit", {"a.png": DYE})
    in_view(panel, file)
    panel.card.mark(CARD[:2], CARD[2:])
    regions = panel.regions()
    on_card = np.zeros((360, 480), bool)
    on_card[2:30, 40:80] = True
    regions.take(308, on_card, sure=True)
    on_card[5:15, 40:61] = False
    assert (regions.data == 308).tolist() == on_card.tolist()
    assert "on the grey card" in regions.told("308 outlined.")
    assert regions.told("308 outlined.") == "308 outlined."
    regions.brush(308, "paint")
    regions.layer.paint((10, 30), 308)
    regions.layer.events.paint(value=[])
    regions.brush(308, "pan_zoom")
    assert not regions.data[5:15, 5:61].any()
    assert "on the grey card" in panel.message.text()
    assert not read_regions(panel.regions_path(file), rows=360, cols=480)[5:15, 5:61].any()
    (photo,) = examine(tmp_path / "visit").photos
    assert photo.result is not None
    # Taken back, and done again after the card was moved onto it.
    regions.undo()
    regions.undo()
    panel.card.button.setChecked(True)
    panel.card.mark((4, 8), (15, 61))
    regions.redo()
    assert not regions.data[4:16, 8:62].any() and (regions.data == 308).any()


def test_choices_for_a_photo_of_no_visit_outlive_the_panel(panel, qtbot, tmp_path):
    from perioview_napari.plaque_panel import PlaquePanel

    in_view(panel, plain_photo(tmp_path / "a.png"))
    panel.gum.setCurrentText("up")
    assert "a.png: gum up, in this window only" in panel.message.text()
    panel.card.mark(CARD[:2], CARD[2:])
    assert "grey card marked, in this window only" in panel.message.text()
    asked = panel.asked()
    panel.close()
    again = PlaquePanel(panel.viewer)
    qtbot.addWidget(again)
    assert again.asked() == asked == {"gum": "up", "dye": "one-tone", "card": CARD}
    assert again.gum.currentText() == "up" and again.viewer.layers["grey card"].visible
    again.close()
