"""Smallest crest change that marks and that the aligned pair detect, and what intervals cover.

Three generators, none clinical truth:

- ``jaws``: the sample patients' jaws, computed from solids (other nets of struts, other bone
  levels than the samples), 0.027 to 0.038 mm a pixel. Eight sites of net 0 were looked at while the
  reading was made; the figures are of nets 1 and on.
- ``bone``: real radiographs of a hand and a chest as bone, margin and roots drawn in; 0.03 mm.
  Nothing was tuned on it.
- ``layers``: the two-layer jaws that alignment was tuned on, other seeds; 0.02 mm.

A repeat is a turn of 2 degrees, shifts of 10 px, 0.5 to 1 % of scale, stretch or perspective, beam
tilt of 1 degree (jaws: the far plate's margin moves with it; layers: two depths 1 px apart), all
one SD; and another dose (1,500 to 4,500 photons a pixel), contrast curve and sharpness. The earlier
crest is marked with 0.19 mm of error along either axis (layers and bone; jaws: all marks).

    python tests/benchmarks/bench_change.py
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))
from perioview.alignment import Alignment, align
from perioview.bone_loss import MarkSd, sites
from perioview.calibration import Calibration
from perioview.comparison import Marked, compared
from perioview.errors import InputRefused
from perioview.image import Image
from perioview.marks import Mark, Marks
from perioview.measurement import Measurement, missing
from perioview.progression import detectable, site_changes
from perioview.progression_carried import MarkedVisit, with_carried
from perioview.subtraction import difference
from perioview.subtraction_crest import crest_change
from tests.pairs import jaws, real_bone
from tests.pairs import phantoms as ph

FIRST_SEED = 3000
Z_ALARM, Z_POWER = 1.96, 1.645
MARK_SD_MM = 0.19
STILL = Alignment(np.eye(3), 0.0, 100)
CHANGES_MM = (0.0, 0.0, 0.0, 0.05, 0.1, 0.1, 0.25, 0.5, 1.0, 1.5, 2.0, 3.0)
"""By how much the crest was lowered; unchanged pairs give the false alarms."""
Read = tuple[float, Measurement]


def of_layers(count: int, first: int) -> Iterator[Read]:
    """Two-layer jaws: what was true, and what was read, mm."""
    mm, shape = 0.02, (1500, 2000)
    for n in range(count):
        seed, moved = first + n, CHANGES_MM[n % len(CHANGES_MM)]
        rng = np.random.default_rng(seed)
        pose = ph.Pose(
            turn=rng.normal(0, 2),
            shift=tuple(rng.normal(0, 10, 2)),
            tilt=tuple(rng.normal(0, 0.01, 2)),
            parallax=tuple(rng.normal(0, 1.0, 2)),
        )
        exposure = ph.Exposure(
            dose=rng.uniform(1500, 4000), gamma=rng.uniform(0.8, 1.25), blur=rng.uniform(0.7, 1.1)
        )
        change = ph.Change(crest_px=moved / mm, crest_tooth=int(rng.integers(1, 4)))
        pair = ph.pair(seed, shape, pose, exposure, change)
        away = np.array([-pair.axis[1], pair.axis[0]])
        place = (pair.crest[0], pair.axis, away)
        yield moved, _read(pair.earlier, pair.later, place, mm, rng)


def of_bone(count: int, first: int) -> Iterator[Read]:
    """Real bone texture: what was true, and what was read, mm."""
    mm = real_bone.MM_PER_PX
    for n in range(count):
        moved = CHANGES_MM[n % len(CHANGES_MM)]
        pair = real_bone.bone_pair(first + n, moved / mm)
        place = (pair.crest, pair.apical, pair.away)
        rng = np.random.default_rng(n)
        yield moved, _read(pair.earlier, pair.later, place, mm, rng)


def _read(earlier, later, place, mm: float, rng: np.random.Generator) -> Measurement:
    try:
        alignment = align(later, earlier)
    except InputRefused:
        return missing("mm", "not_aligned")
    found = difference(later, earlier, alignment)
    spot = place[0] + rng.normal(0, MARK_SD_MM / mm, 2)
    read = crest_change(
        found, earlier, alignment, *(tuple(map(float, v)) for v in (spot, *place[1:])),
        px_per_mm=1 / mm,
    )  # fmt: skip
    return Measurement(read.value * mm, read.sd * mm, "mm", read.flags)


def of_jaws(count: int, first: int) -> Iterator[Read]:
    """Sample patients' jaws through the whole comparison: what was true, and what was read, mm."""
    places = jaws.sites()
    for n in range(count):
        # Five apart: few pairs, too, come from all patients.
        site = places[5 * (n // len(CHANGES_MM)) % len(places)]
        net = 1 + n // (len(CHANGES_MM) * len(places))
        moved = CHANGES_MM[n % len(CHANGES_MM)]
        pair = jaws.repeat(first + n, moved, site, jaw=net)
        rng = np.random.default_rng(n)
        scale = Calibration(*pair.mm_per_px, 0.0, "given")
        noise = rng.normal(0, MARK_SD_MM, (len(pair.before), 2)) / pair.mm_per_px
        marked = Marks(
            tuple(
                Mark(m.landmark, m.row + float(r), m.col + float(c), m.tooth, m.root, m.side)
                for m, (r, c) in zip(pair.before, noise, strict=True)
            )
        )
        try:
            found = compared(
                Marked(Image(pair.earlier, "earlier", ""), marked, scale),
                Marked(Image(pair.later, "later", "")),
            )
        except InputRefused:
            yield pair.moved_mm, missing("mm", "not_aligned")
            continue
        crest = next((c for c in found.crests if (c.tooth, c.root, c.side) == pair.site), None)
        yield pair.moved_mm, missing("mm", "no_axis") if crest is None else crest.moved


GENERATORS = {"jaws": of_jaws, "bone": of_bone, "layers": of_layers}


def told(name: str, rows: list[Read]) -> None:
    """Print bias, spread and verdicts by true change, and the smallest change that is found."""
    true = np.array([t for t, _ in rows])
    nominal = np.array(CHANGES_MM)[np.abs(true[:, None] - np.array(CHANGES_MM)).argmin(axis=1)]
    spread = {}
    print(f"{name}: {len(rows)} pairs; true mm, read of n, bias, SD, worst, stated SD, called real")
    for change in dict.fromkeys(CHANGES_MM):
        here = [(t, m) for (t, m), c in zip(rows, nominal, strict=True) if c == change]
        known = [(t, m) for t, m in here if m.known]
        flags = [f for _, m in here for f in m.flags]
        withheld = ", ".join(f"{flags.count(f)} {f}" for f in dict.fromkeys(flags))
        if not known:
            print(f"  {change:4.2f}  0 of {len(here)}  {withheld}")
            continue
        off = np.array([m.value - t for t, m in known])
        sd = np.array([m.sd for _, m in known])
        spread[change] = float(np.sqrt((off**2).mean()))
        real = sum(bool(detectable(m)) for _, m in known)
        held = int((np.abs(off) < 1.96 * sd).sum())
        print(
            f"  {change:4.2f}  {len(known)} of {len(here)}  {off.mean():+.3f}  {off.std():.3f}  "
            f"{np.abs(off).max():.3f}  {np.median(sd):.3f}  {real} real  "
            f"95 % interval holds {held} of {len(known)}  {withheld}"
        )
    stated = [m.sd for (_, m), c in zip(rows, nominal, strict=True) if m.known and c == 0]
    if 0.0 in spread and 0.1 in spread:
        least = Z_ALARM * spread[0.0] + Z_POWER * spread[0.1]
        print(
            f"  smallest change at 95 % power, 5 % alarms: {least:.3f} mm from the spread; "
            f"{Z_ALARM * np.quantile(stated, 0.95) + Z_POWER * spread[0.1]:.3f} mm by the "
            "program's own verdict at 95 of 100 sites (it asks for 1.96 of its stated SD)"
        )
    sys.stdout.flush()


def marks(
    loss_mm: float, rng: np.random.Generator, sd: float, cej: np.ndarray, how: str = "placed"
) -> Marks:
    px = 1 / 0.02
    spots = [("crest", "mesial", loss_mm, 0.0), ("apex", None, 14.0, 3.0)]
    placed = [
        Mark(k, 300 + (d + rng.normal(0, sd)) * px, 300 + (r + rng.normal(0, sd)) * px, 309,
             "mesial", s)
        for k, s, d, r in spots
    ]  # fmt: skip
    kept = [
        Mark("cej", 300 + cej[i, 0] * px, 300 + cej[i, 1] * px, 309, "mesial", side, None, how)
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
        first_marks, second_marks = (
            marks(3.0, rng, sd, first),
            marks(3.4, rng, sd, second, "accepted" if carried else "placed"),
        )
        one, two = (sites(m, scale, own) for m in (first_marks, second_marks))
        change = site_changes(one, two)[0]
        if carried:
            visits = (MarkedVisit(m, scale, own) for m in (first_marks, second_marks))
            change = with_carried([change], *visits, STILL)[0]
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
    parser.add_argument("--jaws", type=int, default=288, help="pairs; 288 are 24 sites")
    parser.add_argument("--bone", type=int, default=240)
    parser.add_argument("--layers", type=int, default=36)
    parser.add_argument("--times", type=int, default=2000, help="simulated re-markings")
    parser.add_argument("--seed", type=int, default=FIRST_SEED)
    args = parser.parse_args()
    cv2.setNumThreads(1)
    for sd in (0.127, 0.19):
        for carried in (False, True):
            by_marks(sd, args.times, carried)
    start = time.perf_counter()
    for name, read in GENERATORS.items():
        count = getattr(args, name)
        if count:
            rows: list[Read] = []
            for true, moved in read(count, args.seed):
                rows.append((true, moved))
                shown = f"{moved.value:+.3f} +- {moved.sd:.3f} {' '.join(moved.flags)}"
                print(f"  {name} {len(rows)}: {true:.3f} {shown}", file=sys.stderr, flush=True)
            told(name, rows)
    print(f"{time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    main()
