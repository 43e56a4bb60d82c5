"""Smallest crest change that marks and that the aligned pair detect, and what intervals cover.

Invented jaws, 0.02 mm a pixel at 1500 x 2000. A repeat is a turn of 2 degrees (SD), shifts of
10 px, 1 % of perspective, two depths apart by `--parallax` px (SD), another dose and curve.

    python tests/benchmarks/bench_change.py --pairs 20
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))
from perioview.alignment import align
from perioview.bone_loss import MarkSd, sites
from perioview.calibration import Calibration
from perioview.errors import InputRefused
from perioview.marks import Mark, Marks
from perioview.progression import detectable, site_changes
from perioview.subtraction import difference
from perioview.subtraction_crest import crest_change
from tests.pairs import phantoms as ph

FIRST_SEED = 3000
Z_ALARM, Z_POWER = 1.96, 1.645


def read(
    seed: int, shape: tuple[int, int], drop: float, parallax: float, mark_sd: float
) -> tuple[float, float, bool | None]:
    """Crest change read from one pair: px, its SD, and whether it is called real."""
    rng = np.random.default_rng(seed)
    pose = ph.Pose(
        turn=rng.normal(0, 2),
        shift=tuple(rng.normal(0, 10, 2)),
        tilt=tuple(rng.normal(0, 0.01, 2)),
        parallax=tuple(rng.normal(0, parallax, 2)),
    )
    exposure = ph.Exposure(
        dose=rng.uniform(1500, 4000), gamma=rng.uniform(0.8, 1.25), blur=rng.uniform(0.7, 1.1)
    )
    change = ph.Change(crest_px=drop, crest_tooth=int(rng.integers(1, 4))) if drop else None
    tooth = change.crest_tooth if change else 1
    pair = ph.pair(seed, shape, pose, exposure, change or ph.Change(crest_tooth=tooth))
    alignment = align(pair.later, pair.earlier)
    found = difference(pair.later, pair.earlier, alignment)
    spot = pair.crest[0] + rng.normal(0, mark_sd, 2)
    away = (-float(pair.axis[1]), float(pair.axis[0]))
    moved = crest_change(found, pair.earlier, alignment, tuple(spot), tuple(pair.axis), away)
    return moved.value, moved.sd, detectable(moved)


def by_pair(args: argparse.Namespace) -> None:
    shape = (args.rows, round(args.rows * 4 / 3))
    for parallax in args.parallax:
        for drop in (0.0, args.drop):
            rows, refused = [], 0
            for n in range(args.pairs):
                seed = FIRST_SEED + n + (500 if drop else 0)
                try:
                    rows.append(read(seed, shape, drop, parallax, 6.0))
                except InputRefused:
                    refused += 1
            value, sd, called = (np.array(c, dtype=float) for c in zip(*rows, strict=True))
            known = np.isfinite(value)
            off = value[known] - drop
            print(
                f"two depths {parallax:.1f} px, crest {drop:4.1f} px: read {known.sum()} of "
                f"{args.pairs}, refused {refused}, bias {off.mean():+.2f}, SD {off.std():.2f}, "
                f"worst {np.abs(off).max():.2f}, stated SD {np.median(sd[known]):.2f} px, "
                f"called real {np.nansum(called):.0f}, "
                f"95 % interval holds the truth {np.mean(np.abs(off) < 1.96 * sd[known]):.2f}"
            )
            if not drop:
                least = (Z_ALARM + Z_POWER) * float(off.std())
                print(
                    f"  smallest change at 95 % power, 5 % alarms (from this spread): "
                    f"{least:.2f} px = {0.02 * least:.3f} mm at 0.02 mm a pixel"
                )


def marks(loss_mm: float, rng: np.random.Generator, sd: float, cej: np.ndarray) -> Marks:
    px = 1 / 0.02
    spots = [("crest", "mesial", loss_mm, 0.0), ("apex", None, 14.0, 3.0)]
    placed = [
        Mark(k, 300 + (d + rng.normal(0, sd)) * px, 300 + (r + rng.normal(0, sd)) * px, 309,
             "mesial", s)
        for k, s, d, r in spots
    ]  # fmt: skip
    kept = [
        Mark("cej", 300 + cej[i, 0] * px, 300 + cej[i, 1] * px, 309, "mesial", side)
        for i, side in enumerate(("mesial", "distal"))
    ]
    return Marks((*kept, *placed))


def by_marks(sd: float, times: int, carried: bool) -> None:
    """Two markings of one root; the CEJ marked anew, or carried over from the first."""
    scale, own = Calibration(0.02, 0.02, 0.0, "given"), MarkSd(sd, sd, sd, sd, sd)
    rng = np.random.default_rng(17)
    base = np.array([[0.0, 0.0], [0.0, 6.0]])
    held, apart = 0, []
    for _ in range(times):
        first = base + rng.normal(0, sd, (2, 2))
        second = first if carried else base + rng.normal(0, sd, (2, 2))
        one = sites(marks(3.0, rng, sd, first), scale, own)
        two = sites(marks(3.4, rng, sd, second), scale, own)
        change = site_changes(one, two)[0]
        held += abs(change.pct.value - 100 * 0.4 / 14) < 1.96 * change.pct.sd
        apart.append(two[0].bone_loss.value - one[0].bone_loss.value)
    spread = float(np.std(apart))
    print(
        f"marks, SD {sd} mm, CEJ {'carried over' if carried else 'marked anew'}: 95 % interval of "
        f"the change in per cent holds the truth {held / times:.3f} of {times}; smallest change at "
        f"95 % power, 5 % alarms {(Z_ALARM + Z_POWER) * spread:.2f} mm"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pairs", type=int, default=20)
    parser.add_argument("--rows", type=int, default=1500)
    parser.add_argument("--drop", type=float, default=5.0, help="px; 5 is 0.10 mm")
    parser.add_argument("--parallax", type=float, nargs="+", default=[0.0, 1.0])
    parser.add_argument("--times", type=int, default=2000)
    args = parser.parse_args()
    cv2.setNumThreads(1)
    for sd in (0.127, 0.19):
        for carried in (False, True):
            by_marks(sd, args.times, carried)
    start = time.perf_counter()
    by_pair(args)
    print(f"{time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    main()
