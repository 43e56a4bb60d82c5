"""A number as text: it never says more than it is."""

import math

import pytest

from perioview.measurement import Measurement, percent_text, shown


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (24.94, "24.9"),
        (24.96, "24.96"),
        (24.9997, "24.99"),
        (25.0, "25.0"),
        (25.0 + 1e-10, "25.0"),
        (25.04, "25.04"),
        (50.0004, "50.01"),
        (12.46, "12.46"),
        (0.03, "0.03"),
        (-0.04, "-0.04"),
        (-1e-12, "0.0"),
        (100.01, "100.01"),
        (33.333, "33.3"),
        (-3.26, "-3.3"),
    ],
)
def test_a_percentage_reads_as_a_limit_only_where_it_is_one(value, said):
    """24.96 % is stage 2 (AVDC: less than 25 %) and must not read as stage 3."""
    assert percent_text(value) == said


def test_every_percentage_reads_on_its_own_side_of_each_limit_and_nearly_right():
    for thousandth in range(-1000, 110_000, 7):
        value = thousandth / 1000 + 3e-4
        for digits in (0, 1, 2):
            read = float(percent_text(value, digits))
            assert abs(read - value) <= 0.5 * 10**-digits + 1e-9
            for limit in (0, 12.5, 25, 50, 100):
                assert (read > limit) == (value > limit) and (read < limit) == (value < limit)


def test_what_has_no_sd_shows_none():
    assert shown(Measurement(24.96, 3.04, "%")) == "24.96 ± 3.0"
    assert shown(Measurement(24.96, math.nan, "mm")) == "25.0"
    assert shown(Measurement(math.nan, math.nan, "%")) == "-"
    assert shown(Measurement(-0.001, 0.27, "mm"), 2) == "0.00 ± 0.27"
