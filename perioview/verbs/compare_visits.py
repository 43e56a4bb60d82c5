"""Two visit folders: every pair of images that show the same teeth, compared."""

from __future__ import annotations

import argparse
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from perioview.errors import InputRefused
from perioview.verbs.output import emit

if TYPE_CHECKING:
    from perioview.visit import Examination, PhotoResult, Radiograph


def compare_visits(args: argparse.Namespace) -> None:
    """Pair the images of two visits by the teeth they share, and compare each pair.

    Raises
    ------
    InputRefused
        If the patients differ, nothing is shared, or no pair can be aligned.
    """
    from perioview.files.visit_folder import examine
    from perioview.verbs.compare import table

    before, after = (examine(p, mark_sd=args.mark_sd) for p in (args.earlier, args.later))
    _same_patient(args, before, after)
    pairs, faults = [], []
    for compare in (_radiographs, _photos):
        found, refused = compare(args, before, after)
        pairs += found
        faults += refused
    if not pairs:
        raise InputRefused(
            *(faults or [f"{args.earlier}, {args.later}: no two images share a tooth."])
        )
    first = pairs[0]
    result = {
        **{k: first[k] for k in first if k not in ("files", "sites", "crests", "teeth")},
        "sites": [s for p in pairs for s in p["sites"]],
        "crests": [c for p in pairs for c in p.get("crests", ())],
        "teeth": [t for p in pairs for t in p["teeth"]],
        "pairs": [{k: v for k, v in p.items() if k not in ("sites", "teeth")} for p in pairs],
        "warnings": [*dict.fromkeys(w for p in pairs for w in p["warnings"]), *faults],
    }
    emit(args, result, table(result))


def _same_patient(args: argparse.Namespace, before: Examination, after: Examination) -> None:
    ids = [str(e.visit.patient.get("id", "")) for e in (before, after)]
    if ids[0] != ids[1]:
        raise InputRefused(
            f"{args.later}: is of patient '{ids[1]}', {args.earlier} of '{ids[0]}'; "
            "compare two visits of one patient."
        )


def _teeth(radiograph: Radiograph, rows: Iterable[Any]) -> set[int]:
    said = next((r.get("teeth", ()) for r in rows if r.get("file") == radiograph.file), ())
    return {int(t) for t in said} | set(radiograph.marks.teeth())


def _radiographs(
    args: argparse.Namespace, before: Examination, after: Examination
) -> tuple[list[dict[str, Any]], list[str]]:
    from perioview.comparison import Marked, compared
    from perioview.observer import mark_sd
    from perioview.verbs.compare import radiographs_object, write_radiographs

    def marked(r: Radiograph) -> Marked:
        scale = r.calibration
        return Marked(r.image, r.marks, scale, mark_sd(args.mark_sd, scale.scaled))

    found: list[dict[str, Any]] = []
    faults: list[str] = []
    for one in after.radiographs:
        teeth = _teeth(one, after.visit.images)
        shared = [
            (len(teeth & _teeth(other, before.visit.images)), other) for other in before.radiographs
        ]
        for count, other in sorted(shared, key=lambda pair: -pair[0]):
            if not count:
                break
            try:
                result = compared(marked(other), marked(one))
            except InputRefused as error:
                faults += error.faults
                continue
            entry = {"files": [other.file, one.file], **radiographs_object(result)}
            found.append(entry)
            if args.out:
                write_radiographs(Path(args.out) / Path(one.file).stem, result, marked(other))
            break
    return found, faults


def _photos(
    args: argparse.Namespace, before: Examination, after: Examination
) -> tuple[list[dict[str, Any]], list[str]]:
    from perioview.comparison import compared_photos
    from perioview.verbs.compare import photos_object, write_photos

    found: list[dict[str, Any]] = []
    faults: list[str] = []
    for one, other in _photo_pairs(before, after):
        gum = next((r.get("gum") for r in before.visit.photos if r.get("file") == other.file), None)
        try:
            result = compared_photos(
                other.image,
                one.image,
                other.regions,
                dye=other.dye,
                gum=args.gum or gum,
                density=args.density,
            )
        except InputRefused as error:
            faults += error.faults
            continue
        found.append({"files": [other.file, one.file], **photos_object(result)})
        if args.out:
            write_photos(Path(args.out) / Path(one.file).stem, result, other.image, one.image)
    return found, faults


def _photo_pairs(
    before: Examination, after: Examination
) -> Iterable[tuple[PhotoResult, PhotoResult]]:
    """Pair photos of the same stage that both have tooth regions and share a tooth."""
    for one in after.photos:
        for other in before.photos:
            if one.regions is None or other.regions is None or one.when != other.when:
                continue
            if set(one.regions[one.regions > 0]) & set(other.regions[other.regions > 0]):
                yield one, other
                break
