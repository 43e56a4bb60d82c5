"""Time from command to result, beside processes that only load the libraries.

Medians of interleaved runs, each its own process: `perioview measure` on a sample image against
pydicom and numpy reading the same pixels, and importing perioview with one measurement from
ready marks against importing numpy and scipy.ndimage.

    python tests/benchmarks/bench_start.py --runs 15
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import time
from pathlib import Path

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"

BARE_READING = """
import sys, numpy, pydicom
numpy.asarray(pydicom.dcmread(sys.argv[1]).pixel_array)
"""
BARE_IMPORT = "import numpy, scipy.ndimage"
ONE_MEASUREMENT = """
import perioview
import numpy
from perioview.bone_loss import sites
from perioview.calibration import Calibration
from perioview.marks import Mark, Marks
marks = Marks((
    Mark("cej", 100.0, 90.0, tooth=404, root="single", side="mesial"),
    Mark("cej", 100.0, 130.0, tooth=404, root="single", side="distal"),
    Mark("crest", 140.0, 92.0, tooth=404, root="single", side="mesial"),
    Mark("crest", 150.0, 128.0, tooth=404, root="single", side="distal"),
    Mark("apex", 400.0, 110.0, tooth=404, root="single"),
))
result = sites(marks, Calibration(0.02, 0.02, 0.0, "given", (), 1.0), None)
assert abs(result[0].bone_loss_pct.value - 100 * 40 / 300) < 1e-9
"""


def seconds(command: list[str]) -> float:
    """Wall time of one process, which must succeed."""
    begun = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - begun


def medians(commands: dict[str, list[str]], runs: int) -> dict[str, float]:
    """Median seconds of each command; one unmeasured round first, then taken in turn."""
    times: dict[str, list[float]] = {name: [] for name in commands}
    for turn in range(runs + 1):
        for name, command in commands.items():
            taken = seconds(command)
            if turn:
                times[name].append(taken)
    return {name: statistics.median(each) for name, each in times.items()}


def main() -> None:
    """Run and print both comparisons."""
    parser = argparse.ArgumentParser(description=__doc__)
    visit = SAMPLES / "toy-dog-cleaning"
    parser.add_argument("--image", type=Path, default=visit / "images" / "left-jaw.dcm")
    parser.add_argument("--marks", type=Path, default=visit / "marks" / "left-jaw.dcm.csv")
    parser.add_argument("--runs", type=int, default=15)
    given = parser.parse_args()
    os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1")
    python = sys.executable
    command = Path(python).with_name("perioview")
    found = medians(
        {
            "measure": [
                str(command),
                *("measure", str(given.image), "--marks", str(given.marks), "--species", "dog"),
            ],
            "pydicom": [python, "-c", BARE_READING, str(given.image)],
            "import": [python, "-c", ONE_MEASUREMENT],
            "ndimage": [python, "-c", BARE_IMPORT],
        },
        given.runs,
    )
    for ours, bare, limit, words in (
        ("measure", "pydicom", 2.0, "perioview measure / pydicom and numpy reading the pixels"),
        ("import", "ndimage", 1.5, "import and one measurement / importing numpy, scipy.ndimage"),
    ):
        print(
            f"{words}: {1000 * found[ours]:.0f} ms / {1000 * found[bare]:.0f} ms = "
            f"{found[ours] / found[bare]:.2f} (at most {limit})"
        )


if __name__ == "__main__":
    main()
