"""A tooth that is out stays out, in whichever pass it is charted, and what contradicts it."""

from __future__ import annotations

import pytest

from perioview.chart import Chart, ChartRow
from perioview.chart_decision import courses
from perioview.chart_entry import entered, started
from perioview.closeout import gaps
from perioview.criteria import tooth_stages
from perioview.home_care import extracted_teeth, home_care_rules, operated_teeth
from perioview.measurement import Measurement
from perioview.staging import ToothStage
from perioview.visit import Visit


def charted(*lines: str) -> Chart:
    entry = started("dog")
    for line in lines:
        entry = entered(entry, line).entry
    return entry.chart


def test_done_after_a_decision_to_extract_takes_the_tooth_out():
    chart = charted("309 / extract", "309 // done")
    assert chart.status(309) == "extracted" and extracted_teeth(chart) == (309,)
    (course,) = courses(chart)
    assert course.extracted
    # Anything else that was done leaves it in.
    assert charted("309 / extract", "309 // flap instead").status(309) != "extracted"


@pytest.mark.parametrize("absent", ["x", "xx", "u"])
def test_a_note_after_scaling_brings_no_tooth_back(absent):
    chart = charted(f"310 {absent}", "after", "310 ' clot looks fine")
    assert chart.status(310) == {"x": "missing", "xx": "extracted", "u": "unerupted"}[absent]


def test_extracted_before_this_visit_is_asked_for():
    answer = entered(started("dog"), "409 xx")
    assert any("before this visit?" in q for q in answer.asked)


def test_what_was_done_and_noted_is_read_back():
    answer = entered(started("dog"), "310 // scaled ' bleeds easily")
    assert "done scaled" in answer.echo and "noted bleeds easily" in answer.echo


def test_crown_amputation_is_surgery_for_the_owner():
    chart = charted("307 / crown amputation", "307 // done")
    words = home_care_rules()["wound"]["surgery"]
    assert operated_teeth(chart, words) == (307,) and extracted_teeth(chart) == ()


def test_a_missing_tooth_that_was_measured_is_a_gap():
    chart = Chart((ChartRow(307, status="missing"),))
    film = ToothStage(307, "single", "mesial", Measurement(68.0, 2.0, "%"), "4", None, False, ())
    found = gaps(
        Visit({"id": "PV-1", "species": "dog"}),
        chart,
        assessments=tooth_stages(chart, (film,), {}, "dog"),
    )
    told = [g for g in found if g.kind == "absent_but_measured"]
    assert [g.tooth for g in told] == [307] and "measured on a film" in told[0].sentence


@pytest.mark.parametrize(
    ("line", "done"),
    [
        ("203 // not done", "not done"),
        ("203 // to be done next week", "to be done next week"),
        ("203 / extraction, done by phone", ""),
    ],
)
def test_text_behind_a_typed_key_stays_as_typed(line, done):
    chart = charted("203 / extraction", line)
    assert chart.row(203).done == done and chart.status(203) != "extracted"
    assert charted("206 // extraction done").row(206).done == "extraction done"


def test_a_slip_is_corrected_by_the_next_line():
    assert charted("209 // closed extraction", "209 // scaled").status(209) != "extracted"
    assert charted("209 // closed extraction", "209", "clear").teeth() == ()
    chart = charted("208 / extraction", "208 // done", "208 / monitor")
    assert chart.status(208) != "extracted" and chart.row(208).done == ""
    # What the pass after scaling says by itself stays.
    kept = charted("after", "208 xx", "before", "208 // scaled")
    assert kept.status(208) == "extracted"


def test_decided_before_scaling_and_done_after_it():
    chart = charted("208 / extraction", "after", "208 // done")
    assert chart.status(208) == "extracted"
    found = gaps(Visit({"id": "PV-1", "species": "dog"}), chart)
    assert not [g for g in found if g.kind == "decision_not_done" and g.tooth == 208]
    answer = entered(started("dog", chart), "208 ' healed")
    assert "extracted" in answer.echo
