"""The visit beside an earlier one: pictures side by side, and what changed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from perioview.errors import InputRefused
from perioview.home_history import visit_day
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
    days : int or None
        Between the two visits; None when one is not dated.
    """

    date: str
    result: dict[str, Any]
    pictures: dict[str, bytes]
    stages: tuple[StageChange, ...]
    faults: tuple[str, ...] = ()
    days: int | None = None

    def rates(self) -> dict[str, str]:
        """How fast bone was lost, in words, by site; those without an answer together."""
        from perioview.measurement import Measurement
        from perioview.progression import rate_of_change

        told: dict[str, str] = {}
        silent = 0
        for site in self.result.get("sites", ()):
            if site["change_pct"] is None or not self.days:
                continue
            change = Measurement(site["change_pct"], site["change_pct_sd"], "%")
            if site["detectable"]:
                place = f"{site['tooth']} {site['root']} {site['side']}"
                told[place] = rate_of_change(change, self.days).sentence
            else:
                silent += 1
        if silent:
            sites = f"site{'' if silent == 1 else 's'}"
            every = "The one" if silent == 1 else f"All {silent}"
            told[f"{silent} other {sites}" if told else f"{every} {sites}"] = (
                "Nothing can be said yet: the change is within what repeated marking shows."
            )
        return told

    def json_object(self) -> dict[str, Any]:
        """The comparison as plain values."""
        return {
            "date": self.date,
            **{k: self.result.get(k, []) for k in ("sites", "crests", "teeth")},
            "files": [pair["files"] for pair in self.result.get("pairs", ())],
            "rates": self.rates(),
            "home_care": self.result.get("home_care"),
            "stages": [{"tooth": s.tooth, "before": s.before, "now": s.now} for s in self.stages],
            "warnings": [*self.result.get("warnings", ()), *self.faults],
        }


def _check_order(earlier: Examination, now: Examination, where: str) -> None:
    before, after = visit_day(earlier.visit), visit_day(now.visit)
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
        If the earlier visit cannot be read, is of another patient or species, or is later.
        Images that cannot be aligned are told in `faults` instead.
    """
    from perioview.comparison_object import visits_object
    from perioview.comparison_visits import check_same_patient, compared_visits
    from perioview.files.visit_folder import examine

    earlier = examine(previous, mark_sd=mark_sd)
    check_same_patient((previous, folder), earlier, now)
    _check_order(earlier, now, previous)
    found = compared_visits(earlier, now, mark_sd=mark_sd)
    first, last = visit_day(earlier.visit), visit_day(now.visit)
    date = str(first or "not dated")
    days = (last - first).days if first and last else None
    if not found.pairs:
        faults = found.faults or (
            f"{previous}, {folder}: no two images share a tooth (photos: outlined, and at the same "
            "stage of the cleaning).",
        )
        empty = {"home_care": found.home.json_object()} if found.home else {}
        return SinceLast(date, empty, {}, _stages(earlier, now), faults, days)
    pictures = {pair.files[1]: _picture(pair) for pair in found.pairs}
    stages = _stages(earlier, now)
    return SinceLast(date, visits_object(found), pictures, stages, days=days)


def _picture(pair: RadiographPair | PhotoPair) -> bytes:
    """Draw a pair side by side, as PNG."""
    from perioview.comparison import dense_bright
    from perioview.comparison_pictures import photos_side_by_side, png, side_by_side
    from perioview.comparison_visits import PhotoPair

    if isinstance(pair, PhotoPair):
        images = pair.earlier.image.pixels, pair.later.image.pixels
        return png(photos_side_by_side(*images, pair.result.alignment))
    return png(side_by_side(pair.result.difference, dense_bright(pair.earlier.image)))
