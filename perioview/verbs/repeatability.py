"""`perioview repeatability`: an observer's own mark repeatability from repeated markings."""

from __future__ import annotations

import argparse
import json
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

from perioview.errors import InputRefused
from perioview.files.atomic import write_atomically
from perioview.verbs.output import add_json_argument, emit, finite

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
    add_json_argument(parser)


def run(args: argparse.Namespace) -> None:
    """Judge the repeats and show."""
    from perioview.bone_loss import sites
    from perioview.repeatability import landmark_sds, repeatability

    if len(args.csv) < 2:
        raise InputRefused(f"{args.csv[0]}: is one marking; give two or more of the same image.")
    paths = [Path(name) for name in args.csv]
    if len({path.resolve() for path in paths}) < len(paths):
        raise InputRefused(f"{args.csv[0]}: a file is given twice; each marking is its own file.")
    repeats, scale = _read(args, paths)
    landmarks = landmark_sds(repeats, scale.pitch, scaled=scale.scaled)
    if not landmarks:
        raise InputRefused(
            f"{args.csv[0]}: shares no mark with the other file(s); mark the same sites each time."
        )
    judged = repeatability(
        [
            {
                (s.tooth, s.root, s.side): s.bone_loss_pct.value
                for s in sites(marks, scale)
                if s.bone_loss_pct.known
            }
            for marks in repeats
        ]
    )
    result = _json_object(landmarks, judged)
    if args.out:
        text = json.dumps(result, indent=2, allow_nan=False) + "\n"
        write_atomically(Path(args.out), text.encode())
    emit(args, result, _table(result, len(repeats)))


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


def _json_object(landmarks: Any, judged: Any) -> dict[str, Any]:
    return {
        "landmarks": [
            {
                "landmark": one.landmark,
                "n": one.n,
                "sd_mm": finite(one.sd_mm),
                "sd_px": finite(one.sd_px),
                "sd_px_low": finite(one.low_px),
                "sd_px_high": finite(one.high_px),
            }
            for one in landmarks
        ],
        "bone_loss_pct": {
            "n": judged.n,
            "repeats": judged.repeats,
            "dahlberg": finite(judged.dahlberg),
            "within_sd": finite(judged.within_sd),
            "smallest_detectable_change": finite(judged.smallest_detectable_change),
            "icc": finite(judged.icc.value),
            "icc_low": finite(judged.icc.low),
            "icc_high": finite(judged.icc.high),
            "icc_kind": "ICC(2,1)",
            "bias": finite(judged.limits.bias),
            "limits_low": finite(judged.limits.low),
            "limits_high": finite(judged.limits.high),
        },
    }


def _shown(value: float | None, digits: int = 2) -> str:
    return "-" if value is None else f"{value:.{digits}f}"


def _table(result: dict[str, Any], repeats: int) -> list[str]:
    lines = [
        f"{repeats} markings; one SD of a mark along either axis",
        "",
        f"{'landmark':<13}{'n':>4}{'SD mm':>9}{'SD px':>9}  95 % interval px",
    ]
    lines += [
        f"{one['landmark']:<13}{one['n']:>4}{_shown(one['sd_mm'], 3):>9}{_shown(one['sd_px']):>9}"
        f"  {_shown(one['sd_px_low'])} to {_shown(one['sd_px_high'])}"
        for one in result["landmarks"]
    ]
    loss = result["bone_loss_pct"]
    lines += [
        "",
        f"bone loss, points of per cent ({loss['n']} sites)",
        f"  error of one measurement (Dahlberg)  {_shown(loss['dahlberg'])}",
        f"  within-observer SD                   {_shown(loss['within_sd'])}",
        f"  smallest detectable change           {_shown(loss['smallest_detectable_change'])}",
        f"  {loss['icc_kind']}                             {_shown(loss['icc'], 3)} "
        f"({_shown(loss['icc_low'], 3)} to {_shown(loss['icc_high'], 3)})",
        f"  later minus first, bias and limits   {_shown(loss['bias'])} "
        f"({_shown(loss['limits_low'])} to {_shown(loss['limits_high'])})",
    ]
    return lines
