"""Plaque panel: outlines brought over from another photo, and a grey card in view."""

import sys
from pathlib import Path

import cv2
import numpy as np
import pytest

pytest.importorskip("napari")

from perioview_napari.convert import layer_from_image
from perioview_napari.regions_kept import proposed_at
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


@pytest.mark.parametrize("stays_open", [True, False])
def test_photos_of_one_name_keep_their_own_outlines(panel, tmp_path, stays_open):
    pixels, regions = textured_mouth()
    files = [tmp_path / day / "front.png" for day in ("first", "second")]
    for file in files:
        file.parent.mkdir()
        Picture.fromarray(pixels).save(file)
    write_regions(panel.regions_path(files[0]), regions)
    kept = panel.regions_path(files[0]).read_bytes()
    first = opened(panel.viewer, files[0])
    panel.viewer.layers.selection.active = first
    assert np.array_equal(panel.regions().data, regions)
    before = panel.regions()
    if not stays_open:
        panel.viewer.layers.remove(first)
    panel.viewer.layers.selection.active = opened(panel.viewer, files[1])
    assert not panel.regions().data.any()
    if not stays_open:
        # An outline that was being sought when its photo was closed is kept, and not shown.
        before.take(309, regions == 0, sure=True)
        assert panel.regions_path(files[0]).read_bytes() != kept
        kept = panel.regions_path(files[0]).read_bytes()
        assert not any(la.name.startswith("tooth numbers") for la in panel.viewer.layers)
    panel.regions().take(308, regions > 0, sure=True)
    assert panel.regions_path(files[1]).is_file()
    assert panel.regions_path(files[0]).read_bytes() == kept
    outlines = [la for la in panel.viewer.layers if la.name.startswith("tooth regions")]
    assert len(outlines) == (2 if stays_open else 1)


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
    panel.other.chosen.setCurrentText("second.png")
    panel.other.bring_over()
    # A photo cannot give outlines to itself.
    assert "is the photo in view" in panel.message.text()
    panel.other.chosen.setCurrentText("first.png")
    panel.other.bring_over()
    qtbot.waitUntil(lambda: "carried from first.png" in panel.message.text(), timeout=60_000)
    found = panel.regions_layer().data
    assert (found == truth).mean() > 0.98
    # Nobody has looked at them: they are proposals until somebody says so.
    second = tmp_path / "second.png"
    assert proposed_at(second).is_file() and not panel.regions_path(second).exists()
    assert panel.regions().doubtful == {104, 107}
    panel.correct.all.click()
    assert panel.regions_path(second).is_file() and not proposed_at(second).exists()
    panel.other.bring_over()
    assert "outlines of its own" in panel.message.text()


def test_photos_of_one_name_are_told_apart(panel, qtbot, tmp_path):
    pixels, regions = textured_mouth()
    files = [tmp_path / visit / "images" / "mouth.png" for visit in ("first", "recheck")]
    for file, picture in zip(files, (pixels, np.roll(pixels, 3, axis=1)), strict=True):
        file.parent.mkdir(parents=True)
        Picture.fromarray(picture).save(file)
    write_regions(panel.regions_path(files[0]), regions)
    opened(panel.viewer, files[0])
    panel.viewer.layers.selection.active = opened(panel.viewer, files[1])
    chosen = panel.other.chosen
    words = [chosen.itemText(i) for i in range(chosen.count())]
    assert words == ["mouth.png (first)", "mouth.png (recheck)"]
    chosen.setCurrentText("mouth.png (recheck)")
    panel.other.bring_over()
    assert "is the photo in view" in panel.message.text()
    chosen.setCurrentText("mouth.png (first)")
    panel.other.bring_over()
    qtbot.waitUntil(lambda: "carried from mouth.png" in panel.message.text(), timeout=60_000)
    assert (panel.regions_layer().data[:, 3:] == regions[:, :-3]).mean() > 0.98


def test_photos_that_do_not_match_are_refused_in_one_line(panel, qtbot, tmp_path):
    pixels, regions = textured_mouth()
    noise = np.random.default_rng(9).integers(0, 255, pixels.shape, np.uint8)
    for name, picture in (("first.png", pixels), ("other.png", noise)):
        Picture.fromarray(picture).save(tmp_path / name)
    write_regions(panel.regions_path(tmp_path / "first.png"), regions)
    opened(panel.viewer, tmp_path / "first.png")
    panel.viewer.layers.selection.active = opened(panel.viewer, tmp_path / "other.png")
    panel.other.chosen.setCurrentText("first.png")
    panel.other.bring_over()
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
    assert float(panel.table.item(0, 1).text().split()[0]) == pytest.approx(50, abs=1.5)
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
    marked = read_image(tmp_path / "cast.png")
    assert panel.card.corners(marked) == pytest.approx((5, 6, 14, 60))
    # Another photo of the same name, of another visit, has no card.
    (tmp_path / "later").mkdir()
    Picture.fromarray(photo.pixels[:, ::-1]).save(tmp_path / "later" / "cast.png")
    assert panel.card.corners(read_image(tmp_path / "later" / "cast.png")) is None
    panel.card.button.setChecked(False)
    assert CARD not in panel.viewer.layers


def outlined(panel, tmp_path):
    """The panel on two teeth, 104 and 107, drawn beforehand."""
    pixels, regions = textured_mouth()
    file = tmp_path / "mouth.png"
    Picture.fromarray(pixels).save(file)
    write_regions(panel.regions_path(file), regions)
    opened(panel.viewer, file)
    return panel.regions(), regions, panel.regions_path(file)


def test_outlines_are_corrected_kept_and_taken_back(panel, tmp_path):
    from perioview.files.regions import read_regions

    regions, drawn, path = outlined(panel, tmp_path)
    panel.number.setValue(104)
    sizes = {}
    for words in ("Wider", "Narrower", "Narrower", "Undo", "Remove", "Undo"):
        buttons = [panel.correct.row.itemAt(i).widget() for i in range(panel.correct.row.count())]
        next(b for b in buttons if b.text() == words).click()
        sizes.setdefault(words, []).append(int((regions.data == 104).sum()))
        # What is seen is on disk, and the neighbour is left alone.
        np.testing.assert_array_equal(read_regions(path, rows=360, cols=480), regions.data)
        assert (regions.data == 107).sum() == (drawn == 107).sum()
    before = int((drawn == 104).sum())
    assert sizes["Wider"][0] > before > sizes["Narrower"][1]
    assert sizes["Remove"] == [0]
    assert sizes["Undo"] == [sizes["Narrower"][0], sizes["Narrower"][0]]


def test_brush_paints_only_the_tooth_in_hand_and_is_kept(panel, tmp_path):
    from perioview.files.regions import read_regions

    regions, drawn, path = outlined(panel, tmp_path)
    panel.number.setValue(104)
    panel.correct.brushes["paint"].setChecked(True)
    layer = regions.layer
    assert panel.viewer.layers.selection.active is layer and layer.mode == "paint"
    layer.brush_size = 21
    row, col = np.argwhere(drawn == 107).mean(axis=0)
    edge = int(np.argwhere(drawn == 104)[:, 1].max())
    layer.paint((row, edge + 5), layer.selected_label)
    layer.paint((row, col), layer.selected_label)
    layer.events.paint(value=[])
    found = read_regions(path, rows=360, cols=480)
    assert (found == 104).sum() > (drawn == 104).sum()
    assert (found == 107).sum() == (drawn == 107).sum()
    panel.correct.brushes["paint"].setChecked(False)
    assert layer.mode == "pan_zoom" and panel.viewer.layers.selection.active is not layer
    painted = regions.data.copy()
    assert regions.undo()
    assert (regions.data == drawn).all()
    assert regions.redo()
    assert (regions.data == painted).all()
    assert (read_regions(path, rows=360, cols=480) == painted).all()
    assert not regions.redo()
    assert regions.undo()
    # What is done after a step back leaves nothing to do again.
    regions.nudge(104, 1)
    assert not regions.redo()


def test_doubtful_outlines_are_shown_until_looked_at(panel, qtbot, tmp_path):
    regions, drawn, _ = outlined(panel, tmp_path)
    regions.take(104, drawn == 104, sure=False)

    def words():
        return list(panel.viewer.layers["tooth numbers: mouth.png"].features["words"])

    assert words() == ["104?", "107"]
    panel.number.setValue(104)
    panel.measure()
    qtbot.waitUntil(lambda: "not looked at: 104" in panel.message.text(), timeout=30_000)
    panel.correct._act(lambda r, n: r.accept(n), "Keep as is")
    assert words() == ["104", "107"]


def test_click_on_an_outlined_tooth_takes_it_up(panel, qtbot, tmp_path):
    from types import SimpleNamespace

    regions, drawn, _ = outlined(panel, tmp_path)
    panel.outline.setChecked(True)
    place = tuple(np.argwhere(drawn == 107).mean(axis=0))
    event = SimpleNamespace(button=1, position=place, handled=False)
    panel.outlining.clicked(panel.viewer, event)
    assert event.handled and panel.number.value() == 107
    assert (regions.data == drawn).all()


def test_what_stays_is_shown_beside_the_earlier_photo(panel, qtbot, tmp_path):
    from perioview_napari.stays import STAYS

    pixels, regions = textured_mouth()
    after = pixels.copy()
    # 107 is wiped clean: its stained half takes the colour of its clean one.
    clean = np.median(pixels[(regions == 107) & ~(np.ptp(pixels, axis=2) > 40)], axis=0)
    after[(regions == 107) & (np.ptp(pixels, axis=2) > 40)] = clean
    for name, picture in (("before.png", pixels), ("after.png", after)):
        Picture.fromarray(picture).save(tmp_path / name)
    write_regions(panel.regions_path(tmp_path / "before.png"), regions)
    opened(panel.viewer, tmp_path / "before.png")
    panel.viewer.layers.selection.active = opened(panel.viewer, tmp_path / "after.png")
    panel.other.compare()
    assert panel.message.text()
    panel.other.chosen.setCurrentText("before.png")
    panel.gum.setCurrentText("up")
    panel.other.compare()
    qtbot.waitUntil(lambda: STAYS in panel.viewer.layers, timeout=60_000)
    rows = [[panel.table.item(r, c).text() for c in range(4)] for r in range(2)]
    assert [r[0] for r in rows] == ["104", "107"]
    assert 45 <= float(rows[0][2].split(" ± ")[0]) <= 55 and rows[0][3].startswith("gum")
    assert float(rows[1][2].split(" ± ")[0]) < 5 and rows[1][3] == "-"
    assert "less plaque than before" in panel.message.text()
