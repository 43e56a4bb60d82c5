"""One-click proposals on phantoms: errors, calibration, and what acceptance would lead to.

    python tests/benchmarks/bench_click.py --generator B C --seeds 5000 5080
    python tests/benchmarks/bench_click.py --no-scale       the same without a scale
    python tests/benchmarks/bench_click.py --per-tooth      one click a tooth, on either root
    python tests/benchmarks/bench_click.py --time           one 1500 x 2000 image
    python tests/benchmarks/bench_click.py --network ak.npz --generator E F --seeds 30000 30040
                                    a network that `train_click.py fit` made of A and K alone

The network was trained on generators A, E, F, H and K; B, C and D are built differently. A click
falls between a fifth and seven tenths of the root, a tenth of its width off the middle (SD). Which
way is mesial is told. The marks compared with carry their own error: in A, B and C 0.12 mm (CEJ)
and 0.18 mm (apex) per axis, so that no apex can be nearer than 0.21 mm in the median.
"""

from __future__ import annotations

import argparse
import importlib
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1]))

from click_sites import SIDES, RootSite, root_sites
from phantoms.scene import Phantom

from perioview import proposals_click_network
from perioview.bone_loss import sites
from perioview.calibration import Calibration
from perioview.marks import Mark, Marks
from perioview.proposals import Proposal, crest_proposals
from perioview.proposals_click import root_proposals, tooth_proposals

Array = NDArray[np.float64]
GENERATORS = {
    "A": "thickness_maps:thickness_phantom",
    "B": "oblique_layers:oblique_phantom",
    "C": "painted:painted_phantom",
    "D": "traced_volume:traced_phantom",
    "E": "ray_solids:ray_phantom",
    "F": "painted_styles:style_phantom",
    "K": "click_scenes:click_phantom",
}
UNKNOWN = Calibration(None, None, None, "none", (), 1.0)
HUMAN_SD_MM = 0.18  # CEJ to crest by hand, repeated: Hildebolt et al. 2009
SURE = 0.8
Found = dict[tuple[int, str], tuple[Proposal, ...]]


def generator(name: str) -> Callable[[int], Phantom]:
    """Return the generator of a letter, or of ``module:function`` in tests/phantoms."""
    module, function = GENERATORS.get(name, name).split(":")
    made: Callable[[int], Phantom] = getattr(
        importlib.import_module(f"phantoms.{module}"), function
    )
    return made


@dataclass(frozen=True, slots=True)
class Row:
    """One landmark: kind, errors along the root and in all, SD and confidence; NaN if left out."""

    kind: str
    along: float
    error: float
    sd: float
    confidence: float


def mesial_side(site: RootSite) -> str:
    """Side of the image that is mesial at a root."""
    toward = site.crest["mesial"] - site.crest["distal"]
    return "left" if toward[1] < 0 else "right"


@dataclass(frozen=True, slots=True)
class How:
    """How the clicks are made: with a scale, with the mesial side told, one a tooth only."""

    scaled: bool
    told: bool
    per_tooth: bool


def clicked(phantom: Phantom, site: RootSite, rng: np.random.Generator) -> tuple[float, float]:
    """Return where a user might click, in px."""
    click = site.click(rng, 0.2, 0.7, 0.1) / np.array(phantom.calibration.pitch)
    r, c = np.clip(click, 0, np.array(phantom.image.pixels.shape) - 1)
    return float(r), float(c)


def proposed(
    phantom: Phantom, every: dict[tuple[int, str], RootSite], rng: np.random.Generator, how: How
) -> Found:
    """One click on each root, or on one root of each tooth."""
    scale = phantom.calibration if how.scaled else UNKNOWN
    if not how.per_tooth:
        return {
            (t, r): root_proposals(
                phantom.image,
                clicked(phantom, s, rng),
                t,
                r,
                scale,
                "dog",
                mesial=mesial_side(s) if how.told else None,
            )
            for (t, r), s in every.items()
        }
    found: Found = {}
    for tooth in dict.fromkeys(k[0] for k in every):
        roots = tuple(k[1] for k in every if k[0] == tooth)
        site = every[tooth, str(rng.choice(roots))]
        all_of = tooth_proposals(
            phantom.image,
            clicked(phantom, site, rng),
            tooth,
            roots,
            scale,
            "dog",
            mesial=mesial_side(site) if how.told else None,
        )
        for root in roots:
            found[tooth, root] = tuple(p for p in all_of if p.root == root)
    return found


def rows_of(
    site: RootSite, found: tuple[Proposal, ...], pitch: Array, size: Array
) -> Iterator[Row]:
    """Compare what was proposed for one root with its marks."""
    wanted = [("cej", side, at) for side, at in site.cej.items()] + [("apex", "", site.apex)]
    for kind, side, at in wanted:
        shown = bool(((at >= 0) & (at <= size)).all())
        p = next((p for p in found if (p.landmark, p.side) == (kind, side)), None)
        if p is None:
            yield Row(kind if shown else "hidden", np.nan, np.nan, np.nan, 0.0)
            continue
        d = np.array([p.row, p.col]) * pitch - at
        yield Row(
            kind if shown else "hidden",
            float(d @ site.axis),
            float(np.hypot(*d)),
            p.sd_mm,
            p.confidence,
        )


HEAD = (
    f"{'':<14}{'n':>6}{'prop%':>7}{'mean':>7}{'med':>6}{'p90':>6}{'>1mm%':>6}"
    f"{'sure%':>8}{'mean':>6}{'med':>6}{'p90':>6}{'>1mm%':>6}{'out95%':>9}{'(sure)':>7}"
)


def line(name: str, rows: list[Row], along: bool) -> str:
    """One line of figures; `along` the root, or in the plane."""
    known = [r for r in rows if np.isfinite(r.error)]
    if not known:
        return f"{name:<14}{len(rows):>6}{0:>7.1f}"
    e = np.abs([r.along if along else r.error for r in known])
    out = np.array([abs(r.along) > 1.96 * r.sd if r.sd == r.sd else False for r in known])
    sure = np.array([r.confidence >= SURE for r in known])
    if not sure.any():
        sure = np.zeros(len(e), bool)

    def four(v: Array) -> str:
        if not v.size:
            return f"{'-':>6}" * 4
        return (
            f"{v.mean():>6.2f}{np.median(v):>6.2f}{np.quantile(v, 0.9):>6.2f}"
            f"{100 * (v > 1).mean():>6.1f}"
        )

    return (
        f"{name:<14}{len(rows):>6}{100 * len(known) / len(rows):>7.1f} {four(e)}"
        f"{100 * sure.sum() / len(rows):>8.1f}{four(e[sure])}"
        f"{100 * out.mean():>9.1f}{100 * out[sure].mean() if sure.any() else np.nan:>7.1f}"
    )


def accepted(found: Found) -> Marks:
    """Marks that one click per root and acceptance give."""
    return Marks(
        tuple(
            Mark(p.landmark, p.row, p.col, p.tooth, p.root, p.side or None, how="accepted")
            for ps in found.values()
            for p in ps
        )
    )


def worst(
    phantom: Phantom, site: RootSite, found: tuple[Proposal, ...], crests: list[Proposal]
) -> tuple[float, float]:
    """Lowest confidence and largest error in mm of a root's CEJs, apex and both crests."""
    pitch = np.array(phantom.calibration.pitch)
    rows = list(rows_of(site, found, pitch, np.array(phantom.image.pixels.shape) * pitch))
    errors = [r.error if np.isfinite(r.error) else np.inf for r in rows]
    confidences = [r.confidence for r in rows]
    for side in SIDES:
        p = next((p for p in crests if p.side == side), None)
        if p is None:
            return 0.0, np.inf
        errors.append(abs(float((np.array([p.row, p.col]) * pitch - site.crest[side]) @ site.axis)))
        confidences.append(p.confidence)
    return min(confidences), max(errors)


def judged(
    phantom: Phantom, every: dict[tuple[int, str], RootSite], found: Found
) -> tuple[list[tuple[float, float, float]], dict[tuple[int, str], tuple[float, float]]]:
    """Accept everything, propose the crests from it, and measure.

    Returns (mm error, percent error, root's lowest confidence) of each side, and `worst` of each
    root.
    """
    marks = accepted(found)
    crests = crest_proposals(phantom.image, marks, phantom.calibration, "dog")
    for p in crests:
        marks = marks.with_mark(Mark("crest", p.row, p.col, p.tooth, p.root, p.side))
    truth = phantom.marks
    for (t, r, s), at in phantom.truth.items():
        truth = truth.with_mark(Mark("crest", *at, t, r, s))
    extremes = {
        key: worst(phantom, site, found[key], [p for p in crests if (p.tooth, p.root) == key])
        for key, site in every.items()
    }
    right = {(x.tooth, x.root, x.side): x for x in sites(truth, phantom.calibration)}
    lines = []
    for x in sites(marks, phantom.calibration):
        y = right.get((x.tooth, x.root, x.side))
        if y is not None and np.isfinite([x.bone_loss_pct.value, y.bone_loss_pct.value]).all():
            lines.append(
                (
                    x.bone_loss.value - y.bone_loss.value,
                    x.bone_loss_pct.value - y.bone_loss_pct.value,
                    extremes[x.tooth, x.root][0],
                )
            )
    return lines, extremes


def bench(name: str, first: int, last: int, how: How) -> None:
    """Print all figures of one generator."""
    rows: list[Row] = []
    loss: list[tuple[float, float, float]] = []
    roots: list[tuple[bool, bool]] = []
    teeth: list[tuple[bool, bool]] = []
    for seed in range(first, last):
        phantom = generator(name)(seed)
        rng = np.random.default_rng([seed, 9])
        pitch = np.array(phantom.calibration.pitch)
        size = np.array([phantom.image.rows, phantom.image.cols]) * pitch
        every = {(s.tooth, s.root): s for s in root_sites(phantom)}
        found = proposed(phantom, every, rng, how)
        for key, site in every.items():
            rows += rows_of(site, found[key], pitch, size)
        more, extremes = judged(phantom, every, found)
        loss += more
        sure = {k: v[0] >= SURE for k, v in extremes.items()}
        holds = {k: sure[k] and v[1] <= 1 for k, v in extremes.items()}
        roots += [(sure[k], holds[k]) for k in every]
        for tooth in {k[0] for k in every}:
            own = [k for k in every if k[0] == tooth]
            teeth.append((all(sure[k] for k in own), all(holds[k] for k in own)))
    print(f"{name}: {len(roots)} roots of {len(teeth)} teeth")
    print(HEAD)
    for kind, along in (("apex", False), ("apex", True), ("cej", True), ("cej", False)):
        part = [r for r in rows if r.kind == kind]
        print(line(f"  {kind} {'along' if along else 'plane'}", part, along))
    hidden = [r for r in rows if r.kind == "hidden"]
    if hidden:
        wrong = sum(r.confidence >= SURE for r in hidden)
        print(f"  outside the image: {len(hidden)}, of them proposed as sure {wrong}")
    for label, least in (("all accepted", 0.0), ("all sure", SURE)):
        part2 = np.array([v for v in loss if v[2] >= least])
        if len(part2):
            mm, pct = np.abs(part2[:, 0]), np.abs(part2[:, 1])
            print(
                f"  bone loss, {label}: {len(part2)} sides, mm mean {mm.mean():.2f} median "
                f"{np.median(mm):.2f} robust SD {1.4826 * np.median(mm):.2f} (by hand "
                f"{HUMAN_SD_MM}), percent mean {pct.mean():.1f} median {np.median(pct):.1f} "
                f"90th {np.quantile(pct, 0.9):.1f}"
            )
    for label, pairs in (("roots", roots), ("teeth", teeth)):
        sure_n, hold_n = (sum(p[k] for p in pairs) for k in (0, 1))
        print(
            f"  click and accept, {label}: sure {100 * sure_n / len(pairs):.1f} %, "
            f"sure and within 1 mm {100 * hold_n / len(pairs):.1f} %"
        )


def timing() -> None:
    """Time of a click on one image of 1500 x 2000 pixels, 0.02 mm a pixel."""
    from scipy import ndimage

    phantom = generator("A")(7)
    site = next(root_sites(phantom))
    factor = phantom.calibration.pitch[0] / 0.02
    pixels = ndimage.zoom(phantom.image.pixels.astype(np.float32), factor, order=1)
    pixels = np.pad(pixels, ((0, 1500), (0, 2000)), mode="reflect")[:1500, :2000]
    image = replace(phantom.image, pixels=np.ascontiguousarray(pixels))
    scale = replace(phantom.calibration, row_mm=0.02, col_mm=0.02)
    r, c = site.middle / 0.02
    root = phantom.marks.of(tooth=site.tooth, root=site.root)
    moved = Marks(tuple(replace(m, row=m.row * factor, col=m.col * factor) for m in root))

    def one_click() -> None:
        root_proposals(image, (float(r), float(c)), site.tooth, site.root, scale, "dog")

    def unsure() -> None:
        root_proposals(blank, (float(r), float(c)), site.tooth, site.root, scale, "dog")

    def crests() -> None:
        crest_proposals(image, moved, scale, "dog")

    blank = replace(image, pixels=np.random.default_rng(0).normal(0, 1, pixels.shape))
    for name, act in (("one click", one_click), ("on noise", unsure), ("two crests", crests)):
        act()
        wall, cpu = [], []
        for _ in range(9):
            start, used = time.perf_counter(), time.process_time()
            act()
            wall.append(1000 * (time.perf_counter() - start))
            cpu.append(1000 * (time.process_time() - used))
        print(
            f"{name}, {pixels.shape}: {np.median(wall):.0f} ms (worst {max(wall):.0f}), "
            f"of a processor {np.median(cpu):.0f} ms"
        )


def main() -> None:
    """Run as the module's docstring says."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--generator", nargs="+", default=["B", "C"])
    parser.add_argument("--seeds", nargs=2, type=int, default=[5000, 5080])
    parser.add_argument("--no-scale", action="store_true")
    parser.add_argument("--untold", action="store_true", help="which way is mesial is not told")
    parser.add_argument("--per-tooth", action="store_true", help="one click a tooth, not a root")
    parser.add_argument("--time", action="store_true")
    parser.add_argument("--network", help="judge this fitted network instead of the package's")
    args = parser.parse_args()
    if args.network:
        fitted = {k: v.astype(np.float32) for k, v in np.load(args.network).items()}
        proposals_click_network.networks = lambda: ((fitted,), 1.0)
    if args.time:
        timing()
        return
    for name in args.generator:
        bench(name, *args.seeds, How(not args.no_scale, not args.untold, args.per_tooth))


if __name__ == "__main__":
    main()
