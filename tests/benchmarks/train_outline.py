"""Train the network that proposes a tooth's outline, on generators A and C and plain pictures.

    python tests/benchmarks/train_outline.py --photos 300

Writes perioview/data/outline_weights.npz. Phantoms by people who have not seen a patient's photo:
what it learns is what crowns, stain and gum look like there.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from plain_crowns import picture
from plaque_phantoms import six_bands, three_channel

from perioview import regions_network as net
from perioview.regions_light import reduced_photo

OUT = Path(net.__file__).parent / "data" / "outline_weights.npz"


def varied(rng, seed):
    """A scene under other light, in any of eight orientations; every fifth plainly drawn."""
    if seed % 5 == 4:
        return _turned(rng, *picture(seed))
    generator = (three_channel, six_bands)[seed % 2]
    kinds = None
    if rng.random() < 0.25:
        kinds = dict.fromkeys(range(10), "clean")
    scene = generator.scene(
        seed,
        dye=("one-tone", "two-tone")[rng.integers(2)],
        spacing=rng.uniform(0.82, 1.06),
        tooth_px=int(rng.integers(70, 120)),
        teeth=int(rng.integers(3, 6)),
        exposure=rng.uniform(0.55, 1.3),
        gradient=rng.uniform(0, 0.4),
        blur=rng.uniform(0.5, 1.6),
        jpeg=int(rng.integers(60, 96)),
        tartar=rng.uniform(0, 0.7),
        kinds=kinds,
    )
    rgb, regions = scene.rgb, scene.regions
    gains = np.exp(rng.normal(0, 0.12, 3)) * rng.uniform(0.8, 1.05)
    bend = rng.uniform(0.8, 1.25)
    rgb = np.clip(255 * (rgb / 255) ** bend * gains, 0, 255).astype(np.uint8)
    return _turned(rng, rgb, regions)


def _turned(rng, rgb, regions):
    if rng.random() < 0.5:
        rgb, regions = rgb[::-1], regions[::-1]
    if rng.random() < 0.5:
        rgb, regions = rgb[:, ::-1], regions[:, ::-1]
    if rng.random() < 0.3:
        rgb, regions = rgb.transpose(1, 0, 2), regions.T
    return np.ascontiguousarray(rgb), np.ascontiguousarray(regions)


def samples(rng, rgb, regions):
    """Inputs and labels of some rays of some teeth."""
    small, scale = reduced_photo(rgb)
    numbers = [t for t in np.unique(regions) if t]
    for tooth in rng.choice(numbers, min(3, len(numbers)), replace=False):
        at = np.argwhere(regions == tooth)
        if len(at) < 400:
            continue
        click = at.mean(axis=0) + 0.2 * np.ptp(at, axis=0) * rng.uniform(-1, 1, 2)
        centre = ((click + 0.5) / scale) - 0.5
        around = net.rays(small.shape, tuple(centre))
        rows = np.clip(np.rint((around.y + 0.5) * scale - 0.5), 0, regions.shape[0] - 1)
        cols = np.clip(np.rint((around.x + 0.5) * scale - 0.5), 0, regions.shape[1] - 1)
        owner = regions[rows.astype(int), cols.astype(int)]
        inside = (owner == tooth) & ~around.outside
        if not inside[:, 0].all():
            continue
        last = inside.shape[1] - 1 - inside[:, ::-1].argmax(axis=1)
        seen = net.seen(small, around)
        steps = inside.shape[1]
        here = 3 * (net.ASIDE.index(0) * len(net.ALONG) + net.ALONG.index(0))
        change = np.abs(np.diff(seen[..., here : here + 3], axis=1)).sum(axis=-1)
        for ray in rng.choice(net.ANGLES, 28, replace=False):
            near = last[ray] + np.arange(-5, 8)
            far = rng.integers(0, steps, 8)
            # Other crowns' outlines look most like this one's.
            others = np.flatnonzero(np.diff(owner[ray].astype(int)))
            others = rng.permutation(others[others > last[ray] + 3])[:4]
            # And edges of stain within it: where the colour changes most before it ends.
            within = np.argsort(-change[ray, : max(0, last[ray] - 4)])[:4]
            picked = [near, far, others, others + 1, within, within + 1]
            picked = np.unique(np.concatenate(picked))
            picked = picked[(picked >= 0) & (picked < steps)]
            off = picked - (last[ray] + 0.5)
            yield seen[ray, picked], (np.abs(off) <= 1.0).astype(np.int8)


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=int, default=300)
    parser.add_argument("--epochs", type=int, default=14)
    parser.add_argument("--out", type=Path, default=OUT)
    args = parser.parse_args()
    from sklearn.neural_network import MLPClassifier

    rng = np.random.default_rng(7)
    start = time.time()
    inputs, labels = [], []
    for seed in range(20_000, 20_000 + args.photos):
        for x, y in samples(rng, *varied(rng, seed)):
            inputs.append(x)
            labels.append(y)
    x, y = np.concatenate(inputs), np.concatenate(labels)
    print(f"{len(y)} places, {y.mean():.2f} on an outline, {time.time() - start:.0f} s", flush=True)
    mean, spread = x.mean(axis=0), x.std(axis=0) + 1e-3
    model = MLPClassifier(
        (64, 24), batch_size=512, max_iter=args.epochs, alpha=1e-4, random_state=0, verbose=True
    )
    import warnings

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        model.fit(((x - mean) / spread).astype(np.float32), y)
    weights = [w.astype(np.float64) for w in model.coefs_]
    biases = [b.astype(np.float64) for b in model.intercepts_]
    # The inputs' mean and spread go into the first layer.
    biases[0] = biases[0] - (mean / spread) @ weights[0]
    weights[0] = weights[0] / spread[:, None]
    kept = {f"w{n}": w.astype(np.float16) for n, w in enumerate(weights)}
    kept |= {f"b{n}": b.astype(np.float32) for n, b in enumerate(biases)}
    np.savez_compressed(args.out, **kept)
    print(f"{args.out.name}: {args.out.stat().st_size / 1000:.0f} kB, {time.time() - start:.0f} s")


if __name__ == "__main__":
    main()
