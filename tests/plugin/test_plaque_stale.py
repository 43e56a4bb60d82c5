"""Plaque panel: a result stands only for what was measured; what is chosen is what is reported."""

import threading
import tomllib

import numpy as np
import pytest

pytest.importorskip("napari")

from PIL import Image as Picture
from test_plaque_panel import opened
from test_plaque_photos import bring, measured, visit_with

from perioview.files.visit_folder import examine, read_visit, write_visit

pytestmark = pytest.mark.window
UP = {"gum": "up", "dye": "one-tone"}
CARD = (5, 5, 14, 60)


@pytest.fixture
def panel(make_napari_viewer, qtbot):
    from perioview_napari.plaque_panel import PlaquePanel

    made = PlaquePanel(make_napari_viewer())
    qtbot.addWidget(made)
    yield made
    made.close()


@pytest.fixture
def two_photos(panel, qtbot, tmp_path):
    """Two outlined photographs of a visit; the first is in view."""
    files = visit_with(tmp_path / "visit", {"a.png": UP, "b.png": UP})
    a, b = (opened(panel.viewer, file) for file in files)
    bring(panel, a, b)
    qtbot.waitUntil(lambda: panel.pictures.shown is a)
    return a, b


def card_away(panel):
    panel.card.button.setChecked(True)
    panel.card.button.setChecked(False)


def stands(panel, layer):
    """Whether map and table are shown; where not, it is said that they are old."""
    assert layer.visible == (not panel.table.isHidden()) == panel.maps.old.isHidden()
    return layer.visible


def test_map_and_table_stand_only_for_what_was_measured(panel, qtbot, two_photos):
    laid = measured(panel, qtbot)
    regions = panel.regions()
    order = list(panel.viewer.layers)
    # Outlines are seen on the map; their numbers would cover those of the map.
    assert order.index(regions.numbers) < order.index(laid) < order.index(regions.layer)

    def paint():
        regions.brush(104, "paint")
        regions.layer.paint((20, 240), 104)
        regions.layer.events.paint(value=[])
        regions.brush(104, "pan_zoom")

    forgotten = np.eye(360, 480, dtype=bool)
    for change, back in (
        (lambda: regions.remove(107), regions.undo),
        (paint, regions.undo),
        (lambda: regions.take(308, forgotten, sure=False), regions.undo),
        (lambda: panel.dye.setCurrentIndex(1), lambda: panel.dye.setCurrentIndex(0)),
        (lambda: panel.gum.setCurrentText("left"), lambda: panel.gum.setCurrentText("up")),
        (lambda: panel.card.mark(CARD[:2], CARD[2:]), lambda: card_away(panel)),
    ):
        assert stands(panel, laid)
        change()
        assert not stands(panel, laid) and regions.layer.visible
        back()
    assert stands(panel, laid)


def test_what_stays_stands_only_for_the_outlines_of_the_photo_before(panel, qtbot, two_photos):
    from perioview_napari.stays import STAYS

    a, b = two_photos
    of_a = panel.regions()
    bring(panel, b, a)
    panel.other.chosen.setCurrentText("a.png")
    panel.other.compare()
    qtbot.waitUntil(lambda: STAYS in panel.viewer.layers, timeout=30_000)
    laid = panel.viewer.layers[STAYS]
    assert stands(panel, laid)
    bring(panel, a, b)
    qtbot.waitUntil(lambda: not laid.visible)
    of_a.remove(107)
    bring(panel, b, a)
    qtbot.waitUntil(lambda: panel.pictures.shown is b)
    assert not stands(panel, laid)


def test_what_was_changed_while_it_was_measured_is_not_shown_as_current(
    panel, qtbot, two_photos, monkeypatch
):
    from perioview.plaque import plaque

    free, names = threading.Event(), []

    def late(image, regions, **asked):
        assert free.wait(20)
        names.append(asked["dye"])
        return plaque(image, regions, **asked)

    monkeypatch.setattr("perioview.plaque.plaque", late)
    panel.measure()
    panel.regions().remove(107)
    free.set()
    qtbot.waitUntil(lambda: "changed while it was measured" in panel.message.text(), timeout=20_000)
    assert not stands(panel, panel.viewer.layers["plaque map"])
    # Of two that run at once the one asked for last has the last word.
    free.clear()
    panel.measure()
    panel.dye.setCurrentText("two-tone")
    panel.measure()
    free.set()
    qtbot.waitUntil(lambda: len(names) == 3 and "covered" in panel.message.text(), timeout=20_000)
    qtbot.wait(200)
    assert "changed" not in panel.message.text()
    assert stands(panel, panel.viewer.layers["plaque map"])


def test_what_is_chosen_in_the_window_is_what_the_report_uses(panel, qtbot, tmp_path):
    from perioview_napari.plaque_panel import PlaquePanel

    folder = tmp_path / "visit"
    row = {"when": "before", "lens": {"mm": 60}, "dye": "one-tone"}
    (file,) = visit_with(folder, {"a.png": row})
    other = {"scanner": {"name": "x"}}
    visit = read_visit(folder)
    write_visit(folder, type(visit)(visit.patient, photos=visit.photos, other=other))
    panel.viewer.layers.selection.active = opened(panel.viewer, file)
    panel.regions()
    for box, words in ((panel.gum, "right"), (panel.dye, "two-tone")):
        box.setCurrentText(words)
        assert f"{words}; kept in visit.toml" in panel.message.text()
    panel.card.mark((5.2, 60.3), (13.8, 4.9))
    assert "kept in visit.toml" in panel.message.text()
    said = tomllib.loads((folder / "visit.toml").read_text())
    assert said.pop("photos") == [
        {"file": "images/a.png", **row, "dye": "two-tone", "gum": "right",
         "grey_card": [5, 60, 14, 5]}
    ]  # fmt: skip
    assert said == {"patient": {"id": "P-1", "species": "dog"}, **other}
    asked = panel.asked()
    measured(panel, qtbot)
    (reported,) = examine(folder).photos
    for at, tooth in enumerate(reported.result.json_object()["teeth"]):
        assert "gum_side_assumed" not in tooth["flags"]
        half = tooth["gingival_half_pct"]
        shown = panel.table.item(at, 2).text()
        assert shown.split(" ± ")[0] == ("-" if half is None else f"{half:.0f}")
    # Another panel takes it up, and takes it back.
    panel.close()
    again = PlaquePanel(panel.viewer)
    qtbot.addWidget(again)
    assert again.asked() == asked == {"gum": "right", "dye": "two-tone", "card": (5, 60, 14, 5)}
    assert again.gum.currentText() == "right" and again.viewer.layers["grey card"].visible
    again.gum.setCurrentText("by the jaw")
    card_away(again)
    (photo,) = read_visit(folder).photos
    assert photo == {"file": "images/a.png", **row, "dye": "two-tone"}
    again.close()


def test_what_cannot_be_kept_in_the_visit_is_said_and_kept_with_the_next_choice(
    panel, qtbot, two_photos, tmp_path, monkeypatch
):
    def full(*paths):
        raise OSError(28, "No space left on device")

    a, b = two_photos
    folder = tmp_path / "visit"
    kept = (folder / "visit.toml").read_bytes()
    with monkeypatch.context() as patched:
        patched.setattr("perioview.files.atomic.os.replace", full)
        panel.gum.setCurrentText("left")
    words = panel.message.text()
    assert "in this window only" in words and "No space left" in words and "\n" not in words
    assert (folder / "visit.toml").read_bytes() == kept
    for photo, other, gum in ((b, a, "up"), (a, b, "left")):
        bring(panel, photo, other)
        qtbot.waitUntil(lambda gum=gum: panel.gum.currentText() == gum)
    assert panel.asked()["gum"] == "left"
    panel.dye.setCurrentText("two-tone")
    assert read_visit(folder).photos[0]["gum"] == "left"
    # A rectangle that is no card would stop the report.
    kept = (folder / "visit.toml").read_bytes()
    panel.card.mark((100, 100), (250, 400))
    assert "grey card 100,100,250,400" in panel.message.text()
    assert panel.asked()["card"] is None and (folder / "visit.toml").read_bytes() == kept
    write_visit(folder, type(visit := read_visit(folder))(visit.patient))
    panel.gum.setCurrentText("right")
    assert "is not among the photos of visit.toml" in panel.message.text()


@pytest.mark.parametrize(
    ("wrong", "said"), [("gum = 'Down'", "gum is 'Down'"), ("[[photos", "no valid TOML")]
)
def test_nothing_of_a_photo_lies_over_the_next_where_its_visit_is_wrong(
    panel, qtbot, tmp_path, wrong, said
):
    (first,) = visit_with(tmp_path / "one", {"a.png": UP})
    (second,) = visit_with(tmp_path / "two", {"b.png": {"dye": "one-tone"}})
    toml = tmp_path / "two" / "visit.toml"
    good = toml.read_text()
    toml.write_text(f"{good}{wrong}\n")
    a, b = opened(panel.viewer, first), opened(panel.viewer, second)
    bring(panel, a, b)
    qtbot.waitUntil(lambda: panel.pictures.shown is a)
    of_a, laid = panel.regions(), measured(panel, qtbot)
    panel.number.setValue(104)
    panel.correct.brushes["paint"].setChecked(True)
    bring(panel, b, a)
    qtbot.waitUntil(lambda: said in panel.message.text())
    assert not any(la.visible for la in (laid, of_a.layer, of_a.numbers))
    assert panel.table.isHidden() and not panel.correct.painting
    assert panel.gum.currentText() == ""
    panel.measure()
    assert said in panel.message.text()
    # A choice sets a wrong word right; a wrong file is mended elsewhere.
    if "gum" in wrong:
        panel.gum.setCurrentText("down")
        assert "kept in visit.toml" in panel.message.text()
    else:
        toml.write_text(good)
    assert panel.regions().photo is b and panel.regions().layer.visible
    assert panel.asked()["gum"] == ("down" if "gum" in wrong else None)


def test_saved_outlines_are_shown_when_their_photo_comes_into_view(panel, qtbot, tmp_path):
    files = visit_with(tmp_path / "visit", {"a.png": UP, "b.png": UP})
    (tmp_path / "visit" / "regions" / "b.png.png").write_bytes(b"damaged")
    a, b = (opened(panel.viewer, file) for file in files)
    bring(panel, a, b)
    qtbot.waitUntil(lambda: "tooth regions: a.png" in panel.viewer.layers)
    assert "Outlined: 104, 107" in panel.message.text()
    bring(panel, b, a)
    qtbot.waitUntil(lambda: "b.png.png" in panel.message.text())


def test_photo_before_is_not_compared_with_the_one_after(panel, qtbot, tmp_path):
    before, after = ({**UP, "when": when} for when in ("before", "after"))
    files = visit_with(tmp_path / "visit", {"a.png": before, "b.png": after})
    a, b = (opened(panel.viewer, file) for file in files)
    bring(panel, a, b)
    panel.other.chosen.setCurrentText("b.png")
    panel.other.compare()
    words = panel.message.text()
    assert "a.png: was taken before b.png" in words and "\n" not in words
    bring(panel, b, a)
    panel.other.chosen.setCurrentText("a.png")
    panel.other.compare()
    assert "aligning" in panel.message.text()
    qtbot.waitUntil(lambda: "aligning" not in panel.message.text(), timeout=30_000)


@pytest.mark.parametrize("harm", ["cut short", "grey"])
def test_one_photo_that_cannot_be_used_keeps_no_other_shut(
    make_napari_viewer, qtbot, tmp_path, harm
):
    from perioview_napari.plaque_panel import PlaquePanel

    files = visit_with(tmp_path / "visit", {"a.png": UP, "b.png": UP, "c.png": UP})
    viewer = make_napari_viewer()
    opened(viewer, files[2]).visible = False
    if harm == "grey":
        with Picture.open(files[0]) as picture:
            grey = picture.convert("L")
        grey.save(files[0])
    else:
        files[0].write_bytes(files[0].read_bytes()[:2000])
    made = PlaquePanel(viewer)
    qtbot.addWidget(made)
    made.pictures.open()
    qtbot.waitUntil(lambda: "Outlined: 104, 107" in made.message.text())
    assert ("a.png" in made.message.text()) == (harm != "grey")
    assert [la.name for la in made.photos()] == ["c.png", "b.png"]
    assert made.photo_layer().name == "b.png"
    made.pictures.open()
    assert len(made.photos()) == 2
    if harm == "grey":
        for photo in made.photos():
            photo.visible = False
        viewer.layers["a.png"].visible = True
        viewer.layers.selection.active = viewer.layers["a.png"]
        qtbot.waitUntil(lambda: "a.png: is grey" in made.message.text())
        made.outline.setChecked(True)
        assert "a.png: is grey" in made.message.text() and not made.outline.isChecked()
    made.close()
