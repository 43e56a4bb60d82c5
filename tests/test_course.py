"""The record's numbers over many visits: a rate with its interval, or that nothing can be said."""

from __future__ import annotations

from xml.etree import ElementTree

import numpy as np
import pytest

from perioview.measurement import Measurement
from perioview.progression import progression, rate_of_change
from perioview.record.course import course_table, site_courses
from perioview.record.since_last import SinceLast
from perioview.record.trend import trend_svg


def row(date, value, quantity="bone_loss_pct", sd=2.0, side="mesial", **more):
    unit = "mm" if quantity.endswith("_mm") else "%"
    root = None if quantity != "bone_loss_pct" else "mesial"
    held = {"tooth": 308, "root": root, "side": side if root else None, "unit": unit, "sd": sd}
    return {"date": date, "quantity": quantity, "value": value, "stage": None, **held, **more}


VISITS = ("2024-03-01", "2024-09-01", "2025-03-01", "2026-03-01")


def test_rate_of_a_site_is_the_slope_of_its_visits():
    rows = [row(d, v) for d, v in zip(VISITS, (20.0, 25.0, 30.0, 40.0), strict=True)]
    (course,) = site_courses(rows[::-1])
    days = np.array([(d - course.days[0]).days / 365.25 for d in course.days])
    slope = np.polyfit(days, (20.0, 25.0, 30.0, 40.0), 1)[0]
    assert course.rate.per_year.value == pytest.approx(slope)
    told = course.json_object()
    assert told["low"] > 0 and told["unit"] == "%/a" and told["visits"] == 4
    assert "Bone loss grew by" in told["sentence"] and "points a year" in told["sentence"]


def test_plain_sentence_when_nothing_can_be_said():
    one = list(course_table([row(VISITS[0], 20.0), row(VISITS[0], 30.0, side="distal")]))
    assert any("all 2 sites: nothing can be said yet, it takes two visits" in x for x in one)
    still = [row(d, v) for d, v in zip(VISITS[:2], (20.0, 21.0), strict=True)]
    gone = [row(d, v, side="distal") for d, v in zip(VISITS[:2], (20.0, 45.0), strict=True)]
    lines = list(course_table(still + gone))
    assert any("308 mesial distal" in x and "grew by" in x for x in lines)
    assert any(
        "the other 1 sites: nothing can be said yet, the change is within" in x for x in lines
    )


def test_plaque_before_cleaning_and_probing_without_an_sd_are_followed():
    plaque = [row(VISITS[0], v, "coverage_pct", 1.0) for v in (60.0, 2.0)]
    plaque += [row(VISITS[2], 20.0, "coverage_pct", 1.0)]
    probing = [
        row(d, v, "probing_depth_mm", None) for d, v in zip(VISITS, (2, 3, 4, 6), strict=True)
    ]
    found = {c.quantity: c for c in site_courses(plaque + probing)}
    # Cleaned on the same day: the 2 per cent after it are not where the next visit starts from.
    assert [v.value for v in found["coverage_pct"].values] == [60.0, 20.0]
    assert found["coverage_pct"].rate.sentence.startswith("Plaque fell by")
    assert found["probing_depth_mm"].rate.sentence.startswith("Probing depth grew by")
    assert "mm a year" in found["probing_depth_mm"].rate.sentence


def test_rate_of_a_change_is_that_of_two_visits_analytic():
    values = [Measurement(20.0, 3.0, "%"), Measurement(29.0, 4.0, "%")]
    (course,) = site_courses([row(VISITS[0], 20.0, sd=3.0), row(VISITS[2], 29.0, sd=4.0)])
    days = (course.days[1] - course.days[0]).days
    found, line = rate_of_change(Measurement(9.0, 5.0, "%"), days), progression(course.days, values)
    assert found.per_year.value == pytest.approx(line.per_year.value)
    assert (found.low, found.high) == pytest.approx((line.low, line.high))
    assert not rate_of_change(Measurement(9.0, 5.0, "%"), 0).per_year.known


def test_since_last_time_says_how_fast_and_of_what_nothing_can_be_said():
    def site(change, detectable, side):
        return {"tooth": 309, "root": "distal", "side": side, "change_pct": change,
                "change_pct_sd": 2.0, "detectable": detectable}  # fmt: skip

    sites = [site(12.0, True, "distal"), site(1.0, False, "mesial")]
    found = SinceLast("2026-03-05", {"sites": sites}, {}, (), days=189).rates()
    assert "Bone loss grew by 23.2 points a year" in found["309 distal distal"]
    assert found["1 other site"].startswith("Nothing can be said yet")


def test_trend_shows_probing_stage_and_what_can_be_said():
    rows = [row(d, v, stage=s) for d, v, s in zip(VISITS, (20, 25, 30, 40), "2233", strict=True)]
    rows += [row(d, v, "probing_depth_mm", None) for d, v in zip(VISITS, (2, 3, 4, 6), strict=True)]
    svg = trend_svg(rows)
    words = [t.text or "" for t in ElementTree.fromstring(svg).iter() if t.tag.endswith("text")]
    assert any(w.startswith("stage 2, 2, 3, 3; +") and "points a year" in w for w in words)
    assert "308: probing, deepest, mm" in words and "12" in words
