"""`perioview compare`: two visits, or before and after cleaning, aligned and subtracted."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from perioview.comparison_table import comparison_table
from perioview.errors import InputRefused
from perioview.files.atomic import write_atomically
from perioview.verbs.output import add_json_argument, emit

if TYPE_CHECKING:
    from perioview.comparison import Comparison, Marked
    from perioview.comparison_photos import PhotoComparison

HELP = "two visits, or before and after cleaning, aligned and subtracted"
Pairs = list[tuple[tuple[float, float], tuple[float, float]]]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of the verb."""
    from perioview.verbs.measure import add_measuring_arguments

    parser.add_argument("earlier", metavar="EARLIER", help="image, or visit folder")
    parser.add_argument("later", metavar="LATER", help="image of the same place, or visit folder")
    parser.add_argument("--marks-earlier", metavar="CSV", help="marks file of EARLIER")
    parser.add_argument("--marks-later", metavar="CSV", help="marks file of LATER")
    parser.add_argument(
        "--teeth", metavar="REGIONS", help="tooth regions of EARLIER: both are photographs"
    )
    parser.add_argument(
        "--teeth-later", metavar="REGIONS", help="tooth regions of LATER, to compare the gum line"
    )
    parser.add_argument(
        "--teeth-from",
        metavar="PHOTO",
        help="another photo of the same mouth that REGIONS of --teeth were drawn on: they are "
        "carried to EARLIER by alignment",
    )
    parser.add_argument(
        "--grey-card",
        metavar="ROW,COL,ROW,COL",
        help="two opposite corners of a neutral grey card in view of EARLIER, px: takes the "
        "colour of the light out and checks the exposure",
    )
    parser.add_argument(
        "--grey-card-later", metavar="ROW,COL,ROW,COL", help="the same in view of LATER"
    )
    parser.add_argument("--gum", choices=("up", "down", "left", "right"), help="where the gum lies")
    parser.add_argument(
        "--dye",
        choices=("one-tone", "two-tone"),
        help="default: as the visit of the photographs states it, else one-tone",
    )
    parser.add_argument("--density", type=float, default=0.15, metavar="D", help="as in plaque")
    parser.add_argument(
        "--points",
        metavar="CSV",
        help="pairs of matching points for images that cannot be aligned without: "
        "earlier_row,earlier_col,later_row,later_col; four or more, well spread",
    )
    parser.add_argument(
        "--out",
        metavar="DIR",
        help="write to this folder: both images side by side; of radiographs what changed and the "
        "proposed marks; of photographs a map of what stays (go-back.png) and the tooth regions",
    )
    add_measuring_arguments(parser)
    add_json_argument(parser)


def run(args: argparse.Namespace) -> None:
    """Compare and show."""
    folders = [Path(name).is_dir() for name in (args.earlier, args.later)]
    _check_photo_options(args, any(folders))
    if any(folders):
        if not all(folders):
            raise InputRefused(
                f"{args.earlier}, {args.later}: one is a folder, one is not; "
                "give two images or two visit folders."
            )
        from perioview.verbs.compare_visits import compare_visits

        compare_visits(args)
    elif args.teeth:
        _run_photos(args)
    else:
        _run_radiographs(args)


def _check_photo_options(args: argparse.Namespace, visits: bool) -> None:
    """Refuse what belongs to two photographs when other things are compared."""
    given = [
        name
        for name, value in (
            ("--teeth-from", args.teeth_from),
            ("--grey-card", args.grey_card),
            ("--grey-card-later", args.grey_card_later),
        )
        if value is not None
    ]
    if not args.teeth and not visits:
        own = (("--dye", args.dye), ("--gum", args.gum), ("--teeth-later", args.teeth_later))
        given += [name for name, value in own if value is not None]
    if given and visits:
        raise InputRefused(
            f"{', '.join(given)}: belongs to two photographs; a visit states its grey card as "
            "grey_card = [row, col, row, col] of its photo in visit.toml."
        )
    if visits:
        _refuse_for_visits(args)
    if given and not args.teeth:
        raise InputRefused(f"{', '.join(given)}: belongs to photographs; give --teeth too.")


def _refuse_for_visits(args: argparse.Namespace) -> None:
    """Refuse what two visit folders state themselves."""
    own = [
        name
        for name, value in (
            ("--teeth", args.teeth),
            ("--teeth-later", args.teeth_later),
            ("--marks-earlier", args.marks_earlier),
            ("--marks-later", args.marks_later),
            ("--dye", args.dye),
            ("--mm-per-px", args.mm_per_px),
            ("--species", args.species),
        )
        if value is not None
    ]
    if own:
        raise InputRefused(
            f"{', '.join(own)}: a visit folder states this itself (marks/, regions/, visit.toml); "
            "correct it there, or name two images."
        )


def _run_radiographs(args: argparse.Namespace) -> None:
    from perioview.comparison import compared
    from perioview.comparison_object import radiographs_object

    if args.marks_later and not args.marks_earlier:
        raise InputRefused(
            f"{args.marks_later}: marks of the later image only; give --marks-earlier too."
        )
    earlier = _marked(args, args.earlier, args.marks_earlier)
    later = _marked(args, args.later, args.marks_later)
    result = compared(earlier, later, points=_points(args.points))
    found = radiographs_object(result)
    if args.marks_earlier and not args.marks_later:
        found["warnings"].append("no marks of the later image: nothing is compared site by site.")
    if args.out:
        write_radiographs(Path(args.out), result, earlier)
    emit(args, found, comparison_table(found))


def _marked(args: argparse.Namespace, path: str, marks_file: str | None) -> Marked:
    from perioview.calibration import calibration
    from perioview.comparison import Marked
    from perioview.files.reading import read_image
    from perioview.files.tables import read_marks
    from perioview.files.visit_folder import visit_of_image
    from perioview.observer import mark_sd
    from perioview.visit import agreed_species

    image = read_image(path)
    if marks_file is None:
        return Marked(image)
    visit = visit_of_image(Path(path))
    species = agreed_species(
        {
            path: image.species,
            "--species": args.species,
            "visit.toml": visit.species if visit else None,
        }
    )
    marks = read_marks(marks_file, species=species, rows=image.rows, cols=image.cols)
    scale = calibration(image, marks, args.mm_per_px, mark_sd(args.mark_sd, False).ruler)
    return Marked(image, marks, scale, mark_sd(args.mark_sd, scale.scaled))


def _points(path: str | None) -> Pairs | None:
    if path is None:
        return None
    from perioview.files.tables import csv_rows

    columns = ("earlier_row", "earlier_col", "later_row", "later_col")
    pairs: Pairs = []
    faults = []
    for line, row in csv_rows(Path(path), columns)[1]:
        try:
            a, b, c, d = (float(row[name]) for name in columns)
        except ValueError:
            faults.append(f"{path}: line {line}: a coordinate is no number; correct it.")
            continue
        pairs.append(((c, d), (a, b)))
    if faults:
        raise InputRefused(*faults)
    return pairs


def _run_photos(args: argparse.Namespace) -> None:
    from perioview.comparison_object import photos_object
    from perioview.comparison_photos import compared_photos, stated_card
    from perioview.files.reading import read_image
    from perioview.files.regions import read_regions
    from perioview.verbs.plaque import corners, drawn_regions, dye_of, stated_in_visit

    if args.marks_earlier or args.marks_later:
        raise InputRefused(
            f"{args.teeth}: regions are for photographs, marks for radiographs; give one kind."
        )
    cards = (
        corners("--grey-card", args.grey_card),
        corners("--grey-card-later", args.grey_card_later),
    )
    earlier, later = read_image(args.earlier), read_image(args.later)
    regions, said = drawn_regions(args.teeth, args.teeth_from, earlier)
    stated, stated_later = (stated_in_visit(Path(p)) for p in (args.earlier, args.later))
    cards = (cards[0] or stated_card(stated), cards[1] or stated_card(stated_later))
    dye_of(args.dye, stated_later)
    result = compared_photos(
        earlier,
        later,
        regions,
        dye=dye_of(args.dye, stated),
        gum=args.gum or stated.get("gum"),
        later_gum=None if args.gum else stated_later.get("gum"),
        density=args.density,
        points=_points(args.points),
        later_regions=None
        if args.teeth_later is None
        else read_regions(args.teeth_later, rows=later.rows, cols=later.cols),
        cards=cards,
    )
    found = photos_object(result)
    found["warnings"] += said
    if args.out:
        write_photos(Path(args.out), result, earlier, later, regions)
    emit(args, found, comparison_table(found))


def _folder(path: Path) -> Path:
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputRefused(f"{path}: cannot be made ({error.strerror}); choose another.") from error
    return path


def write_radiographs(folder: Path, result: Comparison, earlier: Marked) -> None:
    """Write the pictures, and the earlier marks as proposals for the later image."""
    from perioview.comparison import dense_bright
    from perioview.comparison_pictures import png, side_by_side
    from perioview.subtraction import difference_picture

    folder = _folder(folder)
    before = dense_bright(earlier.image)
    write_atomically(folder / "side-by-side.png", png(side_by_side(result.difference, before)))
    write_atomically(folder / "difference.png", png(difference_picture(result.difference, before)))
    if result.proposals:
        proposals = [
            {
                "tooth": m.tooth,
                "root": m.root,
                "side": m.side,
                "landmark": m.landmark,
                "row": m.row,
                "col": m.col,
                "sd_mm": None,
                "confidence": None,
                "flags": ["carried_from_earlier_visit"],
            }
            for m in result.proposals
        ]
        text = json.dumps({"proposals": proposals}, indent=2, allow_nan=False) + "\n"
        write_atomically(folder / "proposals.json", text.encode())


def write_photos(
    folder: Path, result: PhotoComparison, earlier: Any, later: Any, regions: Any
) -> None:
    """Write both photographs side by side, the map of where to go back, and the later regions."""
    from perioview.comparison_map import go_back_picture
    from perioview.comparison_pictures import photos_side_by_side, png
    from perioview.files.regions import write_regions

    folder = _folder(folder)
    shares = {t.tooth: (t.before.value, t.after.value) for t in result.teeth}
    picture = photos_side_by_side(earlier.pixels, later.pixels, result.alignment, (regions, shares))
    write_atomically(folder / "side-by-side.png", png(picture))
    write_atomically(folder / "go-back.png", png(go_back_picture(later.pixels, result)))
    write_regions(folder / "regions-later.png", result.regions)
