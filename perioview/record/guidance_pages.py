"""The report's pages on what was seen awake, what may be considered, and what was decided."""

from __future__ import annotations

from typing import Any

from perioview.awake import awake_caution
from perioview.care import STANDING
from perioview.closeout import closeout_lines
from perioview.record.findings import Findings
from perioview.record.pages import grid, heading, text


def awake_page(pdf: Any, found: Findings) -> None:
    """Write what was seen awake and the provisional stages; nothing where nobody looked."""
    if not any(f.text for f in found.awake.findings) and not found.stage_pairs:
        return
    heading(pdf, "Awake, before anaesthesia")
    for f in found.awake.findings:
        if f.text:
            text(pdf, f"{f.words}: {f.text}", 8)
    if found.awake.not_examined:
        text(pdf, f"Not looked at awake: {', '.join(found.awake.not_examined)}.", 8)
    for pair in found.stage_pairs:
        text(pdf, pair.sentence, 8)
    if found.stage_pairs:
        text(pdf, awake_caution(), 7.5)


def _options(pdf: Any, found: Findings) -> None:
    """Options by name, so that what is published about one is told once."""
    heading(pdf, "Options to consider", room=45)
    text(pdf, STANDING, 8)
    rows: dict[tuple[str, str, str, str], dict[str, list[str]]] = {}
    for o in found.options:
        asks = f" (ask: {', '.join(o.asks)})" if o.asks else ""
        told = rows.setdefault((o.name, o.sentence, o.source, o.limits), {})
        told.setdefault(f"{', '.join(o.because)}{asks}", []).append(str(o.tooth))
    grid(
        pdf,
        ("option", "teeth, because of", "what is published", "source and limits"),
        [
            (
                name,
                "\n".join(f"{', '.join(n)}: {why}" for why, n in told.items()),
                sentence,
                f"{source}. {limits}",
            )
            for (name, sentence, source, limits), told in rows.items()
        ],
        (24, 60, 54, 42),
    )


def guidance_pages(pdf: Any, found: Findings) -> None:
    """Write options, cautions, what was decided and done, and what is still open."""
    if found.options:
        _options(pdf, found)
    if found.cautions:
        heading(pdf, "Cautions")
        teeth: dict[tuple[str, str], list[str]] = {}
        for c in found.cautions:
            teeth.setdefault((c.sentence, c.source), []).append(str(c.tooth))
        for (sentence, source), numbers in teeth.items():
            text(pdf, f"{', '.join(numbers)}: {sentence} ({source})", 8)
    if found.courses:
        heading(pdf, "Decided, agreed, done")
        rows = [
            (
                str(c.tooth), c.decision or "-", c.agreed or "not recorded", c.done or "open",
                c.film_after or ("none" if c.extracted else "-"),
            )
            for c in found.courses
        ]  # fmt: skip
        grid(pdf, ("tooth", "decision", "agreed", "done", "film after"), rows, (12, 40, 44, 46, 38))
    if found.gaps:
        heading(pdf, "Still open")
        for line in closeout_lines(found.gaps)[1:]:
            text(pdf, ("   • " + line.strip()) if line.startswith(" ") else line, 8)
