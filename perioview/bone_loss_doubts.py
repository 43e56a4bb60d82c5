"""Swapped, misplaced or missing marks and wrong scales, told by numbers that no jaw makes."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby

from perioview.bone_loss import Site, cej_line
from perioview.calibration import Calibration
from perioview.marks import Mark, Marks
from perioview.measurement import Measurement, percent_text
from perioview.teeth import ROOTS, SIDES, tooth

# Length of a root in mm beyond which the scale is more likely wrong than the tooth so short or so
# long; common practice, no source.
ROOT_MM = {"dog": (1.5, 60.0), "cat": (1.0, 30.0)}
# How far beyond its own error a level must lie on the wrong side, in points.
MARGIN_PCT = 5.0
# Share of the CEJ line by which marks must lie the wrong way round.
REVERSED = 0.1


def doubts(
    marks: Marks, sites: Sequence[Site], calibration: Calibration, species: str
) -> tuple[str, ...]:
    """Warn of what the numbers hold but no jaw does; the numbers stay as they are.

    Parameters
    ----------
    marks : Marks
        Of one image.
    sites : sequence of Site
        Measured from them.
    calibration : Calibration
    species : str
        ``dog`` or ``cat``.

    Returns
    -------
    tuple of str
        One line each, with the tooth and what to look at.
    """
    said = misplaced(marks, sites, calibration, species)
    return said + tuple(
        line for number in marks.teeth() for line in _roots_left_out(marks, number, species)
    )


def misplaced(
    marks: Marks, sites: Sequence[Site], calibration: Calibration, species: str
) -> tuple[str, ...]:
    """As `doubts`, but of the marks that are there: nothing of roots that have none yet.

    Parameters
    ----------
    marks, sites, calibration, species
        As for `doubts`.

    Returns
    -------
    tuple of str
    """
    said: list[str] = []
    for (number, root), of_root in groupby(sites, key=lambda s: (s.tooth, s.root)):
        pair = tuple(of_root)
        said += [line for site in pair for line in _beyond(site)]
        said += _length(pair, ROOT_MM[species])
        said += _crests_reversed(marks.of(tooth=number), root, calibration.pitch)
    for number in marks.teeth():
        said += _apices_reversed(marks.of(tooth=number), number, calibration.pitch)
    return tuple(said)


def _roots_left_out(marks: Marks, number: int, species: str) -> Iterator[str]:
    roots = {*marks.roots(number)}
    fitting = [v for v in tooth(number, species).variants if roots <= set(v)]
    fewest = min((set(v) - roots for v in fitting), key=len, default=set())
    if roots and fewest:
        names = ", ".join(r for r in ROOTS if r in fewest)
        yield (
            f"{number}: no mark on the {names} root{'s' if len(fewest) > 1 else ''}; the worst "
            "root decides the stage, and may be among these."
        )


def _beyond(site: Site) -> Iterator[str]:
    percent: Measurement = site.bone_loss_pct
    if not percent.known:
        return
    where = f"{site.tooth} {site.root} root, {site.side} side"
    margin = max(2 * percent.sd, MARGIN_PCT)
    if percent.value < -margin:
        yield (
            f"{where}: the crest lies {percent_text(-percent.value, 0)} % of the root coronal to "
            "the CEJ; check whether these two are swapped or the apex is on the crown's side."
        )
    elif percent.value > 100 + margin:
        yield (
            f"{where}: the bone lies beyond the apex, {percent_text(percent.value, 0)} % of the "
            "root; check the crest and the apex."
        )


def _length(pair: Sequence[Site], limits: tuple[float, float]) -> Iterator[str]:
    for site in pair:
        length = site.root_length
        if length.known and length.value < 3 * length.sd:
            yield (
                f"{site.tooth} {site.root} root: its length, {length.value:.2f} {length.unit}, is "
                "hardly more than its error, so that its percentages say nothing; check the apex."
            )
            return
        if length.known and length.unit == "mm" and not limits[0] <= length.value <= limits[1]:
            yield (
                f"{site.tooth} {site.root} root: {length.value:.3g} mm long, which hardly any is "
                f"({limits[0]:g} to {limits[1]:g} mm); check the scale, the CEJ and the apex."
            )
            return


def _along(mesial: Mark, distal: Mark, line: tuple[Mark, Mark], pitch: tuple[float, float]) -> bool:
    """Whether two marks follow one another as the CEJ marks do, or nearly so."""

    def apart(a: Mark, b: Mark) -> tuple[float, float]:
        return (b.row - a.row) * pitch[0], (b.col - a.col) * pitch[1]

    (r, c), (lr, lc) = apart(mesial, distal), apart(*line)
    return r * lr + c * lc >= -REVERSED * (lr * lr + lc * lc)


def _crests_reversed(
    of_tooth: tuple[Mark, ...], root: str, pitch: tuple[float, float]
) -> Iterator[str]:
    own = Marks(tuple(m for m in of_tooth if m.root == root))
    line = cej_line(own.of(landmark="cej"), pitch) or cej_line(
        Marks(of_tooth).of(landmark="cej"), pitch
    )
    found = [next(iter(own.of(landmark="crest", side=side)), None) for side in SIDES]
    mesial, distal = found
    if line and mesial and distal and not _along(mesial, distal, line, pitch):
        yield (
            f"{mesial.tooth} {root} root: mesial and distal crest lie the other way round than "
            "the CEJ marks; check which side is which."
        )


def _apices_reversed(
    of_tooth: tuple[Mark, ...], number: int, pitch: tuple[float, float]
) -> Iterator[str]:
    marks = Marks(of_tooth)
    line = cej_line(marks.of(landmark="cej"), pitch)
    apices = marks.of(landmark="apex")
    mesial = next((m for m in apices if (m.root or "").startswith("mesi")), None)
    distal = next((m for m in apices if (m.root or "").startswith("dist")), None)
    if line and mesial and distal and not _along(mesial, distal, line, pitch):
        yield (
            f"{number}: mesial and distal apex lie the other way round than the CEJ marks; check "
            "which root is which."
        )
