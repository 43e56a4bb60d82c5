"""The chart: what was probed, seen, decided and done, tooth by tooth."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace

from perioview.chart_rules import (
    WITHIN_NORMAL,
    data_table,
    finding_kinds,
    finding_name,
    normal_depth_mm,
    probing_sd_mm,
)
from perioview.measurement import Measurement, missing


@dataclass(frozen=True, slots=True)
class ChartRow:
    """One line of the chart: a probed site, or (site empty) what belongs to the tooth.

    Parameters
    ----------
    tooth : int
        Modified Triadan number.
    site : str
        One of `chart_rules.SITES`, or empty for the tooth itself.
    when : str
        ``before`` or ``after`` scaling (the file's column ``pass``).
    probing_depth_mm, margin_mm : float, optional
        None when not measured, never 0 for it. The margin runs from the CEJ, positive apical
        (recession), negative coronal.
    furcation : int, optional
        On a site's row: at the entrance there; on a tooth's row: entrance not said.
    findings : tuple of str
        Names of `chart_rules.finding_kinds`, with ``=value`` where they have one, or free text.
    extra : tuple of (str, str)
        Columns perioview does not know, kept as they are.
    """

    tooth: int
    site: str = ""
    when: str = "before"
    probing_depth_mm: float | None = None
    margin_mm: float | None = None
    bleeding: bool | None = None
    gingivitis_index: int | None = None
    plaque_index: int | None = None
    calculus_index: int | None = None
    furcation: int | None = None
    mobility: int | None = None
    status: str = ""
    findings: tuple[str, ...] = ()
    decision: str = ""
    done: str = ""
    note: str = ""
    extra: tuple[tuple[str, str], ...] = ()

    @property
    def key(self) -> tuple[int, str, str]:
        """What makes the row one of a kind."""
        return self.tooth, self.site, self.when

    def extra_value(self, column: str) -> str:
        """Text in an extra column, empty without it."""
        return dict(self.extra).get(column, "")

    def with_extra(self, column: str, text: str) -> ChartRow:
        """Row with the text of an extra column put in or replaced."""
        return replace(self, extra=tuple({**dict(self.extra), column: text}.items()))


@dataclass(frozen=True, slots=True)
class Chart:
    """All rows of a visit, in the file's order.

    Parameters
    ----------
    rows : tuple of ChartRow
        No two with the same tooth, site and pass.
    columns : tuple of str
        Extra columns of the file, in its order.
    """

    rows: tuple[ChartRow, ...] = ()
    columns: tuple[str, ...] = ()

    def of(self, tooth: int, when: str | None = None) -> tuple[ChartRow, ...]:
        """Rows of a tooth, of one pass or of both."""
        return tuple(r for r in self.rows if r.tooth == tooth and when in (None, r.when))

    def row(self, tooth: int, site: str = "", when: str = "before") -> ChartRow | None:
        """Return the one row with this key, if there is one."""
        return next((r for r in self.rows if r.key == (tooth, site, when)), None)

    def with_row(self, row: ChartRow) -> Chart:
        """Chart in which `row` takes the place of its like, or comes last."""
        if any(r.key == row.key for r in self.rows):
            return replace(self, rows=tuple(row if r.key == row.key else r for r in self.rows))
        return replace(self, rows=(*self.rows, row))

    def teeth(self) -> tuple[int, ...]:
        """Teeth with any row, in the chart's order."""
        return tuple(dict.fromkeys(r.tooth for r in self.rows))

    def status(self, tooth: int) -> str:
        """Latest status said of a tooth; empty when nothing was said."""
        said = [r.status for when in ("after", "before") for r in self.of(tooth, when) if r.status]
        return said[0] if said else ""

    def findings(self, tooth: int) -> tuple[str, ...]:
        """Findings of a tooth over both passes, each once."""
        return tuple(dict.fromkeys(f for r in self.of(tooth) for f in r.findings))

    def worst(self, tooth: int, field: str) -> int | None:
        """Highest value of an index anywhere on a tooth; None when never recorded."""
        values = [v for r in self.of(tooth) if (v := getattr(r, field)) is not None]
        return max(values, default=None)

    def probed(self, tooth: int) -> tuple[ChartRow, ...]:
        """Rows of a tooth that carry a probing depth."""
        return tuple(r for r in self.of(tooth) if r.site and r.probing_depth_mm is not None)

    def within_normal(self, tooth: int) -> bool:
        """Whether the tooth has the explicit entry 'probed, within normal'."""
        return WITHIN_NORMAL in self.findings(tooth)

    def unsafe_length(self, tooth: int) -> tuple[str, ...]:
        """Findings for which the root's present length is not the root's length."""
        kinds = finding_kinds()
        found = [f for f in self.findings(tooth) if finding_name(f) in kinds]
        return tuple(f for f in found if kinds[finding_name(f)].unsafe_length)

    def __iter__(self) -> Iterator[ChartRow]:
        return iter(self.rows)


@dataclass(frozen=True, slots=True)
class CAL:
    """Clinical attachment at one site.

    Parameters
    ----------
    attachment_loss : Measurement
        mm from the CEJ to the base of the pocket; NaN unless depth and margin were measured.
    attachment_loss_pct : Measurement
        The same in percent of the root's length; NaN without a length in mm.
    beyond_normal : bool or None
        Whether the pocket is deeper than normal for the animal; None when not probed.
    pseudopocket : bool or None
        A pocket beyond normal that ends at or coronal to the CEJ; None when it cannot be told.
    """

    attachment_loss: Measurement
    attachment_loss_pct: Measurement
    beyond_normal: bool | None
    pseudopocket: bool | None
    flags: tuple[str, ...] = ()


def attachment(
    row: ChartRow,
    species: str,
    weight_kg: float | None = None,
    root_length_mm: float | None = None,
    sd_mm: float | None = None,
) -> CAL:
    """Attachment lost at a site: depth plus margin, only where both were measured.

    Parameters
    ----------
    row : ChartRow
        A site's row.
    species : str
        ``dog`` or ``cat``.
    weight_kg : float, optional
        For the normal depth of an animal of this size.
    root_length_mm : float, optional
        CEJ to apex of the root at that site, from a radiograph with a scale.
    sd_mm : float, optional
        One standard deviation of an attachment level; the data file's by default.

    Returns
    -------
    CAL
        `margin_mm` is negative where the gum lies coronal to the CEJ, so an enlarged gum
        shortens the loss: 5 mm deep, margin 3 mm coronal, 2 mm lost.

    References
    ----------
    .. [1] Indirect against direct attachment level: SD of 4757 human sites, PMC9376648.
    """
    sd = probing_sd_mm() if sd_mm is None else sd_mm
    normal = normal_depth_mm(species, weight_kg)
    depth, margin = row.probing_depth_mm, row.margin_mm
    beyond = None if depth is None else round(depth - normal, 9) > 0
    if depth is None or margin is None:
        flag = "not_probed" if depth is None else "margin_not_measured"
        pseudo = None if beyond is None or beyond else False
        return CAL(missing("mm", flag), missing("%", flag), beyond, pseudo, (flag,))
    loss = depth + margin
    flags = ["ends_coronal_to_cej"] if loss < 0 else []
    if depth > 0 and not beyond and margin == 0:
        flags.append("margin_at_cej_check")
    pct = missing("%", "no_root_length")
    if root_length_mm is not None and math.isfinite(root_length_mm) and root_length_mm > 0:
        pct = Measurement(100 * loss / root_length_mm, 100 * sd / root_length_mm, "%")
        if loss > root_length_mm:
            flags.append("beyond_apex")
    pseudo = bool(beyond) and round(loss, 9) <= 0
    return CAL(Measurement(loss, sd, "mm"), pct, beyond, pseudo, tuple(flags))


def mean_index(chart: Chart, field: str, when: str = "before") -> Measurement:
    """Mouth mean of an index: the mean over each tooth's own mean (Löe 1967).

    Parameters
    ----------
    chart : Chart
        Rows of a visit.
    field : str
        ``gingivitis_index``, ``plaque_index`` or ``calculus_index``.
    when : str
        Pass before or after scaling.

    Returns
    -------
    Measurement
        Without unit, 0 to 3; the SD is that between teeth. Unrecorded teeth do not count as 0.
    """
    means = [m for t in chart.teeth() if (m := tooth_index(chart, t, field, when)) is not None]
    if not means:
        return missing("1", "not_recorded")
    mean = sum(means) / len(means)
    spread = math.sqrt(sum((m - mean) ** 2 for m in means) / max(len(means) - 1, 1))
    return Measurement(mean, spread if len(means) > 1 else math.nan, "1")


def tooth_index(chart: Chart, tooth: int, field: str, when: str = "before") -> float | None:
    """Index of one tooth: mean of its surfaces, else its own value; None when unrecorded."""
    rows = [r for r in chart.of(tooth, when) if getattr(r, field) is not None]
    rows = [r for r in rows if r.site] or rows
    return sum(getattr(r, field) for r in rows) / len(rows) if rows else None


def is_extraction(text: str) -> bool:
    """Whether a decision or a deed speaks of taking the tooth out."""
    rules = data_table("chart.toml")["decision"]
    words = set(re.findall(r"\w+", text.lower()))
    return bool(words & set(rules["extraction"])) and not words & set(rules["no_extraction"])


def is_done(text: str) -> bool:
    """Whether the column `done` says that it was done."""
    said, rule = text.strip().lower(), data_table("chart.toml")["decision"]
    return said not in rule["not_done"] and not said.startswith(tuple(rule["not_done_first"]))


def leaves_no_deed(decision: str) -> bool:
    """Whether a decision leaves nothing to do while the animal sleeps."""
    said = decision.strip().lower()
    return any(said.startswith(word) for word in data_table("chart.toml")["decision"]["no_deed"])
