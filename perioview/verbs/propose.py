"""`perioview propose`: crest marks suggested beside marked roots, for the clinician to judge."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from perioview.proposals import Proposal
from perioview.verbs import output

CAUTION = (
    "Proposals are not measurements: accept or move each one. SD and confidence were set on "
    "phantoms, not on patients."
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Give the verb its arguments."""
    parser.add_argument("image", metavar="IMAGE", help="a radiograph: DICOM, PNG, JPEG or TIFF")
    parser.add_argument("--marks", metavar="CSV", required=True, help="its CEJ and apex marks")
    parser.add_argument("--species", choices=("dog", "cat"), help="if the image does not say")
    parser.add_argument(
        "--mm-per-px", type=float, metavar="X", help="column spacing in mm, if it is known"
    )
    output.add_json_argument(parser)


def proposals_json(proposals: tuple[Proposal, ...]) -> dict[str, Any]:
    """Return the proposals as the JSON of `propose`."""
    return {
        "proposals": [
            {
                "tooth": p.tooth,
                "root": p.root,
                "side": p.side,
                "landmark": p.landmark,
                "row": p.row,
                "col": p.col,
                "sd_mm": output.finite(p.sd_mm),
                "confidence": p.confidence,
                "flags": list(p.flags),
            }
            for p in proposals
        ]
    }


def table(proposals: tuple[Proposal, ...]) -> list[str]:
    """Return the proposals as lines for a person."""
    lines = [
        f"{'tooth':>5}  {'root':<13} {'side':<6}  {'landmark':<8} {'row':>8} {'col':>8}"
        f"  {'SD mm':>6}  {'conf':>4}  flags"
    ]
    for p in proposals:
        sd = "-" if output.finite(p.sd_mm) is None else f"{p.sd_mm:.2f}"
        lines.append(
            f"{p.tooth:>5}  {p.root:<13} {p.side:<6}  {p.landmark:<8} {p.row:>8.1f} {p.col:>8.1f}"
            f"  {sd:>6}  {p.confidence:>4.2f}  {', '.join(p.flags)}"
        )
    if not proposals:
        lines.append("No root has both an apex and a CEJ; mark these first.")
    return [*lines, "", CAUTION]


def run(args: argparse.Namespace) -> None:
    """Propose crests for one image and its marks, and show them.

    Raises
    ------
    InputRefused
        If the image, its marks, the scale or the species cannot be used.
    """
    from perioview.calibration import calibration
    from perioview.files.reading import read_image
    from perioview.files.tables import read_marks
    from perioview.files.visit_folder import visit_of_image
    from perioview.proposals import crest_proposals
    from perioview.visit import agreed_species

    image = read_image(args.image)
    visit = visit_of_image(Path(args.image))
    species = agreed_species(
        {
            args.image: image.species,
            "--species": args.species,
            "visit.toml": visit.species if visit else None,
        }
    )
    marks = read_marks(args.marks, species=species, rows=image.rows, cols=image.cols)
    scale = calibration(image, marks, args.mm_per_px)
    proposals = crest_proposals(image, marks, scale, species)
    output.emit(args, proposals_json(proposals), table(proposals))
