"""Changes between visits whose marks are not independent: some were carried over, and kept."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from perioview.alignment import Alignment
from perioview.bone_loss import MarkSd, Site, default_mark_sd, sites
from perioview.calibration import Calibration
from perioview.marks import Key, Mark, Marks, key
from perioview.measurement import Measurement
from perioview.progression import SiteChange, detectable

KEPT_PX = 0.1
"""A later mark this near to where an earlier one was carried to was not marked anew."""
STEP_PX = 0.5
"""Marks are held to 1/1024 px: a finer step would be lost in that."""
Place = tuple[int, str, str]


@dataclass(frozen=True, slots=True)
class MarkedVisit:
    """Marks of one visit, its scale and the observer's repeatability."""

    marks: Marks
    scale: Calibration
    mark_sd: MarkSd | None = None

    def sd_px(self, mark: Mark) -> tuple[float, float]:
        """Repeatability of a mark along rows and columns, px."""
        sd = (self.mark_sd or default_mark_sd(self.scale.scaled)).of(mark.landmark)
        return sd / self.scale.pitch[0], sd / self.scale.pitch[1]


def carried_keys(earlier: Marks, later: Marks, alignment: Alignment) -> frozenset[Key]:
    """Marks of the later visit that are the earlier visit's own, carried over and kept.

    They were accepted, not placed, and lie where they were carried to.
    """
    before = [m for m in earlier if m.landmark != "ruler"]
    after = {key(m): m for m in later}
    if not before:
        return frozenset()
    landed = alignment.later_from_earlier([(m.row, m.col) for m in before])
    return frozenset(
        key(m)
        for m, (row, col) in zip(before, landed, strict=True)
        if (kept := after.get(key(m))) is not None
        and kept.how == "accepted"
        and math.hypot(kept.row - row, kept.col - col) <= KEPT_PX
    )


def with_carried(
    changes: Iterable[SiteChange],
    earlier: MarkedVisit,
    later: MarkedVisit,
    alignment: Alignment,
) -> tuple[SiteChange, ...]:
    """Give the changes at teeth with carried marks the SD that holds for them.

    A carried mark has the earlier mark's own error, which for the most part cancels in the
    change; what it adds is the alignment's.

    Parameters
    ----------
    changes : iterable of SiteChange
        As `perioview.progression.site_changes` gives them, all marks taken as independent.
    earlier, later : MarkedVisit
    alignment : Alignment
        Of the later image onto the earlier.

    Returns
    -------
    tuple of SiteChange
        Those that rest on carried marks carry the flag ``marks_carried``.
    """
    shared = carried_keys(earlier.marks, later.marks, alignment)
    teeth = {m.tooth for m in earlier.marks if key(m) in shared}
    found: dict[Place, tuple[float, float]] = {}
    for tooth in teeth:
        if tooth is not None:
            found |= _tooth_sds(tooth, earlier, later, alignment, shared)
    return tuple(_with_sd(c, found.get((c.tooth, c.root, c.side))) for c in changes)


def _with_sd(change: SiteChange, sds: tuple[float, float] | None) -> SiteChange:
    if sds is None or not change.pct.known:
        return change
    pct = Measurement(change.pct.value, sds[0], change.pct.unit, change.pct.flags)
    mm = change.mm
    if mm.known:
        mm = Measurement(mm.value, sds[1], mm.unit, mm.flags)
    flags = (*change.flags, "marks_carried")
    return replace(change, pct=pct, mm=mm, detectable=detectable(pct), flags=flags)


def _tooth_sds(
    tooth: int,
    earlier: MarkedVisit,
    later: MarkedVisit,
    alignment: Alignment,
    shared: frozenset[Key],
) -> dict[Place, tuple[float, float]]:
    """SD of the change in per cent and in mm at each site, by first-order propagation."""
    before, after = (Marks(v.marks.of(tooth=tooth)) for v in (earlier, later))
    base = _loss(before, earlier), _loss(after, later)
    places = [p for p in base[1] if p in base[0]]
    if not places:
        return {}
    variance = np.zeros((len(places), 2))

    def slope(old: Marks, new: Marks) -> NDArray[np.float64]:
        moved = _loss(old, earlier), _loss(new, later)
        return np.array([(moved[1][p] - base[1][p]) - (moved[0][p] - base[0][p]) for p in places])

    rms = 0.0 if math.isnan(alignment.rms_px) else alignment.rms_px / math.sqrt(2)
    for mark in before:
        twin = next((m for m in after if key(m) == key(mark)), None)
        carried = twin is not None and key(mark) in shared
        for axis, sd in enumerate(earlier.sd_px(mark)):
            nudged = before.with_mark(_nudged(mark, axis))
            if not carried or twin is None:
                variance += _share(slope(nudged, after), sd)
                continue
            follows = after.with_mark(_following(twin, mark, axis, alignment))
            variance += _share(slope(nudged, follows), sd) + _share(slope(before, follows), rms)
    for mark in after:
        if key(mark) not in shared:
            for axis, sd in enumerate(later.sd_px(mark)):
                variance += _share(slope(before, after.with_mark(_nudged(mark, axis))), sd)
    for visit, loss in zip((earlier, later), base, strict=True):
        of_scale = visit.scale.relative_sd or 0.0
        variance[:, 1] += [(loss[p][1] * of_scale) ** 2 for p in places]
    return {p: (math.sqrt(v[0]), math.sqrt(v[1])) for p, v in zip(places, variance, strict=True)}


def _loss(marks: Marks, visit: MarkedVisit) -> dict[Place, NDArray[np.float64]]:
    """Bone loss at each site that has a percentage: in per cent, and in the scale's unit."""
    found: tuple[Site, ...] = sites(marks, visit.scale, visit.mark_sd)
    return {
        (s.tooth, s.root, s.side): np.array([s.bone_loss_pct.value, s.bone_loss.value])
        for s in found
        if s.bone_loss_pct.known
    }


def _share(slope: NDArray[np.float64], sd: float) -> NDArray[np.float64]:
    return np.asarray((slope / STEP_PX * sd) ** 2)


def _nudged(mark: Mark, axis: int) -> Mark:
    down, across = (STEP_PX, 0.0) if axis == 0 else (0.0, STEP_PX)
    return replace(mark, row=mark.row + down, col=mark.col + across)


def _following(twin: Mark, mark: Mark, axis: int, alignment: Alignment) -> Mark:
    """Move a carried mark as it would have been had the earlier one been nudged."""
    nudged = _nudged(mark, axis)
    old, new = alignment.later_from_earlier([(mark.row, mark.col), (nudged.row, nudged.col)])
    return replace(twin, row=twin.row + new[0] - old[0], col=twin.col + new[1] - old[1])
