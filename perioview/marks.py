"""Marks a clinician places on one image, and what makes a set of them usable."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

from perioview.errors import InputRefused
from perioview.teeth import ROOTS, SIDES, Tooth, fitting_variant, tooth

LANDMARKS = ("cej", "crest", "defect_base", "furcation", "apex", "ruler")
NEEDS: dict[str, tuple[str, ...]] = {
    "cej": ("tooth", "root", "side"),
    "crest": ("tooth", "root", "side"),
    "defect_base": ("tooth", "root", "side"),
    "furcation": ("tooth",),
    "apex": ("tooth", "root"),
    "ruler": ("mm",),
}
HOW = ("placed", "accepted", "moved")
CONFIDENCE = "confidence"  # column of a mark that was proposed
LOW_CONFIDENCE = 0.8
MAX_SIDE_PX = 16383
_STEP = 1024

Key = tuple[str, int | None, str | None, str | None, float | None, str]


@dataclass(frozen=True, slots=True)
class Mark:
    """One landmark at a position of the image.

    Parameters
    ----------
    landmark : str
        One of `LANDMARKS`.
    row, col : float
        In px, pixel centres at whole numbers, held to 1/1024 px.
    tooth, root, side, mm
        As far as the landmark needs them (`NEEDS`); else None.
    how : str
        ``placed``, ``accepted`` (a proposal taken as it was) or ``moved``.
    object : str
        Tells several rulers apart.
    extra : tuple of (str, str)
        Unknown columns of the file, kept; with `CONFIDENCE`, how sure a proposal was.
    """

    landmark: str
    row: float
    col: float
    tooth: int | None = None
    root: str | None = None
    side: str | None = None
    mm: float | None = None
    how: str = "placed"
    object: str = ""
    extra: tuple[tuple[str, str], ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "row", on_grid(self.row))
        object.__setattr__(self, "col", on_grid(self.col))

    @property
    def doubtful(self) -> bool:
        """Whether it is a proposal taken as it was although it was not sure of itself."""
        if self.how != "accepted":
            return False
        try:
            return float(dict(self.extra).get(CONFIDENCE, "")) < LOW_CONFIDENCE
        except ValueError:
            return False


def on_grid(px: float) -> float:
    """Round a coordinate to 1/1024 px, half to even, so that float32 carries it unchanged."""
    return round(px * _STEP) / _STEP if math.isfinite(px) else px


def key(mark: Mark) -> Key:
    """What makes two marks the same mark: no two of one image share it."""
    needs = NEEDS[mark.landmark]
    return (
        mark.landmark,
        mark.tooth if "tooth" in needs else None,
        mark.root if "root" in needs else None,
        mark.side if "side" in needs else None,
        mark.mm if "mm" in needs else None,
        mark.object if "mm" in needs else "",
    )


def name(mark: Mark) -> str:
    """The mark in words, for messages."""
    parts = [mark.landmark.replace("_", " ")]
    needs = NEEDS[mark.landmark]
    if "tooth" in needs:
        parts.append(f"of {mark.tooth}")
    if "root" in needs:
        parts.append(f"{mark.root} root")
    if "side" in needs:
        parts.append(f"{mark.side} side")
    if "mm" in needs:
        parts.append(f"at {mark.mm:g} mm" + (f" of {mark.object}" if mark.object else ""))
    return " ".join(parts)


@dataclass(frozen=True, slots=True)
class Marks:
    """The marks of one image, in file order."""

    items: tuple[Mark, ...] = ()

    def __iter__(self) -> Iterator[Mark]:
        return iter(self.items)

    def __len__(self) -> int:
        return len(self.items)

    def of(
        self,
        *,
        tooth: int | None = None,
        root: str | None = None,
        side: str | None = None,
        landmark: str | None = None,
    ) -> tuple[Mark, ...]:
        """Return the marks that match all that is given."""
        return tuple(
            m
            for m in self.items
            if (tooth is None or m.tooth == tooth)
            and (root is None or m.root == root)
            and (side is None or m.side == side)
            and (landmark is None or m.landmark == landmark)
        )

    def with_mark(self, mark: Mark) -> Marks:
        """Return the marks with one added, or put in place of the same mark."""
        keys = [key(m) for m in self.items]
        if key(mark) in keys:
            at = keys.index(key(mark))
            old = self.items[at]
            new = replace(mark, extra=mark.extra or old.extra)
            return Marks((*self.items[:at], new, *self.items[at + 1 :]))
        return Marks((*self.items, mark))

    def without(self, mark: Mark) -> Marks:
        """Return the marks less the one with this mark's key."""
        return Marks(tuple(m for m in self.items if key(m) != key(mark)))

    def teeth(self) -> tuple[int, ...]:
        """Return the tooth numbers, in order of first appearance."""
        return tuple(dict.fromkeys(m.tooth for m in self.items if m.tooth is not None))

    def roots(self, tooth: int) -> tuple[str, ...]:
        """Return the marked roots of a tooth, in order of first appearance."""
        return tuple(
            dict.fromkeys(m.root for m in self.items if m.tooth == tooth and m.root is not None)
        )

    def rulers(self) -> dict[str, tuple[Mark, ...]]:
        """Return the ruler marks by object, each ordered by its distance."""
        found: dict[str, list[Mark]] = {}
        for m in self.items:
            if m.landmark == "ruler":
                found.setdefault(m.object, []).append(m)
        return {o: tuple(sorted(ms, key=lambda m: m.mm or 0.0)) for o, ms in found.items()}


def _mark_faults(mark: Mark, where: str, species: str, rows: int, cols: int) -> list[str]:
    faults: list[str] = []
    needs = NEEDS[mark.landmark]
    for axis, value, size in (("row", mark.row, rows), ("col", mark.col, cols)):
        if not -0.5 <= value <= size - 0.5:
            faults.append(
                f"{where}: {axis} {value:g} lies outside the image ({size} {axis}s); "
                "move the mark into the image."
            )
    known: Tooth | None = None
    if "tooth" in needs:
        try:
            known = tooth(mark.tooth or 0, species)
        except InputRefused as error:
            faults.append(f"{where}: {error}")
    if "root" in needs and mark.root not in ROOTS:
        faults.append(f"{where}: root '{mark.root}' is not known; use one of {', '.join(ROOTS)}.")
    elif known and "root" in needs and fitting_variant(known, [mark.root or ""]) is None:
        roots = " or ".join(", ".join(v) for v in known.variants)
        faults.append(f"{where}: {species} {mark.tooth} has no {mark.root} root; it has {roots}.")
    if "side" in needs and mark.side not in SIDES:
        faults.append(f"{where}: side '{mark.side or ''}' is not known; use mesial or distal.")
    if mark.landmark == "furcation" and known and not known.may_have_furcation:
        faults.append(
            f"{where}: {species} {mark.tooth} has a single root and no furcation; "
            "remove the mark or correct the tooth."
        )
    return faults


def _tooth_faults(marks: Marks, species: str, source: str) -> list[str]:
    faults: list[str] = []
    for number in marks.teeth():
        try:
            known = tooth(number, species)
        except InputRefused:
            continue
        roots = marks.roots(number)
        if any(fitting_variant(known, [r]) is None for r in roots):
            continue
        if roots and fitting_variant(known, roots) is None:
            variants = " or ".join(", ".join(v) for v in known.variants)
            faults.append(
                f"{source}: roots {', '.join(roots)} of {number} do not occur together; "
                f"a {species} has {variants}."
            )
        elif roots == ("single",) and known.may_have_furcation:
            faults += [
                f"{source}: {name(m)}: the tooth is marked as single-rooted; "
                "remove the furcation or name its roots."
                for m in marks.of(tooth=number, landmark="furcation")
            ]
    return faults


def check_marks(marks: Marks, species: str, rows: int, cols: int, source: str = "marks") -> None:
    """Refuse marks that cannot belong to this image and species; incomplete ones pass.

    Parameters
    ----------
    marks : Marks
    species : str
        ``dog`` or ``cat``.
    rows, cols : int
        Size of the image in px.
    source : str
        Named in front of each fault.

    Raises
    ------
    InputRefused
        With one line per fault.
    """
    faults: list[str] = []
    seen: set[Key] = set()
    for mark in marks:
        where = f"{source}: {name(mark)}"
        faults += _mark_faults(mark, where, species, rows, cols)
        if key(mark) in seen:
            faults.append(f"{where} is there twice; keep one of them.")
        seen.add(key(mark))
    faults += _tooth_faults(marks, species, source)
    if faults:
        raise InputRefused(*faults)
