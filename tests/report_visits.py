"""Three visits made from chart rows: a healthy cat, a dog with twelve extractions, an empty one."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from pathlib import Path

from perioview.chart import Chart, ChartRow
from perioview.files.chart_table import write_chart
from perioview.files.visit_folder import new_visit, read_visit, write_visit
from perioview.teeth import teeth

OUT = (101, 102, 103, 201, 202, 203, 108, 208, 309, 409, 301, 401)
"""Incisors, both upper fourth premolars and both lower first molars."""


def _visit(folder: Path, species: str, name: str, weight: float, rows: list[ChartRow]) -> Path:
    new_visit(folder, patient="PV-9", name=name, species=species)
    visit = read_visit(folder)
    write_visit(
        folder,
        replace(
            visit,
            patient={**visit.patient, "weight_kg": weight},
            visit={**visit.visit, "date": dt.date(2026, 3, 5), "kind": "cleaning", "asleep": True},
            steps=(
                {"name": "probing and charting", "done": True},
                {"name": "supragingival scaling", "done": True},
                {"name": "polishing", "done": True},
            )
            if rows
            else (),
        ),
    )
    if rows:
        write_chart(folder / "chart.csv", Chart(tuple(rows)))
    return folder


def healthy_cat(folder: Path) -> Path:
    """Every tooth probed within normal, gum sound."""
    rows = [
        ChartRow(t.number, status="present", gingivitis_index=0, findings=("probed_within_normal",))
        for t in teeth("cat")
    ]
    return _visit(folder, "cat", "Sample^Mim", 4.2, rows)


def extracted_dog(folder: Path) -> Path:
    """A small dog: twelve teeth decided, agreed to and out; the others probed within normal."""
    rows = []
    for t in teeth("dog"):
        if t.number not in OUT:
            rows.append(
                ChartRow(
                    t.number, status="present", gingivitis_index=2,
                    findings=("probed_within_normal",),
                )
            )  # fmt: skip
            continue
        rows.append(
            ChartRow(
                t.number, status="present", mobility=2, gingivitis_index=3, decision="extract",
                done="extracted, 2026-03-05T11:00", extra=(("agreed_by", "owner, by phone"),),
            )
        )  # fmt: skip
        rows.append(ChartRow(t.number, "mesiobuccal", probing_depth_mm=6, margin_mm=2))
        rows.append(ChartRow(t.number, when="after", status="extracted"))
    return _visit(folder, "dog", "Sample^Bo", 6.0, rows)


def empty_visit(folder: Path) -> Path:
    """Nothing but a name."""
    return _visit(folder, "cat", "Sample^Nil", 4.0, [])
