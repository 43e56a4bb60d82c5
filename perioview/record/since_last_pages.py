"""The report's pages on what changed since an earlier visit."""

from __future__ import annotations

import io
from typing import Any

from perioview.comparison_labels import COLUMN_MM
from perioview.comparison_table import coverage_of
from perioview.record.pages import grid, heading, text
from perioview.record.picture import jpeg
from perioview.record.since_last import SinceLast


def _of(value: float | None, sd: float | None, digits: int) -> str:
    if value is None:
        return "-"
    # A change of nothing has no sign.
    shown = f"{round(value, digits) + 0.0:+.{digits}f}" if round(value, digits) else "0"
    return shown if sd is None else f"{shown} ± {sd:.{digits}f}"


def _real(detectable: bool | None, no: str = "no, within repeat marking") -> str:
    if detectable is None:
        return "not known"
    return "yes" if detectable else no


def _picture(pdf: Any, file: str, data: bytes) -> None:
    import numpy as np
    from PIL import Image

    picture = Image.open(io.BytesIO(data)).convert("RGB")
    # Narrower than the column its words would be too small; a page has room for 200 mm.
    width = min(
        180.0,
        max(COLUMN_MM, 100.0 * picture.width / picture.height),
        200.0 * picture.width / picture.height,
    )
    heading(pdf, file, 1, width * picture.height / picture.width + 12)
    pdf.image(
        io.BytesIO(jpeg(np.asarray(picture))), w=width, x=(210 - width) / 2,
        alt_text=f"{file}: earlier visit, this visit laid onto it, and the change between them",
    )  # fmt: skip


def since_last_pages(pdf: Any, since: SinceLast) -> None:
    """Write pictures side by side and the tables of change."""
    heading(pdf, f"Since last time ({since.date})", room=120 if since.pictures else 40)
    for file, data in since.pictures.items():
        _picture(pdf, file, data)
    if since.pictures:
        text(pdf, "Left: earlier visit. Beside it: this visit, laid onto it. Right, of radiographs "
             "only: what changed, loss in orange, gain in blue.", 7.5)  # fmt: skip
    found = since.json_object()
    rows = [
        (
            str(c["tooth"]), c["root"], c["side"], _of(c["change_pct"], c["change_pct_sd"], 1),
            _of(c["change_mm"], c["change_mm_sd"], 2), _real(c["detectable"]),
            ", ".join(c["flags"]).replace("_", " "),
        )
        for c in found["sites"]
    ]  # fmt: skip
    if rows:
        heading(pdf, "Bone loss, this visit minus the earlier one", 1, 40)
    head = ("tooth", "root", "side", "change, points", "change mm", "more than repeat?", "flags")
    grid(pdf, head, rows, (11, 22, 14, 26, 26, 40, 40))
    if rows:
        text(pdf, "+ is more loss. Points: per cent of the root. ± one SD of both visits' marks; "
             "more than repeat: beyond 1.96 SD.", 7)  # fmt: skip
        for place, sentence in found["rates"].items():
            text(pdf, f"{place}: {sentence}")
    _crest_table(pdf, found["crests"])
    _plaque_table(pdf, found["teeth"])
    for sentence in (found["home_care"] or {}).get("sentences", ()):
        text(pdf, sentence)
    _stage_table(pdf, since)
    for warning in found["warnings"]:
        text(pdf, f"Note: {warning}", 7.5)


def _crest_table(pdf: Any, crests: list[dict[str, Any]]) -> None:
    rows = [
        (
            str(c["tooth"]), c["root"], c["side"], _of(c["moved"], c["moved_sd"], 2), c["unit"],
            _real(c["detectable"], "no, within its error"), ", ".join(c["flags"]).replace("_", " "),
        )
        for c in crests
    ]  # fmt: skip
    if not rows:
        return
    heading(pdf, "Crest moved toward the apex, read from the aligned pair itself", 1, 40)
    head = ("tooth", "root", "side", "moved", "unit", "more than error?", "why not read")
    grid(pdf, head, rows, (11, 22, 14, 26, 11, 40, 40))
    text(pdf, "From where the bone margin shows in both pictures, not from this visit's marks; "
         "± one SD, tested on computed and drawn pictures only.", 7)  # fmt: skip


def _plaque_table(pdf: Any, teeth: list[dict[str, Any]]) -> None:
    rows = [
        (
            str(t["tooth"]),
            *(coverage_of(t, when) for when in ("before", "after")),
            _of(t["gum_line_pct"], t["gum_line_pct_sd"], 1),
            "-"
            if t["gum_line_pct"] is None
            else _real(t["gum_line_detectable"], "no, within its error"),
        )
        for t in teeth
    ]
    if not rows:
        return
    heading(pdf, "Plaque and gum line", 1, 40)
    head = ("tooth", "earlier, coverage %", "this visit, coverage %", "gum line, % of crown",
            "more than error?")  # fmt: skip
    grid(pdf, head, rows, (15, 36, 38, 38, 45))
    text(pdf, "Gum line: + where the gum drew back, from the outlines of both photographs; "
         "± one SD of outlines and alignment.", 7)  # fmt: skip


def _stage_table(pdf: Any, since: SinceLast) -> None:
    if not since.stages:
        return
    heading(pdf, "Stage of each tooth, then and now", 1, 40)
    rows = [(str(s.tooth), s.before or "not staged", s.now or "not staged") for s in since.stages]
    grid(pdf, ("tooth", f"stage {since.date}", "stage at this visit"), rows, (15, 40, 40))
    text(pdf, "A stage may differ because more was measured, not because the disease moved.", 7)
