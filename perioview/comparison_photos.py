"""Two photographs of one mouth: the plaque of the teeth they share, compared."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from perioview.alignment import Alignment
from perioview.errors import InputRefused
from perioview.image import Image
from perioview.measurement import Measurement, missing
from perioview.regions_carried import carried_regions, photo_alignment


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
    """

    tooth: int
    before: Measurement
    after: Measurement
    removed: Measurement
    residual: Measurement
    gum_line: Measurement = field(default_factory=lambda: missing("%", "not_outlined"))


@dataclass(frozen=True, slots=True)
class PhotoComparison:
    """Two aligned photographs and the plaque of the teeth they share."""

    alignment: Alignment
    teeth: tuple[ToothPlaqueChange, ...]
    regions: NDArray[np.uint16]
    warnings: tuple[str, ...]


def compared_photos(
    earlier: Image,
    later: Image,
    regions: NDArray[np.uint16],
    *,
    dye: str = "one-tone",
    gum: str | None = None,
    density: float = 0.15,
    points: Iterable[tuple[tuple[float, float], tuple[float, float]]] | None = None,
    later_regions: NDArray[np.uint16] | None = None,
) -> PhotoComparison:
    """Align two photographs and compare plaque inside the earlier one's tooth regions.

    Parameters
    ----------
    earlier, later : Image
        sRGB.
    regions : ndarray of uint16, shape (rows, cols) of the earlier photo
        Triadan numbers.
    dye, gum, density
        As `perioview.plaque.plaque` has them, for both photos.
    points : iterable of ((row, col) later, (row, col) earlier), optional
        Pairs marked by hand.
    later_regions : ndarray of uint16, shape (rows, cols) of the later photo, optional
        Teeth as outlined there: their gum side is compared with the earlier one's.

    Raises
    ------
    InputRefused
        If the photos cannot be aligned or measured.
    """
    from perioview.comparison_gum import gum_line_changes
    from perioview.plaque import plaque

    alignment = photo_alignment(later, earlier, points)
    carried, cut = carried_regions(regions, alignment, later.pixels.shape[:2])
    said = list(alignment.warnings)
    said += [
        f"{tooth}: the later photo shows only {100 * shown:.0f} % of it; not compared."
        for tooth, shown in cut.items()
    ]
    before = plaque(earlier, regions, dye=dye, gum=gum, density=density)
    if not carried.any():
        raise InputRefused(f"{later.name}: shows none of the outlined teeth whole; take another.")
    after = plaque(later, carried, dye=dye, gum=gum, density=density)
    found = {t.tooth: t.coverage for t in after.teeth}
    teeth = [_plaque_change(t.tooth, t.coverage, found.get(t.tooth)) for t in before.teeth]
    if later_regions is not None:
        lines = gum_line_changes(regions, later_regions, alignment, gum)
        teeth = [replace(t, gum_line=lines[t.tooth]) if t.tooth in lines else t for t in teeth]
    said += dict.fromkeys([*before.warnings, *after.warnings])
    return PhotoComparison(alignment, tuple(teeth), carried, tuple(said))


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
