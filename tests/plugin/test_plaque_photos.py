"""Plaque panel: which tooth a click or brush means, whose settings hold, what is proposed."""

import json
import sys
import threading
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

pytest.importorskip("napari")

from perioview_napari.regions_kept import kept_at, proposed_at
from perioview_napari.still_drawn import STILL_DRAWN
from PIL import Image as Picture
from test_plaque_panel import opened

from perioview.cli import main
from perioview.errors import InputRefused
from perioview.files.regions import read_regions, write_regions
from perioview.files.visit_folder import examine, new_visit, read_visit, write_visit
from perioview.regions import Outline
from perioview.visit import Visit

sys.path.insert(0, str(Path(__file__).parents[1]))
from test_plaque_verb import CAST, textured_mouth, under_cast

pytestmark = pytest.mark.window
LEFT, MIDDLE, RIGHT = (40, 40), (40, 140), (40, 240)


@pytest.fixture
def panel(make_napari_viewer, qtbot):
    from perioview_napari.plaque_panel import PlaquePanel

    made = PlaquePanel(make_napari_viewer())
    qtbot.addWidget(made)
    yield made
    made.close()


def plain_photo(file):
    file.parent.mkdir(parents=True, exist_ok=True)
    Picture.fromarray(np.full((100, 300, 3), (150, 60, 70), np.uint8)).save(file)
    return file


def disc(at):
    rows, cols = np.mgrid[:100, :300]
    return (rows - at[0]) ** 2 + (cols - at[1]) ** 2 < 15**2


def visit_with(folder, rows, *, species="dog", picture=None):
    """A visit folder of photographs with these rows of visit.toml, by name."""
    pixels, regions = textured_mouth()
    # A grey card that can be marked.
    pixels[4:16, 4:62] = 128
    (folder / "images").mkdir(parents=True)
    (folder / "regions").mkdir()
    for name in rows:
        Picture.fromarray(pixels if picture is None else picture).save(folder / "images" / name)
        write_regions(folder / "regions" / f"{name}.png", regions)
    photos = tuple({"file": f"images/{name}", **row} for name, row in rows.items())
    write_visit(folder, Visit({"id": "P-1", "species": species}, photos=photos))
    return [folder / "images" / name for name in rows]


@pytest.fixture
def slow(monkeypatch):
    """Outlines are discs that come when the test lets them; on the right nothing is found."""
    free = threading.Event()

    def outline(pixels, row, col, taken=None):
        assert free.wait(20)
        if col > 200:
            raise InputRefused("nothing found.")
        return Outline(disc((row, col)), 0.9)

    monkeypatch.setattr("perioview.regions.tooth_outline", outline)
    yield free
    free.set()


def click(panel, at):
    panel.outlining.clicked(panel.viewer, SimpleNamespace(button=1, position=at, handled=False))


def test_clicks_while_an_outline_is_sought_take_the_next_number(panel, qtbot, tmp_path, slow):
    first = opened(panel.viewer, plain_photo(tmp_path / "first.png"))
    panel.viewer.layers.selection.active = first
    panel.outline.setChecked(True)
    of_first = panel.regions()
    click(panel, LEFT)
    click(panel, MIDDLE)
    # By hand back to the number of the first: it has been asked for already.
    panel.number.setValue(308)
    click(panel, RIGHT)
    assert "308 is being outlined already" in panel.message.text()
    # The photo asked is the one that was in view at the click.
    panel.viewer.layers.selection.active = opened(
        panel.viewer, plain_photo(tmp_path / "second.png")
    )
    panel.regions()
    slow.set()
    qtbot.waitUntil(lambda: len(of_first.teeth) == 2, timeout=20_000)
    for number, at in ((308, LEFT), (309, MIDDLE)):
        assert (of_first.data == number).tolist() == disc(at).tolist()
    assert panel.number.value() == 308
    assert not panel.regions().teeth


def test_number_that_was_set_stands_and_one_that_failed_comes_back(panel, qtbot, tmp_path, slow):
    panel.viewer.layers.selection.active = opened(panel.viewer, plain_photo(tmp_path / "first.png"))
    panel.outline_tooth(*LEFT)
    panel.number.setValue(407)
    panel.outline_tooth(*RIGHT)
    assert panel.number.value() not in (308, 407)
    slow.set()
    # Which of the two is done first, and has the last word, is chance.
    qtbot.waitUntil(lambda: panel.regions().teeth == [308], timeout=20_000)
    qtbot.waitUntil(lambda: panel.number.value() == 407, timeout=20_000)


def test_brush_means_the_number_and_after_an_outline_the_outlined_tooth(
    panel, qtbot, tmp_path, slow
):
    slow.set()
    panel.viewer.layers.selection.active = opened(panel.viewer, plain_photo(tmp_path / "first.png"))
    panel.outline_tooth(*LEFT)
    regions = panel.regions()
    qtbot.waitUntil(lambda: regions.teeth == [308], timeout=20_000)
    assert panel.number.value() == 309
    # 309 is only offered: what is corrected is the tooth just outlined, and the field says so.
    panel.correct.brushes["paint"].setChecked(True)
    assert regions.layer.selected_label == panel.number.value() == 308
    panel.correct.brushes["paint"].setChecked(False)
    assert panel.number.value() == 309
    panel.number.setValue(310)
    panel.correct.brushes["erase"].setChecked(True)
    assert "310 is not outlined" in panel.message.text() and not panel.correct.painting
    panel.correct._act(lambda r, n: r.remove(n), "Remove")
    assert "310 is not outlined" in panel.message.text() and regions.teeth == [308]
    panel.correct.brushes["paint"].setChecked(True)
    assert regions.layer.selected_label == panel.number.value() == 310
    regions.layer.paint(RIGHT, regions.layer.selected_label)
    regions.layer.events.paint(value=[])
    assert regions.teeth == [308, 310]
    assert (regions.data == 308).tolist() == disc(LEFT).tolist()
    panel.number.setValue(309)
    assert not panel.correct.painting and panel.number.value() == 309


@pytest.mark.parametrize(("species", "number"), [("dog", 350), ("cat", 350), ("cat", 310)])
def test_number_that_is_no_tooth_is_refused(panel, qtbot, tmp_path, slow, species, number):
    (file,) = visit_with(tmp_path / "visit", {"a.png": {}}, species=species)
    panel.viewer.layers.selection.active = opened(panel.viewer, file)
    regions = panel.regions()
    kept = panel.regions_path(file).read_bytes()
    said = f"a {species} has no tooth {number}"
    panel.number.setValue(number)
    assert said in panel.message.text() and "\n" not in panel.message.text()
    for act in (
        lambda: panel.outline_tooth(10, 10),
        lambda: panel.correct.brushes["paint"].setChecked(True),
        lambda: panel.correct._act(lambda r, n: r.nudge(n, 1), "Wider"),
    ):
        panel.say("")
        act()
        assert said in panel.message.text()
    assert not panel.correct.painting and number not in regions.teeth
    assert panel.regions_path(file).read_bytes() == kept


def test_outlines_not_looked_at_stay_proposals_and_are_not_measured(panel, tmp_path, capsys):
    (file,) = visit_with(tmp_path / "visit", {"a.png": {"gum": "up", "dye": "one-tone"}})
    size = {"rows": 360, "cols": 480}
    photo = opened(panel.viewer, file)
    panel.viewer.layers.selection.active = photo
    regions = panel.regions()
    drawn = regions.data.copy()
    regions.take(107, drawn == 107, sure=False)
    assert set(np.unique(read_regions(panel.regions_path(file), **size))) == {0, 104}
    (result,) = examine(tmp_path / "visit").photos
    assert [t.tooth for t in result.result.teeth] == [104]
    kept = str(panel.regions_path(file))
    assert main(["plaque", str(file), "--teeth", kept, "--json", "-"]) == 0
    assert [t["tooth"] for t in json.loads(capsys.readouterr().out)["teeth"]] == [104]

    def again():
        panel.viewer.layers.remove(next(la for la in panel.viewer.layers if la.name == "a.png"))
        panel.viewer.layers.selection.active = opened(panel.viewer, file)
        return panel.regions()

    regions = again()
    assert regions.doubtful == {107} and (regions.data == drawn).all()
    assert list(panel.viewer.layers["tooth numbers: a.png"].features["words"]) == ["104", "107?"]
    regions.take(104, drawn == 104, sure=False)
    # Nothing is accepted: to all others the photo has no regions.
    assert not panel.regions_path(file).exists()
    assert examine(tmp_path / "visit").photos[0].result is None
    regions = again()
    assert regions.doubtful == {104, 107} and (regions.data == drawn).all()
    for number in (104, 107):
        panel.number.setValue(number)
        panel.correct._act(lambda r, n: r.accept(n), "Keep as is")
    assert (read_regions(panel.regions_path(file), **size) == drawn).all()
    assert not proposed_at(file).exists()
    assert regions.undo()
    assert not (read_regions(panel.regions_path(file), **size) == 107).any()


def test_erased_outlines_stay_erased_where_polygons_lie_behind(panel, tmp_path):
    (file,) = visit_with(tmp_path / "visit", {"a.png": {}})
    path = panel.regions_path(file)
    path.unlink()
    path.with_suffix(".csv").write_text(
        "tooth,vertex,row,col\n" + "".join(f"308,{i},{r},{c}\n" for i, (r, c) in
                                           enumerate(((10, 10), (10, 60), (60, 60))))
    )  # fmt: skip
    for teeth in ([308], []):
        photo = opened(panel.viewer, file)
        panel.viewer.layers.selection.active = photo
        assert panel.regions().teeth == teeth
        panel.regions().remove(308)
        panel.viewer.layers.remove(photo)


@pytest.fixture
def seen(monkeypatch):
    """With what plaque is measured, per photo."""
    measured = []

    def plaque(image, regions, **asked):
        measured.append((image.name, asked))
        raise InputRefused("enough.")

    monkeypatch.setattr("perioview.plaque.plaque", plaque)
    return measured


def measured_with(panel, qtbot, seen, photo):
    panel.viewer.layers.selection.active = photo
    before = len(seen)
    panel.measure()
    qtbot.waitUntil(lambda: len(seen) > before and "enough" in panel.message.text())
    name, asked = seen[-1]
    assert name == photo.name
    assert panel.dye.currentText() == asked["dye"]
    return asked


def test_each_photo_is_measured_with_its_own_settings(panel, qtbot, tmp_path, seen):
    stated = {"gum": "right", "dye": "two-tone", "grey_card": [1, 2, 30, 40]}
    files = visit_with(tmp_path / "visit", {"a.png": {}, "b.png": {}, "c.png": stated})
    a, b, c = (opened(panel.viewer, file) for file in files)
    default = {"gum": None, "dye": "one-tone", "card": None}
    assert measured_with(panel, qtbot, seen, a) == default
    panel.gum.setCurrentText("up")
    up = {**default, "gum": "up", "card": (5, 5, 14, 60)}
    panel.card.mark((5, 5), (14, 60))
    assert measured_with(panel, qtbot, seen, b) == default
    panel.gum.setCurrentText("down")
    panel.dye.setCurrentText("two-tone")
    assert measured_with(panel, qtbot, seen, b) == {**default, "gum": "down", "dye": "two-tone"}
    of_visit = {"gum": "right", "dye": "two-tone", "card": (1, 2, 30, 40)}
    for photo, asked in ((a, up), (c, of_visit), (a, up)):
        assert measured_with(panel, qtbot, seen, photo) == asked
    panel.viewer.layers.selection.active = c
    # What is shown follows by itself.
    qtbot.waitUntil(lambda: panel.gum.currentText() == "right")
    panel.gum.setCurrentText("up")
    assert "kept in visit.toml" in panel.message.text()
    assert measured_with(panel, qtbot, seen, c)["gum"] == "up"


def test_species_of_one_visit_is_not_that_of_the_next_photo(panel, tmp_path):
    (cat,) = visit_with(tmp_path / "cat", {"a.png": {}}, species="cat")
    for file, species in ((cat, "cat"), (plain_photo(tmp_path / "b.png"), "dog"), (cat, "cat")):
        panel.viewer.layers.selection.active = opened(panel.viewer, file)
        panel.regions()
        assert panel.species == species


def test_card_of_the_visit_is_used_as_the_report_uses_it(panel, qtbot, tmp_path):
    from perioview_napari.plaque_panel import MAP

    photo, regions = under_cast(CAST)
    row = {"gum": "up", "dye": "one-tone", "grey_card": [5, 5, 14, 60]}
    (file,) = visit_with(tmp_path / "visit", {"a.png": row}, picture=np.asarray(photo.pixels))
    write_regions(panel.regions_path(file), regions)
    panel.viewer.layers.selection.active = opened(panel.viewer, file)
    panel.measure()
    qtbot.waitUntil(lambda: MAP in panel.viewer.layers, timeout=20_000)
    (reported,) = examine(tmp_path / "visit").photos
    coverage = reported.result.json_object()["teeth"][0]["coverage_pct"]
    assert float(panel.table.item(0, 1).text().split()[0]) == pytest.approx(coverage, abs=0.5)


def test_card_stays_when_another_tool_is_taken(panel, tmp_path):
    from perioview_napari.grey_card import CARD

    panel.viewer.layers.selection.active = opened(panel.viewer, plain_photo(tmp_path / "a.png"))
    panel.card.button.setChecked(True)
    panel.card.mark((5, 5), (14, 60))
    panel.outline.setChecked(True)
    assert not panel.card.button.isChecked() and CARD in panel.viewer.layers
    panel.correct.brushes["paint"].setChecked(True)
    assert panel.asked()["card"] == (5, 5, 14, 60)
    # Only the button itself takes it away.
    panel.card.button.setChecked(True)
    panel.card.button.setChecked(False)
    assert CARD not in panel.viewer.layers and panel.asked()["card"] is None
    assert "taken away" in panel.message.text()


def test_photo_recorded_as_not_stained_is_refused(panel, tmp_path, seen):
    rows = {"a.png": {"dye": "none"}, "b.png": {"dye": "one-tone"}}
    files = visit_with(tmp_path / "visit", rows)
    a, b = (opened(panel.viewer, file) for file in files)
    panel.viewer.layers.selection.active = a
    panel.measure()
    said = 'a.png: is recorded as not stained (dye = "none")'
    assert said in panel.message.text() and "\n" not in panel.message.text()
    assert not panel.dye.isEnabled() and panel.dye.currentText() == ""
    for photo, other in ((a, "b.png"), (b, "a.png")):
        panel.viewer.layers.selection.active = photo
        panel.other.chosen.setCurrentText(other)
        panel.say("")
        panel.other.compare()
        assert said in panel.message.text()
    assert not seen and panel.dye.isEnabled()


def test_what_a_visit_cannot_mean_is_refused_in_one_line(panel, tmp_path, seen):
    (file,) = visit_with(tmp_path / "visit", {"a.png": {"gum": "upp"}})
    panel.viewer.layers.selection.active = opened(panel.viewer, file)
    panel.measure()
    assert "a.png: gum is 'upp' in visit.toml" in panel.message.text()
    assert not seen


@pytest.fixture
def photographs_only(tmp_path):
    made = [plain_photo(tmp_path / f"{day}.png") for day in ("stained", "cleaned")]
    new_visit(
        tmp_path / "np", patient="P-2", name="Test^Only", species="dog",
        photos=made[:1], photos_after=made[1:],
    )  # fmt: skip
    return tmp_path / "np"


def test_visit_of_photographs_alone_opens(make_napari_viewer, qtbot, photographs_only):
    from perioview_napari.plaque_panel import PlaquePanel
    from perioview_napari.reader import layers
    from perioview_napari.visits import visit_of_viewer

    found = layers([str(photographs_only)])
    assert [kwargs["name"] for _, kwargs, _ in found] == ["stained.png", "cleaned.png"]
    viewer = make_napari_viewer()
    for data, kwargs, _ in found:
        viewer.add_image(data, **kwargs)
    assert visit_of_viewer(viewer) == photographs_only
    made = PlaquePanel(viewer)
    qtbot.addWidget(made)
    made.pictures.open()
    assert "list it in the visit" not in made.message.text()
    assert len(made.photos()) == 2 and made.photo_layer().name == "stained.png"
    made.close()


def test_photographs_of_a_visit_with_radiographs_still_wait(visit):
    from perioview_napari.reader import layers

    listed = read_visit(visit)
    assert len(layers([str(visit)])) == len(listed.images) and listed.photos


def test_what_belongs_to_one_photo_does_not_lie_over_another(panel, qtbot, tmp_path):
    from perioview_napari.plaque_panel import MAP

    (first,) = visit_with(tmp_path / "one", {"a.png": {"gum": "up"}})
    (second,) = visit_with(tmp_path / "two", {"a.png": {"gum": "up"}})
    a, b = (opened(panel.viewer, file) for file in (first, second))
    panel.viewer.layers.selection.active = a
    of_a = panel.regions()
    panel.measure()
    qtbot.waitUntil(lambda: MAP in panel.viewer.layers, timeout=20_000)
    table = panel.table
    assert panel.viewer.layers[MAP].visible and not table.isHidden()
    panel.viewer.layers.selection.active = b
    of_b = panel.regions()
    assert of_b is not of_a and of_b.numbers is not of_a.numbers
    for photo, shown, hidden in ((b, of_b, of_a), (a, of_a, of_b)):
        panel.viewer.layers.selection.active = photo
        qtbot.waitUntil(lambda shown=shown: shown.layer.visible)
        assert shown.numbers.visible
        assert not hidden.layer.visible and not hidden.numbers.visible
        assert panel.viewer.layers[MAP].visible == (photo is a) == (not table.isHidden())
    # With the brush in hand the outlines are the active layer; the photo in view stays.
    panel.number.setValue(104)
    panel.correct.brushes["paint"].setChecked(True)
    assert panel.viewer.layers.selection.active is of_a.layer
    assert panel.photo_layer() is a and panel.regions() is of_a


def outlined_photo(file):
    """A photograph on which 104 and 107 are outlined."""
    drawn = np.zeros((100, 300), np.uint16)
    drawn[disc(MIDDLE)], drawn[disc(RIGHT)] = 104, 107
    write_regions(kept_at(plain_photo(file)), drawn)
    return file


@pytest.fixture
def two_photos(panel, tmp_path):
    """Two photographs with outlines; the first is in view."""
    files = visit_with(tmp_path / "visit", {"a.png": {"gum": "up"}, "b.png": {"gum": "up"}})
    a, b = (opened(panel.viewer, file) for file in files)
    bring(panel, a, b)
    panel.regions()
    return a, b


def bring(panel, photo, other):
    """What PgDown does: one photo alone in view."""
    photo.visible, other.visible = True, False
    panel.viewer.layers.selection.active = photo


def measured(panel, qtbot):
    from perioview_napari.plaque_panel import MAP

    panel.measure()
    qtbot.waitUntil(lambda: MAP in panel.viewer.layers, timeout=20_000)
    return panel.viewer.layers[MAP]


def test_words_and_brush_go_with_their_photo(panel, qtbot, two_photos):
    a, b = two_photos
    measured(panel, qtbot)
    assert panel.message.text().startswith("a.png: All outlined teeth: ")
    bring(panel, b, a)
    qtbot.waitUntil(lambda: "covered" not in panel.message.text())
    panel.number.setValue(104)
    panel.correct.brushes["paint"].setChecked(True)
    of_b = panel.regions()
    assert of_b.photo is b and of_b.layer.mode == "paint"
    bring(panel, a, b)
    qtbot.waitUntil(lambda: not panel.correct.painting)
    assert "adds to" not in panel.message.text() and of_b.layer.mode == "pan_zoom"
    assert panel.viewer.layers.selection.active is a


def test_result_that_comes_late_names_its_photo_and_leaves_the_other_in_view(
    panel, qtbot, two_photos, monkeypatch
):
    from perioview.plaque import plaque

    free = threading.Event()

    def late(image, regions, **asked):
        assert free.wait(20)
        return plaque(image, regions, **asked)

    monkeypatch.setattr("perioview.plaque.plaque", late)
    a, b = two_photos
    panel.measure()
    bring(panel, b, a)
    qtbot.waitUntil(lambda: "measuring" not in panel.message.text())
    free.set()
    qtbot.waitUntil(lambda: "a.png: All outlined teeth: " in panel.message.text(), timeout=20_000)
    assert panel.viewer.layers.selection.active is b and panel.photo_layer() is b
    assert not panel.viewer.layers["plaque map"].visible


def test_what_lies_on_a_photo_goes_with_it_side_by_side_and_back(panel, qtbot, two_photos):
    a, b = two_photos
    own = [measured(panel, qtbot), panel.regions().layer, panel.regions().numbers]
    panel.card.mark((5, 5), (14, 60))
    own.append(panel.viewer.layers["grey card"])
    for scale, shift in (((0.5, 0.5), (30.0, 700.0)), ((1.0, 1.0), (0.0, 0.0))):
        a.scale, a.translate = scale, shift
        for layer in own:
            assert tuple(layer.scale) == scale and tuple(layer.translate) == shift, layer.name
    # What is measured and marked while the photo is moved lies on it from the start.
    b.translate = (0.0, 700.0)
    b.visible = True
    panel.viewer.layers.selection.active = b
    of_b = panel.regions()
    panel.viewer.layers.remove("plaque map")
    new = [measured(panel, qtbot), of_b.layer, of_b.numbers]
    assert all(tuple(layer.translate) == (0.0, 700.0) for layer in new)
    # Back to a radiograph alone: no active layer changes, and nothing of the photos stays.
    a.visible = b.visible = False
    qtbot.waitUntil(lambda: not any(layer.visible for layer in new))


def test_outline_that_comes_after_the_dock_was_closed_undoes_nothing(
    make_napari_viewer, qtbot, tmp_path, slow
):
    from perioview_napari.docking import dock_of
    from perioview_napari.find_panel import docked_plaque_panel, open_plaque_panel

    viewer = make_napari_viewer()
    file = outlined_photo(tmp_path / "a.png")
    viewer.layers.selection.active = opened(viewer, file)
    before = len(viewer.mouse_drag_callbacks)
    first = open_plaque_panel(viewer)
    first.number.setValue(309)
    first.outline_tooth(*LEFT)
    first.outline.setChecked(True)
    dock_of(first).titleBarWidget().close_button.click()
    assert docked_plaque_panel(viewer) is None
    qtbot.waitUntil(lambda: len(viewer.mouse_drag_callbacks) == before)
    assert [layer.name for layer in viewer.layers] == [STILL_DRAWN, "a.png"]
    second = open_plaque_panel(viewer)
    assert second is not first and second.regions().teeth == [104, 107]
    second.regions().remove(107)
    kept = second.regions_path(file).read_bytes()
    with qtbot.waitSignal(first.worker.finished, timeout=20_000):
        slow.set()
    qtbot.wait(100)
    assert second.regions().teeth == [104]
    assert second.regions_path(file).read_bytes() == kept and not proposed_at(file).exists()
    second.close()


@pytest.mark.parametrize("again", [True, False])
def test_outline_that_comes_after_its_photo_was_closed_is_added_to_what_is_there(
    panel, qtbot, tmp_path, slow, again
):
    file = outlined_photo(tmp_path / "a.png")
    photo = opened(panel.viewer, file)
    panel.viewer.layers.selection.active = photo
    panel.number.setValue(309)
    panel.outline_tooth(*LEFT)
    panel.viewer.layers.remove(photo)
    photo = opened(panel.viewer, file)
    panel.viewer.layers.selection.active = photo
    panel.regions().remove(107)
    if not again:
        panel.viewer.layers.remove(photo)
        qtbot.waitUntil(lambda: panel.pictures.shown is None)
        panel._close_gone()
    slow.set()
    qtbot.waitUntil(lambda: "309 outlined" in panel.message.text(), timeout=20_000)
    found = read_regions(panel.regions_path(file), rows=100, cols=300)
    assert set(np.unique(found)) == {0, 104, 309}
    if again:
        assert panel.regions().teeth == [104, 309]
