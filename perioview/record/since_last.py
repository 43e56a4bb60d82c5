"""The visit beside an earlier one: pictures side by side, and what changed."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from perioview.errors import InputRefused
from perioview.visit import Examination

if TYPE_CHECKING:
    from perioview.comparison_visits import PhotoPair, RadiographPair


@dataclass(frozen=True, slots=True)
class StageChange:
    """Stage of a tooth at the earlier and at this visit; None: not staged."""

    tooth: int
    before: str | None
    now: str | None


@dataclass(frozen=True, slots=True)
class SinceLast:
    """What changed since an earlier visit.

    Parameters
    ----------
    date : str
        Of the earlier visit.
    result : dict
        As `compare` writes it for two visit folders; empty where nothing could be aligned.
    pictures : dict of str to bytes
        PNG of earlier, later and change side by side, by the file of this visit.
    stages : tuple of StageChange
        Teeth staged at either visit.
    faults : tuple of str
        What could not be compared.
    """

    date: str
    result: dict[str, Any]
    pictures: dict[str, bytes]
    stages: tuple[StageChange, ...]
    faults: tuple[str, ...] = ()

    def json_object(self) -> dict[str, Any]:
        """The comparison as plain values."""
        return {
            "date": self.date,
            **{k: self.result.get(k, []) for k in ("sites", "crests", "teeth")},
            "files": [pair["files"] for pair in self.result.get("pairs", ())],
            "home_care": self.result.get("home_care"),
            "stages": [{"tooth": s.tooth, "before": s.before, "now": s.now} for s in self.stages],
            "warnings": [*self.result.get("warnings", ()), *self.faults],
        }


def _day(examination: Examination) -> dt.date | None:
    date = examination.visit.visit.get("date")
    if isinstance(date, dt.datetime):
        return date.date()
    return date if isinstance(date, dt.date) else None


def _check(earlier: Examination, now: Examination, where: str) -> None:
    ids = [str(e.visit.patient.get("id", "")) for e in (earlier, now)]
    if ids[0] != ids[1]:
        raise InputRefused(
            f"{where}: is of patient '{ids[0]}', this visit of '{ids[1]}'; "
            "give an earlier visit of the same patient."
        )
    before, after = _day(earlier), _day(now)
    if before and after and before > after:
        raise InputRefused(
            f"{where}: is dated {before}, after this visit's {after}; give an earlier visit."
        )


def _stages(earlier: Examination, now: Examination) -> tuple[StageChange, ...]:
    from perioview.record.findings import findings

    before, after = (
        {a.tooth: a.stage for a in findings(e).assessments if a.stage} for e in (earlier, now)
    )
    numbers = [*after, *(n for n in before if n not in after)]
    return tuple(StageChange(n, before.get(n), after.get(n)) for n in sorted(numbers))


def since_last(folder: str, previous: str, now: Examination, mark_sd: str | None) -> SinceLast:
    """Compare a visit with an earlier one of the same patient.

    Parameters
    ----------
    folder, previous : str
        Visit folders.
    now : Examination
        Of `folder`.
    mark_sd : str, optional
        As `measure` takes it.

    Raises
    ------
    InputRefused
        If the earlier visit cannot be read, is of another patient, or is later. Images that
        cannot be aligned are told in `faults` instead.
    """
    from perioview.comparison_object import visits_object
    from perioview.comparison_visits import compared_visits
    from perioview.files.visit_folder import examine

    earlier = examine(previous, mark_sd=mark_sd)
    _check(earlier, now, previous)
    found = compared_visits(earlier, now, mark_sd=mark_sd)
    date = str(_day(earlier) or "not dated")
    if not found.pairs:
        faults = found.faults or (f"{previous}, {folder}: no two images share a tooth.",)
        empty = {"home_care": found.home.json_object()} if found.home else {}
        return SinceLast(date, empty, {}, _stages(earlier, now), faults)
    pictures = {pair.files[1]: _picture(pair) for pair in found.pairs}
    return SinceLast(date, visits_object(found), pictures, _stages(earlier, now))


def _picture(pair: RadiographPair | PhotoPair) -> bytes:
    """Draw a pair side by side, as PNG."""
    from perioview.comparison import dense_bright
    from perioview.comparison_pictures import photos_side_by_side, png, side_by_side
    from perioview.comparison_visits import PhotoPair

    if isinstance(pair, PhotoPair):
        images = pair.earlier.image.pixels, pair.later.image.pixels
        return png(photos_side_by_side(*images, pair.result.alignment))
    return png(side_by_side(pair.result.difference, dense_bright(pair.earlier.image)))
