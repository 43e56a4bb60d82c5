"""Decision and deed: from decision over the owner's word to the film that proves it."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest

from perioview.chart import Chart, ChartRow
from perioview.chart_decision import courses, with_agreement, with_decision, with_deed
from perioview.chart_entry import entered, started
from perioview.chart_rules import mobility_index
from perioview.closeout import gaps
from perioview.errors import InputRefused
from perioview.files.chart_table import read_chart, write_chart
from perioview.visit import Visit

AT = dt.datetime(2026, 3, 5, 12, 30)


def kinds(chart: Chart, *films: str) -> list[str]:
    visit = Visit(
        {"id": "PV-1", "species": "dog"},
        visit={"asleep": False},
        images=tuple({"file": f"images/{f}", "teeth": [309]} for f in films),
    )
    return [g.kind for g in gaps(visit, chart)]


def test_a_tooth_is_followed_from_finding_to_proof(tmp_path: Path) -> None:
    chart = Chart((ChartRow(309, status="present", furcation=3),))
    assert kinds(chart) == ["finding_without_decision"]
    chart = with_decision(chart, 309, "extract")
    assert kinds(chart) == ["decision_not_done"]
    chart = with_agreement(chart, 309, "M. Example", AT, "by phone")
    chart = with_deed(chart, 309, "extracted, two roots", AT)
    assert kinds(chart, "proof.dcm") == ["extraction_without_film"]
    chart = with_deed(chart, 309, "extracted, two roots", AT, "images/proof.dcm")
    assert kinds(chart, "proof.dcm") == []
    write_chart(tmp_path / "chart.csv", chart)
    course = courses(read_chart(tmp_path / "chart.csv", "dog"))[0]
    assert course.agreed == "M. Example, by phone, 2026-03-05T12:30"
    assert course.extracted and course.film_after == "images/proof.dcm"


def test_once_agreement_is_kept_every_extraction_needs_it() -> None:
    chart = with_agreement(with_decision(Chart(), 309, "extract"), 309, "M. Example", AT)
    chart = with_decision(chart, 308, "extract")
    assert kinds(chart).count("decision_not_agreed") == 1


def test_changing_the_decision_takes_the_deed_back() -> None:
    chart = with_deed(with_decision(Chart(), 309, "root planing"), 309, "planed", AT)
    assert kinds(chart) == []
    assert kinds(with_decision(chart, 309, "extract")) == ["decision_not_done"]


def test_a_deed_other_than_extraction_does_not_take_the_tooth_out() -> None:
    chart = with_deed(with_decision(Chart(), 309, "extract"), 309, "flap instead", AT)
    assert chart.status(309) != "extracted"


@pytest.mark.parametrize("by", ["", "  "])
def test_nobody_cannot_agree_and_nothing_cannot_be_agreed_to(by: str) -> None:
    with pytest.raises(InputRefused, match="nobody is named"):
        with_agreement(with_decision(Chart(), 309, "extract"), 309, by, AT)
    with pytest.raises(InputRefused, match="nothing is decided"):
        with_agreement(Chart(), 309, "M. Example", AT)
    with pytest.raises(InputRefused, match="nothing is decided"):
        with_deed(Chart(), 309, "extracted", AT)


def test_agreement_is_entered_in_the_line() -> None:
    for line in (
        "309 f3 / extract = M. Example by phone 12:30 // out",
        "309 f3 decide extract agreed M. Example by phone 12:30 done",
    ):
        course = courses(entered(started("dog"), line).entry.chart)[0]
        assert (course.decision, course.agreed) == ("extract", "M. Example by phone 12:30")
        assert course.done


def test_missing_tooth_asks_for_its_film_and_resorption_for_its_type() -> None:
    assert "film" in entered(started("dog"), "x").asked[0]
    asked = " ".join(entered(started("dog"), "res3").asked)
    assert "type" in asked and "unsafe" in asked


@pytest.mark.parametrize(
    ("mm", "axial", "grade"),
    # Facts 9, row 6: the AVDC limits, literal.
    [
        (0.2, False, 0),
        (0.21, False, 1),
        (0.5, False, 1),
        (0.51, False, 2),
        (1.0, False, 2),
        (1.01, False, 3),
        (0.1, True, 3),
    ],
)
def test_mobility_grade_avdc(mm: float, axial: bool, grade: int) -> None:
    assert mobility_index(mm, axial=axial) == grade


def test_mobility_of_no_distance_is_refused() -> None:
    for wrong in (-0.1, float("nan")):
        with pytest.raises(InputRefused, match="distance"):
            mobility_index(wrong)
