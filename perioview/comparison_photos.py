"""Two photographs of one mouth: the plaque of the teeth they share, compared."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from perioview.alignment import Alignment
from perioview.comparison_places import Place, stained_places
from perioview.errors import InputRefused
from perioview.image import Image
from perioview.measurement import Measurement, missing
from perioview.plaque_gum import later_sides
from perioview.plaque_result import PlaqueResult
from perioview.regions_carried import carried_regions, photo_alignment

Card = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class ToothPlaqueChange:
    """Plaque of one tooth before and after.

    Parameters
    ----------
    tooth : int
    before, after : Measurement
        Coverage in per cent.
    removed : Measurement
        Before minus after, in points.
    residual : Measurement
        100 times after over before; NaN when nothing was there before.
    gum_line : Measurement
        By how much the gum drew back, in per cent of the crown's height; NaN without the later
        photo's own outline.
    places : tuple of Place
        Parts of the tooth that are stained in the later photo, the most stained first.
    """

    tooth: int
    before: Measurement
    after: Measurement
    removed: Measurement
    residual: Measurement
    gum_line: Measurement = field(default_factory=lambda: missing("%", "not_outlined"))
    places: tuple[Place, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class PhotoComparison:
    """Two aligned photographs and the plaque of the teeth they share.

    Parameters
    ----------
    alignment : Alignment
        Of the later onto the earlier.
    teeth : tuple of ToothPlaqueChange
    regions : ndarray of uint16, shape (rows, cols) of the later photo
        Teeth carried there.
    warnings : tuple of str
    before, after : PlaqueResult
        The measurement of each photo.
    change_map : ndarray of uint8, shape (rows, cols) of the later photo
        As `perioview.comparison_map.change_map` gives it.
    """

    alignment: Alignment
    teeth: tuple[ToothPlaqueChange, ...]
    regions: NDArray[np.uint16]
    warnings: tuple[str, ...]
    before: PlaqueResult
    after: PlaqueResult
    change_map: NDArray[np.uint8]


def compared_photos(
    earlier: Image,
    later: Image,
    regions: NDArray[np.uint16],
    *,
    dye: str = "one-tone",
    gum: str | None = None,
    later_gum: str | None = None,
    density: float = 0.15,
    points: Iterable[tuple[tuple[float, float], tuple[float, float]]] | None = None,
    later_regions: NDArray[np.uint16] | None = None,
    cards: tuple[Card | None, Card | None] = (None, None),
) -> PhotoComparison:
    """Align two photographs and compare plaque inside the earlier one's tooth regions.

    Parameters
    ----------
    earlier, later : Image
        sRGB.
    regions : ndarray of uint16, shape (rows, cols) of the earlier photo
        Triadan numbers.
    dye : str
        As `perioview.plaque.plaque` has it, for both photos.
    gum : str, optional
        Where the gum lies in the earlier photo; by the jaw if not given.
    later_gum : str, optional
        The same in the later photo; if not given, where the alignment brings it.
    density : float
        As `perioview.plaque.plaque` has it, for both photos.
    points : iterable of ((row, col) later, (row, col) earlier), optional
        Pairs marked by hand.
    later_regions : ndarray of uint16, shape (rows, cols) of the later photo, optional
        Teeth as outlined there: their gum side is compared with the earlier one's.
    cards : tuple
        Two opposite corners (row, col, row, col) of a grey card in view of the earlier and of the
        later photo, or None.

    Raises
    ------
    InputRefused
        If the photos cannot be aligned or measured.
    """
    from perioview.comparison_gum import gum_line_changes
    from perioview.comparison_map import change_map
    from perioview.plaque import plaque

    alignment = photo_alignment(later, earlier, points)
    carried, cut = carried_regions(regions, alignment, later.pixels.shape[:2])
    if not carried.any():
        raise InputRefused(f"{later.name}: shows none of the outlined teeth whole; take another.")
    said = list(alignment.warnings)
    if earlier.sha256 == later.sha256:
        said.append("same: both photos are the same file; nothing can have changed between them.")
    said += [
        f"{tooth}: the later photo shows only {100 * shown:.0f} % of it; not compared."
        for tooth, shown in cut.items()
    ]
    sides = later_sides(regions, alignment, gum, later_gum)
    before = plaque(earlier, regions, dye=dye, gum=gum, density=density, card=cards[0])
    after = plaque(later, carried, dye=dye, gum=sides, density=density, card=cards[1])
    found = {t.tooth: t.coverage for t in after.teeth}
    teeth = [_plaque_change(t.tooth, t.coverage, found.get(t.tooth)) for t in before.teeth]
    teeth = [
        replace(t, places=stained_places(carried, after.stain_map, t.tooth, sides[t.tooth]))
        if t.after.known
        else t
        for t in teeth
    ]
    if later_regions is not None:
        lines = gum_line_changes(regions, later_regions, alignment, gum)
        teeth = [replace(t, gum_line=lines[t.tooth]) if t.tooth in lines else t for t in teeth]
    said += _told(before.warnings, after.warnings, (earlier.name, later.name))
    changes = change_map(before.stain_map, after.stain_map, carried, alignment)
    return PhotoComparison(alignment, tuple(teeth), carried, tuple(said), before, after, changes)


def _told(before: tuple[str, ...], after: tuple[str, ...], names: tuple[str, str]) -> Iterable[str]:
    """Cautions of both photos; one that only one of them has names it."""
    yield from (w for w in before if w in after)
    for name, own, other in zip(names, (before, after), (after, before), strict=True):
        yield from (f"{name}: {w}" for w in own if w not in other)


def stated_card(photo: Mapping[str, Any]) -> Card | None:
    """Corners of the grey card in view of a visit's photo, if the visit states them.

    Parameters
    ----------
    photo : mapping
        Of ``[[photos]]`` in visit.toml; ``grey_card = [row, col, row, col]``, px.

    Raises
    ------
    InputRefused
        If they are no four numbers.
    """
    said = photo.get("grey_card")
    if said is None:
        return None
    if (
        not isinstance(said, list | tuple)
        or len(said) != 4
        or not all(isinstance(v, int | float) and not isinstance(v, bool) for v in said)
    ):
        raise InputRefused(
            f"{photo.get('file')}: grey_card is {said}; give [row, col, row, col] of two "
            "opposite corners in px."
        )
    top, left, bottom, right = (float(v) for v in said)
    return top, left, bottom, right


def _plaque_change(tooth: int, before: Measurement, after: Measurement | None) -> ToothPlaqueChange:
    after = after or missing("%", "not_shown")
    if not (before.known and after.known):
        unknown = missing("%", *dict.fromkeys(before.flags + after.flags))
        return ToothPlaqueChange(tooth, before, after, unknown, unknown)
    removed = Measurement(before.value - after.value, math.hypot(before.sd, after.sd), "%")
    residual = missing("%", "nothing_before")
    if before.value > 0:
        share = after.value / before.value
        sd = math.hypot(after.sd, share * before.sd) / before.value
        residual = Measurement(100 * share, 100 * sd, "%")
    return ToothPlaqueChange(tooth, before, after, removed, residual)
