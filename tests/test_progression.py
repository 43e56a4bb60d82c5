"""Change between visits: analytic cases, simulation of re-marking, numpy's own line fit."""

from __future__ import annotations

import datetime as dt
import math

import numpy as np
import pytest

from perioview.alignment import Alignment
from perioview.bone_loss import MarkSd, sites
from perioview.calibration import Calibration
from perioview.marks import Mark, Marks
from perioview.measurement import Measurement, missing
from perioview.progression import (
    carried_marks,
    change,
    detectable,
    progression,
    rate_of_change,
    site_changes,
)
from perioview.progression_carried import MarkedVisit, carried_keys, with_carried

SCALE = Calibration(0.02, 0.02, 0.0, "given")
PX = 1 / 0.02


def marks(loss_mm: float = 3.0, root_mm: float = 14.0, noise=None) -> Marks:
    """One root of a lower carnassial, straight up and down; lengths in mm."""
    spots = [
        ("cej", "mesial", 0.0, 0.0),
        ("cej", "distal", 0.0, 6.0),
        ("crest", "mesial", loss_mm, 0.2),
        ("crest", "distal", 2.0, 5.8),
        ("apex", None, root_mm, 3.0),
    ]
    jitter = np.zeros((5, 2)) if noise is None else noise
    return Marks(
        tuple(
            Mark(kind, 200 + (down + dy) * PX, 300 + (right + dx) * PX, 309, "mesial", side)
            for (kind, side, down, right), (dy, dx) in zip(spots, jitter, strict=True)
        )
    )


def test_change_is_later_minus_earlier_with_both_errors_analytic():
    found = change(Measurement(20.0, 3.0, "%"), Measurement(26.0, 4.0, "%"))
    assert (found.value, found.sd) == (6.0, 5.0)


@pytest.mark.parametrize(("value", "answer"), [(1.96, False), (1.9601, True), (-1.97, True)])
def test_detectable_is_beyond_1_96_sd_analytic(value, answer):
    assert detectable(Measurement(value, 1.0, "%")) is answer


def test_what_is_missing_at_one_visit_is_not_compared():
    found = change(missing("%", "no_apex"), Measurement(26.0, 4.0, "%"))
    assert not found.known and found.flags == ("no_apex",)
    assert detectable(found) is None


def test_change_covers_the_truth_in_2000_re_markings():
    rng = np.random.default_rng(11)
    sd, times, held, alarms = 0.127, 2000, 0, 0
    ratio = MarkSd(sd, sd, sd, sd, sd)
    truth = 100 * (3.6 - 3.0) / 14.0
    for _ in range(times):
        visits = [
            sites(marks(loss, noise=rng.normal(0, sd, (5, 2))), SCALE, ratio) for loss in (3.0, 3.6)
        ]
        mesial, distal = site_changes(*visits)
        held += abs(mesial.pct.value - truth) < 1.96 * mesial.pct.sd
        alarms += bool(distal.detectable)
    # The distal crest did not move: what is called detectable there is a false alarm.
    assert 0.93 <= held / times <= 0.97
    assert 0.03 <= alarms / times <= 0.07


def test_sites_of_one_visit_only_are_left_out():
    one = sites(marks(), SCALE)
    other = sites(
        Marks(tuple(Mark(m.landmark, m.row, m.col, 308, m.root, m.side) for m in marks())), SCALE
    )
    assert site_changes(one, other) == ()


def test_a_root_that_changed_its_length_says_millimetres_cannot_be_compared():
    tight = MarkSd(0.05, 0.05, 0.05, 0.05, 0.05)
    found = site_changes(sites(marks(), SCALE, tight), sites(marks(root_mm=16.0), SCALE, tight))
    assert found[0].flags == ("geometry_differs",)
    assert not found[0].mm.known and found[0].pct.known


def test_marks_carried_over_land_where_the_map_says_analytic():
    turn = np.array([[0.0, -1.0, 500.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    ruler = Mark("ruler", 10, 10, mm=0.0)
    given = Marks(
        (Mark("apex", 100.0, 40.0, 309, "mesial"), Mark("apex", 100.0, 900.0, 309, "distal"), ruler)
    )
    kept, lost = carried_marks(given, Alignment(turn, 0.1, 50), (600, 600))
    # The later point (40, 400) goes to the earlier (500 - 400, 40).
    assert [(m.row, m.col, m.root) for m in kept] == [(40.0, 400.0, "mesial")]
    assert [m.root for m in lost] == ["distal"]


def days(*at: int) -> list[dt.date]:
    return [dt.date(2024, 1, 1) + dt.timedelta(days=d) for d in at]


def test_progression_agrees_with_numpy_polyfit():
    at = (0, 200, 380, 900)
    level = [10.0, 11.8, 13.1, 17.4]
    sd = [1.0, 2.0, 1.5, 1.0]
    found = progression(days(*at), [Measurement(v, s, "%") for v, s in zip(level, sd, strict=True)])
    line, cov = np.polyfit(np.array(at) / 365.25, level, 1, w=1 / np.array(sd), cov="unscaled")
    assert found.per_year.value == pytest.approx(line[0])
    assert found.per_year.sd == pytest.approx(math.sqrt(cov[0, 0]))
    assert found.low > 0 and found.sentence.startswith("Bone loss grew")


def test_progression_interval_covers_the_truth():
    rng = np.random.default_rng(2)
    held = 0
    for _ in range(1000):
        values = [
            Measurement(20 + 2 * d / 365.25 + rng.normal(0, 3), 3.0, "%")
            for d in (0, 365, 800, 1200)
        ]
        found = progression(days(0, 365, 800, 1200), values)
        held += found.low < 2.0 < found.high
    # Wider, never narrower, when the visits scatter more than their SDs say.
    assert held / 1000 > 0.935


def test_one_visit_says_nothing_yet():
    found = progression(days(0, 0), [Measurement(20, 3, "%"), Measurement(24, 3, "%")])
    assert not found.per_year.known and found.sentence.startswith("Nothing can be said yet")
    level = progression(days(0, 300), [Measurement(20, 3, "%"), Measurement(24, 3, "%")])
    assert level.low < 0 < level.high and "Nothing can be said yet" in level.sentence


def two_visits(rng, sd_mm, anew):
    """Marks of two visits of one root, in px of 0.02 mm; those not in `anew` are carried over."""
    spots = {
        "cej mesial": (300.0, 300.0), "cej distal": (300.0, 600.0), "apex": (1000.0, 450.0),
        "crest": (450.0, 300.0),
    }  # fmt: skip
    kinds = {
        "cej mesial": ("cej", "mesial"),
        "cej distal": ("cej", "distal"),
        "apex": ("apex", None),
    }
    kinds["crest"] = ("crest", "mesial")
    found = []
    for _ in range(2):
        placed = {}
        for name, at in spots.items():
            row, col = np.array(at) + rng.normal(0, sd_mm / 0.02, 2)
            if found and name not in anew:
                row, col = found[0][name]
            elif found and name == "crest":
                row += 20.0
            placed[name] = (row, col)
        found.append(placed)
    return tuple(
        Marks(
            tuple(
                Mark(
                    kinds[n][0],
                    *at,
                    304,
                    "single",
                    kinds[n][1],
                    None,
                    "accepted" if p is found[1] and n not in anew else "placed",
                )
                for n, at in p.items()
            )
        )
        for p in found
    )


@pytest.mark.parametrize("anew", [("crest",), ("crest", "apex"), ("cej mesial", "crest")])
def test_change_with_carried_marks_states_the_spread_it_has(anew):
    """JCGM 100:2008 (GUM) eq. 13: errors that two results share cancel in their difference."""
    rng, sd = np.random.default_rng(11), 0.15
    scale, own = Calibration(0.02, 0.02, 0.0, "given"), MarkSd(sd, sd, sd, sd, sd)
    values, stated, alone = [], [], []
    for k in range(300):
        first, second = two_visits(rng, sd, anew)
        sides = [sites(m, scale, own) for m in (first, second)]
        (change,) = [c for c in site_changes(*sides) if c.pct.known]
        values.append((change.pct.value, change.mm.value))
        if k < 12:
            visits = (MarkedVisit(m, scale, own) for m in (first, second))
            (joint,) = with_carried([change], *visits, Alignment(np.eye(3), 0.0, 9))
            assert "marks_carried" in joint.flags
            stated.append((joint.pct.sd, joint.mm.sd))
            alone.append(change.pct.sd)
    # Millimetres are withheld where the root's length seems to differ.
    spread = np.nanstd(values, axis=0)
    assert np.nanmean(stated, axis=0) == pytest.approx(spread, rel=0.1)
    if anew == ("crest",):
        assert np.mean(alone) > 1.15 * spread[0]


def test_marks_made_anew_are_not_taken_for_carried_and_alignment_counts():
    rng = np.random.default_rng(3)
    scale, own = Calibration(0.02, 0.02, 0.0, "given"), MarkSd(*[0.15] * 5)
    everything = ("cej mesial", "cej distal", "apex", "crest")
    first, second = two_visits(rng, 0.15, everything)
    still = Alignment(np.eye(3), 0.0, 9)
    assert not carried_keys(first, second, still)
    changes = site_changes(sites(first, scale, own), sites(second, scale, own))
    assert with_carried(changes, *(MarkedVisit(m, scale, own) for m in (first, second)), still) == (
        changes
    )
    # Placed by hand on the very spot: no one but a phantom does that, and it is a mark of its own.
    assert not carried_keys(first, first, still)
    first, second = two_visits(rng, 0.15, ("crest",))
    visits = [MarkedVisit(m, scale, own) for m in (first, second)]
    changes = site_changes(sites(first, scale, own), sites(second, scale, own))
    sure, unsure = (
        next(c for c in with_carried(changes, *visits, Alignment(np.eye(3), rms, 9)) if c.pct.known)
        for rms in (0.0, 10.0)
    )
    assert unsure.pct.sd > 1.1 * sure.pct.sd


def test_scatter_that_three_visits_sd_cannot_explain_is_no_growth():
    """10, 40 and 24 ± 2 %: no straight line, so no 'grew by 7 points a year'."""
    values = [Measurement(v, 2.0, "%") for v in (10.0, 40.0, 24.0)]
    found = progression(days(0, 365, 731), values)
    assert found.low < 0 < found.high and "Nothing can be said yet" in found.sentence


def test_three_visits_on_a_line_keep_their_interval_and_cover_the_truth():
    rng = np.random.default_rng(5)
    held, at = 0, (0, 400, 900)
    for _ in range(2000):
        values = [Measurement(20 + 2 * d / 365.25 + rng.normal(0, 3), 3.0, "%") for d in at]
        found = progression(days(*at), values)
        held += found.low < 2.0 < found.high
    assert 0.94 < held / 2000 < 0.98


def test_visits_without_error_bars_are_not_called_too_few_visits():
    found = progression(days(0, 300), [Measurement(v, 0.0, "%") for v in (20.0, 30.0)])
    assert not found.per_year.known and "error" in found.sentence
    assert "two visits on different days" not in found.sentence


def without(of: Marks, landmark: str, side: str) -> Marks:
    return Marks(tuple(m for m in of if (m.landmark, m.side) != (landmark, side)))


def test_another_reference_or_bone_level_is_not_passed_off_as_change():
    whole = marks()
    base = Mark("defect_base", 200 + 5 * PX, 300, 309, "mesial", "mesial")
    deep = site_changes(sites(whole, SCALE), sites(whole.with_mark(base), SCALE))
    assert deep[0].detectable and deep[0].flags == ("bone_level_differs",)
    other = Mark("cej", 200, 300 + 9 * PX, 309, "distal", "distal")
    line = sites(without(whole, "cej", "distal").with_mark(other), SCALE)
    found = site_changes(sites(whole, SCALE), line)
    assert "reference_differs" in found[1].flags
    assert all(not c.flags for c in site_changes(sites(whole, SCALE), sites(whole, SCALE)))


def test_without_a_scale_a_finer_image_has_no_other_root_analytic():
    bare = Calibration(None, None, None, "none")
    fine = Marks(
        tuple(Mark(m.landmark, 2 * m.row, 2 * m.col, m.tooth, m.root, m.side) for m in marks())
    )
    one, other = sites(marks(), bare), sites(fine, bare)
    assert site_changes(one, other)[0].flags == ("geometry_differs",)
    assert all(c.flags == () for c in site_changes(one, other, px_ratio=0.5))


def test_a_few_days_are_not_told_as_a_years_rate():
    """15 points in 10 days would be 548 points a year, of 100 there are."""
    soon = rate_of_change(Measurement(15.0, 5.0, "%"), 10)
    assert "grew by 15.0 points in 10 days (95 % interval +5.2 to +24.8" in soon.sentence
    assert soon.per_year.value == pytest.approx(15 * 365.25 / 10)
    year = rate_of_change(Measurement(15.0, 5.0, "%"), 365)
    assert "grew by 15.0 points a year" in year.sentence and "over 365 days" in year.sentence
