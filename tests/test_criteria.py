"""Stage of a tooth from every criterion, against the AVDC text row by row."""

from __future__ import annotations

import csv
import itertools
from pathlib import Path

import pytest

from perioview.chart import Chart, ChartRow
from perioview.criteria import NOT_ENOUGH, ToothAssessment, mouth_summary, tooth_stages
from perioview.measurement import Measurement
from perioview.staging import ToothStage

REFERENCE = Path(__file__).parent / "reference"
BAND_OF = {"none": "0-1", "less than 25": "2", "25-50": "3", "more than 50": "4"}
# CAL in mm on a root of 20 mm that falls into each band of the published text.
LOSS_MM = {"none": 0.0, "less than 25": 4.0, "25-50": 5.0, "more than 50": 11.0}


def published() -> list[dict[str, str]]:
    lines = (REFERENCE / "avdc_stages.csv").read_text("utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def stage_by_the_text(
    film: str | None, probing: str | None, furcation: int | None, gum: int | None
) -> str | None:
    """First row, worst first, of which any condition holds; None where AL was not measured.

    Furcation 3 is stage 4 whatever the attachment; below that an unmeasured attachment could
    still be worse. Without gingivitis 0 and 1 are one ("PD0 vs PD1 is a clinical call").
    """
    measured = {film, probing} - {None}
    for row in published()[:3]:
        by_loss = row["attachment_loss"] in measured
        by_furcation = furcation is not None and str(furcation) == row["furcation"]
        if by_loss or by_furcation:
            return row["stage"] if measured or row["stage"] == "4" else None
    if not measured:
        return None
    if gum is None:
        return "0-1"
    return next(r["stage"] for r in published()[3:] if str(gum) in r["gingivitis"].split())


def film_stage(band: str) -> ToothStage:
    pct = {"0-1": 5.0, "2": 20.0, "3": 25.0, "4": 60.0}[band]
    mass = {b: float(b == band) for b in ("0-1", "2", "3", "4")}
    return ToothStage(309, "mesial", "mesial", Measurement(pct, 0.0, "%"), band, mass, False, ())


def assess(
    rows: list[ChartRow],
    films: list[ToothStage] | None = None,
    length: float | None = 20.0,
    species: str = "dog",
    weight_kg: float | None = 12.0,
) -> ToothAssessment:
    lengths = {rows[0].tooth if rows else 309: length} if length else {}
    return tooth_stages(Chart(tuple(rows)), films or [], lengths, species, weight_kg)[0]


def test_every_combination_of_criteria_has_the_stage_of_the_text_avdc() -> None:
    grades = (None, 0, 1, 2, 3)
    bands = (None, *BAND_OF)
    checked = 0
    for film, probing, furcation, gum in itertools.product(bands, bands, grades, grades):
        rows = [ChartRow(309, furcation=furcation, gingivitis_index=gum)]
        if probing is not None:
            loss = LOSS_MM[probing]
            rows.append(ChartRow(309, "buccal", probing_depth_mm=loss, margin_mm=0.0))
        films = [] if film is None else [film_stage(BAND_OF[film])]
        got = assess(rows, films)
        want = stage_by_the_text(film, probing, furcation, gum)
        assert got.stage == want, (film, probing, furcation, gum, got.sentence)
        if got.stage is None:
            assert got.missing and NOT_ENOUGH in got.sentence
        else:
            assert got.decided_by
        checked += 1
    assert checked == 625


@pytest.mark.parametrize(
    ("loss_mm", "stage"),
    [(24.9, "2"), (25.0, "3"), (50.0, "3"), (50.1, "4")],
)
def test_limits_are_literal_avdc(loss_mm: float, stage: str) -> None:
    # A root of 100 units makes mm and percent the same number (facts.md 9, row 2).
    row = ChartRow(309, "buccal", probing_depth_mm=loss_mm - 24, margin_mm=24.0)
    assert assess([ChartRow(309), row], length=100.0).stage == stage


def test_the_worst_criterion_is_named_and_the_difference_told() -> None:
    rows = [
        ChartRow(309, gingivitis_index=1),
        ChartRow(309, "mesiobuccal", probing_depth_mm=8.0, margin_mm=3.0),
    ]
    got = assess(rows, [film_stage("2")])
    assert got.stage == "4"
    assert got.decided_by == ("clinical_attachment",)
    assert any("radiograph says stage 2, probing says 4" in d for d in got.disagreements)


def test_pocket_without_margin_is_no_attachment_loss_and_no_all_clear() -> None:
    rows = [
        ChartRow(309, gingivitis_index=1),
        ChartRow(309, "buccal", probing_depth_mm=6.0),
    ]
    got = assess(rows, [film_stage("0-1")])
    assert got.stage is None
    assert not got.attachment_loss.known
    assert "margin" in got.missing[0]
    assert any("pocket beyond normal" in d for d in got.disagreements)


def test_loss_in_mm_without_a_root_length_is_only_a_lower_limit() -> None:
    row = ChartRow(309, "buccal", probing_depth_mm=4.0, margin_mm=2.0)
    got = assess([row], length=None)
    assert (got.stage, got.at_least) == (None, "2")
    assert got.missing == ("the root's length in mm",)


def test_probability_of_the_worst_is_that_of_two_independent_dice_analytic() -> None:
    half = {"0-1": 0.0, "2": 0.5, "3": 0.5, "4": 0.0}
    film = ToothStage(309, "mesial", "mesial", Measurement(25, 3, "%"), "3", half, True, ())
    got = assess([ChartRow(309, furcation=1)], [film])
    # Furcation 1 cannot lower anything: max(2 or 3 evenly, 2).
    assert got.stage_probability is not None
    assert got.stage_probability["3"] == pytest.approx(0.5)
    assert got.borderline


def test_probing_probability_agrees_with_simulation() -> None:
    import numpy as np

    row = ChartRow(309, "buccal", probing_depth_mm=4.0, margin_mm=1.0)
    got = assess([row]).stage_probability
    assert got is not None
    drawn = np.random.default_rng(1).normal(5.0, 1.23, 200_000) / 20 * 100
    share = float(np.mean((drawn >= 25) & (drawn <= 50)))
    assert got["3"] == pytest.approx(share, abs=0.005)
    assert sum(got.values()) == pytest.approx(1.0)


def test_missing_and_deciduous_teeth_have_no_stage() -> None:
    assert assess([ChartRow(309, status="missing")]).stage is None
    baby = assess([ChartRow(804, gingivitis_index=1)], length=None)
    assert baby.stage is None and "deciduous" in baby.flags


def test_resorbed_root_makes_its_length_unsafe() -> None:
    rows = [ChartRow(309, gingivitis_index=0, findings=("resorption=3",))]
    got = assess(rows, [film_stage("2")])
    assert "root_length_unsafe" in got.flags and got.borderline


def test_mouth_is_counted_not_staged() -> None:
    rows = [
        ChartRow(108, furcation=3),
        ChartRow(109, gingivitis_index=1, findings=("probed_within_normal",)),
        ChartRow(110, status="missing"),
        ChartRow(201),
    ]
    summary = mouth_summary(tooth_stages(Chart(tuple(rows)), [], {}, "dog", 12))
    assert summary.teeth_per_stage["4"] == 1
    assert summary.teeth_per_stage["1"] == 1
    assert summary.teeth_per_stage[NOT_ENOUGH] == 1
    assert summary.worst == (108,)
    assert summary.absent["missing"] == 1
    assert "patient" not in summary.sentence
