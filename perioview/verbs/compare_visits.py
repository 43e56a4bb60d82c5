"""Two visit folders on the command line: compared, shown, pictures written."""

from __future__ import annotations

import argparse
from pathlib import Path

from perioview.errors import InputRefused
from perioview.verbs.output import emit


def compare_visits(args: argparse.Namespace) -> None:
    """Pair the images of two visits by the teeth they share, and compare each pair.

    Raises
    ------
    InputRefused
        If the patients differ, nothing is shared, or no pair can be aligned.
    """
    from perioview.comparison_object import visits_object
    from perioview.comparison_table import comparison_table
    from perioview.comparison_visits import RadiographPair, check_same_patient, compared_visits
    from perioview.files.stray_files import tell_strays
    from perioview.files.visit_folder import examine
    from perioview.verbs.compare import write_photos, write_radiographs

    if args.points:
        raise InputRefused(
            f"{args.points}: point pairs belong to two images; name the two images, not folders."
        )
    before, after = (examine(p, mark_sd=args.mark_sd) for p in (args.earlier, args.later))
    for folder, exam in ((args.earlier, before), (args.later, after)):
        tell_strays(folder, exam.visit)
    check_same_patient((args.earlier, args.later), before, after)
    found = compared_visits(before, after, mark_sd=args.mark_sd, gum=args.gum, density=args.density)
    if not found.pairs:
        raise InputRefused(
            *(
                found.faults
                or [
                    f"{args.earlier}, {args.later}: no two images share a tooth "
                    "(photos: outlined, and at the same stage of the cleaning)."
                ]
            )
        )
    stems = [Path(pair.files[1]).stem for pair in found.pairs]
    for pair in found.pairs if args.out else ():
        later = Path(pair.files[1])
        # left-jaw.dcm and left-jaw.jpg are two images.
        out = Path(args.out) / (later.stem if stems.count(later.stem) == 1 else later.name)
        if isinstance(pair, RadiographPair):
            write_radiographs(out, pair.result, pair.earlier)
        else:
            images = pair.earlier.image, pair.later.image
            write_photos(out, pair.result, *images, pair.earlier.regions)
    result = visits_object(found)
    emit(args, result, comparison_table(result))
