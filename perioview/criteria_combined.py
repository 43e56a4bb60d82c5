"""How the criteria of a tooth are combined: the worst decides, and how sure that is."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from perioview.chart import Chart
from perioview.chart_rules import data_table
from perioview.criteria_evidence import BANDS, Evidence


def combined_stage(
    evidence: Sequence[Evidence], unexplained_pocket: bool = False
) -> tuple[str | None, str | None, tuple[str, ...], tuple[str, ...]]:
    """Stage by the worst criterion, or what is missing for one.

    Parameters
    ----------
    evidence : sequence of Evidence
        At most one per criterion.
    unexplained_pocket : bool
        A pocket beyond normal whose margin was not measured: it may be attachment loss.

    Returns
    -------
    stage, at_least, decided_by, missing
        As in `ToothAssessment`.
    """
    by_name = {e.criterion: e for e in evidence}
    loss = [e for e in evidence if e.criterion != "gingivitis"]
    worst = max((BANDS.index(e.at_least) for e in loss), default=0)
    gum = by_name.get("gingivitis")
    low: str | None = BANDS[worst] if worst else (gum.at_least if gum else None)
    attachment = [e for e in loss if e.criterion != "furcation" and e.stage is not None]
    if worst < 3 and not attachment:
        return None, low, (), _attachment_needs(by_name, unexplained_pocket)
    if worst == 0 and unexplained_pocket:
        return None, low, (), ("the gum margin at the pocket beyond normal",)
    if worst == 1 and any(e.stage is None for e in loss) and not _film_says(by_name, "2"):
        return None, low, (), ("the root's length in mm",)
    if worst:
        return BANDS[worst], low, _deciders(evidence, BANDS[worst]), ()
    if gum is None:
        return "0-1", low, _deciders(evidence, "0-1"), ("gingivitis",)
    others = _deciders(evidence, "0-1") if gum.at_least == "0" else ()
    return gum.at_least, low, (*others, "gingivitis"), ()


def _film_says(by_name: Mapping[str, Evidence], stage: str) -> bool:
    return "radiograph" in by_name and by_name["radiograph"].stage == stage


def _attachment_needs(by_name: Mapping[str, Evidence], pocket: bool) -> tuple[str, ...]:
    if "clinical_attachment" in by_name:
        return ("the root's length in mm",)
    if pocket:
        return ("the gum margin at the pocket beyond normal or a measured radiograph",)
    return ("probing or a measured radiograph",)


def _deciders(evidence: Sequence[Evidence], stage: str) -> tuple[str, ...]:
    order = data_table("criteria.toml")["order"]["criteria"]
    found = [e.criterion for e in evidence if e.at_least == stage and e.criterion != "gingivitis"]
    return tuple(sorted(found, key=order.index))


def stage_probability(evidence: Sequence[Evidence], stage: str | None) -> dict[str, float] | None:
    """Distribution of the worst criterion, the criteria's errors taken as independent.

    The worst of several uncertain readings lies high as a rule: it errs toward the higher stage.
    None when not staged, or when a criterion has no number behind it.
    """
    loss = [e for e in evidence if e.criterion != "gingivitis"]
    if stage is None or any(e.probability is None for e in loss):
        return None
    cumulative = [1.0] * len(BANDS)
    for e in loss:
        mass = e.probability or {}
        total = 0.0
        for i, band in enumerate(BANDS):
            total += mass.get(band, 0.0)
            cumulative[i] *= min(total, 1.0)
    shares = [c - (cumulative[i - 1] if i else 0.0) for i, c in enumerate(cumulative)]
    gum = next((e.at_least for e in evidence if e.criterion == "gingivitis"), None)
    first = {"0-1": shares[0]} if gum is None else {s: shares[0] * (s == gum) for s in ("0", "1")}
    return {**first, **dict(zip(BANDS[1:], shares[1:], strict=True))}


def is_borderline(
    evidence: Sequence[Evidence],
    stage: str | None,
    probability: dict[str, float] | None,
    unsafe: bool,
) -> bool | None:
    """Whether another stage is nearly as likely, or the length behind the stage is unsafe."""
    if stage is None:
        return None
    least = data_table("criteria.toml")["certainty"]["borderline_below"]
    unsure = probability is not None and probability[stage] < least
    # Gingivitis splits a band that film and probe know undivided.
    band = BANDS[0] if stage in ("0", "1") else stage
    return unsafe or unsure or any(e.borderline for e in evidence if e.at_least == band)


def disagreements(
    evidence: Sequence[Evidence], pocket: bool, chart: Chart, number: int
) -> tuple[str, ...]:
    """Where two criteria, or two findings, tell different stories, in sentences."""
    by_name = {e.criterion: e for e in evidence}
    film, probe = by_name.get("radiograph"), by_name.get("clinical_attachment")
    told = []
    if film and probe and film.stage and probe.stage and film.stage != probe.stage:
        told.append(f"radiograph says stage {film.stage}, probing says {probe.stage}")
    elif film and probe and film.stage == "0-1" and probe.at_least != "0-1":
        told.append("attachment is lost by probing, the radiograph shows no more than normal")
    if film and film.stage == "0-1" and pocket:
        told.append(
            "a pocket beyond normal where the radiograph shows no loss: enlarged gum, or loss on "
            "a side no film shows"
        )
    told += list(_furcation_disagreements(by_name))
    if any(r.bleeding for r in chart.of(number)) and chart.worst(number, "gingivitis_index") == 0:
        told.append("bleeding on probing, yet gingivitis 0")
    return tuple(told)


def _furcation_disagreements(by_name: Mapping[str, Evidence]) -> Iterator[str]:
    film, probed = by_name.get("radiograph"), by_name.get("furcation")
    exposed = film is not None and "furcation_exposed" in film.flags
    if exposed and (probed is None or probed.at_least == "0-1"):
        yield "the radiograph shows the furcation exposed, none was probed"
    if probed is None:
        return
    # A furcation can be entered only where attachment is lost (AVDC), so a lower stage beside it
    # was measured elsewhere or wrongly.
    for name, words in (("radiograph", "the radiograph"), ("clinical_attachment", "probing")):
        other = by_name.get(name)
        if other and other.stage and BANDS.index(probed.at_least) > BANDS.index(other.stage):
            told = f"{probed.reason} means at least stage {probed.at_least}"
            yield f"{told}, {words} says {other.stage}"
