"""The window itself, by real mouse and key events."""

from itertools import product

import numpy as np
import pytest
from napari.utils.shortcuts import default_shortcuts
from perioview_napari import keys
from perioview_napari.convert import CLEAR, points_style
from perioview_napari.drawing import ToothDrawing, marked_drawing
from perioview_napari.orientation import Orientation
from perioview_napari.overlay import BANNER, canvas_affine
from perioview_napari.placing import LOOK_S
from perioview_napari.proposed import Proposed
from perioview_napari.reader import layers
from perioview_napari.scale_controls import METHODS, ruler_steps, scale_words
from perioview_napari.seeing import largest_rows
from perioview_napari.shapes import Chip, Drawing
from qtpy.QtCore import QPoint, Qt
from qtpy.QtGui import QAction, QKeySequence, QShortcut
from qtpy.QtTest import QTest
from qtpy.QtWidgets import (
    QAbstractButton,
    QApplication,
    QComboBox,
    QLabel,
    QLineEdit,
    QTableWidget,
    QWidget,
)

from perioview.calibration import Calibration
from perioview.errors import InputRefused
from perioview.files.tables import read_marks
from perioview.marking_round import Step
from perioview.marks import Mark

pytestmark = pytest.mark.window
LEFT = Qt.MouseButton.LeftButton
KINDS = (QAbstractButton, QComboBox, QLineEdit, QLabel, QTableWidget)


def canvas(panel):
    return panel.viewer.window._qt_viewer.canvas.native


def screen(panel, row, col):
    x, y = canvas_affine(panel.viewer, panel.marking.layer) @ (row, col, 1)
    return QPoint(round(x), round(y))


def image_position(panel, point):
    affine = canvas_affine(panel.viewer, panel.marking.layer)
    return np.linalg.solve(affine[:, :2], (point.x(), point.y()) - affine[:, 2])


def click(panel, row, col):
    """Click by a real event; return the exact image position of that whole screen pixel."""
    point = screen(panel, row, col)
    QTest.mouseClick(canvas(panel), LEFT, pos=point, delay=1)
    return image_position(panel, point)


def drag(panel, start, end, steps=5):
    a, b = screen(panel, *start), screen(panel, *end)
    QTest.mousePress(canvas(panel), LEFT, pos=a, delay=1)
    for i in range(1, steps + 1):
        # napari passes moves on at the screen's rate only.
        QTest.mouseMove(canvas(panel), a + (b - a) * i / steps, delay=1)
        QTest.qWait(25)
        yield i
    QTest.mouseRelease(canvas(panel), LEFT, pos=b, delay=1)


def test_visit_opens_with_species_teeth_and_words(marked):
    panel = marked
    session = panel.marking.session
    assert session.species == "dog"
    assert {308, 309} <= {n for n, _ in session.round.state.roots}
    saved = read_marks(
        session.marks_path, species="dog", rows=session.image.rows, cols=session.image.cols
    )
    assert session.round.marks == saved
    # The points of the layer are the marks, one to one.
    np.testing.assert_allclose(panel.marking.points.layer.data, [(m.row, m.col) for m in saved])
    assert panel.table.rowCount() == 2 * sum(len(saved.roots(t)) for t in saved.teeth())
    assert panel.viewer.scale_bar.visible
    # Not hidden under a radiograph that was opened after it.
    assert panel.viewer.layers[-1].name == "marks"


@pytest.mark.parametrize("swapped,up,left", list(product((False, True), repeat=3))[::3])
def test_click_places_the_mark_where_it_was_clicked_however_the_view_lies(
    fresh, qtbot, swapped, up, left
):
    fresh.marking.seeing.orient(Orientation(swapped, up, left))
    qtbot.wait(80)
    step = fresh.marking.session.round.state.cursor
    row, col = click(fresh, 300, 400)
    mark = fresh.marking.session.round.state.mark_at(step)
    assert (mark.row, mark.col) == pytest.approx((row, col), abs=1e-3)
    assert abs(mark.row - 300) < 2
    assert "distal side" in fresh.next.text()


def test_four_turns_and_two_mirrors_are_the_view_as_it_was():
    turned = Orientation()
    for _ in range(4):
        turned = turned.rotated()
    assert turned == Orientation() == turned.mirrored().mirrored()


def test_turn_is_clockwise(fresh, qtbot):
    before = canvas_affine(fresh.viewer, fresh.marking.layer)[:, :2]
    fresh.run("rotate")
    qtbot.wait(80)
    after = canvas_affine(fresh.viewer, fresh.marking.layer)[:, :2]
    right = after @ (np.linalg.inv(before) @ (1.0, 0.0))
    # What pointed right on the screen (y runs down) now points down.
    assert right[1] > 0
    assert abs(right[0]) < 1e-6


def test_drag_updates_numbers_while_it_lasts_and_saves_at_its_end(marked, qtbot):
    panel = marked
    session = panel.marking.session
    crest = session.round.marks.of(tooth=309, root="mesial", side="mesial", landmark="crest")[0]
    row = panel.table.rows[(309, "mesial", "mesial")]
    before = panel.table.item(row, 2).text()
    centre = panel.viewer.camera.center
    saved = session.marks_path.read_text()
    seen = []
    for _ in drag(panel, (crest.row, crest.col), (crest.row + 60, crest.col)):
        seen.append(panel.table.item(row, 2).text())
        assert session.round.marks.of(
            tooth=309, root="mesial", side="mesial", landmark="crest"
        ) == (crest,)
        assert session.marks_path.read_text() == saved
    moved = session.round.marks.of(tooth=309, root="mesial", side="mesial", landmark="crest")[0]
    assert len(set(seen)) > 2
    assert before not in seen[2:]
    assert moved.row == pytest.approx(crest.row + 60, abs=2)
    assert session.marks_path.read_text() != saved
    assert panel.viewer.camera.center == centre  # the image stayed where it was
    panel.run("undo")
    assert panel.table.item(row, 2).text() == before
    assert session.marks_path.read_text() == saved


def test_drag_on_empty_ground_moves_the_view_and_places_nothing(fresh, qtbot):
    for _ in drag(fresh, (100, 100), (200, 200)):
        pass
    assert not fresh.marking.session.round.marks


def test_keys_are_not_naparis_own():
    taken = set()
    for bindings in default_shortcuts.values():
        taken |= {str(b).lower().replace("control", "ctrl") for b in bindings}
    assert taken
    spelled = {"pgdown": "pagedown", "pgup": "pageup"}
    for entry in keys.KEYS:
        key = entry.key.lower()
        assert spelled.get(key, key) not in taken, entry


@pytest.mark.parametrize("kind", ["image", "points", "labels"])
def test_keys_work_whichever_layer_is_active(fresh, qtbot, kind):
    viewer = fresh.viewer
    if kind == "labels":
        viewer.add_labels(np.zeros((50, 50), np.uint8))
    elif kind == "points":
        viewer.layers.selection.active = viewer.layers["marks"]
    first = fresh.marking.session.round.state.cursor
    click_target = canvas(fresh)
    click_target.setFocus()
    QTest.keyClick(click_target, Qt.Key.Key_N)
    assert fresh.marking.session.round.state.skips[0].step == first
    QTest.keyClick(click_target, Qt.Key.Key_U)
    assert not fresh.marking.session.round.state.skips
    QTest.keyClick(click_target, Qt.Key.Key_U, Qt.KeyboardModifier.ShiftModifier)
    assert fresh.marking.session.round.state.skips
    QTest.keyClick(click_target, Qt.Key.Key_Up)
    assert fresh.marking.session.round.state.cursor == first


def test_marking_switched_off_leaves_mouse_and_keys_to_napari(fresh):
    fresh.marks_on.setChecked(False)
    try:
        click(fresh, 300, 300)
        canvas(fresh).setFocus()
        QTest.keyClick(canvas(fresh), Qt.Key.Key_N)
        assert not fresh.marking.session.round.marks
        assert not fresh.marking.session.round.state.skips
    finally:
        fresh.marks_on.setChecked(True)
    click(fresh, 300, 300)
    assert len(fresh.marking.session.round.marks) == 1


def test_keys_do_not_fire_while_text_is_typed(fresh, qtbot):
    fresh.teeth.setFocus()
    QTest.keyClicks(fresh.teeth, "nqu")
    assert not fresh.marking.session.round.state.skips
    assert not fresh.marking.session.round.state.sound


def test_proposals_are_hollow_and_kept_by_one_key_the_doubtful_ones_not(fresh, qtbot):
    session = fresh.marking.session
    sure = Proposed(Mark("crest", 300, 200, 308, "mesial", "mesial"), 0.1, 0.9)
    unsure = Proposed(Mark("crest", 300, 260, 308, "mesial", "distal"), 0.9, 0.2)
    session.propose = lambda tooth: (sure, unsure)
    click(fresh, 280, 200)
    qtbot.waitUntil(lambda: not fresh.marking.waiting, timeout=5000)
    assert len(session.proposals) == 2
    assert len(session.round.marks) == 1
    texts = [chip.text for chip in fresh.marking.overlay.drawing.chips]
    assert any("low confidence" in t for t in texts)
    assert points_style([], session.proposals)["face_color"] == [CLEAR, CLEAR]
    canvas(fresh).setFocus()
    QTest.keyClick(canvas(fresh), Qt.Key.Key_K)
    assert [m.how for m in session.round.marks.of(landmark="crest")] == ["accepted"]
    assert session.proposals == (unsure,)
    for _ in drag(fresh, (300, 260), (330, 260)):
        pass
    assert session.round.marks.of(side="distal", landmark="crest")[0].how == "moved"


def test_reopened_radiograph_has_its_marks_skips_and_proposals_again(fresh, qtbot):
    session = fresh.marking.session
    for row, col in ((330, 180), (330, 380), (600, 230), (600, 340)):
        click(fresh, row, col)
    fresh.run("skip")
    fresh.marking.forget(fresh.marking.layer)
    fresh.show_layer(fresh.marking.image_layers()[0])
    again = fresh.marking.session
    assert again is not session
    assert again.round.state == session.round.state
    assert again.round.state.skips
    qtbot.waitUntil(lambda: not fresh.marking.waiting, timeout=15000)
    # Found again by the true finder, on whatever lies there; as proposals, never as marks.
    assert all(p.mark.tooth == 308 for p in again.proposals)
    assert not again.round.marks.of(landmark="crest")


def test_no_radiographic_loss_is_one_key(fresh):
    canvas(fresh).setFocus()
    other = {n for n, _ in fresh.marking.session.round.state.roots} - {308}
    number = fresh.marking.session.round.state.cursor.tooth
    QTest.keyClick(canvas(fresh), Qt.Key.Key_Q)
    assert fresh.marking.session.round.state.sound == (number,)
    assert str(number) in fresh.progress.text()
    assert fresh.marking.session.round.state.cursor is None or other


def test_ruler_clicked_gives_the_scale_and_the_view_follows(fresh, qtbot):
    fresh.ask_for_ruler("0 3 6")
    assert "0 mm" in fresh.next.text()
    places = [click(fresh, 200, col)[1] for col in (100, 250, 400)]
    session = fresh.marking.session
    assert session.calibration.method == "ruler"
    assert session.calibration.col_mm == pytest.approx(6 / (places[2] - places[0]), rel=0.02)
    assert fresh.marking.layer.scale[1] == pytest.approx(session.calibration.col_mm)
    assert "±" in fresh.scale.words.text()
    assert len(session.round.marks) == 3


def test_seeing_changes_no_stored_position(marked, qtbot):
    panel = marked
    session = panel.marking.session
    marks, saved = session.round.marks, session.marks_path.read_text()
    pixels = session.image.pixels.copy()
    for action in ("invert", "local_contrast", "rotate", "mirror", "brighter"):
        panel.run(action)
        qtbot.wait(20)
    panel.run("local_contrast")
    assert session.round.marks == marks
    assert session.marks_path.read_text() == saved
    np.testing.assert_array_equal(panel.marking.layer.data, pixels)
    np.testing.assert_array_equal(session.image.pixels, pixels)


def test_scale_bar_only_with_a_scale_and_species_asked_for(panel, tmp_path, qtbot):
    from PIL import Image as PillowImage

    path = tmp_path / "film.png"
    PillowImage.fromarray(np.random.default_rng(2).integers(0, 255, (300, 400), np.uint8)).save(
        path
    )
    (data, kwargs, _), *_ = layers(str(path))
    layer = panel.viewer.add_image(data, **kwargs)
    panel.show_layer(layer)
    assert panel.marking.session is None
    assert "species" in panel.next.text().lower()
    panel.species.setCurrentIndex(2)
    panel.choices.species_chosen(2)
    assert panel.marking.session.species == "cat"
    assert not panel.viewer.scale_bar.visible
    assert panel.scale.words.text().startswith("No scale")
    panel.choose_teeth((304,))
    click(panel, 100, 100)
    assert (tmp_path / "film.png.csv").exists()
    panel.use_scale(0.02)
    assert panel.viewer.scale_bar.visible
    panel.viewer.layers.remove(layer)


def test_next_radiograph_and_back_keeps_each_ones_marks(fresh, qtbot):
    first = fresh.marking.session
    click(fresh, 300, 300)
    fresh.run("next_image")
    assert fresh.marking.session is not first
    assert fresh.viewer.layers[-1].name == "marks"
    assert sum(layer.visible for layer in fresh.marking.image_layers()) == 1
    fresh.run("previous_image")
    assert fresh.marking.session is first
    assert len(fresh.marking.points.layer.data) == 1


def test_detector_plane_alone_is_warned_of():
    assert scale_words(Calibration(0.02, 0.02, 0.05, "imager_pixel_spacing", ("n",))).startswith(
        "⚠"
    )
    assert "percentages only" in scale_words(Calibration(None, None, None, "none"))


@pytest.mark.parametrize("text", ["", "5", "0 3 x", "0 3 3", "6 3 0"])
def test_impossible_ruler_is_refused(text):
    with pytest.raises(InputRefused, match="ruler"):
        ruler_steps(text)


def test_rows_fill_the_room():
    wide = np.array([[1.0, 3.0]] * 4)
    # Four pictures three times as wide as high: below each other in a high room, 2 x 2 in a wide.
    assert largest_rows(wide, 0.0, (4, 3)) == [(0, 0), (1, 0), (2, 0), (3, 0)]
    assert largest_rows(wide, 0.0, (2, 6)) == [(0, 0), (0, 3), (1, 0), (1, 3)]


def test_radiographs_side_by_side_keep_their_scale_and_a_click_takes_the_other(marked, qtbot):
    panel = marked
    first, second = panel.marking.image_layers()[:2]
    marks = panel.marking.session.round.marks
    places = panel.marking.points.layer.data.copy()
    panel.run("beside")
    qtbot.wait(50)
    try:
        shown = panel.marking.image_layers()
        assert all(layer.visible for layer in shown)
        ends = [(layer.extent.world[0], layer.extent.world[1]) for layer in shown]
        for i, (low, high) in enumerate(ends):
            for low2, high2 in ends[i + 1 :]:
                assert (high <= low2).any() or (high2 <= low).any(), "radiographs overlap"
        # The other's marks lie where that radiograph shows them.
        session = panel.marking.sessions[id(second)]
        mark = session.round.marks.of(landmark="apex")[0]
        world = np.array((mark.row, mark.col)) * second.scale + second.translate
        here = panel.marking.layer.world_to_data(world)
        dots = [dot.at for dot in panel.marking.overlay.drawing.dots]
        assert np.abs(np.array(dots) - here).max(1).min() < 1e-6
        texts = [c.text for c in panel.marking.overlay.drawing.captions]
        assert len(texts) == len(shown) and "308" in texts[0] and "404" in texts[1]
        # A click on the other radiograph takes it up and places nothing.
        saved = session.round.marks
        x, y = canvas_affine(panel.viewer, second) @ (200, 100, 1)
        QTest.mouseClick(canvas(panel), LEFT, pos=QPoint(round(x), round(y)), delay=1)
        assert panel.marking.layer is second
        assert panel.marking.session.round.marks == saved
        np.testing.assert_allclose(panel.marking.points.layer.translate, second.translate)
        np.testing.assert_allclose(second.scale, panel.marking.session.calibration.pitch)
    finally:
        panel.run("beside")
    assert [layer.visible for layer in panel.marking.image_layers()].count(True) == 1
    panel.show_layer(first)
    assert panel.marking.session.round.marks == marks
    np.testing.assert_array_equal(panel.marking.points.layer.data, places)


def test_mark_settles_on_an_edge_only_where_that_is_wanted(marked, qtbot):
    panel = marked
    session = panel.marking.session
    crest = session.round.marks.of(tooth=309, root="mesial", side="mesial", landmark="crest")[0]
    step = Step("crest", 309, "mesial", "mesial")
    place = session.settled(step, crest.row + 8, crest.col)
    assert place is not None
    for on in (True, False):
        if on != panel.marking.placing.snapping:
            panel.run("snap")
        now = session.round.state.mark_at(step)
        for _ in drag(panel, (now.row, now.col), (crest.row + 8, crest.col)):
            pass
        moved = session.round.state.mark_at(step)
        apart = np.hypot(moved.row - place[0], moved.col - place[1])
        assert (apart < 2.5) == on, (on, moved, place)
        panel.run("undo")
    assert session.round.state.mark_at(step) == crest


def test_many_labels_give_way_to_one_per_tooth(marked):
    session = marked.marking.session
    sites = [f"{i} %" for i in range(20)]
    chips = tuple(Chip((i, i), (0, 0), text, "#ffffff") for i, text in enumerate(sites))
    parts = {n: ToothDrawing((), chips, chips[:1]) for n in (308, 309)}
    marked.actions.jump(308)
    drawn = marked_drawing(session, parts, ())
    assert len([c for c in drawn.chips if c.text.endswith("%")]) == 21


def test_one_click_on_a_root_proposes_its_marks_and_places_none(fresh, qtbot):
    session = fresh.marking.session
    roots = dict(session.round.state.roots)[308]
    found = [
        Proposed(Mark("cej", 330, 180, 308, "mesial", "mesial"), 0.1, 0.95),
        Proposed(Mark("apex", 600, 230, 308, "mesial"), 0.1, 0.95),
        Proposed(Mark("crest", 400, 200, 308, "mesial", "mesial"), 0.1, 0.4),
    ]
    session.propose = lambda tooth: tuple(found) if session.round.state.pointed else ()
    canvas(fresh).setFocus()
    QTest.keyClick(canvas(fresh), Qt.Key.Key_Period)
    try:
        assert fresh.next.text().startswith(f"Point at: 308, {roots[0]} root")
        click(fresh, 460, 200)
        assert not session.round.marks
        assert session.round.state.pointed[0][:2] == (308, roots[0])
        assert roots[1] in fresh.next.text()
        qtbot.waitUntil(lambda: len(session.proposals) == 3, timeout=5000)
        fresh.run("undo")
        assert not session.round.state.pointed
        fresh.run("redo")
        qtbot.waitUntil(lambda: len(session.proposals) == 3, timeout=5000)
        # What is not sure waits for a second look.
        QTest.keyClick(canvas(fresh), Qt.Key.Key_K)
        assert {m.landmark for m in session.round.marks} == {"cej", "apex"}
        assert all(m.how == "accepted" for m in session.round.marks)
        assert session.proposals[0].mark.landmark == "crest"
        # Both roots pointed at: clicks place marks again.
        qtbot.waitUntil(lambda: not fresh.marking.waiting, timeout=5000)
        qtbot.wait(int(1000 * LOOK_S) + 50)
        click(fresh, 500, 350)
        assert [p[1] for p in session.round.state.pointed] == list(roots)
        qtbot.waitUntil(lambda: not fresh.marking.waiting, timeout=5000)
        qtbot.wait(int(1000 * LOOK_S) + 50)
        before = len(session.round.marks)
        click(fresh, 520, 420)
        assert len(session.round.marks) == before + 1
    finally:
        fresh.point_on.setChecked(False)


def test_same_teeth_on_the_next_radiograph(fresh):
    first = fresh.marking.session
    numbers = {n for n, _ in first.round.state.roots}
    fresh.run("repeat")
    assert fresh.marking.session is not first
    assert numbers <= {n for n, _ in fresh.marking.session.round.state.roots}
    fresh.run("previous_image")


def test_no_key_is_taken_twice_in_the_window_of_a_visit(fresh):
    """Qt fires neither of two shortcuts of one key: F4 and F7 were dead beside the chart."""
    window = fresh.viewer.window._qt_window
    taken = [s.key().toString() for s in window.findChildren(QShortcut)]
    taken += [s.toString() for a in window.findChildren(QAction) for s in a.shortcuts()]
    ours = [QKeySequence(k.key).toString() for k in keys.KEYS]
    assert set(ours) <= set(taken)
    assert [key for key in ours if taken.count(key) > 1] == []
    canvas(fresh).setFocus()
    for key, box in ((Qt.Key.Key_F4, fresh.view.beside), (Qt.Key.Key_F7, fresh.view.snap)):
        before = box.isChecked()
        QTest.keyClick(canvas(fresh), key)
        assert box.isChecked() != before
        box.toggle()


def test_close_out_shows_the_tooth_with_its_own_marks(marked, qtbot):
    from perioview_napari.mouth_panel import MouthPanel

    mouth = marked.viewer.window._qt_window.findChild(MouthPanel)
    qtbot.waitUntil(lambda: mouth.examination is not None, timeout=20_000)
    mouth.go_to_tooth(404)
    session = marked.marking.session
    assert session.image.name == "right-lower-canine.dcm"
    assert [la.name for la in marked.marking.image_layers() if la.visible] == [session.image.name]
    np.testing.assert_allclose(
        marked.marking.points.layer.data, [(m.row, m.col) for m in session.round.marks]
    )
    assert session.round.state.cursor.tooth == 404
    # napari's own status line speaks of the radiograph that is shown.
    assert marked.viewer.layers.selection.active is marked.marking.layer


@pytest.mark.parametrize("size", [(1280, 800), (1920, 1080)])
def test_nothing_of_the_panel_is_cut_off(marked, qtbot, size):
    window = marked.viewer.window._qt_window
    before = window.size()
    try:
        window.resize(*size)
        qtbot.wait(100)
        marked.fill()
        qtbot.wait(50)
        cut = []
        for part in marked.findChildren(QWidget):
            if not part.isVisibleTo(marked) or part.parent() is marked.table:
                continue
            need = part.minimumSizeHint()
            right = part.mapTo(marked, QPoint(part.width(), 0)).x()
            small = part.height() < need.height() or right > marked.width()
            if isinstance(part, KINDS) and small:
                cut.append((type(part).__name__, getattr(part, "text", str)(), part.size()))
        assert not cut
        # What says the next step, the table, and how to keep or skip need no scrolling.
        for part in (marked.next, marked.status, marked.buttons, marked.table):
            assert part.mapTo(marked, part.rect().bottomLeft()).y() < marked.height()
        assert marked.table.viewport().height() >= 4 * marked.table.rowHeight(0)
        # Nor does the radiograph lie under the words on top or the keys at the foot.
        marked.marking.seeing.fit()
        qtbot.wait(80)
        rows = marked.marking.session.image.rows
        overlay = marked.marking.overlay
        assert screen(marked, -0.5, 0).y() >= BANNER
        assert screen(marked, rows - 0.5, 0).y() <= overlay.height() - overlay.keys_height()
    finally:
        window.resize(before)
        qtbot.wait(50)


def test_labels_stay_on_the_canvas_and_off_words_keys_and_marks(marked, qtbot):
    overlay = marked.marking.overlay
    painted = []
    chip = overlay._chip
    overlay._chip = lambda painter, box, text, colour: painted.append((box, text))
    kept = overlay.drawing
    inverse = np.linalg.inv(np.vstack([overlay.affine, (0, 0, 1)]))
    try:
        at = [inverse @ (x, y, 1) for x in (3, overlay.width() - 3) for y in (60, 200)]
        chips = tuple(Chip((a[0], a[1]), (a[0], a[1] + 1), "low confidence", "#fff") for a in at)
        overlay.drawing = Drawing(chips=chips, keep_clear=tuple(c.at for c in chips))
        overlay.grab()
        assert len(painted) == 4
        for box, _ in painted:
            assert box.left() >= 0 and box.right() <= overlay.width()
            assert box.top() >= BANNER
            assert box.bottom() <= overlay.height() - overlay.keys_height()
    finally:
        overlay._chip, overlay.drawing = chip, kept


def test_skip_with_another_reason_from_the_keyboard(fresh, qtbot):
    canvas(fresh).setFocus()
    QTest.keyClick(canvas(fresh), Qt.Key.Key_N, Qt.KeyboardModifier.ShiftModifier)
    menu = QApplication.activePopupWidget()
    assert menu is not None
    QTest.keyClick(menu, Qt.Key.Key_3)
    assert fresh.marking.session.round.state.skips[0].reason == "overlapped"


def test_brightness_is_each_radiographs_own(fresh):
    first = fresh.marking.layer
    for layer in fresh.marking.image_layers():
        layer.gamma = 1
    fresh.view.show_gamma(1)
    fresh.run("brighter")
    assert first.gamma < 1
    fresh.run("next_image")
    assert fresh.marking.layer.gamma == 1 and fresh.view.gamma.value() == 0
    fresh.run("previous_image")
    assert fresh.view.gamma.value() == 2
    fresh.run("darker")
    assert first.gamma == pytest.approx(1)


def test_a_radiograph_cannot_be_dragged_from_under_its_marks(fresh):
    canvas(fresh).setFocus()
    QTest.keyClick(canvas(fresh), Qt.Key.Key_2)  # napari: transform the active layer
    assert str(fresh.marking.layer.mode) == "pan_zoom"


def test_same_teeth_says_whose_teeth_it_replaced(fresh):
    fresh.run("repeat")
    teeth = {n for n, _ in fresh.marking.session.round.state.roots}
    assert "404" in fresh.status.text() and 404 not in teeth
    fresh.run("undo")
    assert {n for n, _ in fresh.marking.session.round.state.roots} == {404}
    fresh.run("previous_image")


def test_words_for_the_scale_are_no_names_of_tags():
    for method, words in METHODS.items():
        text = scale_words(Calibration(0.02, 0.02, 0.05, method, ("detector spacing.",)))
        assert words in text and "_" not in text and "Detector spacing." in text
        assert text.startswith("⚠") == (method in ("imager_pixel_spacing", "pixel_spacing"))


def test_a_click_meant_for_the_step_before_places_nothing(fresh, qtbot, monkeypatch):
    """Proposals may come while the mouse is on its way: what is asked for is another mark then."""
    monkeypatch.setattr("perioview_napari.placing.LOOK_S", 60)  # a slow machine is no excuse
    session = fresh.marking.session
    roots = dict(session.round.state.roots)[308]
    found = [Proposed(Mark("apex", 600, 230 + 90 * i, 308, r), 0.1, 0.95)
             for i, r in enumerate(roots)]  # fmt: skip
    session.propose = lambda tooth: tuple(found) if session.round.state.pointed else ()
    fresh.point_on.setChecked(True)
    try:
        click(fresh, 460, 200)
        assert "root" in fresh.next.text()
        qtbot.waitUntil(lambda: len(session.proposals) == 2, timeout=5000)
        click(fresh, 460, 320)  # meant for the other root
        assert not session.round.marks
        assert "just changed" in fresh.status.text()
        monkeypatch.setattr("perioview_napari.placing.LOOK_S", 0)
        click(fresh, 460, 320)
        assert len(session.round.marks) == 1
    finally:
        fresh.point_on.setChecked(False)


def test_another_radiograph_is_seen_whole(marked, qtbot):
    marked.viewer.camera.zoom *= 4
    marked.marking.seeing.touched()
    marked.run("next_image")
    qtbot.wait(80)
    image = marked.marking.session.image
    overlay = marked.marking.overlay
    for row, col in ((-0.5, -0.5), (image.rows - 0.5, image.cols - 0.5)):
        at = screen(marked, row, col)
        assert 0 <= at.x() <= overlay.width()
        assert BANNER <= at.y() <= overlay.height() - overlay.keys_height()


def test_second_ruler_keeps_to_itself_and_an_abandoned_one_waits_for_nothing(fresh, qtbot):
    session = fresh.marking.session
    fresh.ask_for_ruler("0 3 6 9")  # thought better of
    fresh.ask_for_ruler("0 10")
    for col in (100, 300):
        click(fresh, 200, col)
    first = session.calibration.col_mm
    assert session.calibration.method == "ruler"
    assert not [s for s in session.round.state.steps
                if s.landmark == "ruler" and session.round.state.open(s)]  # fmt: skip
    fresh.ask_for_ruler("0 10")
    for col in (100, 340):
        click(fresh, 400, col)
    assert {m.object for m in session.round.marks.of(landmark="ruler")} == {"", "2"}
    assert 10 / 240 < session.calibration.col_mm < first  # the mean of both


def test_click_beside_the_radiograph_says_so_in_one_line(fresh, qtbot):
    fresh.marking.place(-50.0, -50.0)
    assert fresh.status.text() == "That is beside the radiograph: click on it."
    assert not fresh.marking.session.round.marks


def test_messages_name_no_option_of_the_command_line(fresh):
    fresh.use_scale(50.0)
    assert "mm per pixel 50" in fresh.status.text() and "--" not in fresh.status.text()
    assert "--" not in scale_words(
        Calibration(None, None, None, "none", ("needs a ruler or --mm-per-px.",))
    )


def test_a_scale_clicked_on_a_film_without_one_brings_no_warning(fresh, qtbot, recwarn):
    from napari.utils.notifications import notification_manager

    before = len(notification_manager.records)
    click(fresh, 300, 300)
    # Millimetres for one radiograph, none for the others, and back.
    session = fresh.marking.session
    kept = session.calibration
    try:
        session.calibration = Calibration(None, None, None, "none")
        fresh.marking.rescale()
        qtbot.wait(80)
        fresh.use_scale(0.02)
        qtbot.wait(80)
        said = [str(r.message) for r in list(notification_manager.records)[before:]]
        assert not [m for m in said if "units" in m]
    finally:
        session.use_scale(None)
        session.calibration = kept
        fresh.marking.rescale()


def test_keyboard_goes_back_to_the_radiograph_after_a_choice(fresh, qtbot):
    for box, index in ((fresh.images, 0), (fresh.species, 1), (fresh.chooser.views, 1)):
        box.setFocus()
        box.activated.emit(index)
        assert canvas(fresh).hasFocus(), box
    fresh.view.reach.setFocus()
    QTest.keyClick(fresh.view.reach, Qt.Key.Key_Return)
    assert canvas(fresh).hasFocus()


def test_a_key_that_can_do_nothing_says_why(fresh):
    fresh.actions.jump(308)
    session = fresh.marking.session
    while session.round.can_undo:
        fresh.run("undo")
    for action, said in (("undo", "Nothing to undo"), ("remove", "no mark here")):
        fresh.run(action)
        assert said in fresh.status.text()
    fresh.choose_teeth((308,))
    fresh.run("redo")
    assert "Nothing to redo" in fresh.status.text()
    fresh.run("keep")
    assert "no proposals" in fresh.status.text()
