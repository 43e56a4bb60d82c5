"""The clinical report of a visit as PDF."""

from __future__ import annotations

import io
import math
import re
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from perioview.criteria import ToothAssessment
from perioview.criteria_mouth import MouthSummary
from perioview.measurement import shown
from perioview.plaque_result import PlaqueResult
from perioview.record.chances import chances
from perioview.record.chart_pages import chart_pages
from perioview.record.findings import Findings
from perioview.record.guidance_pages import awake_page, guidance_pages
from perioview.record.mouth_map import mouth_picture
from perioview.record.pages import FAMILY, document, grid, heading, text
from perioview.record.picture import annotated, jpeg
from perioview.record.since_last_pages import since_last_pages
from perioview.visit import PhotoResult, Radiograph

Rgb = NDArray[np.uint8]
CAUTIONS = (
    "A measuring aid: the clinician decides.",
    "Error bars hold marking error only. Radiographs under-read bone loss (30 to 50 % of the "
    "mineral is gone before it shows) and show nothing of buccal and lingual sides.",
    "No diagnosis without probing every tooth under anaesthesia.",
    "Stain shows nothing below the gum line.",
    "Local rules and licensed practice come first.",
)


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "" if value is None else str(value).strip("^").replace("^", ", ")


def _identity(pdf: Any, found: Findings) -> None:
    visit = found.examination.visit
    rows = []
    for table, names in (
        (
            visit.patient,
            ("id", "name", "species", "breed", "sex", "neutered", "birth_date", "weight_kg"),
        ),
        (visit.owner, ("name",)),
        (visit.visit, ("date", "kind", "asleep", "clinician", "practice")),
    ):
        who = "owner" if table is visit.owner else ""
        rows += [(who or n.replace("_", " "), _value(table[n])) for n in names if n in table]
    half = (len(rows) + 1) // 2
    pairs = [
        (*rows[i], *(rows[i + half] if i + half < len(rows) else ("", ""))) for i in range(half)
    ]
    pdf.set_font(FAMILY, size=8.5)
    with pdf.table(
        col_widths=(14, 36, 14, 36), line_height=5, first_row_as_headings=False,
        borders_layout="NONE",
    ) as table_:  # fmt: skip
        for cells in pairs:
            row = table_.row()
            for cell in cells:
                row.cell(cell)


def _radiograph(pdf: Any, radiograph: Radiograph, picture: Rgb) -> None:
    high, wide = picture.shape[:2]
    # A film on end gets more of the page: its labels must stay large enough to read.
    width = min(180.0, (105.0 if wide >= high else 135.0) * wide / high)
    heading(pdf, radiograph.image.name, 1, width * high / wide + 25)
    teeth = ", ".join(str(t.tooth) for t in radiograph.teeth) or "no marked teeth"
    pdf.image(
        io.BytesIO(jpeg(picture)), w=width, x=(210 - width) / 2,
        alt_text=f"Radiograph {radiograph.image.name} with marks and percentages: {teeth}",
    )  # fmt: skip
    scale = radiograph.calibration
    if scale.scaled:
        said = (
            f"Scale {scale.row_mm:.4g} x {scale.col_mm:.4g} mm per px, ± "
            f"{100 * (scale.relative_sd or 0):.1f} % ({scale.method.replace('_', ' ')})."
        )
    else:
        said = "No scale: percentages only."
    text(pdf, " ".join([said, *(n[:1].upper() + n[1:] for n in scale.notes)]), 7.5)
    unit = scale.unit
    rows = [
        (
            str(s.tooth), s.root, s.side, shown(s.bone_loss_pct), shown(s.bone_loss, 2),
            shown(s.root_length, 2), shown(s.infrabony, 2), s.pattern or "",
            ", ".join(f.replace("_", " ") for f in s.flags),
        )
        for s in radiograph.sites
    ]  # fmt: skip
    head = ("tooth", "root", "side", "loss %", f"loss {unit}", f"root {unit}", f"infrabony {unit}",
            "pattern*", "flags")  # fmt: skip
    grid(pdf, head, rows, (9, 17, 11, 16, 17, 19, 17, 15, 43))
    text(pdf, "± one standard deviation.  * heuristic.", 7)
    for line in left_out(radiograph):
        text(pdf, line, 7.5)
    for warning in radiograph.warnings[1:]:
        text(pdf, f"Note: {_in_words(warning)}", 7.5)


def _in_words(warning: str) -> str:
    """Flags in parentheses as words; file names keep their underscores."""
    return re.sub(r"\([a-z_, ]+\)", lambda found: found[0].replace("_", " "), warning)


def left_out(radiograph: Radiograph) -> tuple[str, ...]:
    """What of a radiograph was judged by eye or not marked, with the reasons, in words."""
    lines = []
    if radiograph.sound:
        numbers = ", ".join(map(str, radiograph.sound))
        lines.append(f"No radiographic loss by the clinician's eye, not measured: {numbers}.")
    if radiograph.skipped:
        told = "; ".join(f"{s.step.words} ({s.reason})" for s in radiograph.skipped)
        lines.append(f"Left out: {told}.")
    return tuple(lines)


def _unstaged(a: ToothAssessment) -> str:
    return f"at least {a.at_least}" if a.at_least else "not enough to stage"


def _stage_row(a: ToothAssessment) -> tuple[str, ...]:
    here = a.status in ("", "present")
    stage = a.stage or (_unstaged(a) if here else a.status)
    reason = ", ".join(a.decided_by).replace("_", " ")
    if not reason and here and a.missing:
        reason = "needs " + "; ".join(a.missing)
    notes = "; ".join((*(f.replace("_", " ") for f in a.findings), *a.disagreements))
    return (
        str(a.tooth), stage + (" (borderline)" if a.borderline else ""), reason,
        shown(a.bone_loss_pct), shown(a.attachment_loss, 1), chances(a.stage_probability), notes,
    )  # fmt: skip


def _stage_rows(assessments: Sequence[ToothAssessment]) -> list[tuple[str, ...]]:
    """One row per tooth; teeth without numbers of their own that read alike share one."""
    rows: dict[tuple[str, ...], list[str]] = {}
    for a in assessments:
        number, *rest = _stage_row(a)
        own = number if a.bone_loss_pct.known or a.attachment_loss.known else ""
        rows.setdefault((own, *rest), []).append(number)
    return [(", ".join(numbers), *key[1:]) for key, numbers in rows.items()]


def _counts(summary: MouthSummary) -> str:
    """Teeth per stage in words; the worst are named where bone or attachment is lost."""
    said = summary.sentence
    if summary.worst_stage == "1":
        said = said.split("; worst")[0]
    absent = [f"{n} {status}" for status, n in summary.absent.items() if n]
    return said[0].upper() + said[1:] + (f" (of all: {', '.join(absent)})" if absent else "")


def _stages(pdf: Any, found: Findings) -> None:
    shown_teeth = [
        a for a in found.assessments if a.stage or a.findings or a.status not in ("", "present")
    ]
    heading(pdf, "Stage of each tooth")
    if not shown_teeth:
        text(pdf, "Nothing has been marked or charted yet.")
        return
    text(pdf, f"{_counts(found.summary)}. A stage belongs to a tooth, never to the patient.")
    head = ("tooth", "stage", "decided by", "bone loss %", "loss by probe, mm", "likely stages",
            "notes")  # fmt: skip
    grid(pdf, head, _stage_rows(shown_teeth), (32, 20, 24, 18, 18, 28, 40))
    unstaged = [
        str(a.tooth) + (f" (at least {a.at_least})" if a.at_least else "")
        for a in found.assessments
        if a not in shown_teeth
    ]
    if unstaged:
        text(pdf, f"Not enough to stage: {', '.join(unstaged)}.", 7.5)
    text(
        pdf,
        "Stages: AVDC nomenclature. Stages 0 and 1 are told apart by gingivitis, never by a "
        "radiograph.",
        7.5,
    )


def _photos(pdf: Any, found: Findings, pictures: Mapping[str, Rgb]) -> None:
    measured = [p for p in found.examination.photos if p.result is not None]
    others = [p for p in found.examination.photos if p.result is None]
    if not measured:
        if others:
            heading(pdf, "Plaque", room=30)
            _unmeasured(pdf, others)
        return
    from perioview.plaque_overlay import overlay

    # What holds for every photo is said once, below the last.
    first, *rest = (p.result.warnings for p in measured if p.result is not None)
    common = [w for w in first if all(w in other for other in rest)]
    indices = dict.fromkeys(p.result.index_name for p in measured if p.result is not None)
    common += [f"Index: {name}." for name in indices]
    heading(pdf, "Plaque", room=135)
    for photo in measured:
        picture = pictures.get(photo.file)
        if picture is None:
            picture = overlay(photo.image, photo.regions, photo.result)
        high, wide = picture.shape[:2]
        width = min(150.0, 72.0 * wide / high)
        title = f"{photo.image.name} ({photo.when} cleaning, {photo.dye} dye)"
        heading(pdf, title, 1, width * high / wide + 25)
        pdf.image(
            io.BytesIO(jpeg(picture)), w=width, x=(210 - width) / 2,
            alt_text=f"Photograph {photo.image.name} with plaque coverage per tooth",
        )  # fmt: skip
        rows = []
        aged = ("older_pct",) if photo.dye == "two-tone" else ()
        for t in photo.result.json_object()["teeth"]:
            known = t["coverage_pct"] is not None
            rows.append(
                (
                    str(t["tooth"]),
                    f"{t['coverage_pct']:.1f} ± {t['coverage_pct_sd'] or 0:.1f}" if known else "-",
                    *("-" if t[k] is None else f"{t[k]:.0f}" for k in aged),
                    *(
                        "-" if t[k] is None else f"{t[k]:.1f} ± {t[f'{k}_sd']:.1f}"
                        for k in ("gingival_half_pct", "coronal_half_pct")
                    ),
                    "-" if t["index"] is None else f"{t['index']:.0f}",
                    ", ".join(f.replace("_", " ") for f in t["flags"]),
                )
            )
        head = ("tooth", "coverage %", *["older plaque %"] * len(aged), "gingival half %",
                "coronal half %", "index", "flags")  # fmt: skip
        grid(pdf, head, rows, (12, 24, *[22] * len(aged), 24, 24, 14, 70 - 22 * len(aged)))
        text(pdf, _whole_mouth(photo.result), 7.5)
        for warning in photo.result.warnings:
            if warning not in common:
                text(pdf, f"Note: {warning}", 7.5)
    for warning in common:
        text(pdf, warning, 7.5)
    _unmeasured(pdf, others)


def _unmeasured(pdf: Any, photos: list[PhotoResult]) -> None:
    """Name the photographs that give no number, and why."""
    for photo in photos:
        why = "not stained" if photo.dye == "none" else "no tooth is outlined on it"
        text(pdf, f"{photo.image.name} ({photo.when} cleaning): not measured, {why}.", 7.5)


def _whole_mouth(result: PlaqueResult) -> str:
    """Coverage and index of all teeth of a photo."""
    parts = []
    if result.coverage.known:
        parts.append(f"All teeth together: {shown(result.coverage)} % covered")
    if math.isfinite(result.index):
        parts.append(f"mean index {result.index:.1f}")
    return "; ".join(parts or ["No tooth could be measured"]) + "."


def clinical_pdf(found: Findings, pictures: Mapping[str, Rgb] | None = None) -> bytes:
    """Write the clinical report.

    Parameters
    ----------
    found : Findings
        The examination with its assessments.
    pictures : mapping of str to ndarray, optional
        Annotated radiographs and photographs by file, where they are drawn already.

    Returns
    -------
    bytes
        A PDF of A4 pages with bookmarks and alternative texts.
    """
    from perioview.record.objects import patient_faults

    pdf = document()
    visit = found.examination.visit
    patient = visit.patient
    who = str(patient.get("name", "")).replace("^", ", ")
    pdf.running = f"{patient.get('id', '')}  {who}  {visit.visit.get('date', '')}"
    pdf.set_title(f"Dental examination {pdf.running}")
    pdf.add_page()
    pdf.set_font(FAMILY, "B", 15)
    pdf.multi_cell(0, 9, "Dental examination: measurements", new_x="LMARGIN", new_y="NEXT")
    _identity(pdf, found)
    for fault in patient_faults(found.examination):
        text(pdf, f"Caution: {fault}")
    _stages(pdf, found)
    heading(pdf, "Map of the mouth", room=130)
    pdf.image(
        io.BytesIO(jpeg(mouth_picture(found.map_shapes))), w=118, x=46,
        alt_text="Bone level of every measured root and stage of every tooth, around the mouth",
    )  # fmt: skip
    chart_pages(pdf, found.examination.chart)
    awake_page(pdf, found)
    guidance_pages(pdf, found)
    if found.since:
        since_last_pages(pdf, found.since)
    if found.examination.radiographs:
        heading(pdf, "Radiographs", room=172)
    for radiograph in found.examination.radiographs:
        drawn = (pictures or {}).get(radiograph.file)
        _radiograph(pdf, radiograph, annotated(radiograph) if drawn is None else drawn)
    _photos(pdf, found, pictures or {})
    if visit.steps:
        heading(pdf, "Procedure")
        rows = [(_value(s.get("name")), "done" if s.get("done") else "open", _value(s.get("at")))
                for s in visit.steps]  # fmt: skip
        grid(pdf, ("step", "", "at"), rows, (90, 20, 50))
    # Room for the whole section: a signature never stands alone on a page.
    heading(pdf, "How this was measured, and how sure it is", room=92)
    for line in (*found.method, *CAUTIONS):
        text(pdf, "• " + line, 8)
    for line in pdf.letter_warnings():
        text(pdf, f"Note: {line}", 8)
    pdf.ln(12)
    text(pdf, "Clinician: ______________________________    Date: ______________")
    return bytes(pdf.output())
