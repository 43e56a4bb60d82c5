"""What cannot be true of a chart row, and what is worth asking about before it is kept."""

from __future__ import annotations

import math
from collections.abc import Sequence

from perioview.chart import Chart, ChartRow
from perioview.chart_rules import (
    PASSES,
    SITES,
    STATUSES,
    data_table,
    finding_kinds,
    finding_name,
)
from perioview.errors import InputRefused
from perioview.teeth import tooth

INDICES = ("gingivitis_index", "plaque_index", "calculus_index", "furcation", "mobility")
TOOTH_ONLY = ("mobility", "status")


def row_faults(row: ChartRow, species: str) -> tuple[str, ...]:
    """Everything wrong with a row on its own, one sentence per fault.

    Parameters
    ----------
    row : ChartRow
        A site's or a tooth's row.
    species : str
        ``dog`` or ``cat``.

    Returns
    -------
    tuple of str
        Empty when the row can be kept.
    """
    try:
        of = tooth(row.tooth, species)
    except InputRefused as error:
        return error.faults
    faults: list[str] = []
    if row.site and row.site not in SITES:
        faults.append(f"site '{row.site}' is not known; use one of {', '.join(SITES)}.")
    if row.when not in PASSES:
        faults.append(f"pass '{row.when}' is not known; use before or after.")
    if row.status and row.status not in STATUSES:
        faults.append(f"status '{row.status}' is not known; use one of {', '.join(STATUSES)}.")
    faults += _depth_faults(row, species)
    faults += _index_faults(row)
    if row.furcation and not of.may_have_furcation:
        faults.append(
            f"furcation {row.furcation} on {row.tooth}, which has a single root; "
            "correct the tooth or leave the furcation blank."
        )
    for name, words in (("probing_depth_mm", "probing depth"), ("margin_mm", "gum margin")):
        if not row.site and (value := getattr(row, name)) is not None:
            faults.append(f"{words} {value:g} mm without a site; name one of {', '.join(SITES)}.")
    if row.site:
        faults += [
            f"{name} '{getattr(row, name)}' on a site; it belongs to the tooth's row (site empty)."
            for name in TOOTH_ONLY
            if getattr(row, name) not in (None, "")
        ]
    faults += [f for finding in row.findings if (f := _finding_fault(finding))]
    return tuple(faults)


def _depth_faults(row: ChartRow, species: str) -> list[str]:
    limits = data_table("chart.toml")["depth_limit"]
    deepest, widest = limits["refused"][species], limits["margin_refused"]
    depth, margin = row.probing_depth_mm, row.margin_mm
    faults = []
    if depth is not None and not (math.isfinite(depth) and 0 <= depth <= deepest):
        faults.append(
            f"probing depth {depth:g} mm on {row.tooth} cannot be right in a {species} "
            f"(0 to {deepest:g} mm); probe again or correct it."
        )
    if margin is not None and not (math.isfinite(margin) and abs(margin) <= widest):
        faults.append(
            f"gum margin {margin:g} mm on {row.tooth} cannot be right (-{widest:g} to "
            f"{widest:g} mm from the CEJ); correct it."
        )
    return faults


def _index_faults(row: ChartRow) -> list[str]:
    rules = data_table("chart.toml")["index"]
    return [
        f"{name.replace('_', ' ')} {value} on {row.tooth} is outside "
        f"{rules[name]['values'][0]} to {rules[name]['values'][-1]}; correct it."
        for name in INDICES
        if (value := getattr(row, name)) is not None and value not in rules[name]["values"]
    ]


def _finding_fault(finding: str) -> str | None:
    kind = finding_kinds().get(finding_name(finding))
    value = finding.partition("=")[2].strip()
    if kind is None or value in kind.values or not (value or kind.values):
        return None
    if not kind.values:
        return f"finding '{finding}': {kind.name} takes no value; leave off '={value}'."
    return f"finding '{finding}': give {kind.name}= one of {', '.join(kind.values)}."


def chart_faults(chart: Chart, species: str, teeth: Sequence[int] = ()) -> tuple[str, ...]:
    """What is wrong between rows: absent teeth that were probed, contradictions in one tooth.

    Parameters
    ----------
    chart : Chart
        Rows that are each in order.
    species : str
        ``dog`` or ``cat``.
    teeth : sequence of int
        Teeth to look at; all of them by default.
    """
    faults = []
    for number in teeth or chart.teeth():
        status = chart.status(number)
        absent = status in ("missing", "unerupted")
        if absent and (chart.probed(number) or chart.within_normal(number)):
            faults.append(
                f"tooth {number} is called {status} but was probed; correct its status or number."
            )
        if chart.within_normal(number) and any(
            (row.probing_depth_mm or 0) > data_table("chart.toml")["depth_limit"]["asked"][species]
            for row in chart.probed(number)
        ):
            faults.append(
                f"tooth {number} is called probed within normal but has a deep pocket; "
                "take one of the two away."
            )
    return tuple(faults)


def questions(row: ChartRow, species: str) -> tuple[str, ...]:
    """What may be true but is worth repeating aloud; nothing here refuses the row."""
    asked = []
    limit = data_table("chart.toml")["depth_limit"]["asked"][species]
    if row.probing_depth_mm is not None and row.probing_depth_mm > limit:
        asked.append(f"{row.tooth} {row.site}: {row.probing_depth_mm:g} mm, deeper than {limit:g}?")
    if row.margin_mm is not None and row.probing_depth_mm is not None:
        loss = row.margin_mm + row.probing_depth_mm
        if loss < 0:
            asked.append(f"{row.tooth} {row.site}: the pocket ends {-loss:g} mm short of the CEJ?")
    if row.status in ("missing", "unerupted"):
        asked.append(f"{row.tooth} {row.status}: is the place on a film?")
    if row.status == "extracted" and row.when == "before" and not row.done:
        asked.append(
            f"{row.tooth} extracted before this visit? If at this one, record it as // extracted"
        )
    kinds = finding_kinds()
    names = [finding_name(f) for f in row.findings]
    if any(kinds[n].unsafe_length for n in names if n in kinds):
        asked.append(f"{row.tooth}: the root's length is unsafe, percent of it too")
    if "resorption" in names and "resorption_type" not in names:
        asked.append(f"{row.tooth}: which type of resorption, on the film?")
    return tuple(asked)
