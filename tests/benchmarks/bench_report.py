"""Time and size of the report of a visit with twelve radiographs; the pages to look at.

Run: python tests/benchmarks/bench_report.py --out FOLDER
"""

from __future__ import annotations

import argparse
import shutil
import statistics
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

from perioview.files.samples import sample_visits
from perioview.files.visit_folder import read_visit, write_visit


def twelve(folder: Path) -> None:
    """Make a visit of twelve radiographs by repeating the sample's own under other names."""
    sample = max(sample_visits(), key=lambda p: len(read_visit(p).images))
    visit = read_visit(sample)
    shutil.copytree(sample, folder)
    rows = []
    for i in range(12):
        row = dict(visit.images[i % len(visit.images)])
        source = Path(row["file"])
        name = f"{i:02d}-{source.name}"
        shutil.copyfile(sample / source, folder / "images" / name)
        marks = sample / "marks" / f"{source.name}.csv"
        if marks.is_file():
            shutil.copyfile(marks, folder / "marks" / f"{name}.csv")
        rows.append({**row, "file": f"images/{name}"})
    write_visit(folder, replace(visit, images=tuple(rows), photos=()))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", required=True, type=Path)
    parser.add_argument("--repeat", type=int, default=3)
    args = parser.parse_args()
    folder = args.out / "twelve"
    shutil.rmtree(folder, ignore_errors=True)
    twelve(folder)
    times = []
    for _ in range(args.repeat):
        start = time.perf_counter()
        subprocess.run(
            [sys.executable, "-m", "perioview", "report", str(folder)],
            check=True,
            stdout=subprocess.DEVNULL,
        )
        times.append(time.perf_counter() - start)
    size = (folder / "record" / "report.pdf").stat().st_size
    print(
        f"12 radiographs: {statistics.median(times):.1f} s (median of {args.repeat}), "
        f"PDF {size / 1e6:.1f} MB"
    )


if __name__ == "__main__":
    main()
