"""Charting by keyboard and by voice: what a line means, instant checks, undo, keystrokes."""

from __future__ import annotations

import runpy
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from perioview.chart import Chart, ChartRow
from perioview.chart_checks import chart_faults, row_faults
from perioview.chart_entry import Entry, entered, next_tooth, started, undone
from perioview.chart_rules import SITES
from perioview.errors import InputRefused

BENCH = Path(__file__).parent / "benchmarks" / "bench_chart.py"


def charted(*lines: str, species: str = "dog") -> Entry:
    entry = started(species, weight_kg=12.0)
    for line in lines:
        entry = entered(entry, line).entry
    return entry


def depths(chart: Chart, tooth: int) -> list[float | None]:
    rows = [chart.row(tooth, site) for site in SITES]
    return [None if row is None else row.probing_depth_mm for row in rows]


def test_one_entry_says_within_normal_and_invents_no_depth() -> None:
    chart = charted("n").chart
    assert chart.within_normal(110)
    assert chart.probed(110) == ()
    assert chart.worst(110, "gingivitis_index") is None
    assert charted("n1").chart.worst(110, "gingivitis_index") == 1


def test_six_and_four_readings_go_to_their_sites() -> None:
    chart = charted("309 323453", "3-2*4").chart
    assert depths(chart, 309) == [3, 2, 3, 4, 5, 3]
    # Four accepted sites: two buccal, two lingual (dvm360).
    assert depths(chart, 308) == [3, None, None, 2, None, 4]
    row = chart.row(308, "mesiolingual")
    assert row is not None and row.bleeding is True


def test_recession_is_positive_and_enlargement_negative() -> None:
    # Interfaces: margin_mm positive apical (recession), negative coronal.
    chart = charted("309 323453 r012000 e2dl").chart
    assert [r.margin_mm for s in SITES if (r := chart.row(309, s))] == [0, 1, 2, 0, 0, -2]


def test_everything_in_one_line() -> None:
    entry = charted("309 323353 g2 p1 c3 m1 f2b worn res3t1 bml / extract // 12:40 ' split first")
    own = entry.chart.row(309)
    assert own is not None
    assert (own.gingivitis_index, own.plaque_index, own.calculus_index, own.mobility) == (
        2,
        1,
        3,
        1,
    )
    assert own.findings == ("worn", "resorption=3", "resorption_type=1")
    assert (own.decision, own.done, own.note) == ("extract", "12:40", "split first")
    buccal = entry.chart.row(309, "buccal")
    assert buccal is not None and buccal.furcation == 2
    assert entry.at == 308


@pytest.mark.parametrize(
    ("spoken", "typed"),
    [
        ("normal", "n"),
        ("normal one", "n1"),
        ("three two three three four three", "323343"),
        ("three two twelve three dash three", "3 2 12 3 - 3"),
        ("tooth three oh nine normal", "309 n"),
        ("furcation two buccal mobility one", "f2b m1"),
        ("three two three three four three gingivitis two", "323343 g2"),
        ("depth five mesiobuccal bleeding mesiobuccal", "d5mb bmb"),
        ("recession two palatal enlargement one buccal", "r2l e1b"),
        ("recession zero one two zero zero zero", "r012000"),
        ("missing", "x"),
        ("gingivitis one three two three three two three", "g1 323323"),
        ("furcation 2 palatal", "f2l"),
        ("worn note pocket = 5 / deep, done later", "worn ' pocket = 5 / deep, done later"),
        ("crown fracture pulp exposed", "crownf pulp"),
        ("resorption three type one", "res3t1"),
        ("worn decide monitor note both sides", "worn / monitor ' both sides"),
        ("decide extract done", "/ extract // done"),
    ],
)
def test_the_spoken_line_is_the_typed_line(spoken: str, typed: str) -> None:
    assert charted(spoken).chart == charted(typed).chart
    assert charted(spoken).chart.rows


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("3 3 45 3 3 3", "45 mm"),
        ("304 f2", "single root"),
        ("112 n", "no tooth 112"),
        ("323", "no tooth 323"),
        ("32345", "5 readings"),
        ("g4", "gingivitis index 4"),
        ("m1b", "whole tooth"),
        ("cro", "crown_fracture or crowded"),
        ("blue", "not understood"),
        ("resorption", "needs its value"),
        ("n 323333", "within normal and depths"),
        ("x 323333", "missing but was probed"),
    ],
)
def test_instant_checks_refuse_and_stay(line: str, told: str) -> None:
    entry = started("dog")
    with pytest.raises(InputRefused, match=told):
        entered(entry, line)
    assert entry.chart == Chart() and entry.at == 110


def test_a_cat_has_no_105_and_its_106_comes_after_107() -> None:
    with pytest.raises(InputRefused, match="no tooth 105"):
        entered(started("cat"), "105 n")
    assert next_tooth(106, "cat") == 104


def test_a_deep_pocket_is_asked_about_and_kept() -> None:
    answer = entered(started("dog"), "3 3 14 3 3 3")
    assert any("14 mm" in q for q in answer.asked)
    assert depths(answer.entry.chart, 110)[2] == 14


def test_a_pocket_without_its_margin_is_asked_for_at_once() -> None:
    asked = entered(started("dog", weight_kg=8.0), "323363").asked
    assert [q for q in asked if "gum margin" in q] == [
        "110: pocket 6 mm, where is the gum margin (r or e)?"
    ]
    assert not entered(started("dog", weight_kg=8.0), "222262 r000020").asked


def test_undo_goes_back_line_by_line_to_the_beginning() -> None:
    entry = charted("n", "n", "309 f2", "z", "z")
    assert entry.chart.teeth() == (110,) and entry.at == 109
    start = undone(entry).entry
    assert start == started("dog", weight_kg=12.0)
    with pytest.raises(InputRefused, match="nothing to undo"):
        undone(start)


def test_the_whole_mouth_is_walked_once_in_its_order() -> None:
    for species, count in (("dog", 42), ("cat", 30)):
        entry = charted(*["n"] * count, species=species)
        assert len(entry.chart.teeth()) == count
        assert entry.at == started(species).at


def test_an_empty_line_records_nothing_and_depths_take_the_place_of_normal() -> None:
    assert charted("").chart == Chart() and charted("").at == 109
    corrected = charted("n", "110 323333").chart
    assert not corrected.within_normal(110) and depths(corrected, 110)[0] == 3
    assert charted("n", "110", "clear").chart.of(110) == ()


def test_after_scaling_is_kept_beside_before() -> None:
    chart = charted("323333", "after", "222222").chart
    before, after = (chart.row(110, "buccal", when) for when in ("before", "after"))
    assert before is not None and after is not None
    assert (before.probing_depth_mm, after.probing_depth_mm) == (2, 2)
    assert len(chart.of(110)) == 14


def test_charting_is_taken_up_where_it_was_left() -> None:
    chart = Chart((ChartRow(110, findings=("probed_within_normal",)),))
    assert started("dog", chart).at == 109


def test_what_was_kept_is_read_back() -> None:
    answer = entered(started("dog"), "309 3 2 3 3 5 3 f2b g1")
    for word in ("309", "depths 3 2 3, lingual 3 5 3", "furcation 2 buccal", "gingivitis 1", "308"):
        assert word in answer.echo


def test_a_full_dog_mouth_takes_250_keystrokes_or_fewer() -> None:
    bench = runpy.run_path(str(BENCH))
    for seed in range(20):
        result = bench["charting"]("dog", share=0.10, seed=seed)
        assert result.keystrokes <= 250
        assert result.teeth == 42 and result.invented == 0


_KEYS = (
    "n n1 323333 3-3* 3 12 - * r012 r2b e3ml g2 g9 p1 c0 m3 f2 f2b b bmb bb x xx u q worn res3 "
    "res3t1 cro 309 112 804 z < clear before after / // = ' extract done decide note agreed tooth "
    "three oh nine normal missing furcation buccal recession é , . 99999 -1 45 d45b"
)
_PIECES = st.sampled_from(_KEYS.split())


@settings(max_examples=150, deadline=None)
@given(st.lists(st.lists(_PIECES | st.text(max_size=3), max_size=6).map(" ".join), max_size=5))
def test_no_line_breaks_the_charting(lines: list[str]) -> None:
    entry = started("dog", weight_kg=8.0)
    for line in lines:
        before = entry
        try:
            entry = entered(entry, line).entry
        except InputRefused as refused:
            assert refused.faults and all(refused.faults)
            assert entry == before
    # Whatever was kept is a chart that can be written and read.
    for row in entry.chart:
        assert not row_faults(row, "dog")
    assert not chart_faults(entry.chart, "dog")
