"""Two visits of the same place side by side: what they share, compared."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from perioview.alignment import Alignment, align
from perioview.bone_loss import MarkSd, Site, sites
from perioview.calibration import Calibration
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
    changes = site_changes(of_earlier, later.sites(), px_ratio=_enlargement(alignment))
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
        *_identity_warnings(earlier.image, later.image),
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


def _enlargement(alignment: Alignment) -> float:
    """Pixels of the earlier image to one of the later, on the whole."""
    linear = alignment.transform[:2, :2] / alignment.transform[2, 2]
    return math.sqrt(abs(float(np.linalg.det(linear))))


def _identity_warnings(earlier: Image, later: Image) -> list[str]:
    said = []
    if earlier.sha256 == later.sha256:
        said.append(
            f"{earlier.name} and {later.name} are one and the same image: no change can show; "
            "check which files belong to the visits."
        )
    ids = [str(image.attributes.get("patient_id") or "").strip() for image in (earlier, later)]
    if all(ids) and ids[0] != ids[1]:
        said.append(
            f"patients differ: {earlier.name} is of '{ids[0]}', {later.name} of '{ids[1]}'."
        )
    if earlier.species and later.species and earlier.species != later.species:
        said.append(
            f"species differ: {earlier.name} is of a {earlier.species}, {later.name} of a "
            f"{later.species}."
        )
    dates = [str(image.attributes.get("study_date") or "") for image in (earlier, later)]
    if all(dates) and dates[0] > dates[1]:
        said.append(f"order: {earlier.name} ({dates[0]}) is later than {later.name} ({dates[1]}).")
    return said


def _geometry_warnings(changes: Iterable[SiteChange]) -> list[str]:
    found = tuple(changes)

    def teeth(flag: str) -> str:
        return ", ".join(map(str, sorted({c.tooth for c in found if flag in c.flags})))

    said = []
    if named := teeth("geometry_differs"):
        said.append(
            f"geometry: roots of {named} are not equally long in both images; "
            "millimetres cannot be compared, per cent only with care."
        )
    if named := teeth("reference_differs"):
        said.append(
            f"reference: {named} measured from a CEJ mark at one visit and from the CEJ line or "
            "along another axis at the other; part of the change is that."
        )
    if named := teeth("bone_level_differs"):
        said.append(
            f"bone level: {named} measured to a defect's base at one visit and to the crest at "
            "the other; part of the change may be that."
        )
    return said


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
