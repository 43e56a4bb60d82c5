"""Before you wake them: every gap of the visit, each with the tooth and where to go."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from pathlib import PurePosixPath
from typing import Any

from perioview.chart import Chart
from perioview.closeout_checks import (
    Gap,
    Mouth,
    absent_gaps,
    decision_gaps,
    deed_gaps,
    examination_gaps,
    film_gaps,
    margin_gaps,
    pack_gaps,
    stain_gaps,
)
from perioview.criteria import ToothAssessment
from perioview.teeth import Tooth, teeth
from perioview.visit import PhotoResult, Radiograph, Visit

__all__ = ["KINDS", "Gap", "closeout_lines", "gaps", "next_gap"]

# In the order in which they are shown: what cannot be made good once awake comes first.
KINDS = (
    "pack_not_out",
    "not_examined",
    "not_probed",
    "partly_probed",
    "margin_not_measured",
    "absent_but_measured",
    "not_filmed",
    "missing_without_film",
    "unerupted_without_film",
    "finding_without_decision",
    "decision_not_agreed",
    "decision_not_done",
    "extraction_without_film",
    "stain_left",
)


def gaps(
    visit: Visit,
    chart: Chart | None,
    radiographs: Sequence[Radiograph] = (),
    photos: Sequence[PhotoResult] = (),
    assessments: Sequence[ToothAssessment] = (),
    species: str | None = None,
) -> tuple[Gap, ...]:
    """Every gap of a visit, the most urgent kind first, teeth in the order of the mouth.

    Parameters
    ----------
    visit : Visit
        Teeth on each film, photos, steps. With ``asleep = false`` only decisions are looked at.
    chart : Chart or None
        None when nothing was charted.
    radiographs : sequence of Radiograph
        Their marks also show which teeth are on film.
    photos : sequence of PhotoResult
        Those taken after cleaning are searched for stain.
    assessments : sequence of ToothAssessment
        As `criteria.tooth_stages` returns them.
    species : str, optional
        Of the visit by default.

    Returns
    -------
    tuple of Gap
        Empty when nothing is open. An image taken after an extraction is known by
        ``when = "after"`` or by a view that says so; a chart may name it in ``film_after``.
    """
    kind = species or visit.species or "dog"
    weight = visit.patient.get("weight_kg")
    mouth = Mouth(
        visit,
        chart or Chart(),
        kind,
        float(weight) if isinstance(weight, int | float) else None,
        _filmed(visit, radiographs, after=False),
        _filmed(visit, radiographs, after=True),
        {a.tooth: a for a in assessments},
        frozenset(t.tooth for p in photos if p.result is not None for t in p.result.teeth),
    )
    asleep = visit.visit.get("asleep") is not False
    found: list[Gap] = []
    for of in _expected(mouth):
        if asleep:
            found += _look(mouth, of, (examination_gaps, margin_gaps, film_gaps))
        found += _look(mouth, of, (absent_gaps, decision_gaps, deed_gaps))
    if asleep:
        found += [*pack_gaps(visit), *stain_gaps(photos)]
    return tuple(sorted(found, key=lambda g: KINDS.index(g.kind)))


def _look(
    mouth: Mouth, of: Tooth, checks: Iterable[Callable[[Mouth, Tooth], Iterable[Gap]]]
) -> list[Gap]:
    return [gap for check in checks for gap in check(mouth, of)]


def _expected(mouth: Mouth) -> tuple[Tooth, ...]:
    """Permanent teeth, less those whose deciduous tooth still stands for them, and these."""
    charted = set(mouth.chart.teeth())
    young = [t for t in teeth(mouth.species, deciduous=True) if t.number in charted]
    standing = {t.number - 400 for t in young if mouth.chart.status(t.number) == "present"}
    grown = [t for t in teeth(mouth.species) if t.number in charted or t.number not in standing]
    return (*grown, *young)


def _is_after(row: Any) -> bool:
    view = str(row.get("view", "")).casefold().replace("-", " ").split()
    return row.get("when") == "after" or bool({"after", "post", "postoperative"} & set(view))


def _filmed(visit: Visit, radiographs: Sequence[Radiograph], *, after: bool) -> frozenset[int]:
    files = {str(r.get("file", "")) for r in visit.images if _is_after(r) or not after}
    said = {int(t) for r in visit.images if str(r.get("file", "")) in files for t in _teeth_of(r)}
    names = {PurePosixPath(f).name for f in files}
    marked = {
        t.tooth
        for film in radiographs
        if not after or PurePosixPath(film.file).name in names
        for t in film.judged
    }
    return frozenset(said | marked)


def _teeth_of(row: Any) -> list[int]:
    named = row.get("teeth", [])
    return [t for t in named if isinstance(t, int)] if isinstance(named, list | tuple) else []


def closeout_lines(found: Sequence[Gap]) -> list[str]:
    """The close-out as lines of text, grouped by kind; one line when nothing is open.

    Where many teeth share a kind that a number says all about, the numbers stand in one line.
    """
    if not found:
        return ["before you wake them: nothing is open."]
    lines = [f"before you wake them: {len(found)} open."]
    # What the folder shows and no check of the mouth, such as stray marks, comes after these.
    for kind in dict.fromkeys((*KINDS, *(g.kind for g in found))):
        of_kind = [g for g in found if g.kind == kind]
        if len(of_kind) > 3 and kind in ("not_examined", "not_probed", "not_filmed"):
            numbers = ", ".join(str(g.tooth) for g in of_kind)
            lines.append(f"{kind.replace('_', ' ')} ({len(of_kind)}): {numbers}")
        elif of_kind:
            lines.append(f"{kind.replace('_', ' ')} ({len(of_kind)})")
            lines += [f"  {g.sentence}" for g in of_kind]
    return lines


def next_gap(found: Sequence[Gap], current: Gap | None = None) -> Gap | None:
    """Return the gap to jump to after the current one, round to the first at the end."""
    if not found:
        return None
    if current is None or current not in found:
        return found[0]
    return found[(list(found).index(current) + 1) % len(found)]
