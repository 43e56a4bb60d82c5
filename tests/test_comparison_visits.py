"""What two visits share beside radiographs: gum line on photographs, home care in between."""

from __future__ import annotations

import datetime as dt
import json
import shutil
from pathlib import Path

import cv2
import numpy as np
import pytest

from perioview.alignment import Alignment
from perioview.cli import main
from perioview.comparison_gum import gum_line_changes
from perioview.errors import InputRefused
from perioview.home_history import home_history
from perioview.visit import Visit

STILL = Alignment(np.eye(3), 0.5, 100)


def crown(top: int, tooth: int = 104) -> np.ndarray:
    """A crown of 200 px from row 60 to 260, its gum above; `top` is where the gum ends."""
    grid = np.zeros((320, 240), np.uint16)
    cv2.ellipse(grid, (120, 160), (70, 100), 0, 0, 360, tooth, -1)
    grid[:top] = 0
    return grid


@pytest.mark.parametrize(
    ("side", "turns"), [("up", 0), ("left", 1), ("down", 2), ("right", 3), (None, 0)]
)
def test_gum_that_drew_back_is_told_in_per_cent_of_the_crown_analytic(side, turns):
    earlier, later = (np.rot90(crown(top), turns).copy() for top in (110, 94))
    found = gum_line_changes(earlier, later, STILL, side)
    # 16 of the 150 rows that showed before.
    assert found[104].value == pytest.approx(100 * 16 / 150, abs=0.8)
    assert 0 < found[104].sd < 3
    back = gum_line_changes(later, earlier, STILL, side)
    assert back[104].value < 0


def test_gum_line_follows_the_alignment():
    shift = Alignment(np.array([[1.0, 0, 30], [0, 1, -20], [0, 0, 1]]), 0.5, 100)
    moved = np.roll(crown(110), (-30, 20), axis=(0, 1))
    found = gum_line_changes(crown(110), moved, shift, "up")
    assert found[104].value == pytest.approx(0, abs=0.7)


def test_gum_line_cut_by_the_photo_or_missing_is_not_told():
    cut = crown(110)
    cut = np.pad(cut[110:], ((0, 110), (0, 0)))
    assert not gum_line_changes(cut, cut, STILL, "up")[104].known
    assert gum_line_changes(crown(110), crown(110, 105), STILL, "up") == {}


def visits(**home):
    earlier = Visit({"id": "PV-1"}, visit={"date": dt.date(2026, 3, 5)})
    later = Visit(
        {"id": "PV-1"},
        visit={"date": dt.date(2026, 4, 2)},
        other={"home_care": home} if home else {},
    )
    return earlier, later


def test_barrier_weeks_are_counted_once_each_analytic():
    days = [dt.date(2026, 3, d) for d in (6, 7, 13, 27)]
    found = home_history(*visits(barrier_days=days, brushing_days_per_week=5))
    # Days 1 and 2 fall into one week; 8 and 22 into two more; 28 days are four weeks.
    assert (found.barrier_weeks, found.weeks) == (3, 4)
    assert "in 3 of 4 weeks" in " ".join(found.sentences)


def test_the_day_of_the_later_visit_begins_no_week_analytic():
    # Every 7th day up to the later visit itself: days 0, 7, 14, 21 and 28 of four weeks.
    days = [dt.date(2026, 3, 5) + dt.timedelta(days=d) for d in (0, 7, 14, 21, 28)]
    found = home_history(*visits(barrier_days=days))
    assert (found.barrier_weeks, found.weeks) == (4, 4)


def test_weeks_of_visits_in_the_wrong_order_are_not_told():
    later, earlier = visits()
    later = Visit(later.patient, visit=later.visit, other={"home_care": {"account": "well"}})
    found = home_history(earlier, later)
    assert found.weeks is None and "of" not in found.sentences[1]


def test_what_was_not_asked_is_not_taken_for_no():
    assert home_history(*visits()) is None
    said = " ".join(home_history(*visits(account="eats well")).sentences)
    assert "Brushing: not noted" in said and "barrier: not noted" in said and "eats well" in said


@pytest.mark.parametrize(
    ("entry", "word"),
    [
        ({"brushing_days_per_week": 9}, "0 to 7"),
        ({"brushing_days_per_week": "daily"}, "daily"),
        ({"barrier_days": "weekly"}, "list of dates"),
        ({"barrier_days": [dt.date(2026, 1, 1)]}, "2026-01-01"),
    ],
)
def test_home_care_that_cannot_be_is_refused(entry, word):
    with pytest.raises(InputRefused, match=word):
        home_history(*visits(**entry))


def test_home_care_stands_beside_plaque_of_two_visits(tmp_path, capsys):
    """The sample patient's photographs before cleaning, as if taken again at a recheck."""
    sample = Path(__file__).parents[1] / "sample_images" / "toy-dog-cleaning"
    for name, date in (("one", "2026-03-05"), ("two", "2026-04-02")):
        folder = tmp_path / name
        for part in ("images", "regions"):
            (folder / part).mkdir(parents=True)
        shutil.copy(sample / "images" / "left-lower-before.jpg", folder / "images")
        shutil.copy(sample / "regions" / "left-lower-before.jpg.png", folder / "regions")
        home = '[home_care]\nbrushing_days_per_week = 3\naccount = "gums bleed less"\n'
        (folder / "visit.toml").write_text(
            '[patient]\nid = "PV-0101"\nspecies = "dog"\n'
            f"[visit]\ndate = {date}\n{home if name == 'two' else ''}"
            '[[photos]]\nfile = "images/left-lower-before.jpg"\nwhen = "before"\n'
            'dye = "one-tone"\ngum = "down"\n'
        )
    given = ["compare", str(tmp_path / "one"), str(tmp_path / "two"), "--json", "-"]
    assert main(given) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["home_care"]["brushing_days_per_week"] == 3
    assert found["home_care"]["barrier_weeks"] is None
    for tooth in found["teeth"]:
        # The same photograph twice.
        assert tooth["gum_line_pct"] == pytest.approx(0, abs=1.0)
        assert tooth["gum_line_detectable"] is False
        assert tooth["removed_pct"] == pytest.approx(0, abs=1.0)
