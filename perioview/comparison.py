"""Two visits of the same place side by side: what they share, compared."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from perioview.alignment import SWAP, Alignment, align
from perioview.bone_loss import MarkSd, Site, sites
from perioview.calibration import Calibration
from perioview.errors import InputRefused
from perioview.image import Image, grey
from perioview.marks import Mark, Marks
from perioview.measurement import Measurement, missing
from perioview.progression import SiteChange, carried_marks, detectable, site_changes
from perioview.progression_carried import MarkedVisit, with_carried
from perioview.subtraction import Difference, difference
from perioview.subtraction_crest import crest_change
from perioview.visit import CAUTION

USUAL_ROOT_MM = 10.0
"""Only sets how far to look beside a root on an image without a scale."""
LEAST_SHOWN = 0.9
"""Share of a tooth's region that the later photo has to show."""


@dataclass(frozen=True, slots=True)
class CrestChange:
    """Movement of one crest read from the aligned pair itself, positive toward the apex."""

    tooth: int
    root: str
    side: str
    moved: Measurement
    detectable: bool | None


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two aligned radiographs and what changed between them.

    Parameters
    ----------
    alignment : Alignment
        Of the later onto the earlier.
    difference : Difference
        On the grid of the earlier image.
    sites : tuple of SiteChange
        Of the sites marked at both visits.
    crests : tuple of CrestChange
        Of the crests marked at the earlier visit, in mm or px of the earlier image.
    proposals : tuple of Mark
        The earlier visit's marks on the later image, to be moved.
    warnings : tuple of str
    """

    alignment: Alignment
    difference: Difference
    sites: tuple[SiteChange, ...] = ()
    crests: tuple[CrestChange, ...] = ()
    proposals: tuple[Mark, ...] = ()
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Marked:
    """One visit's radiograph with its marks, scale and the observer's repeatability."""

    image: Image
    marks: Marks = field(default_factory=Marks)
    scale: Calibration | None = None
    mark_sd: MarkSd | None = None

    def sites(self) -> tuple[Site, ...]:
        """Bone loss at every marked site; none without a scale or marks."""
        return sites(self.marks, self.scale, self.mark_sd) if self.scale is not None else ()


def dense_bright(image: Image) -> NDArray[np.float32]:
    """Grey levels of a radiograph with dense bright; (rows, cols), float32."""
    level = np.asarray(grey(image), dtype=np.float32)
    return -level if image.inverted else level


def compared(
    earlier: Marked,
    later: Marked,
    *,
    points: Iterable[tuple[tuple[float, float], tuple[float, float]]] | None = None,
) -> Comparison:
    """Align, subtract and compare two radiographs of the same place.

    Parameters
    ----------
    earlier, later : Marked
    points : iterable of ((row, col) later, (row, col) earlier), optional
        Pairs marked by hand, when the images cannot be aligned without.

    Returns
    -------
    Comparison

    Raises
    ------
    InputRefused
        If the images cannot be aligned.
    """
    before, after = dense_bright(earlier.image), dense_bright(later.image)
    alignment = align(
        after,
        before,
        points=None if points is None else list(points),
        names=(later.image.name, earlier.image.name),
    )
    found = difference(after, before, alignment)
    of_earlier = earlier.sites()
    changes = site_changes(of_earlier, later.sites())
    if changes and earlier.scale is not None and later.scale is not None:
        changes = with_carried(
            changes,
            MarkedVisit(earlier.marks, earlier.scale, earlier.mark_sd),
            MarkedVisit(later.marks, later.scale, later.mark_sd),
            alignment,
        )
    kept, lost = carried_marks(earlier.marks, alignment, after.shape)
    said = [
        CAUTION,
        *alignment.warnings,
        *_patient_warnings(earlier.image, later.image),
        *_geometry_warnings(changes),
    ]
    if lost:
        said.append(f"{len(lost)} mark(s) of the earlier visit lie outside the later image.")
    return Comparison(
        alignment,
        found,
        changes,
        tuple(_crests(found, before, alignment, earlier, of_earlier, changes)),
        kept,
        tuple(said),
    )


def _patient_warnings(earlier: Image, later: Image) -> list[str]:
    ids = [str(image.attributes.get("patient_id") or "").strip() for image in (earlier, later)]
    if all(ids) and ids[0] != ids[1]:
        return [f"patients differ: {earlier.name} is of '{ids[0]}', {later.name} of '{ids[1]}'."]
    dates = [str(image.attributes.get("study_date") or "") for image in (earlier, later)]
    if all(dates) and dates[0] > dates[1]:
        return [f"order: {earlier.name} ({dates[0]}) is later than {later.name} ({dates[1]})."]
    return []


def _geometry_warnings(changes: Iterable[SiteChange]) -> list[str]:
    named = sorted({c.tooth for c in changes if "geometry_differs" in c.flags})
    if not named:
        return []
    return [
        f"geometry: roots of {', '.join(map(str, named))} are not equally long in both images; "
        "millimetres cannot be compared, per cent only with care."
    ]


def _crests(
    found: Difference,
    before: NDArray[np.float32],
    alignment: Alignment,
    earlier: Marked,
    of_earlier: Iterable[Site],
    changes: Iterable[SiteChange],
) -> Iterable[CrestChange]:
    marked = {(c.tooth, c.root, c.side): c.mm for c in changes}
    for site in of_earlier:
        mark = next(
            iter(
                earlier.marks.of(tooth=site.tooth, root=site.root, side=site.side, landmark="crest")
            ),
            None,
        )
        if mark is None or site.axis is None:
            continue
        origin, apex = (np.asarray(p, dtype=float) for p in site.axis)
        apical = (apex - origin) / np.hypot(*(apex - origin))
        across = np.array([-apical[1], apical[0]])
        beside = float((np.array([mark.row, mark.col]) - origin) @ across)
        away = across if beside >= 0 else -across
        moved = crest_change(
            found,
            before,
            alignment,
            (mark.row, mark.col),
            (float(apical[0]), float(apical[1])),
            (float(away[0]), float(away[1])),
            px_per_mm=_px_per_mm(apical, float(np.hypot(*(apex - origin))), earlier.scale),
        )
        moved = _in_mm(moved, apical, earlier.scale)
        by_marks = marked.get((site.tooth, site.root, site.side))
        if by_marks is not None and _contradict(moved, by_marks):
            moved = missing(moved.unit, "disagrees_with_marks")
        yield CrestChange(site.tooth, site.root, site.side, moved, detectable(moved))


def _contradict(moved: Measurement, by_marks: Measurement) -> bool:
    """Whether the direct reading and the two visits' marks cannot both be right (2 SD)."""
    if not (moved.known and by_marks.known and moved.unit == by_marks.unit):
        return False
    apart = abs(moved.value - by_marks.value)
    return apart > 2 * math.hypot(moved.sd, by_marks.sd)


def _px_per_mm(apical: Any, root_px: float, scale: Calibration | None) -> float:
    """Pixels to a millimetre along the root; without a scale from a root of usual length."""
    if scale is None or not scale.scaled:
        return root_px / USUAL_ROOT_MM
    return 1 / math.hypot(apical[0] * scale.pitch[0], apical[1] * scale.pitch[1])


def _in_mm(moved: Measurement, apical: Any, scale: Calibration | None) -> Measurement:
    if scale is None or not scale.scaled or not moved.known:
        return moved
    mm = math.hypot(apical[0] * scale.pitch[0], apical[1] * scale.pitch[1])
    value = moved.value * mm
    sd = math.hypot(moved.sd * mm, value * (scale.relative_sd or 0.0))
    return Measurement(value, sd, "mm", moved.flags)


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


def photo_grey(image: Image) -> NDArray[np.float32]:
    """Brightness that a pink dye hardly changes: the red channel of a photo."""
    return np.asarray(image.pixels[..., 0] if image.colour else image.pixels, dtype=np.float32)


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

    alignment = _photo_alignment(earlier, later, None if points is None else list(points))
    carried = carried_regions(regions, alignment, later.pixels.shape[:2])
    hidden = _hidden(regions, alignment, later.pixels.shape[:2])
    said = list(alignment.warnings)
    said += [
        f"{tooth}: the later photo shows only {100 * shown:.0f} % of it; not compared."
        for tooth, shown in hidden.items()
    ]
    before = plaque(earlier, regions, dye=dye, gum=gum, density=density)
    carried[np.isin(carried, list(hidden))] = 0
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


def _photo_alignment(earlier: Image, later: Image, points: Any) -> Alignment:
    names = (later.name, earlier.name)
    try:
        return align(photo_grey(later), photo_grey(earlier), points=points, names=names)
    except InputRefused:
        if points is not None or not (earlier.colour and later.colour):
            raise
    return align(grey(later), grey(earlier), names=names)


def carried_regions(
    regions: NDArray[np.uint16], alignment: Alignment, shape: tuple[int, ...]
) -> NDArray[np.uint16]:
    """Carry tooth regions of the earlier photo to the later one; shape (rows, cols)."""
    import cv2

    back = np.linalg.inv(SWAP @ alignment.transform @ SWAP)
    size = (int(shape[1]), int(shape[0]))
    drawn = cv2.warpPerspective(regions, back, size, flags=cv2.INTER_NEAREST)
    return np.asarray(drawn, dtype=np.uint16)


def _hidden(
    regions: NDArray[np.uint16], alignment: Alignment, shape: tuple[int, ...]
) -> dict[int, float]:
    """Share shown of each tooth that the later photo shows too little of."""
    found = {}
    for tooth in np.unique(regions[regions > 0]):
        at = np.argwhere(regions == tooth)[::7]
        landed = alignment.later_from_earlier(at)
        inside = (landed >= 0) & (landed <= np.array(shape[:2]) - 1)
        shown = float(inside.all(axis=1).mean())
        if shown < LEAST_SHOWN:
            found[int(tooth)] = shown
    return found


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
