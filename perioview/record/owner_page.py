"""The owner's page: plain words, their pet's own pictures, the plan; HTML and PDF."""

from __future__ import annotations

import base64
import datetime as dt
import io
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from html import escape
from typing import Any

from perioview.chart import Chart
from perioview.home_care import HomePlan, home_care_rules, home_plan
from perioview.record.findings import Findings
from perioview.record.mouth_map import mouth_picture, mouth_svg
from perioview.record.picture import annotated, jpeg
from perioview.record.visit_faults import day_from
from perioview.teeth import tooth
from perioview.visit import Radiograph

PLAIN_STAGE = {
    "0": "healthy gums",
    "1": "sore gums, but the bone is still there",
    "0-1": "no bone loss seen on the X-ray",
    "2": "a little of the bone around the tooth is gone",
    "3": "a good part of the bone around the tooth is gone",
    "4": "more than half of the bone around the tooth is gone",
}
NO_XRAY = "no loss found with the probe"


@dataclass(frozen=True, slots=True)
class OwnerPicture:
    """A picture as JPEG, what it shows, and how to read it."""

    data: bytes
    alt: str
    caption: str


@dataclass(frozen=True, slots=True)
class OwnerPage:
    """What the page says, before it is set as HTML or PDF."""

    pet: str
    date: dt.date
    practice: str
    found: tuple[str, ...]
    done: tuple[str, ...]
    open: tuple[str, ...]
    plan: HomePlan
    pictures: tuple[OwnerPicture, ...]
    map_svg: str
    map_picture: bytes


def _visit_date(found: Findings) -> dt.date:
    return day_from(found.examination.visit.visit.get("date")) or dt.date.today()


def _name(number: int, species: str) -> str:
    words = tooth(number, species).words
    plain = words.replace("maxillary", "upper").replace("mandibular", "lower")
    return f"{plain} (tooth {number})"


def _names(numbers: Iterable[int], species: str) -> str:
    return "; ".join(_name(n, species) for n in numbers)


def _teeth(count: int) -> str:
    return "1 tooth" if count == 1 else f"{count} teeth"


def _cleaned(found: Findings) -> bool:
    visit = found.examination.visit
    steps = [str(s.get("name", "")).lower() for s in visit.steps if s.get("done")]
    return visit.visit.get("kind") == "cleaning" or any("scaling" in n for n in steps)


def _sentences(found: Findings) -> tuple[str, ...]:
    species = found.examination.species
    lines = []
    for stage in ("4", "3", "2"):
        of_stage = [a.tooth for a in found.assessments if a.stage == stage]
        if of_stage:
            lines.append(f"{PLAIN_STAGE[stage].capitalize()}: {_names(of_stage, species)}.")
    for stage in ("1", "0-1", "0"):
        for words, count in _plain_counts(found, stage).items():
            lines.append(f"{_teeth(count)}: {words}.")
    if not lines and any(a.evidence or a.status or a.findings for a in found.assessments):
        lines.append("We examined the teeth; how far each is affected is not settled yet.")
    return tuple(lines) or ("No tooth has been measured yet.",)


def _plain_counts(found: Findings, stage: str) -> dict[str, int]:
    """How many teeth are of a stage, by what the owner is told of them."""
    counts: dict[str, int] = {}
    for a in found.assessments:
        if a.stage == stage:
            # Found with the probe alone, it was seen on no X-ray.
            unseen = stage == "0-1" and a.said_by("radiograph") is None
            words = NO_XRAY if unseen else PLAIN_STAGE[stage]
            counts[words] = counts.get(words, 0) + 1
    return counts


def _plaque_line(found: Findings) -> tuple[str, ...]:
    """One sentence for all photos before the cleaning, one for all after it."""
    lines = []
    for when in ("before", "after"):
        results = [p.result for p in found.examination.photos if p.result and p.when == when]
        # Without any dye in view a photo says nothing: it may never have been stained.
        results = [r for r in results if not all("no_dye" in t.flags for t in r.teeth)]
        teeth = [t for r in results for t in r.teeth if t.coverage.known]
        seen = sum(t.region_px - t.glare_px for t in teeth)
        if seen:
            covered = 100 * sum(t.stained_px for t in teeth) / seen
            photos = "photo" if len(results) == 1 else "photos"
            lines.append(
                f"{when.capitalize()} the cleaning, plaque covered {covered:.0f} % of the "
                f"teeth in the {photos}."
            )
    return tuple(lines)


def _since_lines(found: Findings) -> tuple[str, ...]:
    """Which teeth lost bone since the earlier visit, beyond what repeated marking explains."""
    if found.since is None:
        return ()
    day = day_from(found.since.date)
    when = f"since {_day(day)}" if day else "since the visit before"
    worse: dict[int, bool] = {}
    for site in found.since.json_object()["sites"]:
        if site["change_pct"] is not None:
            lost = bool(site["detectable"]) and site["change_pct"] > 0
            worse[site["tooth"]] = worse.get(site["tooth"], False) or lost
    species = found.examination.species
    lines = []
    if lost_more := [n for n, lost in worse.items() if lost]:
        lines.append(f"More bone was lost {when}: {_names(lost_more, species)}.")
    if steady := [n for n, lost in worse.items() if not lost]:
        lines.append(f"No sure sign of more bone loss {when}: {_names(steady, species)}.")
    return tuple(lines)


def _open_decisions(found: Findings) -> tuple[str, ...]:
    """What was decided and is not done yet, in the clinician's words."""
    undone = {g.tooth for g in found.gaps if g.kind == "decision_not_done"}
    species = found.examination.species
    lines = []
    for course in found.courses:
        if course.tooth in undone and course.decision:
            name = _name(course.tooth, species)
            lines.append(f"{name[0].upper()}{name[1:]}: {course.decision}.")
    return tuple(lines)


def _pictures(found: Findings, pet: str, drawn: Mapping[str, Any]) -> tuple[OwnerPicture, ...]:
    """The two X-rays with the most bone lost, and two photos."""

    def lost(radiograph: Radiograph) -> float:
        known = [t.bone_loss_pct for t in radiograph.teeth if t.bone_loss_pct.known]
        return max((m.value for m in known), default=-math.inf)

    shown = []
    exam = found.examination
    for r in sorted((r for r in exam.radiographs if r.teeth), key=lost, reverse=True)[:2]:
        alt = f"X-ray of {pet}'s teeth with our measurements: {r.image.name}"
        picture = drawn[r.file] if r.file in drawn else annotated(r)
        shown.append(OwnerPicture(jpeg(picture, 80), alt, XRAY.format(pet)))
    for photo in [p for p in exam.photos if p.result is not None][:2]:
        from perioview.plaque_overlay import overlay

        alt = f"Photo of {pet}'s teeth {photo.when} the cleaning, plaque marked"
        picture = overlay(photo.image, photo.regions, photo.result)
        shown.append(OwnerPicture(jpeg(picture, 80), alt, PHOTO.format(pet, photo.when)))
    return tuple(shown)


def _deeds(found: Findings, rules: dict[str, Any]) -> list[str]:
    """What was done and matters to an owner, each said once."""
    names = [str(s.get("name", "")).lower() for s in found.examination.visit.steps if s.get("done")]
    return [
        row["text"]
        for row in rules.get("deed", ())
        if any(word in name for word in row["words"] for name in names)
    ]


def owner_page(
    found: Findings,
    rules: dict[str, Any] | None = None,
    pictures: Mapping[str, Any] | None = None,
) -> OwnerPage:
    """Gather what the owner is told.

    Parameters
    ----------
    found : Findings
    rules : dict, optional
        A practice's own home care rules.
    pictures : mapping of str to ndarray, optional
        Annotated radiographs by file, where they are drawn already.
    """
    exam = found.examination
    chart = exam.chart or Chart()
    rules = rules or home_care_rules()
    stages = [a.stage for a in found.assessments]
    plan = home_plan(_visit_date(found), chart, stages, rules, cleaned=_cleaned(found))
    done = []
    if plan.wound_teeth:
        names = _names(plan.wound_teeth, exam.species)
        done.append(f"We took out {_teeth(len(plan.wound_teeth))}: {names}.")
    if plan.operated:
        said = rules["wound"].get("text", "We operated on the gum")
        done.append(f"{said}: {_names(plan.operated, exam.species)}.")
    done += _deeds(found, rules)
    name = str(exam.visit.patient.get("name", ""))
    pet = (name.split("^")[1] if "^" in name else name).strip() or "Your pet"
    known = any(a.stage or a.status for a in found.assessments)
    return OwnerPage(
        pet,
        _visit_date(found),
        str(exam.visit.visit.get("practice", "")),
        (*_sentences(found), *_since_lines(found), *_plaque_line(found)),
        tuple(done),
        _open_decisions(found),
        plan,
        _pictures(found, pet, pictures or {}),
        mouth_svg(found.map_shapes) if known else "",
        jpeg(mouth_picture(found.map_shapes, 1), 85) if known else b"",
    )


_STYLE = """
:root { color-scheme: light }
body { font: 1.05rem/1.55 system-ui, 'DejaVu Sans', sans-serif; color: #1b1b1b; background: #fff;
  max-width: 44rem; margin: 0 auto; padding: 1rem; overflow-wrap: anywhere }
h1 { font-size: 1.7rem; line-height: 1.2 } h2 { font-size: 1.25rem; margin-top: 2rem }
h3 { font-size: 1.05rem; margin: 1.1rem 0 .2rem } p { margin: .2rem 0 .6rem }
figure { margin: 0 0 1.2rem } figcaption { font-size: .95rem }
img, svg { max-width: 100%; height: auto; display: block; margin: .8rem 0 }
.when { font-size: 1.15rem; font-weight: 600 }
.note { border-top: 1px solid #555; margin-top: 2rem; padding-top: .6rem; font-size: .95rem }
@page { margin: 16mm }
@media print { body { max-width: none; padding: 0; font-size: 11pt }
  h2, h3 { break-after: avoid } img, svg, li { break-inside: avoid } svg { max-width: 12cm }
  img { max-height: 11cm; width: auto } }
"""
XRAY = (
    "X-ray of {}’s teeth. The numbers say how much of each root has lost its bone, and how far "
    "the number may be off."
)
PHOTO = "Photo of {}’s teeth {} the cleaning. Plaque is coloured in, with its share of each tooth."
MAP_WORDS = (
    "Each circle is a tooth, seen from in front: your pet’s right side is on the left. "
    "The number in a circle is the stage: 1 means sore gums, 2 a little bone lost, 3 a good part, "
    "4 more than half. The brown part of a root still stands in bone; the white part has lost it. "
    "Dotted roots were not measured."
)
OPEN_HEADING = "What is still to be done"
OPEN_CLOSING = "Please ask us about it."
CLOSING = (
    "X-rays show less bone loss than there is, and stain shows nothing below the gum. "
    "Ask us whenever you are unsure, and call at once if your pet stops eating, bleeds or swells."
)


def _day(day: dt.date) -> str:
    return f"{day.day} {day:%B %Y}"


def _recheck_text(page: OwnerPage) -> list[str]:
    days = [f"{_day(r.first)} to {_day(r.last)}: {r.text}." for r in page.plan.rechecks]
    return days or ["We will tell you when to come back."]


def owner_html(page: OwnerPage) -> str:
    """Write the page as one self-contained HTML file."""
    pet = escape(page.pet)

    def listed(lines: tuple[str, ...]) -> str:
        return "<ul>" + "".join(f"<li>{escape(x)}</li>" for x in lines) + "</ul>"

    parts = [
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>{pet}: teeth</title>'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<style>{_STYLE}</style></head><body><main>",
        f"<h1>{pet}’s teeth</h1><p>{_day(page.date)}"
        + (f", {escape(page.practice)}" if page.practice else "")
        + "</p>",
        "<h2>What we found</h2>" + listed(page.found),
    ]
    if page.done:
        parts.append("<h2>What we did</h2>" + listed(page.done))
    if page.open:
        asked = f"<p>{escape(OPEN_CLOSING)}</p>"
        parts.append(f"<h2>{OPEN_HEADING}</h2>" + listed(page.open) + asked)
    parts.append("<h2>What you can do at home</h2>")
    parts += [f"<h3>{escape(a.title)}</h3><p>{escape(a.text)}</p>" for a in page.plan.advice]
    parts.append("<h2>When we want to see you again</h2>")
    parts += [f'<p class="when">{escape(t)}</p>' for t in _recheck_text(page)]
    if page.pictures:
        parts.append(f"<h2>{pet}’s own pictures</h2>")
    for p in page.pictures:
        code = base64.b64encode(p.data).decode()
        parts.append(
            f'<figure><img alt="{escape(p.alt)}" src="data:image/jpeg;base64,{code}">'
            f"<figcaption>{escape(p.caption)}</figcaption></figure>"
        )
    if page.map_svg:
        parts.append(f"<h2>Map of the mouth</h2><p>{escape(MAP_WORDS)}</p>" + page.map_svg)
    parts.append(f'<p class="note">{escape(CLOSING)}</p></main></body></html>\n')
    return "\n".join(parts)


def _picture(pdf: Any, picture: OwnerPicture) -> None:
    from PIL import Image

    from perioview.record.pages import text

    wide, high = Image.open(io.BytesIO(picture.data)).size
    width = min(120.0, 95.0 * wide / high)
    # The caption stays with its picture.
    if pdf.will_page_break(width * high / wide + 12):
        pdf.add_page()
    pdf.image(io.BytesIO(picture.data), w=width, x=(210 - width) / 2, alt_text=picture.alt)
    pdf.ln(1)
    text(pdf, picture.caption, 9)
    pdf.ln(3)


def owner_pdf(page: OwnerPage) -> bytes:
    """Write the page as PDF."""
    from perioview.record.pages import document, heading, text

    pdf = document()
    pdf.running = f"{page.pet}  {page.date}"
    pdf.set_title(f"{page.pet}: teeth")
    pdf.add_page()
    heading(pdf, f"{page.pet}’s teeth, {_day(page.date)}")
    if page.practice:
        text(pdf, page.practice, 10)
    for title, lines in (("What we found", page.found), ("What we did", page.done)):
        if lines:
            heading(pdf, title)
        for line in lines:
            text(pdf, "• " + line, 10)
    if page.open:
        heading(pdf, OPEN_HEADING)
        for line in page.open:
            text(pdf, "• " + line, 10)
        text(pdf, OPEN_CLOSING, 10)
    heading(pdf, "What you can do at home")
    for a in page.plan.advice:
        heading(pdf, a.title, 1)
        text(pdf, a.text, 10)
    heading(pdf, "When we want to see you again")
    for line in _recheck_text(page):
        text(pdf, line, 11)
    if page.pictures:
        heading(pdf, f"{page.pet}’s own pictures", room=105)
    for picture in page.pictures:
        _picture(pdf, picture)
    if page.map_picture:
        heading(pdf, "Map of the mouth", room=145)
        text(pdf, MAP_WORDS, 9)
        pdf.image(io.BytesIO(page.map_picture), w=110, x=50, alt_text="Every tooth and its bone")
    text(pdf, CLOSING, 9)
    for line in pdf.letter_warnings():
        text(pdf, f"Note: {line}", 7)
    return bytes(pdf.output())
