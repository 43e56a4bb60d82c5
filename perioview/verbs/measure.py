"""`perioview measure`: bone loss per site, tooth and stage of one radiograph."""

from __future__ import annotations

import argparse
from pathlib import Path

from perioview.verbs.output import add_json_argument, emit

HELP = "bone loss per site and tooth, with stage, from one radiograph and its marks"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of the verb."""
    parser.add_argument("image", metavar="IMAGE", help="radiograph: DICOM, JPEG, PNG or TIFF")
    parser.add_argument("--marks", metavar="CSV", required=True, help="marks file of the image")
    add_measuring_arguments(parser)
    add_json_argument(parser)


def add_measuring_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what verbs that measure share: species, scale, repeatability, rules."""
    parser.add_argument("--species", choices=("dog", "cat"), help="if the image does not say")
    parser.add_argument(
        "--mm-per-px", type=float, metavar="X", help="width of a pixel in mm, over any other scale"
    )
    parser.add_argument(
        "--mark-sd",
        metavar="S",
        help="repeatability of a mark, one SD (mm with a scale, else px); or cej=S,crest=S,...; "
        "or a file written by 'perioview repeatability'",
    )
    parser.add_argument("--rules", metavar="FILE", help="a practice's own staging limits (TOML)")


def run(args: argparse.Namespace) -> None:
    """Measure and show."""
    from perioview.calibration import calibration
    from perioview.files.reading import read_image
    from perioview.files.stray_files import tell_strays
    from perioview.files.tables import read_marks
    from perioview.files.visit_folder import visit_of_image
    from perioview.observer import mark_sd
    from perioview.staging import staging_rules
    from perioview.visit import agreed_species, measured

    image = read_image(args.image)
    visit = visit_of_image(Path(args.image))
    if visit is not None:
        tell_strays(Path(args.image).parent.parent, visit)
    species = agreed_species(
        {
            args.image: image.species,
            "--species": args.species,
            "visit.toml": visit.species if visit else None,
        }
    )
    marks = read_marks(args.marks, species=species, rows=image.rows, cols=image.cols)
    ruler = mark_sd(args.mark_sd, False).ruler
    scale = calibration(image, marks, args.mm_per_px, ruler)
    result = measured(
        image,
        marks,
        species,
        mark_sd=mark_sd(args.mark_sd, scale.scaled),
        rules=staging_rules(args.rules) if args.rules else None,
        scale=scale,
    )
    from perioview.verbs.tables import radiograph_table

    emit(args, result.json_object(), radiograph_table(result))
