"""Published bands, the index, and percent reduction."""

import math

import numpy as np
import pytest

from perioview.errors import InputRefused
from perioview.plaque_index import (
    coverage_class,
    half_score,
    index_teeth,
    intensity_class,
    mouth_index,
    mouth_turesky,
    percent_reduction,
    plaque_rules,
    turesky_band,
)
from perioview.teeth import tooth

# Lindinger 2016, Scientifica 2183623, Table 2 (after Logan & Boyce 1994): 0; 1-24; 25-49; 50-74;
# 75-100 %. Values between the printed integers: half-open bands, our convention.
LINDINGER = [(0, 0), (0.5, 1), (24, 1), (25, 2), (49, 2), (50, 3), (74, 3), (75, 4), (100, 4)]
BETWEEN = [(1e-6, 1), (24.999, 1), (49.999, 2), (74.999, 3), (25 - 1e-12, 2)]


@pytest.mark.parametrize(("percent", "expected"), LINDINGER + BETWEEN)
def test_coverage_class_lindinger2016(percent, expected):
    assert coverage_class(percent) == expected


@pytest.mark.parametrize("percent", [-0.1, 100.1, math.nan])
def test_coverage_class_refuses_what_is_no_percentage(percent):
    with pytest.raises(InputRefused, match="percentage"):
        coverage_class(percent)


def test_tooth_score_loganboyce1994():
    # Gingival half 60 % heavy, coronal half 10 % light: 3 x 3 + 1 x 1 = 10; the most is 24.
    assert half_score(60, 3) + half_score(10, 1) == 10
    assert half_score(100, 3) * 2 == 24
    assert half_score(0, 0) == 0
    assert "summed" in plaque_rules()["index"]["name"]


@pytest.mark.parametrize("thickness", [-1, 4, 1.5])
def test_half_score_refuses_other_classes(thickness):
    with pytest.raises(InputRefused, match="0, 1, 2 or 3"):
        half_score(50, thickness)


def test_intensity_has_three_classes_of_stain_lindinger2016():
    found = [intensity_class(d) for d in np.linspace(0, 2, 401)]
    assert found[0] == 0
    assert sorted(set(found)) == [0, 1, 2, 3]
    assert found == sorted(found)


# Turesky, Gilmore & Glickman 1970, J Periodontol 41:41-43.
@pytest.mark.parametrize(
    ("coverage", "margin", "band_mm", "expected"),
    [
        (0.0, 0.0, None, "0"),
        (0.05, 0.3, None, "1"),
        (0.2, 1.0, 1.0, "2"),
        (0.2, 1.0, 1.01, "3"),
        (0.2, 1.0, None, "2-3"),
        (1 / 3, 1.0, 2.0, "4"),
        (0.3333, 1.0, 2.0, "3"),
        (0.6666, 1.0, None, "4"),
        (2 / 3, 1.0, None, "5"),
        (1.0, 1.0, None, "5"),
        (math.nan, 1.0, None, None),
    ],
)
def test_turesky_band_turesky1970(coverage, margin, band_mm, expected):
    assert turesky_band(coverage, margin_share=margin, band_mm=band_mm) == expected


def test_index_teeth_are_teeth_of_their_species():
    # 18 and 14 teeth: trial reports, from memory (facts 3a); both sides alike.
    for species, count in (("dog", 18), ("cat", 14)):
        chosen = index_teeth(species)
        assert len(set(chosen)) == count
        assert all(tooth(n, species).number == n for n in chosen)
        swapped = {n + (100 if n // 100 in (1, 3) else -100) for n in chosen}
        assert swapped == set(chosen)
    with pytest.raises(InputRefused, match="horse"):
        index_teeth("horse")


def test_mouth_index_passes_over_missing_teeth():
    scores = {104: 10.0, 108: 4.0, 109: math.nan, 105: 24.0}
    assert mouth_index(scores, (104, 108, 109, 209)) == 7.0
    assert mouth_index(scores) == pytest.approx(38 / 3)
    assert math.isnan(mouth_index({}, (104,)))


def test_percent_reduction_vohc():
    # Veterinary Oral Health Council: 100 x (control - test) / control, 20 % on average.
    found = percent_reduction([12.5], [9.5])
    assert found.percent.value == pytest.approx(24.0)
    assert found.reaches_mean_limit
    fails = percent_reduction([12.5], [11.0])
    assert fails.percent.value == pytest.approx(12.0)
    assert not fails.reaches_mean_limit
    assert not fails.reaches_each_limit
    assert percent_reduction([10.0], [8.0]).reaches_mean_limit
    assert math.isnan(found.percent.sd)


def test_percent_reduction_sd_by_simulation():
    rng = np.random.default_rng(3)
    control, test = rng.normal(12.5, 2, 20), rng.normal(9.5, 2, 25)
    found = percent_reduction(control, test).percent.sd
    means = [
        rng.normal(g.mean(), g.std(ddof=1) / math.sqrt(len(g)), 200_000) for g in (control, test)
    ]
    assert found == pytest.approx(np.std(100 * (1 - means[1] / means[0])), rel=0.03)


@pytest.mark.parametrize(
    ("control", "test"), [([], [1.0]), ([0.0], [1.0]), ([math.nan], [1.0]), ([1.0], [-2.0])]
)
def test_percent_reduction_refuses(control, test):
    with pytest.raises(InputRefused):
        percent_reduction(control, test)


def test_every_block_of_rules_names_its_source():
    assert all(
        "source" in block or all("source" in b for b in block.values())
        for name, block in plaque_rules().items()
        if name != "flag"
    )


def test_mouth_turesky_is_the_mean_over_surfaces_turesky1970():
    # Turesky, Gilmore & Glickman 1970: sum over surfaces scored; a band without a scale is open.
    assert mouth_turesky(["0", "3", None, "4"]) == pytest.approx((7 / 3, 7 / 3))
    assert mouth_turesky(["2-3", "5"]) == pytest.approx((3.5, 4.0))
    assert math.isnan(mouth_turesky([None])[0])
