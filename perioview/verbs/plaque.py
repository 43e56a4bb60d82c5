"""`perioview plaque`: plaque coverage per tooth of a stained photograph."""

from __future__ import annotations

import argparse
import math
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from perioview.errors import InputRefused
from perioview.files.atomic import write_atomically
from perioview.verbs.output import add_json_argument, emit

if TYPE_CHECKING:
    from perioview.plaque_result import PlaqueResult

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
        "--overlay", metavar="PNG", help="write the map of plaque over the photo to PNG"
    )
    add_json_argument(parser)


def run(args: argparse.Namespace) -> None:
    """Measure and show."""
    from perioview.files.reading import read_image
    from perioview.files.regions import read_regions
    from perioview.plaque import plaque

    photo = read_image(args.photo)
    regions = read_regions(args.teeth, rows=photo.rows, cols=photo.cols)
    gum, dye = _stated_in_visit(Path(args.photo))
    result = plaque(
        photo,
        regions,
        dye=args.dye or dye or "one-tone",
        gum=args.gum or gum,
        density=args.density,
        index_teeth=_index_teeth(args.index_teeth),
    )
    if args.overlay:
        from perioview.plaque_overlay import overlay

        write_atomically(Path(args.overlay), _png(overlay(photo, regions, result)))
    emit(args, result.json_object(), plaque_table(result))


def _stated_in_visit(photo: Path) -> tuple[str | None, str | None]:
    """Gum side and dye that the photo's visit folder states, if it lies in one."""
    from perioview.files.visit_folder import visit_of_image

    visit = visit_of_image(photo)
    for row in visit.photos if visit else ():
        if Path(str(row.get("file", ""))).name == photo.name:
            dye = row.get("dye")
            return row.get("gum"), dye if dye in ("one-tone", "two-tone") else None
    return None, None


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


def plaque_table(result: PlaqueResult) -> Iterator[str]:
    """Lines a person reads: a row per tooth, the mouth, and the warnings.

    Parameters
    ----------
    result : PlaqueResult
        The measurement.
    """
    yield f"{result.image['file']}: {result.dye} dye"
    yield f"{'tooth':>5} {'coverage %':>13} {'gum half %':>10} {'crown half %':>12} " + (
        f"{'older %':>8} {'index':>5} {'Turesky':>7}  flags"
    )
    for tooth in result.teeth:
        coverage = f"{_shown(tooth.coverage.value)} ± {_shown(tooth.coverage.sd)}"
        yield (
            f"{tooth.tooth:>5} {coverage:>13} {_shown(tooth.gingival_half_pct):>10} "
            f"{_shown(tooth.coronal_half_pct):>12} {_shown(tooth.older_pct):>8} "
            f"{_shown(tooth.index, 0):>5} {tooth.turesky or '-':>7}  {', '.join(tooth.flags)}"
        )
    mouth = result.coverage
    yield f"mouth {_shown(mouth.value)} ± {_shown(mouth.sd)} %, index {_shown(result.index)}"
    yield f"Index: {result.index_name}"
    yield from result.warnings


def _shown(value: float, digits: int = 1) -> str:
    return f"{value:.{digits}f}" if math.isfinite(value) else "-"
