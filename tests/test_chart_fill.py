"""Depths taken from an image are marked as such and never replace what was probed."""

from __future__ import annotations

from pathlib import Path

import pytest

from perioview.chart import Chart, ChartRow
from perioview.chart_fill import with_depth_from
from perioview.errors import InputRefused
from perioview.files.chart_table import read_chart, write_chart
from perioview.measurement import Measurement, missing

DEPTH = Measurement(5.26, 0.3, "mm")


def test_a_measured_depth_names_its_image(tmp_path: Path) -> None:
    chart = with_depth_from(Chart(), 309, "buccal", DEPTH, "probe.jpg", "dog")
    write_chart(tmp_path / "chart.csv", chart)
    row = read_chart(tmp_path / "chart.csv", "dog").rows[0]
    assert row.probing_depth_mm == 5.3 and row.extra_value("depth_from") == "probe.jpg"
    again = Measurement(5.0, 0.3, "mm")
    chart = with_depth_from(chart, 309, "buccal", again, "probe.jpg", "dog")
    assert chart.rows[0].probing_depth_mm == 5.0


@pytest.mark.parametrize(
    ("chart", "depth", "told"),
    [
        (Chart((ChartRow(309, "buccal", probing_depth_mm=3.0),)), DEPTH, "charted already"),
        (Chart(), Measurement(50.0, 1.0, "px"), "not in mm"),
        (Chart(), missing("mm"), "not in mm"),
        (Chart(), Measurement(45.0, 1.0, "mm"), "45 mm"),
        (Chart((ChartRow(309, status="missing"),)), DEPTH, "missing but was probed"),
    ],
)
def test_what_cannot_be_is_refused(chart: Chart, depth: Measurement, told: str) -> None:
    with pytest.raises(InputRefused, match=told):
        with_depth_from(chart, 309, "buccal", depth, "probe.jpg", "dog")
