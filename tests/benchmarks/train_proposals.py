"""How the crest network's weights are made: strips of generator A, then a fit with JAX.

    python tests/benchmarks/train_proposals.py strips --seeds 1000 2400 --out a.npz
    python tests/benchmarks/train_proposals.py fit a.npz --out net.npz --steps 3000
    python tests/benchmarks/train_proposals.py pack net.npz --temperature 1.0

`fit` needs jax, which nothing else here does. The committed weights came from several such fits,
each started from the one before, while generator A grew harder (sharp gum-air borders, plates
without a ligament space, sloping margins): running this again gives like weights, not equal ones.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parents[1]))

from perioview.proposals_frame import side_frames
from perioview.proposals_posterior import DILATIONS, LAST, features
from perioview.proposals_strip import LANES, STEP, dense_high, straightened

Array = NDArray[Any]
LONGEST = 272
WEIGHTS = Path(__file__).parents[2] / "perioview" / "data" / "proposals_weights.npz"


def strips(first: int, last: int, out: str) -> None:
    """Straighten every site of a range of phantoms and keep where its crest is."""
    from phantoms.thickness_maps import thickness_phantom

    grey, meta = [], []
    for seed in range(first, last):
        phantom = thickness_phantom(seed)
        pixels = dense_high(phantom.image)
        for frame in side_frames(phantom.marks, phantom.calibration, "dog"):
            strip = straightened(pixels, frame)
            truth = frame.along_out(*phantom.truth[frame.tooth, frame.root, frame.side])[0]
            grey.append(np.column_stack([strip.grey, strip.contour]).astype(np.float16))
            cej = np.nan if frame.cej is None else frame.cej[0]
            meta.append([truth, frame.length, cej, strip.along[0], seed])
    lengths = [len(g) for g in grey]
    np.savez(out, grey=np.concatenate(grey), lengths=lengths, meta=np.array(meta))


def table(paths: list[str]) -> tuple[Array, Array, Array, Array]:
    """Inputs, allowed positions, targets and (truth, start, seed) of every site, padded."""
    inputs, allowed, targets, where = [], [], [], []
    for path in paths:
        data = dict(np.load(path))
        ends = np.cumsum(data["lengths"])
        for end, n, row in zip(ends, data["lengths"], data["meta"], strict=True):
            truth, length, cej, start, seed = row
            if n > LONGEST:
                continue
            grey = data["grey"][end - n : end].astype(float)
            along = start + np.arange(n) * STEP
            x = np.zeros((LONGEST, len(LANES) + 6), np.float32)
            x[:n] = features(
                grey[:, :-1], grey[:, -1], along, length, None if np.isnan(cej) else cej
            )
            m = np.zeros(LONGEST, np.float32)
            m[:n] = along < LAST * length
            t = np.zeros(LONGEST, np.float32)
            t[:n] = np.exp(-0.5 * ((along - truth) / 0.08) ** 2) * m[:n]
            inputs.append(x)
            allowed.append(m)
            targets.append(t / max(t.sum(), 1e-9))
            where.append((truth, start, seed))
    return np.array(inputs), np.array(allowed), np.array(targets), np.array(where)


def disturbed(rng: np.random.Generator, x: Array, truth: Array, live: Array) -> Array:
    """Other curves, noise, lateral slips and sharp gum-air borders, in the strip itself."""
    n, lanes = len(x), len(LANES)

    def each(values: Array) -> Array:
        return np.asarray(values, np.float32)[:, None, None]

    g = x[..., :lanes] / 3 + 0.5
    slip = np.where(rng.random(n) < 0.4, rng.integers(-1, 2, n), 0)
    for k in (-1, 1):
        g[slip == k] = np.roll(g[slip == k], k, 2)
    g = np.sign(g) * np.abs(g) ** each(np.exp(rng.normal(0, 0.25, n)))
    g = (g - 0.5) * each(rng.uniform(0.8, 1.15, n)) + 0.5 + each(rng.normal(0, 0.05, n))
    noise = np.where(rng.random(n) < 0.5, 10 ** rng.uniform(-2.3, -1.2, n), 0)
    g = g + rng.standard_normal(g.shape, dtype=np.float32) * each(noise)
    s = np.arange(LONGEST, dtype=np.float32)[None, :, None] * STEP
    d = LANES.astype(np.float32)[None, None]
    a = each(truth)
    outer = 1 / (1 + np.exp(-(d - 0.05) / 0.08))
    apical = (s > a + 0.5) & (d > 0.3) & (s < a + 4)
    level = np.where(apical, g, 0).sum((1, 2)) / np.maximum(apical.sum((1, 2)), 1)
    on = rng.random(n) < 0.6
    lift = each(rng.uniform(0, 0.55, n) * (rng.random(n) < 0.7) * on)
    g = g + outer * lift * np.maximum(each(level) - g, 0) * (s < a + 3)
    border = a - each(10 ** rng.uniform(-0.3, 0.75, n)) + each(rng.uniform(-0.25, 0.25, n)) * d
    soft = each(10 ** rng.uniform(-1.3, -0.5, n))
    w = each(on) / (1 + np.exp(np.clip((s - border) / soft, -30, 30)))
    air = np.minimum(each(rng.uniform(0, 0.15, n)), g)
    g = g * (1 - outer * w) + outer * w * air - (1 - outer) * w * each(rng.uniform(0, 0.15, n))
    x = x.copy()
    x[..., :lanes] = 3 * (g - 0.5) * live[..., None]
    return x


def fresh(rng: np.random.Generator, width: int, channels: int) -> dict[str, Array]:
    """Random weights to start from."""
    w: dict[str, Array] = {
        "in": rng.normal(0, np.sqrt(2 / (5 * width)), (5 * width, channels)),
        "in_b": np.zeros(channels),
        "out": rng.normal(0, 0.1, (channels, 1)),
    }
    for i in range(len(DILATIONS)):
        w[f"c{i}"] = rng.normal(0, 0.5 * np.sqrt(2 / (3 * channels)), (3 * channels, channels))
        w[f"c{i}_b"] = np.zeros(channels)
    return w


def fit(paths: list[str], out: str, steps: int, rate: float, start: str | None, seed: int) -> None:
    """Fit one network by Adam on cross-entropy along the root."""
    import jax
    import jax.numpy as jnp

    rng = np.random.default_rng(seed)
    x, allowed, targets, where = table(paths)
    begin = fresh(rng, x.shape[2], 28) if start is None else dict(np.load(start))
    p = {k: jnp.asarray(v, jnp.float32) for k, v in begin.items()}

    def shifted(h: Any, reach: int, step: int) -> Any:
        n = h.shape[1]
        h = jnp.pad(h, ((0, 0), (reach * step, reach * step), (0, 0)))
        return jnp.concatenate([h[:, k * step : k * step + n] for k in range(2 * reach + 1)], 2)

    def loss(p: Any, x: Any, m: Any, y: Any) -> Any:
        v = (x != 0).any(2, keepdims=True)
        h = jax.nn.relu(shifted(x, 2, 1) @ p["in"] + p["in_b"]) * v
        for i, step in enumerate(DILATIONS):
            h = h + jax.nn.relu(shifted(h, 1, step) @ p[f"c{i}"] + p[f"c{i}_b"]) * v
        z = jnp.where(m > 0, (h @ p["out"])[..., 0], -1e9)
        return -(y * jnp.where(m > 0, jax.nn.log_softmax(z, 1), 0)).sum(1).mean()

    @jax.jit
    def update(p: Any, mean: Any, var: Any, x: Any, m: Any, y: Any, t: Any, lr: Any) -> Any:
        value, g = jax.value_and_grad(loss)(p, x, m, y)
        scale = jnp.minimum(1, 5 / jnp.sqrt(sum((v**2).sum() for v in g.values())))
        mean = {k: 0.9 * mean[k] + 0.1 * g[k] * scale for k in p}
        var = {k: 0.99 * var[k] + 0.01 * (g[k] * scale) ** 2 for k in p}
        p = {
            k: p[k]
            - lr * ((mean[k] / (1 - 0.9**t)) / (jnp.sqrt(var[k] / (1 - 0.99**t)) + 1e-8))
            - 1e-3 * lr * p[k]
            for k in p
        }
        return p, mean, var, value

    mean = {k: jnp.zeros_like(v) for k, v in p.items()}
    var = {k: jnp.zeros_like(v) for k, v in p.items()}
    for t in range(1, steps + 1):
        lr = rate * min(1, t / 100) * (0.5 * (1 + np.cos(np.pi * t / steps)) + 0.005)
        i = rng.choice(len(x), 48)
        live = (x[i] != 0).any(2)
        batch = disturbed(rng, x[i], where[i, 0] - where[i, 1], live)
        p, mean, var, value = update(p, mean, var, batch, allowed[i], targets[i], t, lr)
        if t % 200 == 0:
            print(t, float(value), flush=True)
    np.savez(out, **{k: np.asarray(v) for k, v in p.items()})


def pack(paths: list[str], temperature: float, out: Path) -> None:
    """Write fitted networks as the package's data file, in half precision."""
    arrays: dict[str, Array] = {
        f"{k}/{name}": value.astype(np.float16)
        for k, path in enumerate(paths)
        for name, value in np.load(path).items()
    }
    arrays["count"], arrays["temperature"] = np.array(len(paths)), np.array(temperature)
    with out.open("wb") as stream:
        np.savez_compressed(stream, **arrays)  # type: ignore[arg-type]


def main() -> None:
    """Run as the module's docstring says."""
    parser = argparse.ArgumentParser(description=__doc__)
    parts = parser.add_subparsers(dest="part", required=True)
    part = parts.add_parser("strips")
    part.add_argument("--seeds", nargs=2, type=int, required=True)
    part.add_argument("--out", required=True)
    part = parts.add_parser("fit")
    part.add_argument("strips", nargs="+")
    part.add_argument("--out", required=True)
    part.add_argument("--steps", type=int, default=3000)
    part.add_argument("--rate", type=float, default=4e-3)
    part.add_argument("--start")
    part.add_argument("--seed", type=int, default=0)
    part = parts.add_parser("pack")
    part.add_argument("networks", nargs="+")
    part.add_argument("--temperature", type=float, default=1.0)
    part.add_argument("--out", type=Path, default=WEIGHTS)
    args = parser.parse_args()
    if args.part == "strips":
        strips(*args.seeds, args.out)
    elif args.part == "fit":
        fit(args.strips, args.out, args.steps, args.rate, args.start, args.seed)
    else:
        pack(args.networks, args.temperature, args.out)


if __name__ == "__main__":
    main()
