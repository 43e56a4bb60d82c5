"""The report of what was entered in a visit: one a visit (PS3.16 TID 1500), and read back.

It holds the chart line by line in codes, each outline of a tooth in a photograph as coordinates,
and the rest of ``visit.toml`` as text, in which an image is named by its UID. Patient and owner
are named in the header alone.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

from pydicom.dataset import Dataset

from perioview.errors import InputRefused
from perioview.record.chart_report import add_chart, chart_from_groups
from perioview.record.codes import VISIT_PROCEDURE, private_code
from perioview.record.content_items import (
    children,
    code_of,
    finding_of,
    groups_of,
    named,
    place_of,
)
from perioview.record.entered import Entered
from perioview.record.history import current_reports, predecessor_uids
from perioview.record.identity import Identity, digest
from perioview.record.region_outlines import Corners
from perioview.record.report_builder import ReportBuilder, report_uid, signed_by
from perioview.visit import Visit

CAUTION = "As entered by the clinician. What is blank was not measured or not looked at."
_REGION, _WHOLE, _FILE = "tooth_region", "visit", "visit_file"


def visit_report(
    identity: Identity,
    said: Entered,
    photos: Mapping[str, Dataset],
    *,
    verify: str | None = None,
    earlier: Iterable[Dataset] = (),
    number: int = 1,
    withdraw: bool = False,
) -> Dataset | None:
    """Report of what was entered; None where it says nothing, or nothing new.

    Parameters
    ----------
    identity : Identity
        Patient and study.
    said : Entered
    photos : mapping of str to Dataset
        Photographs with regions, or references to them, by SOP instance UID.
    verify : str, optional
        Clinician who verifies, as DICOM writes names.
    earlier : iterable of Dataset
        Reports the destination holds of this study. A chart or regions that the visit no longer
        has are not unsaid, but for `withdraw`.
    number : int
        Instance number.
    withdraw : bool
        Whether they are.

    Returns
    -------
    Dataset or None
        Comprehensive SR, TID 1500; it names the report that it replaces, and all of several that
        did not know of each other.
    """
    current = current_visit_reports(earlier)
    if not (said.worth_a_report or (withdraw and current)):
        return None
    for report in () if withdraw else current[::-1]:
        held = entered_from_report(report)
        chart = held.chart if said.chart is None else said.chart
        # A photo that is not of this visit any more is none that can be pointed at.
        kept = {uid: found for uid, found in held.regions.items() if uid in photos}
        said = replace(said, chart=chart, regions={**kept, **said.regions})
    content = _content(said)
    before = current[-1] if current else None
    if before is not None and len(current) == 1:
        # Asked again with what it replaced in turn, an unchanged visit gives the same UID.
        stub = _replaced_by(before)
        signer = verify or signed_by(before)
        if report_uid(identity, content, signer, stub) == str(before.SOPInstanceUID):
            return None
    builder = ReportBuilder(identity)
    if said.chart is not None:
        add_chart(builder, said.chart)
    for uid, of_teeth in said.regions.items():
        for tooth, found in of_teeth.items():
            for count, corners in enumerate(found, 1):
                builder.add_outline(photos[uid], _REGION, tooth, count, corners)
    columns = () if said.chart is None else said.chart.columns
    texts = [(private_code("chart_column"), name) for name in columns]
    texts.append((private_code(_FILE), _text(said.visit)))
    builder.add_group(_WHOLE, "visit as a whole", texts=texts)
    return builder.report(
        VISIT_PROCEDURE,
        CAUTION,
        content,
        verify=verify,
        predecessor=before,
        also=current[:-1],
        number=number,
        kind="chart",
    )


def _content(said: Entered) -> str:
    """Digest of what was entered; the order of keys says nothing and makes no other report."""
    visit = said.visit
    in_order = replace(
        visit,
        patient=_sorted(visit.patient),
        visit=_sorted(visit.visit),
        images=tuple(map(_sorted, visit.images)),
        photos=tuple(map(_sorted, visit.photos)),
    )
    regions = sorted((uid, sorted(found.items())) for uid, found in said.regions.items())
    return digest(VISIT_PROCEDURE, _text(in_order), said.chart, regions)


def _sorted(row: Mapping[str, Any]) -> dict[str, Any]:
    return {key: row[key] for key in sorted(row)}


def _replaced_by(report: Dataset) -> Dataset | None:
    uid = next(iter(predecessor_uids(report)), None)
    if uid is None:
        return None
    stub = Dataset()
    stub.SOPInstanceUID = uid
    return stub


def _text(visit: Visit) -> str:
    from perioview.files.visit_folder import visit_text

    return visit_text(visit)


def is_visit_report(dataset: Dataset) -> bool:
    """Whether an object is a report of what was entered in a visit."""
    return dataset.get("Modality") == "SR" and any(
        code_of(item) == VISIT_PROCEDURE for item in children(dataset)
    )


def current_visit_reports(reports: Iterable[Dataset]) -> list[Dataset]:
    """Reports of what was entered that no other replaces: several only where two attached apart."""
    return current_reports(r for r in reports if is_visit_report(r))


def entered_from_report(report: Dataset) -> Entered:
    """What was entered, as a report holds it.

    Parameters
    ----------
    report : Dataset
        As `visit_report` made it.

    Returns
    -------
    Entered

    Raises
    ------
    InputRefused
        If its text is not what `visit_report` writes.
    """
    groups = list(groups_of(report))
    whole = [item for group in groups if finding_of(group) == _WHOLE for item in group]
    text = next((str(item.TextValue) for item in named(whole, _FILE)), "")
    try:
        table = tomllib.loads(text)
    except ValueError as error:
        raise InputRefused(
            f"report {report.SOPInstanceUID}: its text of the visit cannot be read ({error}); "
            "take the images alone and enter the visit again."
        ) from error
    columns = [str(item.TextValue) for item in named(whole, "chart_column")]
    regions: dict[str, dict[int, tuple[Corners, ...]]] = {}
    for group in groups:
        if finding_of(group) == _REGION:
            uid, corners = _outline(group)
            of_teeth = regions.setdefault(uid, {})
            tooth = place_of(group)[0] or 0
            of_teeth[tooth] = (*of_teeth.get(tooth, ()), corners)
    names = ("patient", "visit", "images", "photos", "steps")
    visit = Visit(
        table.get("patient", {}),
        {},
        table.get("visit", {}),
        tuple(table.get("images", ())),
        tuple(table.get("photos", ())),
        tuple(table.get("steps", ())),
        {k: v for k, v in table.items() if k not in names},
    )
    return Entered(visit, chart_from_groups(groups, columns), regions)


def _outline(group: list[Dataset]) -> tuple[str, Corners]:
    (item,) = (i for i in named(group, "111030") if i.ValueType == "SCOORD")
    values = [round(float(v)) for v in item.GraphicData]
    (source,) = children(item)
    uid = str(source.ReferencedSOPSequence[0].ReferencedSOPInstanceUID)
    # The last corner is the first again.
    return uid, tuple(zip(values[1:-2:2], values[:-2:2], strict=True))
