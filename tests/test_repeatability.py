"""Repeatability against published worked examples, pingouin, analytic cases and simulation."""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path

import numpy as np
import pytest

from perioview.cli import main
from perioview.marks import Mark, Marks
from perioview.repeatability import (
    dahlberg,
    icc,
    landmark_sds,
    limits_of_agreement,
    repeatability,
    smallest_detectable_change,
    within_sd,
)

REFERENCE = Path(__file__).parent / "reference"


def table(name: str) -> dict[str, np.ndarray]:
    lines = [x for x in (REFERENCE / name).read_text().splitlines() if not x.startswith("#")]
    rows = list(csv.DictReader(lines))
    return {k: np.array([float(r[k]) for r in rows]) for k in rows[0]}


def judges() -> np.ndarray:
    columns = table("icc_shrout_fleiss_1979.csv")
    return np.column_stack([columns[f"judge_{k}"] for k in (1, 2, 3, 4)])


def test_icc_shrout_fleiss1979():
    found = icc(judges())
    assert round(found.value, 2) == 0.29
    assert (round(found.low, 2), round(found.high, 2)) == (0.02, 0.76)


@pytest.mark.parametrize("seed", range(4))
def test_icc_against_pingouin(seed):
    pandas = pytest.importorskip("pandas")
    pingouin = pytest.importorskip("pingouin")
    rng = np.random.default_rng(seed)
    n, k = int(rng.integers(6, 25)), int(rng.integers(2, 5))
    values = rng.normal(30, 12, (n, 1)) + rng.normal(0, 3, (n, k)) + rng.normal(0, 1.5, (1, k))
    long = pandas.DataFrame(
        [{"site": i, "repeat": j, "loss": values[i, j]} for i in range(n) for j in range(k)]
    )
    with np.errstate(all="ignore"):
        theirs = pingouin.intraclass_corr(long, "site", "repeat", "loss")
    row = theirs.iloc[[str(t) in ("ICC2", "ICC(A,1)") for t in theirs["Type"]].index(True)]
    low, high = row[next(c for c in theirs.columns if c.startswith("CI95"))]
    found = icc(values)
    assert found.value == pytest.approx(row["ICC"], abs=1e-9)
    # Their interval is rounded to two decimals.
    assert (found.low, found.high) == pytest.approx((low, high), abs=0.006)


def test_limits_bland_altman1986():
    data = table("bland_altman_1986.csv")
    found = limits_of_agreement(data["mini_1"], data["wright_1"])
    assert round(found.bias, 1) == -2.1
    assert round((found.high - found.low) / (2 * 1.96), 1) == 38.8


def test_coefficient_of_repeatability_bland_altman1986():
    data = table("bland_altman_1986.csv")
    apart = data["wright_1"] - data["wright_2"]
    # They divide the squares by n, take the bias as nought, and double: 2 sqrt(sum d2 / n).
    twice = 2 * math.sqrt(2) * within_sd(np.column_stack([data["wright_1"], data["wright_2"]]))
    assert twice == pytest.approx(2 * math.sqrt((apart**2).mean()))
    # Published as twice the rounded SD of 21.6 l/min.
    assert round(twice / 2, 1) == 21.6


def test_dahlberg_of_pairs_is_their_within_sd_analytic():
    rng = np.random.default_rng(1)
    first = rng.normal(size=30)
    second = first + rng.normal(0, 0.3, 30)
    assert dahlberg(first, second) == pytest.approx(within_sd(np.column_stack([first, second])))


def test_smallest_detectable_change_analytic():
    # Least significant change 2.77 SD: facts 4e, and Bland and Altman 1996, BMJ 313:744.
    assert smallest_detectable_change(1.0) == pytest.approx(2.77, abs=0.003)


def test_repeats_exceed_the_smallest_detectable_change_one_time_in_twenty():
    rng = np.random.default_rng(5)
    first, second = rng.normal(0, 2.0, (2, 200_000))
    limit = smallest_detectable_change(within_sd(np.column_stack([first, second])[:5000]))
    assert np.mean(np.abs(first - second) > limit) == pytest.approx(0.05, abs=0.004)


def marked(points: np.ndarray, landmark: str = "crest") -> Marks:
    teeth = (307, 308, 309, 408, 409)
    sides = ("mesial", "distal")
    return Marks(
        tuple(
            Mark(
                landmark,
                float(r),
                float(c),
                teeth[i // 4 % 5],
                ("mesial", "distal")[i // 2 % 2],
                sides[i % 2],
            )
            for i, (r, c) in enumerate(points)
        )
    )


def test_landmark_sd_recovers_the_scatter_per_axis_in_mm():
    rng = np.random.default_rng(8)
    truth = rng.uniform(100, 800, (20, 2))
    # 0.15 mm along either axis on pixels of 0.06 x 0.03 mm.
    repeats = [marked(truth + rng.normal(0, 0.15, (20, 2)) / (0.06, 0.03)) for _ in range(40)]
    (found,) = landmark_sds(repeats, (0.06, 0.03), scaled=True)
    assert (found.landmark, found.n) == ("crest", 20)
    assert found.sd_mm == pytest.approx(0.15, rel=0.04)
    assert found.sd_px == pytest.approx(found.sd_mm / 0.03)
    assert found.low_px < 5.0 < found.high_px


def test_landmark_sd_interval_covers_its_truth():
    rng = np.random.default_rng(3)
    held = 0
    for _ in range(400):
        repeats = [marked(500 + rng.normal(0, 2.0, (6, 2))) for _ in range(2)]
        (found,) = landmark_sds(repeats, (1.0, 1.0), scaled=False)
        held += found.low_px < 2.0 < found.high_px
        assert math.isnan(found.sd_mm)
    assert held / 400 == pytest.approx(0.95, abs=0.035)


def test_missing_sites_are_left_out_not_counted_as_nought():
    found = repeatability([{"a": 10.0, "b": 20.0, "c": 5.0}, {"a": 12.0, "b": 20.0}])
    assert found.n == 2
    assert found.dahlberg == pytest.approx(math.sqrt(4 / 4))
    assert found.limits.bias == pytest.approx(1.0)


def test_agreement_without_scatter_is_not_divided_by_zero():
    assert math.isnan(icc([[3.0, 3.0], [3.0, 3.0]]).value)
    assert icc([[3.0, 3.0], [5.0, 5.0], [9.0, 9.0]]).value == pytest.approx(1.0)
    assert repeatability([{}, {}]).n == 0


def write(path: Path, shift: float) -> Path:
    rows = ["tooth,root,side,landmark,row,col,mm"]
    for k, number in enumerate((307, 308)):
        for root, at in (("mesial", 100), ("distal", 200)):
            col = at + 300 * k
            rows += [
                f"{number},{root},mesial,cej,{100 + shift},{col},",
                f"{number},{root},distal,cej,{100 - shift},{col + 60},",
                f"{number},{root},mesial,crest,{130 + shift * (k + 1)},{col},",
                f"{number},{root},distal,crest,{140 - shift},{col + 60},",
                f"{number},{root},,apex,{400 + shift},{col + 30},",
            ]
    path.write_text("\n".join(rows) + "\n")
    return path


def test_verb_writes_the_agreed_keys_and_a_profile_that_measure_takes(tmp_path, capsys):
    paths = [write(tmp_path / f"{k}.csv", s) for k, s in enumerate((0.0, 2.0, -1.5))]
    names = [str(p) for p in paths]
    profile = tmp_path / "me.json"
    given = ["repeatability", *names, "--mm-per-px", "0.02", "--out", str(profile), "--json", "-"]
    assert main(given) == 0
    found = json.loads(capsys.readouterr().out)
    assert found == json.loads(profile.read_text())
    assert {"landmark", "n", "sd_mm", "sd_px"} <= set(found["landmarks"][0])
    assert [x["landmark"] for x in found["landmarks"]] == ["cej", "crest", "apex"]
    assert {
        "n",
        "dahlberg",
        "within_sd",
        "smallest_detectable_change",
        "icc",
        "icc_low",
        "icc_high",
        "bias",
        "limits_low",
        "limits_high",
    } <= set(found["bone_loss_pct"])
    assert found["bone_loss_pct"]["n"] == 8
    from perioview.observer import mark_sd

    assert mark_sd(str(profile), True).crest == found["landmarks"][1]["sd_mm"]
    assert mark_sd(str(profile), False).apex == found["landmarks"][2]["sd_px"]


@pytest.mark.parametrize("count", [1, 2])
def test_verb_refuses_one_marking_or_the_same_twice(tmp_path, capsys, count):
    path = write(tmp_path / "a.csv", 0.0)
    assert main(["repeatability", *[str(path)] * count]) == 2
    assert str(path) in capsys.readouterr().err


def test_copied_markings_are_said_since_their_error_bars_would_be_nought(tmp_path, capsys):
    first, copy = write(tmp_path / "1.csv", 0.0), write(tmp_path / "2.csv", 0.0)
    given = ["repeatability", str(first), str(copy)]
    assert main([*given, "--json", "-"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert [x["sd_px"] for x in found["landmarks"]] == [0, 0, 0]
    (said,) = found["warnings"]
    assert "cej, crest, apex" in said and "copied" in said
    assert main(given) == 0 and "caution: cej" in capsys.readouterr().out
    write(copy, 2.0)
    assert main([*given, "--json", "-"]) == 0
    assert json.loads(capsys.readouterr().out)["warnings"] == []
