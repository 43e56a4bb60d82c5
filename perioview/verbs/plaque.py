"""`perioview plaque`: plaque coverage per tooth of a stained photograph."""

from __future__ import annotations

import argparse
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from perioview.errors import InputRefused
from perioview.files.atomic import write_atomically
from perioview.verbs.output import add_json_argument, emit
from perioview.verbs.plaque_table import plaque_table, reduction_lines

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from perioview.image import Image

HELP = "plaque coverage per tooth of a stained photograph"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of the verb."""
    parser.add_argument("photo", metavar="PHOTO", help="photograph: JPEG, PNG, TIFF or DICOM")
    parser.add_argument(
        "--teeth",
        metavar="REGIONS",
        required=True,
        help="label image (PNG or TIFF, value = Triadan number) or CSV of polygons "
        "(tooth,vertex,row,col)",
    )
    parser.add_argument(
        "--teeth-from",
        metavar="PHOTO",
        help="another photo of the same mouth that REGIONS were drawn on: they are carried over "
        "by alignment",
    )
    parser.add_argument(
        "--gum", choices=("up", "down", "left", "right"), help="side on which the gum lies"
    )
    parser.add_argument("--dye", choices=("one-tone", "two-tone"), help="default: one-tone")
    parser.add_argument(
        "--density",
        type=float,
        default=0.15,
        metavar="D",
        help="optical density over clean enamel above which a pixel is stained (default: 0.15)",
    )
    parser.add_argument(
        "--index-teeth",
        metavar="WHICH",
        default="all",
        help="teeth in the mouth's index: all (default), dog, cat, or numbers with commas",
    )
    parser.add_argument(
        "--grey-card",
        metavar="ROW,COL,ROW,COL",
        help="two opposite corners of a neutral grey card in view, px: takes the colour of the "
        "light out and checks the exposure",
    )
    parser.add_argument(
        "--mm-per-px",
        type=float,
        metavar="X",
        help="scale of the photo, only to tell the Turesky bands 2 and 3 apart",
    )
    parser.add_argument(
        "--before",
        metavar="JSON",
        nargs="+",
        help="results this verb wrote of an earlier visit, or of a control group: states the "
        "percent reduction since",
    )
    parser.add_argument(
        "--together-with",
        metavar="JSON",
        nargs="+",
        help="further results that count with this one against --before (a test group)",
    )
    parser.add_argument(
        "--overlay", metavar="PNG", help="write the map of plaque over the photo to PNG"
    )
    add_json_argument(parser)


def run(args: argparse.Namespace) -> None:
    """Measure and show."""
    from perioview.comparison_photos import stated_card
    from perioview.files.reading import read_image
    from perioview.plaque import plaque

    if args.together_with and not args.before:
        raise InputRefused("--together-with: needs --before to be compared with; give both.")
    card = corners("--grey-card", args.grey_card)
    earlier = _results(args.before or ())
    others = _results(args.together_with or ())
    photo = read_image(args.photo)
    regions, said = drawn_regions(args.teeth, args.teeth_from, photo)
    stated = stated_in_visit(Path(args.photo))
    result = plaque(
        photo,
        regions,
        dye=dye_of(args.dye, stated),
        gum=args.gum or stated.get("gum"),
        density=args.density,
        index_teeth=_index_teeth(args.index_teeth),
        mm_per_px=_scale(args.mm_per_px),
        card=card or stated_card(stated),
    )
    result = replace(result, warnings=(*result.warnings, *said))
    found = result.json_object()
    if earlier:
        from perioview.plaque_reduction import reduction_object

        found["reduction"] = reduction_object(earlier, {**others, photo.name: found})
    if args.overlay:
        from perioview.plaque_overlay import overlay

        write_atomically(Path(args.overlay), _png(overlay(photo, regions, result)))
    emit(args, found, [*plaque_table(result), *reduction_lines(found.get("reduction"))])


def drawn_regions(
    path: str, drawn_on: str | None, photo: Image
) -> tuple[NDArray[np.uint16], tuple[str, ...]]:
    """Tooth regions of a photo, carried there if they were drawn on another; with what to say.

    Parameters
    ----------
    path : str
        Label image or CSV of polygons.
    drawn_on : str or None
        The other photo of the same mouth.
    photo : Image

    Raises
    ------
    InputRefused
        If a file cannot be used or the photos cannot be aligned.
    """
    from perioview.files.reading import read_image
    from perioview.files.regions import read_regions

    if drawn_on is None:
        return read_regions(path, rows=photo.rows, cols=photo.cols), ()
    from perioview.regions_carried import regions_from

    source = read_image(drawn_on)
    drawn = read_regions(path, rows=source.rows, cols=source.cols)
    carried = regions_from(drawn, source, photo)
    return carried.regions, carried.warnings


def corners(option: str, text: str | None) -> tuple[float, float, float, float] | None:
    """Two opposite corners as an option gives them, ROW,COL,ROW,COL.

    Raises
    ------
    InputRefused
        If they are no four numbers.
    """
    if text is None:
        return None
    try:
        top, left, bottom, right = (float(part) for part in text.split(","))
    except ValueError:
        raise InputRefused(
            f"{option} is '{text}'; give ROW,COL,ROW,COL of two opposite corners in px."
        ) from None
    return top, left, bottom, right


def _scale(mm_per_px: float | None) -> float | None:
    if mm_per_px is not None and not (math.isfinite(mm_per_px) and mm_per_px > 0):
        raise InputRefused(f"--mm-per-px is {mm_per_px}; give millimetres per px above 0.")
    return mm_per_px


def _results(paths: Sequence[str]) -> dict[str, dict[str, Any]]:
    """Read earlier results, every file at fault named."""
    found: dict[str, dict[str, Any]] = {}
    faults = []
    seen: set[Path] = set()
    for path in paths:
        if Path(path).resolve() in seen:
            faults.append(f"{path}: is named twice; a mouth counts once.")
        seen.add(Path(path).resolve())
        try:
            read = json.loads(Path(path).read_text(encoding="utf-8"))
        except (OSError, ValueError) as error:
            why = getattr(error, "strerror", None) or "is no JSON"
            faults.append(f"{path}: cannot be read ({why}); give a file that plaque wrote.")
            continue
        if isinstance(read, dict):
            found[path] = read
        else:
            faults.append(f"{path}: holds no object; give a file that plaque wrote.")
    if faults:
        raise InputRefused(*faults)
    return found


def stated_in_visit(photo: Path) -> Mapping[str, Any]:
    """What the visit a photo lies in says of it; nothing if it lies in none."""
    from perioview.files.visit_folder import visit_of_image

    visit = visit_of_image(photo)
    rows = visit.photos if visit else ()
    return next((r for r in rows if Path(str(r.get("file", ""))).name == photo.name), {})


def dye_of(option: str | None, stated: Mapping[str, Any]) -> str:
    """The dye: as the option says, else the visit, else one-tone.

    Raises
    ------
    InputRefused
        If the visit says that the teeth were not stained.
    """
    said = stated.get("dye")
    if option is None and said == "none":
        raise InputRefused(
            f'{stated.get("file")}: visit.toml says that it was not stained (dye = "none"); '
            "choose the photo taken after staining, or give --dye if it was stained after all."
        )
    return option or (str(said) if said in ("one-tone", "two-tone") else "one-tone")


def _index_teeth(which: str) -> tuple[int, ...] | None:
    from perioview.plaque_index import index_teeth

    if which == "all":
        return None
    if which in ("dog", "cat"):
        return index_teeth(which)
    try:
        return tuple(int(part) for part in which.split(","))
    except ValueError:
        raise InputRefused(
            f"--index-teeth is '{which}'; give all, dog, cat or numbers such as 104,108."
        ) from None


def _png(picture: object) -> bytes:
    import io

    from PIL import Image as Picture

    buffer = io.BytesIO()
    Picture.fromarray(picture).save(buffer, "PNG")  # type: ignore[arg-type]
    return buffer.getvalue()
