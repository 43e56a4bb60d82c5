"""Charting by keyboard: one line per tooth, checked at once, in the order of the mouth.

One line says what is seen at the tooth; Enter keeps it and goes on to the next.

======================  ==================================================================
``n`` or ``n0``         probed all round, within normal (and gingivitis 0 to 3)
``323333``              six depths: mesiobuccal, buccal, distobuccal, then lingual likewise
``3234``                four depths: mesio- and distobuccal, mesio- and distolingual
``3 2 12 3 - 3``        the same with spaces; ``-`` not probed; ``*`` after one: it bleeds
``d5mb``                one depth at one site (``mb b db ml l dl``)
``r012000``, ``r2b``    recession, CEJ to margin; ``e`` enlargement, margin coronal to the CEJ
``g1 p2 c1 m1``         gingivitis, plaque, calculus, mobility
``f2``, ``f2b``         furcation, or at the entrance of that side
``bmb``, ``b``          bleeding at a site, of the tooth
``x u xx q``            missing, unerupted, extracted, not examined
``worn``, ``res3t1``    a finding, by name or the first letters that no other shares
``/ text``              decision; ``= text`` agreed by the owner (who, when, by phone);
                        ``// text`` done; ``' text`` note
``309 ...``             at this tooth, and on from there
``z``                   undo; ``<`` one tooth back; an empty line goes on, nothing recorded
``clear``               takes away what this pass recorded of the tooth
``before``, ``after``   the pass: before or after scaling
======================  ==================================================================

Every key has its spoken word (``normal``, ``furcation two buccal``, ``tooth three oh nine``).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from perioview.chart import Chart, ChartRow
from perioview.chart_checks import chart_faults, questions, row_faults
from perioview.chart_decision import AGREED, with_extraction
from perioview.chart_line import Said, line_said
from perioview.chart_rules import PASSES, SITES, WITHIN_NORMAL, normal_depth_mm
from perioview.chart_spoken import SITE_KEYS
from perioview.errors import InputRefused
from perioview.teeth import teeth, tooth


@dataclass(frozen=True, slots=True)
class Entry:
    """Where the charting stands; a line makes a new one, the old one is what undo returns to.

    Parameters
    ----------
    chart : Chart
        As entered so far.
    at : int
        Tooth the next line belongs to.
    when : str
        Pass before or after scaling.
    past : tuple of Entry
        Earlier states, the last one last, without their own past.
    """

    species: str
    chart: Chart
    at: int
    when: str = "before"
    weight_kg: float | None = None
    past: tuple[Entry, ...] = ()


@dataclass(frozen=True, slots=True)
class Answer:
    """What a line did: the new state, what to read back, what to ask."""

    entry: Entry
    echo: str
    asked: tuple[str, ...] = ()


def started(
    species: str,
    chart: Chart | None = None,
    weight_kg: float | None = None,
    when: str = "before",
) -> Entry:
    """Charting begun, or taken up at the first tooth of the mouth without a row in this pass.

    Raises
    ------
    InputRefused
        If the species is not known.
    """
    chart = chart or Chart()
    order = [t.number for t in teeth(species)]
    at = next((n for n in order if not chart.of(n, when)), order[0])
    return Entry(species, chart, at, when, weight_kg)


def next_tooth(number: int, species: str, step: int = 1) -> int:
    """Return the tooth after (or before) this one in the order of the mouth."""
    of = tooth(number, species)
    order = [t.number for t in teeth(species, deciduous=of.deciduous)]
    return order[(order.index(number) + step) % len(order)]


def entered(entry: Entry, line: str) -> Answer:
    """Take one line: keep it and go on, or refuse it and stay.

    Parameters
    ----------
    entry : Entry
        Where the charting stands.
    line : str
        Typed or spoken, as the head of this module lists.

    Raises
    ------
    InputRefused
        With one line per fault; `entry` is what it was.
    """
    words = line.strip()
    command = _command(entry, words.lower())
    if command is not None:
        return command
    said = line_said(words)
    number = entry.at if said.tooth is None else tooth(said.tooth, entry.species).number
    if said.empty:
        moved = replace(entry, at=number, past=_past(entry))
        return Answer(moved, f"at {number}, {tooth(number, entry.species).words}")
    chart, rows = _charted(entry, number, said)
    faults = [f"{number}: {f}" for row in rows for f in row_faults(row, entry.species)]
    faults += chart_faults(chart, entry.species, (number,))
    if faults:
        raise InputRefused(*dict.fromkeys(faults))
    following = next_tooth(number, entry.species)
    kept = replace(entry, chart=chart, at=following, past=_past(entry))
    asked = [q for row in rows for q in questions(row, entry.species)]
    asked += _margin_question(rows, entry)
    echo = f"{read_back(chart, number, entry.when)}. next {following}"
    return Answer(kept, echo, tuple(asked))


def _margin_question(rows: Sequence[ChartRow], entry: Entry) -> list[str]:
    """Ask for the margin while the probe is in hand: without it a pocket is not loss."""
    normal = normal_depth_mm(entry.species, entry.weight_kg)
    open_ = [
        depth
        for row in rows
        if (depth := row.probing_depth_mm) is not None and depth > normal and row.margin_mm is None
    ]
    if not open_:
        return []
    return [f"{rows[0].tooth}: pocket {max(open_):g} mm, where is the gum margin (r or e)?"]


def undone(entry: Entry) -> Answer:
    """Undo the last line; refused when there is none."""
    if not entry.past:
        raise InputRefused("nothing to undo; no line was entered yet.")
    last = replace(entry.past[-1], past=entry.past[:-1])
    return Answer(last, f"undone, at {last.at}")


def _past(entry: Entry) -> tuple[Entry, ...]:
    return (*entry.past, replace(entry, past=()))


def _command(entry: Entry, word: str) -> Answer | None:
    if word in ("z", "undo"):
        return undone(entry)
    if word in ("", "<", "back"):
        at = next_tooth(entry.at, entry.species, 1 if word == "" else -1)
        told = f"nothing recorded, at {at}" if word == "" else f"at {at}"
        return Answer(replace(entry, at=at, past=_past(entry)), told)
    if word in PASSES:
        first = teeth(entry.species)[0].number
        return Answer(replace(entry, when=word, at=first, past=_past(entry)), f"{word} scaling")
    if word == "clear":
        rows = tuple(r for r in entry.chart if (r.tooth, r.when) != (entry.at, entry.when))
        chart = with_extraction(replace(entry.chart, rows=rows), entry.at, entry.chart)
        return Answer(replace(entry, chart=chart, past=_past(entry)), f"{entry.at} cleared")
    return None


def _charted(entry: Entry, number: int, said: Said) -> tuple[Chart, list[ChartRow]]:
    """Chart with the line in it, and the rows that the line changed."""
    chart = entry.chart
    depths = any("probing_depth_mm" in fields for fields in said.sites.values())
    within = WITHIN_NORMAL in said.findings
    if within and (depths or [r for r in chart.of(number, entry.when) if _has_depth(r)]):
        raise InputRefused(
            f"{number}: within normal and depths at once; give one of them (clear takes back)."
        )
    rows = []
    if said.agreed:
        chart = replace(chart, columns=tuple(dict.fromkeys((*chart.columns, AGREED))))
    for site, fields in {"": {}, **said.sites}.items():
        old = chart.row(number, site, entry.when) or ChartRow(number, site, entry.when)
        row = replace(old, **fields)
        if row.decision != old.decision and "done" not in fields:
            row = replace(row, done="")  # what was done belongs to what was decided then
        if said.agreed and not site:
            row = row.with_extra(AGREED, said.agreed)
        if not site:
            # Until something else is said, what is written of an absent tooth finds it absent.
            usual = "" if chart.status(number) else "present"
            row = _tooth_row(row, said, usual, drop_within=depths)
        rows.append(row)
        chart = chart.with_row(row)
    return with_extraction(chart, number, entry.chart), rows


def _has_depth(row: ChartRow) -> bool:
    return row.probing_depth_mm is not None


def _tooth_row(row: ChartRow, said: Said, usual: str, *, drop_within: bool) -> ChartRow:
    findings = tuple(dict.fromkeys((*row.findings, *said.findings)))
    if drop_within:
        findings = tuple(f for f in findings if f != WITHIN_NORMAL)
    return replace(row, findings=findings, status=row.status or usual)


def read_back(chart: Chart, number: int, when: str = "before") -> str:
    """What the chart holds of a tooth, as one sentence to read aloud."""
    rows = {r.site: r for r in chart.of(number, when)}
    own = rows.get("", ChartRow(number))
    parts = [own.status] if own.status not in ("", "present") else []
    if not parts and chart.status(number) == "extracted":
        parts = ["extracted"]
    for field, word in (("probing_depth_mm", "depths"), ("margin_mm", "margins")):
        values = [getattr(rows[s], field) if s in rows else None for s in SITES]
        if any(v is not None for v in values):
            said = ["-" if v is None else f"{v:g}" for v in values]
            parts.append(f"{word} {' '.join(said[:3])}, lingual {' '.join(said[3:])}")
    bleeding = [key for key, site in SITE_KEYS.items() if site in rows and rows[site].bleeding]
    if bleeding or own.bleeding:
        parts.append("bleeding " + (" ".join(bleeding) or "yes"))
    indices = ("gingivitis_index", "plaque_index", "calculus_index", "mobility")
    grades = {field.removesuffix("_index"): getattr(own, field) for field in indices}
    parts += [f"{word} {value}" for word, value in grades.items() if value is not None]
    graded = [(site, row.furcation) for site, row in rows.items() if row.furcation is not None]
    parts += [f"furcation {grade} {site}".strip() for site, grade in graded]
    parts += [f.replace("_", " ").replace("=", " ") for f in own.findings]
    if own.decision:
        agreed = f", agreed {told}" if (told := own.extra_value(AGREED)) else ""
        parts.append(f"decided {own.decision}{agreed}")
    if own.done:
        parts.append(f"done {own.done}")
    if own.note:
        parts.append(f"noted {own.note}")
    return f"{number}: {'; '.join(parts) or 'nothing'}"
