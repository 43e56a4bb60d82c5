"""The marking round: which mark comes next, and nothing done that cannot be undone."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from perioview.bone_loss import sites
from perioview.calibration import Calibration
from perioview.errors import InputRefused
from perioview.marking_round import (
    MarkingRound,
    RoundState,
    Step,
    round_from_text,
    round_text,
    teeth_from_text,
    tooth_steps,
    tooth_views,
)
from perioview.marks import Mark, Marks
from perioview.teeth import has_tooth, teeth, tooth

MM = Calibration(0.02, 0.02, 0.02, "pixel_spacing_calibrated")


def marked(number, roots):
    """Marks of one tooth on a grid where every step has a place of its own."""
    marks = Marks()
    for i, step in enumerate(tooth_steps(number, roots)):
        row = {"cej": 100, "crest": 150, "furcation": 130, "apex": 400}[step.landmark]
        marks = marks.with_mark(step.mark(row, 100 + 20 * i))
    return marks


@pytest.mark.parametrize("species", ["dog", "cat"])
def test_steps_of_every_tooth_suffice_for_a_percentage_at_each_site(species):
    # The definition of a complete site is that of interfaces.md "Bone loss".
    for known in teeth(species):
        for variant in known.variants:
            found = sites(marked(known.number, variant), MM)
            assert len(found) == 2 * len(variant)
            assert all(s.bone_loss_pct.known for s in found), (known, variant)


@pytest.mark.parametrize("species", ["dog", "cat"])
def test_no_step_can_be_left_out(species):
    for known in teeth(species):
        full = marked(known.number, known.roots)
        for mark in full:
            rest = sites(full.without(mark), MM)
            flagged = any("furcation_not_marked" in s.flags for s in rest)
            assert flagged or not all(s.bone_loss_pct.known for s in rest), mark


def test_asking_order_is_cej_apex_furcation_crest():
    landmarks = [s.landmark for s in tooth_steps(309, ("distal", "mesial"))]
    assert landmarks == ["cej"] * 2 + ["apex"] * 2 + ["furcation"] + ["crest"] * 4
    assert [s.root for s in tooth_steps(309, ("distal", "mesial"))[:2]] == ["mesial", "distal"]


def test_words_name_tooth_root_side_and_landmark():
    words = Step("crest", 309, "distal", "mesial").words
    assert words == "309, distal root, mesial side: alveolar crest"
    assert "single" not in Step("apex", 304, "single").words


def test_views_hold_every_tooth_of_the_permanent_dentition_once():
    # 42 permanent teeth of the dog, 30 of the cat: Merck Veterinary Manual (facts.md 2).
    for species, count in (("dog", 42), ("cat", 30)):
        shown = [n for numbers in tooth_views(species).values() for n in numbers]
        assert len(shown) == len(set(shown)) == count


def test_teeth_are_read_as_typed():
    assert teeth_from_text("308, 309 404-406", "dog") == (308, 309, 404, 405, 406)
    assert teeth_from_text("405-408", "cat") == (407, 408)  # a cat has neither 405 nor 406
    with pytest.raises(InputRefused, match="'30x'"):
        teeth_from_text("30x", "dog")
    with pytest.raises(InputRefused, match="405"):
        teeth_from_text("405", "cat")


def two_rooted():
    marking = MarkingRound("dog")
    marking.choose_teeth([309])
    return marking


def test_round_moves_on_by_itself_and_ends():
    marking = two_rooted()
    for i, step in enumerate(tooth_steps(309, tooth(309, "dog").roots)):
        assert marking.state.cursor == step
        marking.place(10.0 + i, 20.0)
    assert marking.state.cursor is None
    assert marking.place(1, 1) is None
    assert len(marking.marks) == 9


def test_chosen_teeth_come_in_the_order_of_the_mouth_and_marked_ones_stay():
    marking = two_rooted()
    marking.place(1, 2)
    marking.choose_teeth([308, 404])
    assert [n for n, _ in marking.state.roots] == [309, 308, 404]


def test_skip_keeps_its_reason_and_placing_takes_it_back():
    marking = two_rooted()
    step = marking.state.cursor
    marking.skip("overlapped")
    assert marking.state.skips[0].reason == "overlapped"
    assert marking.state.cursor != step
    marking.go(-1)
    marking.place(5, 5)
    assert not marking.state.skips
    assert marking.state.mark_at(step) is not None


def test_no_loss_leaves_the_tooth_and_a_mark_takes_it_back():
    marking = MarkingRound("dog")
    marking.choose_teeth([308, 309])
    first = marking.state.cursor.tooth
    marking.no_loss(first)
    assert marking.state.cursor.tooth != first
    marking.go_to_tooth(first)
    marking.place(3, 3)
    assert marking.state.sound == ()


def test_record_keeps_whether_a_mark_was_placed_accepted_or_moved():
    marking = two_rooted()
    placed = marking.place(1, 2)
    assert marking.move(placed, 3, 4).how == "placed"
    crest = Mark("crest", 50, 60, 309, "mesial", "mesial")
    marking.accept([crest])
    accepted = marking.marks.of(landmark="crest")[0]
    assert accepted.how == "accepted"
    assert marking.move(accepted, 55, 60).how == "moved"


def test_other_roots_only_where_the_marks_allow():
    marking = MarkingRound("dog")
    marking.choose_teeth([108])
    assert marking.next_variant(108) == ("mesial", "distal")
    assert {s.root for s in marking.state.steps if s.root} == {"mesial", "distal"}
    marking.place(1, 1)
    with pytest.raises(InputRefused, match="no other roots fit"):
        marking.next_variant(108)


ACTIONS = st.lists(
    st.one_of(
        st.tuples(st.just("place"), st.integers(0, 4000), st.integers(0, 4000)),
        st.tuples(st.just("move"), st.integers(0, 40), st.integers(0, 4000)),
        st.tuples(st.just("remove"), st.integers(0, 40), st.just(0)),
        st.tuples(
            st.sampled_from(["skip", "no_loss", "go", "back", "teeth"]), st.just(0), st.just(0)
        ),
    ),
    max_size=40,
)


def do(marking, action, a, b):
    items = marking.marks.items
    if action == "place":
        marking.place(a / 8, b / 8)
    elif action == "move" and items:
        marking.move(items[a % len(items)], b / 8, a)
    elif action == "remove" and items:
        marking.remove(items[a % len(items)])
    elif action == "skip":
        marking.skip()
    elif action == "no_loss" and marking.state.cursor:
        marking.no_loss(marking.state.cursor.tooth)
    elif action == "go":
        marking.go(2)
    elif action == "back":
        marking.go(-1)
    elif action == "teeth":
        marking.choose_teeth([304, 308, 309])


@settings(max_examples=60, deadline=None)
@given(ACTIONS)
def test_undo_all_then_redo_all_restores_every_state(actions):
    marking = two_rooted()
    start = marking.state
    for action in actions:
        do(marking, *action)
    end = marking.state
    count = 0
    while marking.undo():
        count += 1
    assert marking.state.marks == Marks()
    assert marking.state.skips == start.skips
    for _ in range(count):
        assert marking.redo()
    assert not marking.redo()
    assert marking.state.marks == end.marks
    assert marking.state.skips == end.skips
    assert marking.state.sound == end.sound


@settings(max_examples=40, deadline=None)
@given(ACTIONS)
def test_round_file_gives_the_same_state_back(actions):
    marking = two_rooted()
    for action in actions:
        do(marking, *action)
    state = marking.state
    assert round_from_text(round_text(state), state.marks, "x") == state


@pytest.mark.parametrize("text", ["", "{}", "[]", '{"teeth": 3}'])
def test_damaged_round_file_is_refused_in_one_line(text):
    with pytest.raises(InputRefused, match=r"x\.round\.json: not a marking round"):
        round_from_text(text, Marks(), "x.round.json")


def test_defect_base_is_asked_for_at_once_and_then_the_round_goes_on():
    marking = two_rooted()
    waiting = marking.state.cursor
    marking.ask_for([Step("defect_base", 309, "mesial", "mesial")])
    assert marking.place(9, 9).landmark == "defect_base"
    assert marking.state.cursor == waiting


def test_the_round_goes_on_where_it_was_before_a_ruler():
    marking = two_rooted()
    marking.choose_teeth([308, 309])
    marking.go_to_tooth(308)
    marking.place(1, 1)
    waiting = marking.state.cursor
    bands = tuple(Step("ruler", mm=d) for d in (0.0, 3.0, 6.0))
    marking.ask_for(bands)
    # Asked again before a click: the new one takes its place, whole.
    marking.ask_for(bands)
    assert marking.state.cursor == bands[0]
    marks = [marking.place(5 + k, 5) for k in range(3)]
    assert [m.mm for m in marks] == [0.0, 3.0, 6.0]
    assert marking.state.cursor == waiting
    marking.ask_for(Step("ruler", mm=d, object="2") for d in (0.0, 9.0))
    marking.place(20, 5)
    marking.ask_for(Step("ruler", mm=d, object="3") for d in (0.0, 12.0))
    assert [s.object for s in marking.state.extra if marking.state.open(s)] == ["3", "3"]
    assert not [s for s in marking.state.skips if s.step.landmark == "ruler"]


def test_a_defect_base_or_ruler_asked_for_from_another_asks_for_nothing_strange():
    marking = two_rooted()
    base = Step("defect_base", 309, "mesial", "mesial")
    marking.ask_for([base])
    marking.place(9, 9)
    # Moved, then taken away and asked for again: what was asked for meanwhile is itself extra.
    marking.go_to(base)
    marking.ask_for([base])
    marking.place(10, 10)
    marking.remove(marking.state.mark_at(base))
    marking.ask_for([base])
    assert marking.place(11, 11).row == 11
    assert marking.state.cursor in marking.state.steps
    # What was asked for before the ruler is no longer in view after it.
    marking = two_rooted()
    marking.choose_teeth([308, 309])
    marking.go_to_tooth(309)
    marking.ask_for(Step("ruler", mm=d) for d in (0.0, 10.0))
    marking.choose_teeth([308])
    for k, step in enumerate(s for s in marking.state.extra if s.landmark == "ruler"):
        marking.go_to(step)
        marking.place(30 + k, 5)
    assert marking.state.cursor.tooth == 308


def test_teeth_of_the_wrong_species_are_dropped_when_it_is_corrected():
    dog = MarkingRound("dog")
    dog.choose_teeth([109, 305, 306])
    dog.no_loss(305)
    cat = MarkingRound("cat", dog.state)
    cat.choose_teeth([n for n, _ in dog.state.roots if has_tooth(n, "cat")])
    assert dict(cat.state.roots)[109] in tooth(109, "cat").variants
    assert not cat.state.sound


def test_a_refused_action_costs_no_redo():
    marking = two_rooted()
    first = marking.place(1, 1)
    marking.place(2, 2)
    marking.undo()
    marking.move(first, 3, 3)
    marking.withdraw()
    assert marking.can_redo
    assert marking.redo()
    assert len(marking.marks) == 2


def test_what_is_kept_of_a_tooth_taken_out_of_view():
    marking = two_rooted()
    marking.choose_teeth([307, 308, 309])
    marking.go_to_tooth(307)
    marking.no_loss(307)
    marking.go_to_tooth(308)
    marking.skip("overlapped")
    marking.point_at(308, "mesial", 3.0, 4.0)
    marking.choose_teeth([309])
    # A record stays in sight, where it can be taken back; a reason without its tooth is none.
    assert {n for n, _ in marking.state.roots} == {307, 309}
    assert marking.state.sound == (307,)
    assert not marking.state.skips
    assert not marking.state.pointed
    assert marking.undo()
    assert marking.state.skips and marking.state.pointed


def test_state_without_teeth_asks_for_nothing():
    assert MarkingRound("cat", RoundState()).state.cursor is None
