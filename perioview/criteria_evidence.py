"""What each criterion says of a tooth on its own: film, probing, furcation, gingivitis."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from perioview.chart import CAL, Chart, ChartRow, attachment
from perioview.chart_rules import data_table, normal_depth_mm
from perioview.measurement import Measurement, missing, percent_text
from perioview.staging import ToothStage

BANDS = ("0-1", "2", "3", "4")


@dataclass(frozen=True, slots=True)
class Evidence:
    """One criterion's word on one tooth.

    Parameters
    ----------
    criterion : str
        ``radiograph``, ``clinical_attachment``, ``furcation`` or ``gingivitis``.
    stage : str or None
        None when the criterion gives no more than a lower limit.
    at_least : str
        Lowest stage it allows.
    reason : str
        The finding, in words with its numbers.
    probability : dict of str to float, or None
        Over `BANDS`; None when there is no number to be unsure about.
    """

    criterion: str
    stage: str | None
    at_least: str
    reason: str
    probability: dict[str, float] | None = None
    borderline: bool = False
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ToothEvidence:
    """All criteria of one tooth and the numbers behind them."""

    evidence: tuple[Evidence, ...]
    flags: tuple[str, ...]
    unexplained_pocket: bool
    deepest_mm: float | None
    deepest_site: str
    attachment_loss: Measurement
    attachment_loss_pct: Measurement
    bone_loss_pct: Measurement


def root_length_at(tooth: int, site: str, lengths: Mapping[tuple[int, str], float]) -> float | None:
    """Length of the root a probed site lies on; the tooth's shortest where that is not clear.

    Parameters
    ----------
    tooth : int
        Modified Triadan number.
    site : str
        One of the six sites.
    lengths : mapping of (tooth, root) to float
        In mm; root empty when only the tooth's length is known.
    """
    own = {root: mm for (number, root), mm in lengths.items() if number == tooth}
    if not own:
        return None
    end = site.removesuffix("buccal").removesuffix("lingual")[:4]
    near = [mm for root, mm in own.items() if end and root.startswith(end[:4])]
    return min(near or own.values())


def evidence_of_tooth(
    number: int,
    chart: Chart,
    films: Sequence[ToothStage],
    lengths: Mapping[tuple[int, str], float],
    species: str,
    weight_kg: float | None,
) -> ToothEvidence:
    """Collect what every criterion says of one tooth."""
    film = _film(films)
    probed = chart.probed(number)
    cals = [
        (row, attachment(row, species, weight_kg, root_length_at(number, row.site, lengths)))
        for row in probed
    ]
    worst = max(cals, key=lambda rc: _rank(rc[1]), default=None)
    deepest = max(probed, key=lambda r: r.probing_depth_mm or 0.0, default=None)
    probing = _probing(chart, number, cals, species, weight_kg)
    pieces = (
        film and _radiograph(film),
        probing,
        _furcation(chart, number),
        _gingivitis(chart, number),
    )
    flags = [f for _, cal in cals for f in cal.flags if f != "margin_not_measured"]
    if film:
        flags += list(film.flags)
    return ToothEvidence(
        evidence=tuple(e for e in pieces if e),
        flags=tuple(dict.fromkeys(flags)),
        unexplained_pocket=any(c.beyond_normal and not c.attachment_loss.known for _, c in cals),
        deepest_mm=deepest.probing_depth_mm if deepest else None,
        deepest_site=deepest.site if deepest else "",
        attachment_loss=worst[1].attachment_loss if worst else missing("mm", "not_probed"),
        attachment_loss_pct=worst[1].attachment_loss_pct if worst else missing("%", "not_probed"),
        bone_loss_pct=film.bone_loss_pct if film else missing("%", "no_film_measured"),
    )


def _rank(cal: CAL) -> tuple[float, float]:
    pct, mm = cal.attachment_loss_pct, cal.attachment_loss
    return (
        pct.value if pct.known else -math.inf,
        mm.value if mm.known else -math.inf,
    )


def _film(films: Sequence[ToothStage]) -> ToothStage | None:
    """Worst of several films of one tooth."""
    staged = [f for f in films if f.radiographic_stage is not None]
    if not staged:
        return films[0] if films else None
    return max(
        staged,
        key=lambda f: (BANDS.index(str(f.radiographic_stage)), _percent(f)),
    )


def _percent(film: ToothStage) -> float:
    return film.bone_loss_pct.value if film.bone_loss_pct.known else -math.inf


def _radiograph(film: ToothStage) -> Evidence | None:
    stage = film.radiographic_stage
    if stage is None:
        return None
    where = " ".join(w for w in (film.root, film.side) if w)
    return Evidence(
        "radiograph",
        stage,
        stage,
        f"{percent_text(film.bone_loss_pct.value, 0)} % of the root without bone ({where})"
        if film.bone_loss_pct.known
        else "no radiographic loss, by eye; not measured",
        film.stage_probability,
        bool(film.borderline),
        film.flags,
    )


def attachment_band(
    loss_pct: float, row: ChartRow, species: str, weight_kg: float | None, length_mm: float
) -> str:
    """Band of one attachment loss in percent of the root (AVDC; exactly 25 and 50 are moderate)."""
    rules = data_table("criteria.toml")["attachment"]
    pct = round(loss_pct, 9)
    if pct <= _normal_pct(row, species, weight_kg, length_mm):
        return BANDS[0]
    if pct < rules["early_below_pct"]:
        return BANDS[1]
    return BANDS[2] if pct <= rules["moderate_to_pct"] else BANDS[3]


def _normal_pct(row: ChartRow, species: str, weight_kg: float | None, length_mm: float) -> float:
    """Share of the root still normal: a normal sulcus under a gum that is not receded, capped."""
    normal = normal_depth_mm(species, weight_kg)
    depth, margin = row.probing_depth_mm, row.margin_mm
    if depth is None or margin is None or margin > 0 or depth > normal:
        return 0.0
    cap = float(data_table("criteria.toml")["attachment"]["normal_cap_pct"])
    return round(min(cap, 100 * normal / length_mm), 9)


def _probing(
    chart: Chart,
    number: int,
    cals: Sequence[tuple[ChartRow, CAL]],
    species: str,
    weight_kg: float | None,
) -> Evidence | None:
    known = [(row, cal) for row, cal in cals if cal.attachment_loss.known]
    in_pct = [rc for rc in known if rc[1].attachment_loss_pct.known]
    if in_pct:
        # Of sites in one band the largest loss speaks: its chances reach furthest.
        judged = [(_in_percent(row, cal, species, weight_kg), cal) for row, cal in in_pct]
        return max(
            judged,
            key=lambda ec: (BANDS.index(ec[0].at_least), ec[1].attachment_loss_pct.value),
        )[0]
    if known:
        row, cal = max(known, key=lambda rc: rc[1].attachment_loss.value)
        return _in_mm(row, cal)
    if chart.within_normal(number) and not any(c.beyond_normal for _, c in cals):
        return Evidence(
            "clinical_attachment", BANDS[0], BANDS[0], "probed all round, within normal"
        )
    return None


def _in_percent(row: ChartRow, cal: CAL, species: str, weight_kg: float | None) -> Evidence:
    pct, mm = cal.attachment_loss_pct, cal.attachment_loss
    length = 100 * mm.sd / pct.sd
    rules = data_table("criteria.toml")["attachment"]
    band = attachment_band(pct.value, row, species, weight_kg, length)
    first = _normal_pct(row, species, weight_kg, length)
    edges = [first, rules["early_below_pct"], rules["moderate_to_pct"]]
    below = [0.0, *(0.5 * math.erfc((pct.value - e) / pct.sd / math.sqrt(2)) for e in edges), 1.0]
    return Evidence(
        "clinical_attachment",
        band,
        band,
        f"{mm.value:g} mm attachment lost, {percent_text(pct.value, 0)} % of the root ({row.site})",
        {b: below[i + 1] - below[i] for i, b in enumerate(BANDS)},
        flags=cal.flags,
    )


def _in_mm(row: ChartRow, cal: CAL) -> Evidence:
    lost = cal.attachment_loss.value
    band = BANDS[0] if round(lost, 9) <= 0 else BANDS[1]
    return Evidence(
        "clinical_attachment",
        band if band == BANDS[0] else None,
        band,
        f"{lost:g} mm attachment lost ({row.site}), root length in mm not known",
        flags=(*cal.flags, "no_root_length"),
    )


def _furcation(chart: Chart, number: int) -> Evidence | None:
    grade = chart.worst(number, "furcation")
    if grade is None:
        return None
    band = data_table("criteria.toml")["furcation"][str(grade)]
    at = next((r.site for r in chart.of(number) if r.furcation == grade and r.site), "")
    certain = {b: float(b == band) for b in BANDS}
    reason = f"furcation {grade}" + (f" ({at})" if at else "")
    return Evidence("furcation", band, band, reason, certain)


def _gingivitis(chart: Chart, number: int) -> Evidence | None:
    index = chart.worst(number, "gingivitis_index")
    bleeds = any(r.bleeding for r in chart.of(number, "before"))
    if index is None and not bleeds:
        return None
    stage = "1" if bleeds else data_table("criteria.toml")["gingivitis"][str(index)]
    reason = "bleeding on probing" if not index else f"gingivitis {index}"
    return Evidence("gingivitis", stage, stage, reason)
