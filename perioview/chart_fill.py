"""A probing depth taken from an image with the probe in place, filled into the chart."""

from __future__ import annotations

from dataclasses import replace

from perioview.chart import Chart, ChartRow
from perioview.chart_checks import chart_faults, row_faults
from perioview.errors import InputRefused
from perioview.measurement import Measurement

DEPTH_FROM = "depth_from"


def with_depth_from(
    chart: Chart,
    tooth: int,
    site: str,
    depth: Measurement,
    file: str,
    species: str,
    when: str = "before",
) -> Chart:
    """Chart with a site's depth as measured on an image; what was probed is never replaced.

    Parameters
    ----------
    chart : Chart
        As it stands.
    tooth : int
        Modified Triadan number.
    site : str
        One of the six sites.
    depth : Measurement
        In mm, kept to 0.1 mm.
    file : str
        The image, kept in the column ``depth_from``.
    species : str
        ``dog`` or ``cat``.
    when : str
        Pass before or after scaling.

    Raises
    ------
    InputRefused
        If the depth is not in mm, the site was probed already, or the value cannot be.
    """
    if not depth.known or depth.unit != "mm":
        raise InputRefused(
            f"{tooth} {site}: the depth on {file} is not in mm; give the image a scale."
        )
    row = chart.row(tooth, site, when) or ChartRow(tooth, site, when)
    if row.probing_depth_mm is not None and row.extra_value(DEPTH_FROM) != file:
        raise InputRefused(
            f"{tooth} {site}: {row.probing_depth_mm:g} mm is charted already; clear it first."
        )
    filled = replace(row, probing_depth_mm=round(depth.value, 1)).with_extra(DEPTH_FROM, file)
    columns = tuple(dict.fromkeys((*chart.columns, DEPTH_FROM)))
    changed = replace(chart, columns=columns).with_row(filled)
    faults = (*row_faults(filled, species), *chart_faults(changed, species, (tooth,)))
    if faults:
        raise InputRefused(*faults)
    return changed
