"""Stages against the published limits."""

import math

import pytest

from perioview.bone_loss import Site
from perioview.errors import InputRefused
from perioview.measurement import Measurement, missing
from perioview.staging import (
    radiographic_stages,
    stage_from_pct,
    stage_probability,
    staging_rules,
)

RULES = staging_rules()


@pytest.mark.parametrize(
    ("percent", "stage"), [(24.9, "2"), (25.0, "3"), (50.0, "3"), (50.1, "4"), (0.0, "0-1")]
)
def test_bands_avdc(percent, stage):
    """AVDC Nomenclature Committee: less than 25 %, 25-50 %, more than 50 %."""
    assert stage_from_pct(percent, 0.0, RULES) == stage


@pytest.mark.parametrize(
    ("species", "root_mm", "limit"),
    [("dog", 20, 10), ("dog", 10, 12.5), ("cat", 10, 10), ("cat", 5, 12.5)],
)
def test_normal_distance_teaching_values(species, root_mm, limit):
    """Bellows, dvm360 2004: 1 to 2 mm of CEJ-to-bone distance is normal; our cap 12.5 %."""
    length = Measurement(root_mm, 0.1, "mm")
    site = Site(
        104, "single", "mesial", missing("mm"), length, Measurement(5, 1, "%"), missing("mm")
    )
    (staged,), _ = radiographic_stages([site], species, scaled=True)
    assert staged.normal_limit_pct == pytest.approx(limit)


def test_probability_normal_distribution():
    """Against the standard normal table: P(Z < -1) = 0.1587, P(Z < -2) = 0.0228."""
    p = stage_probability(Measurement(30, 5, "%"), 10.0, RULES)
    assert p["2"] == pytest.approx(0.1587, abs=1e-4)
    assert p["0-1"] + p["2"] == pytest.approx(0.1587, abs=1e-4)
    assert p["3"] == pytest.approx(1 - 0.1587 - 3.17e-5, abs=1e-4)
    assert sum(p.values()) == pytest.approx(1)


@pytest.mark.parametrize("percent", [22.0, 28.0])
def test_near_a_limit_is_borderline(percent):
    """facts 9 no. 24: an 8 mm root, SD 2 points: 22 % and 28 % both straddle 25 %."""
    site = Site(
        104,
        "single",
        "mesial",
        missing("mm"),
        Measurement(8, 0.1, "mm"),
        Measurement(percent, 2.4, "%"),
        missing("mm"),
    )
    _, (tooth,) = radiographic_stages([site], "dog", scaled=True)
    assert tooth.borderline


def test_zero_sd_is_certain():
    assert stage_probability(Measurement(25, 0, "%"), 12.5, RULES)["3"] == 1.0


def test_own_rules_file(tmp_path):
    from importlib.resources import files

    text = (files("perioview") / "data" / "staging.toml").read_text("utf-8")
    own = tmp_path / "own.toml"
    own.write_text(text.replace("dog_mm = 2.0", "dog_mm = 1.5"), "utf-8")
    assert staging_rules(str(own)).normal_mm["dog"] == 1.5
    own.write_text(text.replace("dog_mm = 2.0", 'dog_mm = "wide"'), "utf-8")
    staging_rules.cache_clear()
    with pytest.raises(InputRefused, match="dog_mm is 'wide'"):
        staging_rules(str(own))
    assert not math.isnan(RULES.cap_pct)
