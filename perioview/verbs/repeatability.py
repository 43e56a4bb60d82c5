"""`perioview repeatability`: an observer's own mark repeatability from repeated markings."""

from __future__ import annotations

import argparse
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

from perioview.errors import InputRefused
from perioview.files.atomic import write_atomically
from perioview.repeatability_profile import profile_object, profile_table, profile_text
from perioview.verbs.output import add_json_argument, check_targets, emit

if TYPE_CHECKING:
    from perioview.calibration import Calibration
    from perioview.marks import Marks

HELP = "an observer's own mark repeatability from repeated markings of one image"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of the verb."""
    parser.add_argument("csv", metavar="CSV", nargs="+", help="markings of one image, two or more")
    parser.add_argument("--image", metavar="IMAGE", help="the image, for its scale and size")
    parser.add_argument("--species", choices=("dog", "cat"), help="if the image does not say")
    parser.add_argument(
        "--mm-per-px", type=float, metavar="X", help="width of a pixel in mm, over any other scale"
    )
    parser.add_argument(
        "--out", metavar="FILE", help="save as the observer's profile, for measure --mark-sd FILE"
    )
    parser.add_argument(
        "--plot", metavar="PNG", help="draw differences against means, and the SD of each landmark"
    )
    add_json_argument(parser)


def run(args: argparse.Namespace) -> None:
    """Judge the repeats and show."""
    from perioview.repeatability import judged_repeats

    check_targets(args.plot, args.out)
    if len(args.csv) < 2:
        raise InputRefused(f"{args.csv[0]}: is one marking; give two or more of the same image.")
    paths = [Path(name) for name in args.csv]
    if len({path.resolve() for path in paths}) < len(paths):
        raise InputRefused(f"{args.csv[0]}: a file is given twice; each marking is its own file.")
    repeats, scale = _read(args, paths)
    found = judged_repeats(repeats, scale)
    if not found.landmarks:
        raise InputRefused(
            f"{args.csv[0]}: shares no mark with the other file(s); mark the same sites each time."
        )
    result = profile_object(found.landmarks, found.judged)
    if args.plot:
        from perioview.repeatability_plot import repeatability_plot

        picture = repeatability_plot(found.sites, found.landmarks, found.judged)
        write_atomically(Path(args.plot), picture)
    if args.out:
        write_atomically(Path(args.out), profile_text(result).encode())
    emit(args, result, profile_table(result, len(repeats)))


def _read(args: argparse.Namespace, paths: list[Path]) -> tuple[list[Marks], Calibration]:
    """Read the markings, every fault of every file named, and the image's scale."""
    from perioview.calibration import Calibration, calibration
    from perioview.files.tables import read_marks
    from perioview.marks import MAX_SIDE_PX

    image = None
    if args.image:
        from perioview.files.reading import read_image

        image = read_image(args.image)
    species = _species(args, image, paths)
    rows, cols = (image.rows, image.cols) if image else (MAX_SIDE_PX, MAX_SIDE_PX)
    repeats: list[Marks] = []
    faults: list[str] = []
    for path in paths:
        try:
            repeats.append(read_marks(path, species=species, rows=rows, cols=cols))
        except InputRefused as error:
            faults += error.faults
    if faults:
        raise InputRefused(*faults)
    if image is not None:
        return repeats, calibration(image, repeats[0], args.mm_per_px)
    if args.mm_per_px is None:
        return repeats, Calibration(None, None, None, "none")
    if not (math.isfinite(args.mm_per_px) and args.mm_per_px > 0):
        raise InputRefused(f"--mm-per-px {args.mm_per_px}: give the width of a pixel in mm.")
    return repeats, Calibration(args.mm_per_px, args.mm_per_px, 0.0, "given")


def _species(args: argparse.Namespace, image: Any, paths: list[Path]) -> str:
    """Take the species from the option, image or visit; else any that fits all the marks."""
    from perioview.files.tables import read_marks
    from perioview.files.visit_folder import visit_of_image
    from perioview.marks import MAX_SIDE_PX
    from perioview.visit import agreed_species

    said = {"--species": args.species}
    if image is not None:
        visit = visit_of_image(Path(args.image))
        said |= {args.image: image.species, "visit.toml": visit.species if visit else None}
    if any(said.values()):
        return agreed_species(said)
    # Scatter and percentages do not depend on the species, only which teeth exist does.
    for species in ("dog", "cat"):
        try:
            for path in paths:
                read_marks(path, species=species, rows=MAX_SIDE_PX, cols=MAX_SIDE_PX)
        except InputRefused:
            continue
        return species
    return "dog"
