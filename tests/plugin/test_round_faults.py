"""Keys and clicks are for the mark the words name; what is proposed goes with tooth and root."""

import json
import threading

import pytest
from perioview_napari.proposed import CARRIED, Proposed
from perioview_napari.saying import progress_words
from perioview_napari.session import Session
from qtpy.QtCore import Qt
from test_states import press
from test_window import click

from perioview.files.reading import read_image
from perioview.marking_round import MarkingRound, RoundState, Step, step_of
from perioview.marks import Mark
from perioview.proposals import MARGIN_NOT_SEEN

NEAR, FAR = ("mesial", "mesial"), ("distal", "distal")


def proposed(landmark, row, col, root="mesial", side=None, number=308, flags=()):
    mark = Mark(landmark, row, col, number, root, side, None, "accepted")
    return Proposed(mark, 0.1, 0.95, tuple(flags))


@pytest.fixture
def session(visit, tmp_path):
    """A radiograph with 208 and 308 in view, the mesiobuccal root of 208 pointed at."""
    made = Session(read_image(visit / "images" / "left-jaw.dcm"), tmp_path / "film.csv")
    made.act(lambda: made.round.choose_teeth([208, 308]))
    made.act(lambda: made.round.point_at(208, "mesiobuccal", 100, 100))
    found = [
        proposed("cej", 90, 100, "mesiobuccal", "mesial", 208),
        proposed("cej", 90, 200, "distal", "distal", 208),
    ]
    made.take_proposals(208, found)
    assert made.proposals == tuple(found)
    return made


def test_nothing_of_a_root_outlives_it(session):
    act, marking = session.act, session.round
    act(lambda: marking.ask_for([Step("defect_base", 208, "mesiobuccal", "mesial")]))
    act(lambda: marking.next_variant(208))
    assert dict(marking.state.roots)[208] == ("mesial", "distal")
    # The distal root is seen either way.
    assert [p.mark.root for p in session.proposals] == ["distal"]
    assert not marking.state.pointed and not marking.state.extra
    act(marking.undo)
    assert marking.state.pointed and marking.state.extra


def test_nothing_proposed_outlives_its_tooth_and_an_earlier_visits_marks_come_back(session):
    marking = session.round
    session.carry_over([proposed("defect_base", 90, 300, *NEAR, 308, (CARRIED,))])
    session.act(lambda: marking.choose_teeth([]))
    assert session.proposals == () == session.propose(308)
    session.act(marking.undo)
    assert [p.carried for p in session.propose(308)] == [True]


def test_marks_of_other_roots_than_the_chosen_ones_are_no_dead_end(session):
    marking = session.round
    marking.go_to_tooth(208)
    session.act(lambda: marking.place(100, 100))
    # As it was written while proposals of other roots could be kept.
    kept = json.loads(session.round_path.read_text())
    next(t for t in kept["teeth"] if t["tooth"] == 208)["roots"] = ["mesial", "distal"]
    session.round_path.write_text(json.dumps(kept))
    again = Session(session.image, session.marks_path)
    again.round.go_to_tooth(208)
    while (step := again.round.state.cursor) is not None and step.tooth == 208:
        again.act(lambda: again.round.place(200, 100))
    stuck = RoundState(again.round.marks, ((208, ("mesial", "distal")),))
    assert MarkingRound("dog", stuck).next_variant(208)[0] == "mesiobuccal"


def test_a_species_that_is_corrected_leaves_nothing_of_the_other(session):
    marking = session.round
    session.act(lambda: marking.choose_teeth([309, 310]))
    session.take_proposals(310, [proposed("cej", 90, 300, *NEAR, number=310)])
    assert session.proposals
    cat = Session(session.image, session.marks_path, "cat")
    assert not cat.proposals and [n for n, _ in cat.round.state.roots] == [309]
    foreign = RoundState(cursor=Step("cej", 310, *NEAR))
    assert progress_words(foreign, "cat") == "0 of 0 steps done"


def test_roots_chosen_to_and_fro_leave_nothing_out():
    marking = MarkingRound("dog")
    marking.choose_teeth([207, 208])
    while (step := marking.state.cursor).tooth == 207:
        marking.place(10, len(marking.marks))
    marking.go_to_tooth(207)
    marking.next_variant(207)
    assert marking.state.cursor == Step("apex", 207, "palatal")
    marking.next_variant(207)
    assert marking.state.cursor == step
    marking.choose_teeth([])
    marking.go_to_tooth(207)
    marking.next_variant(207)
    marking.next_variant(207)
    assert marking.state.cursor is None


def test_a_ruler_is_taken_away_whole_and_no_other():
    marking = MarkingRound("dog")
    marking.choose_teeth([308])
    waiting = marking.state.cursor
    for label, count in (("", 2), ("2", 1)):
        marking.ask_for(Step("ruler", mm=d, object=label) for d in (0.0, 10.0))
        for i in range(count):
            marking.place(10, 10 + i)
    assert marking.state.cursor == Step("ruler", mm=10.0, object="2")
    marking.remove_ruler("2")
    assert marking.state.cursor == waiting
    assert {s.object for s in marking.state.extra} == {""} == set(marking.marks.rulers())
    # One that is asked for meanwhile is still asked for.
    marking.ask_for(Step("ruler", mm=d, object="2") for d in (0.0, 10.0))
    marking.remove_ruler("")
    assert marking.state.cursor == Step("ruler", mm=0.0, object="2") and not marking.marks
    marking.undo()
    assert len(marking.marks) == 2


@pytest.fixture
def pointed(fresh, qtbot):
    """The window with CEJs and apices of 308 proposed by one click, Point on."""
    session = fresh.marking.session
    found = [
        proposed("cej", 330, 180, *NEAR),
        proposed("cej", 330, 380, *FAR),
        proposed("apex", 600, 230),
        proposed("apex", 600, 340, "distal"),
    ]
    session.propose = lambda tooth: tuple(found) if session.round.state.pointed else ()
    fresh.point_on.setChecked(True)
    click(fresh, 460, 200)
    qtbot.waitUntil(lambda: len(session.proposals) == 4, timeout=5000)
    assert fresh.next.text() == "Next: 308: roof of the furcation"
    assert fresh.status.text() == "308: 4 marks proposed."
    yield fresh
    fresh.point_on.setChecked(False)


@pytest.mark.window
def test_n_leaves_out_what_the_words_name(pointed, qtbot):
    panel, marking = pointed, pointed.marking.session.round
    press(panel, Qt.Key.Key_N)
    assert [s.step for s in marking.state.skips] == [Step("furcation", 308)]
    qtbot.waitUntil(lambda: not panel.marking.waiting, timeout=5000)
    # What is found again meanwhile does not hide it.
    assert panel.status.text().startswith("Left out (not visible): 308: roof of the furcation")
    assert len(panel.marking.session.proposals) == 4
    press(panel, Qt.Key.Key_U)
    click(panel, 600, 230)  # the proposed apex: this one is not to be seen
    assert panel.next.text().endswith("Next: 308, mesial root: root apex")
    press(panel, Qt.Key.Key_N)
    assert [s.step for s in marking.state.skips] == [Step("apex", 308, "mesial")]
    # A root to be pointed at: its apex.
    press(panel, Qt.Key.Key_U)
    press(panel, Qt.Key.Key_U)
    qtbot.waitUntil(lambda: not panel.marking.waiting, timeout=5000)
    assert panel.next.text().startswith("Point at: 308, mesial root")
    press(panel, Qt.Key.Key_N)
    assert [s.step for s in marking.state.skips] == [Step("apex", 308, "mesial")]
    qtbot.waitUntil(lambda: not panel.marking.waiting, timeout=5000)
    assert panel.next.text().startswith("Point at: 308, distal root")


@pytest.mark.window
def test_up_and_down_move_what_the_words_name(pointed, qtbot):
    panel, state = pointed, lambda: pointed.marking.session.round.state
    steps = [s for s in state().steps if s.tooth == 308]
    at = steps.index(Step("furcation", 308))
    moves = (-1, -1, -1, -1, -1, 1, 1, 1, 1, 1, 1)  # the first step, and past the furcation
    for move in moves:
        press(panel, Qt.Key.Key_Up if move < 0 else Qt.Key.Key_Down)
        at = max(0, at + move)
        assert panel.next.text() == f"Next: {steps[at].words}"
        assert state().cursor == steps[at]
    # Where a root is still to be pointed at, on to the next tooth.
    panel.choose_teeth((308, 309))
    panel.actions.jump(309)
    assert panel.next.text().startswith("Point at: 309, mesial root")
    press(panel, Qt.Key.Key_Up)
    assert panel.next.text().startswith("Point at: 309, mesial root")
    press(panel, Qt.Key.Key_Down)
    assert panel.next.text().endswith("308, mesial root, mesial side: cementoenamel junction (CEJ)")
    press(panel, Qt.Key.Key_Up)
    assert panel.next.text().startswith("Point at: 309, mesial root")


@pytest.mark.window
def test_keys_for_a_mark_touch_none_behind_a_root_to_be_pointed_at(pointed):
    panel, session = pointed, pointed.marking.session
    panel.run("keep")
    mark = session.round.state.mark_at(Step("apex", 308, "mesial"))
    session.round.remove(session.round.state.mark_at(Step("apex", 308, "distal")))
    session.proposals = ()
    session.round.go_to(step_of(mark))  # as after an undo
    assert "Point at: 308, distal root" in panel.marking.words()
    for action, said in (("remove", "no mark here"), ("defect", "Go to a root and side")):
        panel.run(action)
        assert said in panel.status.text()
    assert mark in session.round.marks and not session.round.state.extra
    click(panel, mark.row, mark.col)
    assert "Marked: 308, mesial root: root apex" in panel.next.text()
    press(panel, Qt.Key.Key_N)
    assert panel.status.text().startswith("Not left out, it is marked: 308, mesial root")
    press(panel, Qt.Key.Key_W)
    assert panel.next.text().endswith("Next: 308, mesial root: root apex")
    press(panel, Qt.Key.Key_N)
    assert [s.step for s in session.round.state.skips] == [step_of(mark)]


@pytest.mark.window
def test_a_crest_not_seen_is_placed_by_a_click_on_it_while_a_root_is_to_be_pointed_at(
    fresh, qtbot, monkeypatch
):
    monkeypatch.setattr("perioview_napari.placing.LOOK_S", 0)
    session = fresh.marking.session
    unseen = proposed("crest", 400, 200, *NEAR, flags=[MARGIN_NOT_SEEN])
    found = (proposed("cej", 330, 180, *NEAR), proposed("apex", 600, 230), unseen)
    session.propose = lambda tooth: found if session.round.state.pointed else ()
    fresh.point_on.setChecked(True)
    try:
        click(fresh, 460, 200)
        qtbot.waitUntil(lambda: len(session.proposals) == 3, timeout=5000)
        qtbot.waitUntil(lambda: not fresh.marking.waiting, timeout=5000)
        assert fresh.next.text().startswith("Point at: 308, distal root")
        click(fresh, 400, 200)
        assert [step_of(m) for m in session.round.marks] == [step_of(unseen.mark)]
        assert len(session.round.state.pointed) == 1
        assert fresh.next.text().startswith("Looking for marks") or "distal" in fresh.next.text()
    finally:
        fresh.point_on.setChecked(False)


@pytest.mark.window
def test_a_tooth_in_view_again_is_looked_at_again(pointed, qtbot):
    panel, session = pointed, pointed.marking.session
    panel.choose_teeth((309,))
    assert not session.proposals
    press(panel, Qt.Key.Key_U)
    qtbot.waitUntil(lambda: len(session.proposals) == 4, timeout=5000)


@pytest.mark.window
def test_what_is_sought_for_one_radiograph_is_not_told_on_the_next(fresh, qtbot):
    first, go = fresh.marking.session, threading.Event()

    def propose(tooth):
        go.wait(20)
        return (proposed("cej", 330, 180, *NEAR),)

    first.propose = propose
    fresh.point_on.setChecked(True)
    try:
        click(fresh, 460, 200)
        assert fresh.next.text().startswith("Looking for marks")
        press(fresh, Qt.Key.Key_PageDown)
        assert fresh.next.text().startswith("Point at: 404")
        go.set()
        qtbot.waitUntil(lambda: len(first.proposals) == 1, timeout=5000)
        assert fresh.next.text().startswith("Point at: 404") and fresh.status.text() == ""
        press(fresh, Qt.Key.Key_PageUp)
        assert fresh.marking.session is first
    finally:
        go.set()
        fresh.point_on.setChecked(False)


@pytest.mark.window
def test_a_wrong_length_gives_way_to_a_right_one(fresh):
    session = fresh.marking.session
    fresh.ask_for_ruler("0 10")
    for col in (100, 300):
        click(fresh, 200, col)
    assert not fresh.scale.remove.isHidden()
    fresh.ask_for_ruler("0 10")
    assert "Averaged" in fresh.status.text() and "Remove ruler" in fresh.status.text()
    fresh.scale.remove.click()
    assert "Removed: the length of 10 mm. U takes it back." in fresh.status.text()
    assert fresh.scale.remove.isHidden()
    assert fresh.next.text().startswith("Scale: click one end of the 10 mm")
    for col in (100, 350):
        click(fresh, 400, col)
    assert session.calibration.col_mm == pytest.approx(10 / 250, rel=0.02)
    fresh.scale.remove.click()
    assert session.calibration.method != "ruler" and not session.round.marks
    fresh.scaling.remove_ruler()
    assert fresh.status.text() == "No length or probe was clicked on this image."
