"""Two visits: every pair of images that show the same teeth, compared."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from perioview.comparison import Comparison, Marked, compared
from perioview.comparison_photos import PhotoComparison, compared_photos, stated_card
from perioview.errors import InputRefused
from perioview.home_history import HomeHistory, home_history, visit_day
from perioview.observer import mark_sd as repeatability_of
from perioview.visit import Examination, PhotoResult, Radiograph, Table


@dataclass(frozen=True, slots=True)
class RadiographPair:
    """A radiograph of the later visit beside the one of the earlier visit that it repeats."""

    files: tuple[str, str]
    earlier: Marked
    result: Comparison


@dataclass(frozen=True, slots=True)
class PhotoPair:
    """A photograph of the later visit beside the one of the earlier visit that it repeats."""

    files: tuple[str, str]
    earlier: PhotoResult
    later: PhotoResult
    result: PhotoComparison


@dataclass(frozen=True, slots=True)
class VisitComparison:
    """What two visits of one patient share.

    Parameters
    ----------
    radiographs : tuple of RadiographPair
    photos : tuple of PhotoPair
    faults : tuple of str
        What could not be compared, and why.
    home : HomeHistory, optional
        What the owner tells of the time between; None when the later visit notes nothing.
    warnings : tuple of str
        What to know of the two visits themselves.
    """

    radiographs: tuple[RadiographPair, ...]
    photos: tuple[PhotoPair, ...]
    faults: tuple[str, ...]
    home: HomeHistory | None = None
    warnings: tuple[str, ...] = ()

    @property
    def pairs(self) -> tuple[RadiographPair | PhotoPair, ...]:
        """Radiographs first."""
        return (*self.radiographs, *self.photos)


def check_same_patient(names: tuple[str, str], before: Examination, after: Examination) -> None:
    """Refuse visits of two patients, or of two species.

    Raises
    ------
    InputRefused
    """
    ids = [str(e.visit.patient.get("id", "")) for e in (before, after)]
    if ids[0] != ids[1]:
        raise InputRefused(
            f"{names[1]}: is of patient '{ids[1]}', {names[0]} of '{ids[0]}'; "
            "compare two visits of one patient."
        )
    if before.species != after.species:
        raise InputRefused(
            f"{names[1]}: is of a {after.species}, {names[0]} of a {before.species}; "
            "correct the species in one visit.toml."
        )


def _order_warnings(before: Examination, after: Examination) -> tuple[str, ...]:
    days = [visit_day(e.visit) for e in (before, after)]
    if days[0] is None or days[1] is None or days[0] <= days[1]:
        return ()
    return (
        f"order: the earlier visit is dated {days[0]}, the later {days[1]}; every change has the "
        "wrong sign, name them the other way round.",
    )


def compared_visits(
    before: Examination,
    after: Examination,
    *,
    mark_sd: str | None = None,
    gum: str | None = None,
    density: float = 0.15,
) -> VisitComparison:
    """Pair the images of two visits by the teeth they share, and compare each pair.

    Parameters
    ----------
    before, after : Examination
        Of one patient.
    mark_sd : str, optional
        As `perioview.observer.mark_sd` takes it.
    gum : str, optional
        Where the gum lies on the photographs, over what the earlier visit says.
    density : float
        From which a pixel counts as stained.

    Raises
    ------
    InputRefused
        If what the later visit notes of home care cannot be.
    """
    radiographs, faults = _radiographs(before, after, mark_sd)
    photos, more = _photos(before, after, gum, density)
    home = home_history(before.visit, after.visit)
    return VisitComparison(
        tuple(radiographs),
        tuple(photos),
        (*faults, *more),
        home,
        _order_warnings(before, after),
    )


def _teeth(radiograph: Radiograph, rows: Iterable[Table]) -> set[int]:
    said = next((r.get("teeth", ()) for r in rows if r.get("file") == radiograph.file), ())
    return {int(t) for t in said} | set(radiograph.marks.teeth())


def _marked(radiograph: Radiograph, mark_sd: str | None) -> Marked:
    scale = radiograph.calibration
    return Marked(
        radiograph.image, radiograph.marks, scale, repeatability_of(mark_sd, scale.scaled)
    )


def _radiographs(
    before: Examination, after: Examination, mark_sd: str | None
) -> tuple[list[RadiographPair], list[str]]:
    found: list[RadiographPair] = []
    faults: list[str] = []
    for one in after.radiographs:
        teeth = _teeth(one, after.visit.images)
        shared = [
            (len(teeth & _teeth(other, before.visit.images)), other) for other in before.radiographs
        ]
        for count, other in sorted(shared, key=lambda pair: -pair[0]):
            if not count:
                break
            earlier = _marked(other, mark_sd)
            try:
                result = compared(earlier, _marked(one, mark_sd))
            except InputRefused as error:
                faults += error.faults
                continue
            found.append(RadiographPair((other.file, one.file), earlier, result))
            break
    return found, faults


def _photos(
    before: Examination, after: Examination, gum: str | None, density: float
) -> tuple[list[PhotoPair], list[str]]:
    found: list[PhotoPair] = []
    refused: dict[str, list[str]] = {}
    used: set[str] = set()
    for one, other in _photo_pairs(before, after):
        if one.file in used or other.file in used:
            continue
        try:
            result = _compared(one, other, (before, after), gum, density)
        except InputRefused as error:
            refused.setdefault(one.file, []).extend(error.faults)
            continue
        # A photo shows a surface once, so it answers to one photo of the other visit.
        used |= {one.file, other.file}
        found.append(PhotoPair((other.file, one.file), other, one, result))
    order = [photo.file for photo in after.photos]
    found.sort(key=lambda pair: order.index(pair.files[1]))
    faults = [f for file, of_file in refused.items() if file not in used for f in of_file]
    return found, [*faults, *_left_over(before, after, used | refused.keys())]


def _compared(
    one: PhotoResult,
    other: PhotoResult,
    visits: tuple[Examination, Examination],
    gum: str | None,
    density: float,
) -> PhotoComparison:
    rows = [_row_of(other, visits[0]), _row_of(one, visits[1])]
    if one.dye != other.dye:
        raise InputRefused(
            f"{one.file}: was stained with a {one.dye} dye, the earlier {other.file} with a "
            f"{other.dye} one; plaque of two dyes is not compared, correct dye in visit.toml if "
            "one is wrong."
        )
    return compared_photos(
        other.image,
        one.image,
        other.regions,
        later_regions=one.regions,
        dye=other.dye,
        gum=gum or rows[0].get("gum"),
        later_gum=None if gum else rows[1].get("gum"),
        density=density,
        cards=(stated_card(rows[0]), stated_card(rows[1])),
    )


def _left_over(before: Examination, after: Examination, told: set[str]) -> list[str]:
    """Outlined photos of the later visit that no photo of the earlier one answers to."""
    outlined = [p for p in before.photos if p.regions is not None]
    if not outlined:
        return []
    return [
        f"{one.file}: no outlined photo taken {one.when} cleaning at the earlier visit shows these "
        "teeth and is free; not compared."
        for one in after.photos
        if one.regions is not None and one.file not in told
    ]


def _row_of(photo: PhotoResult, examination: Examination) -> Table:
    """What the visit says of a photo."""
    rows: Iterable[Table] = examination.visit.photos
    return next((r for r in rows if r.get("file") == photo.file), {})


def _photo_pairs(before: Examination, after: Examination) -> list[tuple[PhotoResult, PhotoResult]]:
    """Photos of the same stage that share outlined teeth, those that share most first."""
    pairs = [
        (len(_outlined(one) & _outlined(other)), one, other)
        for one in after.photos
        for other in before.photos
        if one.when == other.when
    ]
    return [(one, other) for n, one, other in sorted(pairs, key=lambda p: -p[0]) if n]


def _outlined(photo: PhotoResult) -> set[int]:
    if photo.regions is None:
        return set()
    return {int(tooth) for tooth in np.flatnonzero(np.bincount(photo.regions.ravel())) if tooth}
