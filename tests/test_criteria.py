"""Stage of a tooth from every criterion, against the AVDC text row by row."""

from __future__ import annotations

import csv
import itertools
from pathlib import Path

import pytest

from perioview.chart import Chart, ChartRow
from perioview.chart_rules import SITES
from perioview.criteria import NOT_ENOUGH, ToothAssessment, tooth_stages
from perioview.criteria_evidence import root_length_at
from perioview.criteria_mouth import mouth_summary
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


def test_a_furcation_beside_little_loss_is_told_avdc() -> None:
    # AVDC: the furcation index is for multirooted teeth with attachment loss.
    rows = [
        ChartRow(309, furcation=2),
        ChartRow(309, "buccal", probing_depth_mm=2.0, margin_mm=-2.0),
    ]
    got = assess(rows, [film_stage("2")])
    assert got.stage == "3" and got.decided_by == ("furcation",)
    told = " / ".join(got.disagreements)
    assert "furcation 2 means at least stage 3, the radiograph says 2" in told
    assert "furcation 2 means at least stage 3, probing says 0-1" in told


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


def test_a_root_is_measured_by_the_length_of_the_root_probed() -> None:
    lengths = {(309, "mesial"): 20.0, (309, "distal"): 10.0, (409, "mesial"): 1.0}
    at = {site: root_length_at(309, site, lengths) for site in SITES}
    assert at["mesiobuccal"] == at["mesiolingual"] == 20.0
    assert at["distobuccal"] == at["distolingual"] == 10.0
    # Between the roots it is not clear which: the shorter, so that loss is not made small.
    assert at["buccal"] == at["lingual"] == 10.0
    upper = {(108, "mesiobuccal"): 15.0, (108, "mesiopalatal"): 12.0, (108, "distal"): 9.0}
    assert root_length_at(108, "mesiobuccal", upper) == 12.0
    assert root_length_at(309, "buccal", {(409, "mesial"): 1.0}) is None
    assert root_length_at(309, "buccal", {(309, ""): 7.0}) == 7.0


@pytest.mark.parametrize(
    ("depth", "margin", "band"),
    [
        # A normal sulcus under a gum at the CEJ is no loss, up to an eighth of the root (the cap
        # of the radiographic rule, our convention).
        (2.0, 0.0, "0-1"),
        (2.5, 0.0, "0-1"),
        (2.6, 0.0, "2"),
        # AVDC: recession is attachment loss however little.
        (1.0, 1.0, "2"),
        (3.0, -3.0, "0-1"),
        (2.0, -3.0, "0-1"),
        # Deeper than normal: literal, 4 of 20 mm.
        (4.0, 0.0, "2"),
    ],
)
def test_what_a_normal_sulcus_is(depth: float, margin: float, band: str) -> None:
    row = ChartRow(309, "buccal", probing_depth_mm=depth, margin_mm=margin)
    said = assess([row]).said_by("clinical_attachment")
    assert said is not None and said.stage == band


def test_bleeding_before_scaling_is_gingivitis_and_after_it_is_not() -> None:
    normal = ChartRow(309, findings=("probed_within_normal",))
    bled = ChartRow(309, "buccal", bleeding=True)
    after = ChartRow(309, "buccal", "after", bleeding=True)
    assert assess([normal, bled]).stage == "1"
    assert assess([normal, after]).stage == "0-1"
    told = assess([ChartRow(309, gingivitis_index=0, findings=normal.findings), bled])
    assert any("bleeding on probing" in d for d in told.disagreements)


PROBED: dict[str, list[ChartRow]] = {
    "not": [],
    "within normal": [ChartRow(309, "", "after", findings=("probed_within_normal",))],
    "pocket, no margin": [ChartRow(309, "buccal", probing_depth_mm=6.0)],
    "loss, no root length": [ChartRow(309, "buccal", probing_depth_mm=4.0, margin_mm=1.0)],
    "no loss, no root length": [ChartRow(309, "buccal", probing_depth_mm=2.0, margin_mm=-2.0)],
}


def test_nothing_is_guessed_in_any_combination_of_what_may_be_missing() -> None:
    grades = (None, 0, 1, 2, 3)
    order = ("0", "1", "0-1", "2", "3", "4")
    checked = 0
    for film, probing, furcation, gum in itertools.product(
        (None, *BAND_OF.values()), PROBED, grades, grades
    ):
        rows = [ChartRow(309, furcation=furcation, gingivitis_index=gum), *PROBED[probing]]
        films = [] if film is None else [film_stage(film)]
        got = assess(rows, films, length=None)
        case = (film, probing, furcation, gum, got.sentence)
        low = {None: "0", 0: "0", 1: "2", 2: "3", 3: "4"}[furcation]
        lowest = max((low, film or "0", "2" if "loss, no" in probing[:8] else "0"), key=order.index)
        attached = film is not None or probing in ("within normal", "no loss, no root length")
        if furcation == 3 or film == "4":
            assert got.stage == "4", case
        elif not attached:
            assert got.stage is None and got.missing, case
        elif lowest in ("0", "0-1") and probing == "pocket, no margin":
            assert got.stage is None and "margin" in got.missing[0], case
        elif lowest == "2" and probing == "loss, no root length" and film != "2":
            assert got.stage is None and "length" in got.missing[0], case
        elif lowest in ("2", "3", "4"):
            assert got.stage == lowest, case
        else:
            want = "0-1" if gum is None else "1" if gum else "0"
            assert got.stage == want, case
        assert (got.stage is None) == (got.borderline is None), case
        checked += 1
    assert checked == 625


def test_of_probed_sites_in_one_band_the_worst_speaks_whatever_the_order() -> None:
    """4 and 9 mm lost of 20 are both stage 3 or less; the chances are those of the 9 mm."""
    near = ChartRow(309, "mesiobuccal", probing_depth_mm=4.0, margin_mm=1.1)
    far = ChartRow(309, "distobuccal", probing_depth_mm=4.0, margin_mm=5.0)
    for rows in ([near, far], [far, near]):
        got = assess(rows)
        said = got.said_by("clinical_attachment")
        assert said is not None and "9 mm attachment lost, 45 %" in said.reason
        assert got.attachment_loss_pct.value == 45.0
        # Normal distribution: P(45 ± 6.15 < 25) = 0.0006.
        assert got.stage_probability is not None and got.stage_probability["2"] < 0.001


def test_a_loss_just_below_a_limit_does_not_read_as_the_limit() -> None:
    row = ChartRow(309, "buccal", probing_depth_mm=3.99, margin_mm=1.0)
    got = assess([row])
    said = got.said_by("clinical_attachment")
    assert got.stage == "2" and said is not None and " 25 %" not in said.reason


def test_a_borderline_film_stays_borderline_when_the_gum_tells_0_from_1() -> None:
    """A derived reference without the furcation's roof decides: not sure, gingivitis or not."""
    mass = {"0-1": 0.99, "2": 0.01, "3": 0.0, "4": 0.0}
    film = ToothStage(309, "mesial", "distal", Measurement(5, 3, "%"), "0-1", mass, True, ())
    for gum in (None, 0, 1):
        assert assess([ChartRow(309, gingivitis_index=gum)], [film]).borderline
