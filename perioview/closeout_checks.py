"""The single checks of the close-out: what each kind of gap is."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import Any

from perioview.chart import (
    Chart,
    ChartRow,
    attachment,
    is_done,
    is_extraction,
    leaves_no_deed,
)
from perioview.chart_decision import AGREED, FILM_AFTER
from perioview.chart_rules import data_table, finding_kinds, finding_name, needs_decision
from perioview.criteria import ToothAssessment
from perioview.procedure import pack_count
from perioview.teeth import Tooth
from perioview.visit import PhotoResult, Visit


@dataclass(frozen=True, slots=True)
class Gap:
    """One thing not done, not recorded or not proved.

    Parameters
    ----------
    tooth : int or None
        None for what belongs to the whole animal.
    kind : str
        One of `KINDS`.
    sentence : str
        What is open, to be read aloud.
    screen : str
        Where it is mended: ``chart``, ``radiographs``, ``photos`` or ``procedure``.
    target : str
        The site, file or step there; empty for the tooth itself.
    """

    tooth: int | None
    kind: str
    sentence: str
    screen: str
    target: str = ""


@dataclass(frozen=True, slots=True)
class Mouth:
    """What the checks of one visit look at."""

    visit: Visit
    chart: Chart
    species: str
    weight_kg: float | None
    filmed: frozenset[int]
    filmed_after: frozenset[int]
    assessments: dict[int, ToothAssessment]
    outlined: frozenset[int] = frozenset()


def _words(of: Tooth) -> str:
    return f"{of.number}, {of.words}"


def examination_gaps(mouth: Mouth, of: Tooth) -> Iterable[Gap]:
    """Not examined, not probed, or at too few sites."""
    chart, status = mouth.chart, mouth.chart.status(of.number)
    if status in ("missing", "unerupted", "extracted"):
        return
    if not chart.of(of.number) or status == "not_examined":
        yield Gap(of.number, "not_examined", f"{_words(of)}: not examined.", "chart")
        return
    if chart.within_normal(of.number):
        return
    fewest = data_table("chart.toml")["probing"]["fewest_sites"]
    sites = {row.site for row in chart.probed(of.number)}
    if not sites:
        yield Gap(of.number, "not_probed", f"{_words(of)}: not probed.", "chart")
    elif len(sites) < fewest:
        yield Gap(
            of.number,
            "partly_probed",
            f"{_words(of)}: probed at {len(sites)} of at least {fewest} sites.",
            "chart",
        )


def absent_gaps(mouth: Mouth, of: Tooth) -> Iterable[Gap]:
    """Called missing or unerupted, yet measured on a film or outlined: a wrong number."""
    status = mouth.chart.status(of.number)
    if status not in ("missing", "unerupted"):
        return
    found = mouth.assessments.get(of.number)
    seen = ["measured on a film"] * bool(found is not None and found.bone_loss_pct.known)
    seen += ["outlined on a photo"] * (status == "missing" and of.number in mouth.outlined)
    if seen:
        yield Gap(
            of.number,
            "absent_but_measured",
            f"{_words(of)}: called {status}, yet {' and '.join(seen)}; correct the chart or the "
            "number there.",
            "chart",
        )


def film_gaps(mouth: Mouth, of: Tooth) -> Iterable[Gap]:
    """On no film, or called missing or unerupted without one."""
    status = mouth.chart.status(of.number)
    if of.number in mouth.filmed or _extracted(mouth.chart, of.number):
        return
    if status in ("missing", "unerupted"):
        below = (
            "a root or an unerupted tooth may lie below"
            if status == "missing"
            else ("its position and a cyst cannot be seen without one")
        )
        yield Gap(
            of.number,
            f"{status}_without_film",
            f"{_words(of)}: called {status}, no film of the place; {below}.",
            "radiographs",
        )
        return
    yield Gap(of.number, "not_filmed", f"{_words(of)}: on no film.", "radiographs")


def margin_gaps(mouth: Mouth, of: Tooth) -> Iterable[Gap]:
    """A pocket whose margin was not measured where that keeps the tooth from being staged.

    What a film still to be marked would settle is no gap: that can be done when they are awake.
    """
    found = mouth.assessments.get(of.number)
    if found is None or found.stage is not None or not found.pocket_beyond_normal:
        return
    if any("margin" in need for need in found.missing):
        yield Gap(
            of.number,
            "margin_not_measured",
            f"{_words(of)}: pocket of {found.deepest_pocket_mm:g} mm, gum margin not measured; "
            "attachment loss and enlarged gum cannot be told apart.",
            "chart",
            found.deepest_site,
        )


def _decided(chart: Chart, number: int) -> tuple[ChartRow, ...]:
    return tuple(r for r in chart.of(number) if r.decision.strip())


def _extracted(chart: Chart, number: int) -> bool:
    if chart.status(number) == "extracted":
        return True
    rows = chart.of(number)
    return any(
        is_done(r.done) and (is_extraction(r.done) or is_extraction(r.decision)) for r in rows
    )


def findings_to_decide(
    chart: Chart,
    number: int,
    species: str,
    weight_kg: float | None = None,
    assessed: ToothAssessment | None = None,
) -> tuple[str, ...]:
    """What of a tooth asks for a decision, in words."""
    kinds = finding_kinds()
    told = []
    for finding in chart.findings(number):
        if needs_decision(finding):
            name, value = finding_name(finding), finding.partition("=")[2].strip()
            told.append(f"{kinds[name].words} {value}".strip() if name in kinds else finding)
    for field in ("furcation", "mobility"):
        grade = chart.worst(number, field)
        if grade:
            told.append(f"{field} {grade}")
    pockets = [
        row.probing_depth_mm or 0.0
        for row in chart.probed(number)
        if attachment(row, species, weight_kg).beyond_normal
    ]
    if pockets:
        told.append(f"pocket {max(pockets):g} mm")
    if assessed is not None and assessed.stage in ("2", "3", "4"):
        told.append(f"stage {assessed.stage}")
    return tuple(told)


def decision_gaps(mouth: Mouth, of: Tooth) -> Iterable[Gap]:
    """A finding of which nobody said what follows."""
    if _decided(mouth.chart, of.number) or _extracted(mouth.chart, of.number):
        return
    told = findings_to_decide(
        mouth.chart,
        of.number,
        mouth.species,
        mouth.weight_kg,
        mouth.assessments.get(of.number),
    )
    if told:
        yield Gap(
            of.number,
            "finding_without_decision",
            f"{_words(of)}: {', '.join(told)}; nothing decided.",
            "chart",
        )


def deed_gaps(mouth: Mouth, of: Tooth) -> Iterable[Gap]:
    """Decided and not agreed, not done, or done without its proof."""
    chart, number = mouth.chart, of.number
    extracted = _extracted(chart, number)
    asks_consent = AGREED in chart.columns
    for row in _decided(chart, number):
        if asks_consent and is_extraction(row.decision) and not row.extra_value(AGREED):
            yield Gap(
                number,
                "decision_not_agreed",
                f"{_words(of)}: '{row.decision}', the owner's agreement is not recorded.",
                "chart",
                row.site,
            )
        # Decided before scaling, done after it: the deed stands in the other pass.
        others = [r.done for r in chart.of(number) if r.done and not r.decision]
        settled = any(map(is_done, [row.done, *others])) or leaves_no_deed(row.decision)
        if not settled and not (is_extraction(row.decision) and extracted):
            yield Gap(
                number,
                "decision_not_done",
                f"{_words(of)}: decided '{row.decision}', not done.",
                "chart",
                row.site,
            )
    if extracted and number not in mouth.filmed_after and not _film_named(mouth, number):
        yield Gap(
            number,
            "extraction_without_film",
            f"{_words(of)}: extracted, no film after it shows that no root is left.",
            "radiographs",
        )


def _film_named(mouth: Mouth, number: int) -> bool:
    """Whether the chart names a film of the visit as the one taken afterwards."""
    files = {PurePosixPath(str(r.get("file", ""))).name for r in mouth.visit.images}
    named = {PurePosixPath(r.extra_value(FILM_AFTER)).name for r in mouth.chart.of(number)}
    return bool(files & (named - {""}))


def pack_gaps(visit: Visit) -> Iterable[Gap]:
    """A pharyngeal pack that may still be there."""
    packs = pack_count(visit.steps)
    if packs.all_out:
        return
    if packs.placed is None:
        told = "nothing recorded about a pharyngeal pack; look, and count it out or record none"
    else:
        told = f"pharyngeal packs: {packs.placed} in, {packs.removed or 0} counted out"
    yield Gap(None, "pack_not_out", f"{told}.", "procedure", "pack_out")


def file_gaps(strays: Iterable[tuple[str, str]]) -> Iterable[Gap]:
    """Marks or tooth regions that the visit is read without: what was measured on another name.

    Parameters
    ----------
    strays : iterable of (str, str)
        File below the visit folder, and what is wrong with it.
    """
    for file, sentence in strays:
        screen = "photos" if PurePosixPath(file).parts[0] == "regions" else "radiographs"
        yield Gap(None, "file_without_image", f"{file}: {sentence}", screen, file)


def _number(value: Any) -> tuple[float, float]:
    """Percentage and SD of a plaque result, whatever carries them."""
    if value is None:
        return math.nan, math.nan
    return float(getattr(value, "value", value)), float(getattr(value, "sd", math.nan))


def stain_gaps(photos: Sequence[PhotoResult]) -> Iterable[Gap]:
    """Teeth still stained on a photo taken after cleaning."""
    limit = float(data_table("procedure.toml")["closeout"]["residual_stain_pct"])
    for photo in photos:
        if photo.when != "after" or photo.result is None:
            continue
        for region in getattr(photo.result, "teeth", ()):
            pct, sd = _number(getattr(region, "coverage_pct", getattr(region, "coverage", None)))
            if math.isnan(pct) or pct <= limit + (0.0 if math.isnan(sd) else sd):
                continue
            yield Gap(
                int(region.tooth),
                "stain_left",
                f"{region.tooth}: {pct:.0f} % still stained on {PurePosixPath(photo.file).name}.",
                "photos",
                photo.file,
            )
