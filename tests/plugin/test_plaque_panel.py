"""Plaque panel: outlines brought over from another photo, and a grey card in view."""

import sys
from pathlib import Path

import cv2
import numpy as np
import pytest

pytest.importorskip("napari")

from perioview_napari.convert import layer_from_image
from PIL import Image as Picture

from perioview.files.reading import read_image
from perioview.files.regions import write_regions

sys.path.insert(0, str(Path(__file__).parents[1]))
from test_plaque_verb import CAST, textured_mouth, under_cast

pytestmark = pytest.mark.window


def opened(viewer, file):
    data, kwargs, _ = layer_from_image(read_image(file), file)
    return viewer.add_image(data, **kwargs)


@pytest.fixture
def panel(make_napari_viewer, qtbot):
    from perioview_napari.plaque_panel import PlaquePanel

    made = PlaquePanel(make_napari_viewer())
    qtbot.addWidget(made)
    yield made
    made.close()


def test_outlines_are_brought_over_from_another_photo(panel, qtbot, tmp_path):
    pixels, regions = textured_mouth()
    turn = cv2.getRotationMatrix2D((240, 180), 4, 1.0)
    moved = cv2.warpAffine(pixels, turn, (480, 360), borderMode=cv2.BORDER_REFLECT)
    truth = cv2.warpAffine(regions, turn, (480, 360), flags=cv2.INTER_NEAREST)
    for name, picture in (("first.png", pixels), ("second.png", moved)):
        Picture.fromarray(picture).save(tmp_path / name)
    write_regions(panel.regions_path(tmp_path / "first.png"), regions)
    opened(panel.viewer, tmp_path / "first.png")
    panel.viewer.layers.selection.active = opened(panel.viewer, tmp_path / "second.png")
    panel.drawn_on.setCurrentText("second.png")
    panel.bring_over()
    # A photo cannot give outlines to itself.
    assert "is the photo in view" in panel.message.text()
    panel.drawn_on.setCurrentText("first.png")
    panel.bring_over()
    qtbot.waitUntil(lambda: "carried from first.png" in panel.message.text(), timeout=60_000)
    found = panel.regions_layer().data
    assert (found == truth).mean() > 0.98
    assert panel.regions_path(tmp_path / "second.png").is_file()
    panel.bring_over()
    assert "outlines of its own" in panel.message.text()


def test_photos_that_do_not_match_are_refused_in_one_line(panel, qtbot, tmp_path):
    pixels, regions = textured_mouth()
    noise = np.random.default_rng(9).integers(0, 255, pixels.shape, np.uint8)
    for name, picture in (("first.png", pixels), ("other.png", noise)):
        Picture.fromarray(picture).save(tmp_path / name)
    write_regions(panel.regions_path(tmp_path / "first.png"), regions)
    opened(panel.viewer, tmp_path / "first.png")
    panel.viewer.layers.selection.active = opened(panel.viewer, tmp_path / "other.png")
    panel.drawn_on.setCurrentText("first.png")
    panel.bring_over()
    qtbot.waitUntil(lambda: "aligning" not in panel.message.text(), timeout=60_000)
    assert "other.png" in panel.message.text() and "\n" not in panel.message.text()
    assert not panel.regions_layer().data.any()


def test_grey_card_marked_in_the_window_takes_out_the_cast(panel, qtbot, tmp_path):
    from perioview_napari.grey_card import CARD
    from perioview_napari.plaque_panel import MAP

    photo, regions = under_cast(CAST)
    file = tmp_path / "cast.png"
    Picture.fromarray(photo.pixels).save(file)
    write_regions(panel.regions_path(file), regions)
    opened(panel.viewer, file)
    panel.gum.setCurrentText("up")
    panel.measure()
    qtbot.waitUntil(lambda: MAP in panel.viewer.layers, timeout=20_000)
    assert panel.table.item(0, 1).text() == "-"
    panel.viewer.layers.remove(MAP)
    panel.card.button.setChecked(True)
    panel.card.mark((5, 5), (14, 60))
    panel.measure()
    qtbot.waitUntil(lambda: MAP in panel.viewer.layers, timeout=20_000)
    assert panel.table.item(0, 1).text().startswith("50")
    panel.card.button.setChecked(False)
    assert CARD not in panel.viewer.layers


def test_grey_card_follows_a_drag(panel, tmp_path):
    from types import SimpleNamespace

    from perioview_napari.grey_card import CARD

    photo, _ = under_cast(CAST)
    Picture.fromarray(photo.pixels).save(tmp_path / "cast.png")
    opened(panel.viewer, tmp_path / "cast.png")
    event = SimpleNamespace(button=1, type="mouse_press", position=(5.0, 6.0), handled=False)
    assert list(panel.card._dragged(panel.viewer, event)) == []
    assert not event.handled
    panel.card.button.setChecked(True)
    drag = panel.card._dragged(panel.viewer, event)
    next(drag)
    event.type, event.position = "mouse_move", (14.0, 60.0)
    next(drag)
    event.type = "mouse_release"
    with pytest.raises(StopIteration):
        next(drag)
    assert event.handled
    assert panel.card.corners("cast.png") == pytest.approx((5, 6, 14, 60))
    assert panel.card.corners("another.png") is None
    panel.card.button.setChecked(False)
    assert CARD not in panel.viewer.layers
