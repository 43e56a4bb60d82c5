"""`perioview demo`: the whole main job on a sample visit, from images to record; no window."""

from __future__ import annotations

import argparse
import filecmp
import shutil
from pathlib import Path

from perioview.errors import InputRefused

MADE_BY = ".made-by-perioview-demo"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of the verb."""
    parser.add_argument("--out", metavar="DIR", default="perioview-demo", help="folder to make")


def _files(folder: Path) -> set[Path]:
    """Paths of all files below a folder, what perioview made of a visit left out."""
    found = (p.relative_to(folder) for p in folder.rglob("*") if p.is_file())
    return {p for p in found if p.parts[0] != "record"}


def _is_changed(visit: Path, sample: Path) -> bool:
    """Whether someone has worked in a demo's visit: files more or other than the sample's."""
    if not visit.is_dir():
        return False
    held = _files(visit)
    return not held <= _files(sample) or not all(
        filecmp.cmp(visit / p, sample / p, shallow=False) for p in held
    )


def _fresh_folder(out: Path, sample: Path) -> None:
    if out.exists():
        if not (out / MADE_BY).is_file():
            raise InputRefused(f"{out}: exists and is not an earlier demo; give another --out.")
        if _is_changed(out / "visit", sample):
            raise InputRefused(
                f"{out}: is an earlier demo in which files were changed or added; "
                "give another --out, or delete it."
            )
        shutil.rmtree(out)
    try:
        out.mkdir(parents=True)
        (out / MADE_BY).touch()
    except OSError as error:
        raise InputRefused(
            f"{out}: cannot be made ({error.strerror}); choose another folder with --out."
        ) from error


def run(args: argparse.Namespace) -> None:
    """Copy a sample visit, measure it, write its report, attach it and read it back."""
    from perioview.cli import main
    from perioview.files.samples import sample_visits
    from perioview.files.visit_folder import read_visit

    out = Path(args.out)
    samples = sample_visits()
    # The visit with the most to show: radiographs and stained photographs.
    sample = max(samples, key=lambda p: (len(read_visit(p).photos), len(read_visit(p).images)))
    visit_toml = read_visit(sample)
    _fresh_folder(out, sample)
    visit = out / "visit"
    shutil.copytree(sample, visit)
    first = visit / str(visit_toml.images[0]["file"])
    marks = visit / "marks" / (first.name + ".csv")
    patient = str(visit_toml.patient["id"])
    archive = out / "archive"
    steps = (
        ("An invented patient. One radiograph, measured:", ["measure", first, "--marks", marks]),
        ("The whole visit, staged and reported:", ["report", visit]),
        ("Attached to the patient's record as DICOM:", ["attach", visit, "--to", archive]),
        ("Read back from the record:", ["history", patient, "--from", archive]),
    )
    for title, words in steps:
        print(f"\n== {title}\n   perioview {' '.join(map(str, words))}\n")
        status = main([str(w) for w in words])
        if status:
            raise InputRefused(f"demo: 'perioview {words[0]}' ended with status {status}.")
    print(f"\nDone. Open {visit / 'record' / 'report.pdf'}")
