"""Clicks, drags and nudges where marks lie close or something changes under them; real events."""

import shutil

import numpy as np
import pytest
from perioview_napari.mouse import CHANGED, CORE_PX, GRAB_PX
from perioview_napari.overlay import canvas_affine
from perioview_napari.proposed import Proposed
from perioview_napari.reader import layers
from perioview_napari.sample_data import sample_visit
from qtpy.QtCore import QPoint, Qt
from qtpy.QtTest import QTest
from test_states import SHIFT, press
from test_window import LEFT, canvas, click, drag, image_position, screen

from perioview.files.tables import read_marks
from perioview.marking_round import Step, step_of
from perioview.marks import Mark

pytestmark = pytest.mark.window
MESIAL, DISTAL = Step("cej", 308, "mesial", "mesial"), Step("cej", 308, "distal", "distal")


def click_at(panel, point):
    QTest.mouseClick(canvas(panel), LEFT, pos=point, delay=1)
    return image_position(panel, point)


def place(panel, step, row, col):
    panel.marking.session.round.go_to(step)
    panel.marking.place(row, col)


def mark_at(panel, step):
    return panel.marking.session.round.state.mark_at(step)


def held(panel, start, end):
    """Press and drag by real events, and hold."""
    QTest.mousePress(canvas(panel), LEFT, pos=start, delay=1)
    for i in (1, 2, 3):
        # napari passes moves on at the screen's rate only.
        QTest.mouseMove(canvas(panel), start + (end - start) * i / 3, delay=1)
        QTest.qWait(25)


def go_on(panel, end):
    """Drag on and let go."""
    QTest.mouseMove(canvas(panel), end, delay=1)
    QTest.qWait(25)
    QTest.mouseRelease(canvas(panel), LEFT, pos=end, delay=1)


@pytest.fixture
def two_cejs(fresh):
    """The window with two CEJs of 308 placed, an apex asked for and nothing proposed."""
    place(fresh, MESIAL, 330, 180)
    place(fresh, DISTAL, 330, 380)
    assert fresh.marking.session.round.state.cursor.landmark == "apex"
    return fresh


@pytest.fixture
def cat_molar(panel, qtbot, tmp_path):
    """The sample cat's lower molar without marks at 1366 x 768, and the sample's own marks."""
    cat = sample_visit().parent / "cat"
    window = panel.viewer.window._qt_window
    size = window.size()
    window.resize(1366, 768)
    copy = shutil.copy(cat / "images" / "right-lower-molar.dcm", tmp_path)
    (data, kwargs, _), *_ = layers(str(copy))
    rows, cols = data.shape
    kept = cat / "marks" / "right-lower-molar.dcm.csv"
    marks = read_marks(kept, species="cat", rows=rows, cols=cols)
    layer = panel.viewer.add_image(data, **kwargs)
    panel.show_layer(layer)
    panel.choose_teeth((408, 409))
    panel.marking.session.propose = lambda tooth: ()
    panel.marking.seeing.fit()
    qtbot.wait(100)
    yield panel, marks
    panel.show_layer(panel.marking.image_layers()[0])
    panel.marking.forget(layer)
    panel.viewer.layers.remove(layer)
    window.resize(size)


def test_every_mark_of_a_small_tooth_can_be_placed_by_a_click(cat_molar):
    panel, marks = cat_molar
    session = panel.marking.session
    wanted = {step_of(m): m for m in marks}
    affine = canvas_affine(panel.viewer, panel.marking.layer)[:, :2]
    places = np.array([(m.row, m.col) for m in marks]) @ affine.T
    apart = np.hypot(*(places[:, None] - places[None]).transpose(2, 0, 1))
    assert CORE_PX < apart[np.triu_indices(len(places), 1)].min() < GRAB_PX
    for step in session.round.state.steps:
        if step in wanted:
            session.round.go_to(step)
            before = set(session.round.marks)
            at = click(panel, wanted[step].row, wanted[step].col)
            mark = session.round.state.mark_at(step)
            assert mark is not None, panel.next.text()
            assert (mark.row, mark.col) == pytest.approx(tuple(at), abs=1e-3)
            assert before < set(session.round.marks)


def test_a_click_near_a_mark_places_what_is_asked_for_and_on_it_selects_it(two_cejs):
    panel, state = two_cejs, lambda: two_cejs.marking.session.round.state
    asked, before = state().cursor, state().marks
    near = screen(panel, 330, 180) + QPoint(0, round((CORE_PX + GRAB_PX) / 2))
    row, col = click_at(panel, near)
    placed = mark_at(panel, asked)
    assert (placed.row, placed.col) == pytest.approx((row, col), abs=1e-3)
    assert set(before) < set(state().marks)
    panel.run("undo")
    click(panel, 330, 180)
    assert state().cursor == MESIAL and state().marks == before
    assert asked.words in panel.status.text()


@pytest.fixture
def selected(two_cejs, monkeypatch):
    """The mesial CEJ clicked while an apex is asked for."""
    monkeypatch.setattr("perioview_napari.placing.LOOK_S", 60)
    click(two_cejs, 330, 180)
    before = two_cejs.marking.session.round.marks
    click(two_cejs, 330, 180)  # a double click, or a hand already on its way
    click(two_cejs, 450, 250)
    assert two_cejs.marking.session.round.marks == before
    assert "just changed" in two_cejs.status.text()
    monkeypatch.setattr("perioview_napari.placing.LOOK_S", 0)
    return two_cejs


def test_a_click_moves_no_mark_that_was_only_clicked(selected):
    panel, before = selected, selected.marking.session.round.marks
    click(panel, 450, 250)  # perhaps meant for the apex
    assert panel.marking.session.round.marks == before
    assert panel.status.text().startswith("Only selected so far: 308, mesial root, mesial side")
    row, _ = click(panel, 360, 185)
    assert mark_at(panel, MESIAL).row == pytest.approx(row, abs=1e-3)
    assert panel.status.text().startswith("Moved: 308, mesial root, mesial side")


def test_marks_of_roots_over_each_other_can_lie_at_one_place(selected):
    panel, before = selected, set(selected.marking.session.round.marks)
    row, col = click(panel, 330, 180)
    (apex,) = set(panel.marking.session.round.marks) - before
    assert apex.landmark == "apex" and (apex.row, apex.col) == pytest.approx((row, col), abs=1e-3)
    assert before < set(panel.marking.session.round.marks)
    assert panel.next.text().startswith("Next: 308, distal root")
    # Marked meanwhile, it is not moved there.
    click(panel, 330, 180)
    session = panel.marking.session
    other = Mark("apex", 600, 340, 308, "distal")
    panel.marking.act(lambda: session.round.accept([other]))
    session.round.go_to(step_of(apex))
    before = session.round.marks
    click(panel, 330, 180)
    assert session.round.marks == before


def test_a_click_near_a_mark_selects_it_where_nothing_is_asked_for(two_cejs):
    panel, session = two_cejs, two_cejs.marking.session
    near = screen(panel, 330, 180) + QPoint(0, round(GRAB_PX) - 2)
    for step in (None, DISTAL):
        session.round.go_to(step)
        before = session.round.marks
        click_at(panel, near)
        assert session.round.state.cursor == MESIAL and session.round.marks == before


def test_a_hand_not_quite_still_moves_no_mark(two_cejs):
    panel, session = two_cejs, two_cejs.marking.session
    before, saved = session.round.marks, session.marks_path.read_text()
    at = screen(panel, 330, 180)
    QTest.mousePress(canvas(panel), LEFT, pos=at, delay=1)
    go_on(panel, at + QPoint(3, 2))
    assert session.round.marks == before and session.marks_path.read_text() == saved
    assert session.round.state.cursor == MESIAL


def test_nudge_moves_the_mark_the_words_name(two_cejs):
    panel = two_cejs
    distal = mark_at(panel, DISTAL)
    click(panel, 330, 180)
    assert panel.next.text().startswith("Marked: 308, mesial root, mesial side")
    press(panel, Qt.Key.Key_Up, SHIFT)
    assert mark_at(panel, MESIAL).row < 330 and mark_at(panel, DISTAL) == distal
    assert panel.status.text().startswith("Nudged: 308, mesial root, mesial side")
    mesial = mark_at(panel, MESIAL)
    press(panel, Qt.Key.Key_Down)  # forward to the distal one
    press(panel, Qt.Key.Key_Up, SHIFT)
    assert mark_at(panel, MESIAL) == mesial and mark_at(panel, DISTAL).row < 330
    # A drag takes another one in hand.
    for _ in drag(panel, (mesial.row, mesial.col), (mesial.row + 30, mesial.col)):
        pass
    assert panel.next.text().startswith("Marked: 308, mesial root, mesial side")
    mesial, distal = mark_at(panel, MESIAL), mark_at(panel, DISTAL)
    press(panel, Qt.Key.Key_Up, SHIFT)
    assert mark_at(panel, MESIAL).row < mesial.row and mark_at(panel, DISTAL) == distal


def test_nudge_moves_the_last_mark_only_while_it_is_as_it_was_left(two_cejs):
    panel, session = two_cejs, two_cejs.marking.session
    rows = [mark_at(panel, DISTAL).row]
    for _ in range(2):
        press(panel, Qt.Key.Key_Up, SHIFT)
        rows.append(mark_at(panel, DISTAL).row)
    assert rows[0] > rows[1] > rows[2] and mark_at(panel, MESIAL).row == 330
    for _ in drag(panel, (330, 180), (360, 180)):
        pass
    press(panel, Qt.Key.Key_U)
    before = session.round.marks
    press(panel, Qt.Key.Key_Up, SHIFT)  # the drag taken back: nothing was placed last
    assert session.round.marks == before and "no mark to nudge" in panel.status.text()
    click(panel, 600, 230)
    apex = session.round.marks.of(landmark="apex")[0]
    session.round.go_to(step_of(apex))
    press(panel, Qt.Key.Key_W)
    press(panel, Qt.Key.Key_Up, SHIFT)
    assert session.round.marks == before
    click(panel, 600, 230)
    press(panel, Qt.Key.Key_PageDown)
    press(panel, Qt.Key.Key_PageUp)
    before = session.round.marks
    press(panel, Qt.Key.Key_Up, SHIFT)
    assert session.round.marks == before and len(before) == 3


@pytest.mark.parametrize(
    "key,moved", [(Qt.Key.Key_PageDown, True), (Qt.Key.Key_F2, False), (Qt.Key.Key_U, True)]
)
def test_what_a_key_changes_ends_a_drag_and_the_mark_is_where_it_was(two_cejs, qtbot, key, moved):
    panel, session = two_cejs, two_cejs.marking.session
    saved, mesial = session.marks_path.read_text(), mark_at(panel, MESIAL)
    at = screen(panel, 330, 180)
    held(panel, at, at + QPoint(20, 30))
    press(panel, key)
    if moved:
        QTest.mouseMove(canvas(panel), at + QPoint(40, 60), delay=1)
        QTest.qWait(25)
    QTest.mouseRelease(canvas(panel), LEFT, pos=at + QPoint(40, 60), delay=1)
    assert panel.status.text() == CHANGED
    assert session.round.state.mark_at(MESIAL) == mesial
    shown = panel.marking.session
    places = [(m.row, m.col) for m in shown.round.marks]
    if places:
        np.testing.assert_allclose(panel.marking.points.layer.data, places)
    if key == Qt.Key.Key_U:
        assert not session.round.state.mark_at(DISTAL)
    else:
        assert session.marks_path.read_text() == saved


def test_undo_while_a_proposal_is_dragged_leaves_it_unmarked(fresh, qtbot):
    session = fresh.marking.session
    proposal = Proposed(Mark("crest", 300, 200, 308, "mesial", "mesial"), 0.1, 0.9)
    session.propose = lambda tooth: (proposal,) if session.round.marks else ()
    click(fresh, 420, 380)
    qtbot.waitUntil(lambda: session.proposals == (proposal,), timeout=5000)
    at = screen(fresh, 300, 200)
    held(fresh, at, at + QPoint(20, 30))
    press(fresh, Qt.Key.Key_U)
    qtbot.waitUntil(lambda: not session.proposals, timeout=5000)
    go_on(fresh, at + QPoint(30, 40))
    assert not session.round.marks and fresh.status.text() == CHANGED


def test_proposals_that_come_while_a_mark_is_dragged_end_no_drag(two_cejs):
    panel, session = two_cejs, two_cejs.marking.session
    found = [Proposed(Mark("crest", r, 200, 308, "mesial", "mesial"), 0.1, 0.9) for r in (300, 420)]
    at = screen(panel, 330, 180)
    held(panel, at, at + QPoint(0, 20))
    session.take_proposals(308, found[:1])
    panel.marking.refresh()
    row, _ = image_position(panel, at + QPoint(0, 30))
    go_on(panel, at + QPoint(0, 30))
    assert mark_at(panel, MESIAL).row == pytest.approx(row, abs=2)
    # A dragged proposal that is replaced meanwhile is not there any more.
    at = screen(panel, 300, 200)
    held(panel, at, at + QPoint(0, 20))
    session.take_proposals(308, found[1:])
    panel.marking.refresh()
    go_on(panel, at + QPoint(0, 30))
    assert not session.round.marks.of(landmark="crest") and panel.status.text() == CHANGED


def test_a_click_begun_on_one_radiograph_places_nothing_on_the_next(two_cejs):
    panel, first = two_cejs, two_cejs.marking.session
    at = screen(panel, 450, 250)
    QTest.mousePress(canvas(panel), LEFT, pos=at, delay=1)
    press(panel, Qt.Key.Key_PageDown)
    second = panel.marking.session
    before = first.round.marks, second.round.marks
    QTest.mouseRelease(canvas(panel), LEFT, pos=at, delay=1)
    assert second is not first and before == (first.round.marks, second.round.marks)
    assert panel.status.text() == CHANGED
