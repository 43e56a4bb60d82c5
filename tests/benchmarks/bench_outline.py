"""Outlines from awkward clicks and in poor photos, and how well doubt tells the bad ones.

    python tests/benchmarks/bench_outline.py --photos 8

Overlap is intersection over union with the drawn truth. Generators three_channel and six_bands,
which the network was trained on (other seeds), touching crowns with much tartar and stain.
`bench_plaque.py outlines` has the judging generators. Phantoms, no clinical truth.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from plaque_phantoms import six_bands, three_channel
from test_regions import flat_crown

from perioview.regions import tooth_outline

CLICKS = ("near the edge", "on glare", "on the darkest", "off the middle", "at the middle")
POOR = {
    "blurred": {"blur": 4.5},
    "underexposed": {"exposure": 0.25},
    "overexposed": {"exposure": 2.2},
    "stained and tartar all over": {"tartar": 1.0, "kinds": dict.fromkeys(range(10), "all")},
}
BAD = 0.9


def scenes(photos, seed, rng, **options):
    for k in range(photos):
        generator = (six_bands, three_channel)[k % 2]
        dye = "one-tone" if k % 3 == 0 else "two-tone"
        yield generator.scene(seed + k, spacing=rng.uniform(0.82, 1.0), dye=dye, teeth=4, **options)


def place(rng, rgb, mask, how):
    """A place of the tooth to click, or None if it has no such place."""
    import cv2

    deep = cv2.distanceTransform(np.pad(mask.astype(np.uint8), 1), cv2.DIST_L2, 3)[1:-1, 1:-1]
    light = rgb.sum(axis=2)
    if how == "near the edge":
        fits = mask & (deep > 4) & (deep < 9)
    elif how == "on glare":
        fits = mask & (rgb.min(axis=2) > 235)
    elif how == "on the darkest":
        fits = mask & (deep > 6) & (light <= np.quantile(light[mask], 0.05))
    elif how == "off the middle":
        fits = mask & (deep > 0.35 * deep.max()) & (deep < 0.6 * deep.max())
    else:
        return np.argwhere(mask).mean(axis=0)
    at = np.argwhere(fits)
    return at[rng.integers(len(at))] if len(at) else None


def outlined(scene, tooth, click):
    """Overlap with the truth, confidence, whether sure, and processor seconds."""
    mask = scene.regions == tooth
    start = time.process_time()
    found = tooth_outline(scene.rgb, *click)
    spent = time.process_time() - start
    overlap = (found.mask & mask).sum() / (found.mask | mask).sum()
    return overlap, found.contrast, found.sure, spent


def told(name, rows):
    overlap, _, sure, spent = (np.array(c) for c in zip(*rows, strict=True))
    bad = overlap < BAD
    print(
        f"{name:28} n {len(rows):3}  overlap median {np.median(overlap):.3f}  worst "
        f"{overlap.min():.3f}  below {BAD}: {bad.sum()}, of these doubtful {(bad & ~sure).sum()}; "
        f"of the others doubtful {(~bad & ~sure).sum()}  processor {np.median(spent):.2f} s",
        flush=True,
    )


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=int, default=8)
    parser.add_argument("--seed", type=int, default=5000)
    args = parser.parse_args()
    rng, every = np.random.default_rng(args.seed), []
    cases = {f"click {how}": (how, {"tartar": 0.8, "glare": 2}) for how in CLICKS}
    cases |= {name: ("at the middle", options) for name, options in POOR.items()}
    for name, (how, options) in cases.items():
        rows = []
        for scene in scenes(args.photos, args.seed, rng, **options):
            for tooth in (int(t) for t in np.unique(scene.regions) if t):
                click = place(rng, scene.rgb, scene.regions == tooth, how)
                if click is not None:
                    rows.append(outlined(scene, tooth, click))
        told(name, rows)
        every += rows
    told("all of these", every)
    overlap, confidence = (np.array([r[k] for r in every]) for k in (0, 1))
    bad = overlap < BAD
    if bad.any():
        ahead = confidence[bad][:, None] < confidence[~bad][None]
        print(f"a bad outline is of lower confidence than a good one: {100 * ahead.mean():.0f} %")
    rows = []
    for top in (130, 150, 170):
        for gum in ((205, 120, 125), (205, 90, 130), (215, 110, 130), (200, 190, 180)):
            rgb, crown = flat_crown(gum, (205, 90, 130), top, 0)
            scene = three_channel.Scene(rgb, crown.astype(int), *[None] * 5)
            rows.append(outlined(scene, 1, (100, 160)))
    told("gum of stain's or enamel's hue", rows)


if __name__ == "__main__":
    main()
