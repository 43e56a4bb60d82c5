"""How the one-click network's weights are made: patches of training generators, then a fit.

    python tests/benchmarks/train_click.py patches A --seeds 10000 11500 --out a.npz
    python tests/benchmarks/train_click.py patches K --seeds 10000 14000 --out e.npz
    python tests/benchmarks/train_click.py fit a.npz e.npz f.npz k.npz --out net.npz --steps 4000
    python tests/benchmarks/train_click.py pack net.npz --temperature 1.3

`fit` needs torch, which nothing at run time does. Generators B, C and D are never trained on.

The committed weights are one network: fitted on A, E, F and K first, then for 12,000 steps on
25,000 patches of these and H (3,000 pictures).
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1]))

from click_sites import RootSite, root_sites
from phantoms.click_scenes import click_phantom
from phantoms.jaw_model import jaw_phantom
from phantoms.painted_styles import style_phantom
from phantoms.ray_solids import ray_phantom
from phantoms.thickness_maps import thickness_phantom

from perioview.proposals_click_network import DILATIONS, inputs
from perioview.proposals_click_patch import ACROSS, ALONG, TARGET_SD, ClickFrame, patch, root_axis
from perioview.proposals_strip import dense_high

Array = NDArray[Any]
GENERATORS = {
    "A": thickness_phantom,
    "E": ray_phantom,
    "F": style_phantom,
    "H": jaw_phantom,
    "K": click_phantom,
}
WEIGHTS = Path(__file__).parents[2] / "perioview" / "data" / "proposals_click_weights.npz"
REACH = np.array([ALONG[-1], ACROSS[-1]])


def _frame(
    rng: np.random.Generator, site: RootSite, pixels: Array, pitch: Array, zoom: float
) -> ClickFrame:
    """A frame as the first look would have it, a clumsy one, or one as of the second look."""
    kind = rng.random()
    pitch = pitch * zoom
    if kind < 0.3:
        angle = rng.normal(0, 0.1)
        middle = (site.neck + site.apex) / 2 + rng.normal(0, 1.0, 2)
    else:
        middle = site.click(rng, 0.0, 0.8, 0.15)
        angle = rng.normal(0, 0.25)
    if kind > 0.6:
        found = root_axis(pixels, middle * zoom / pitch, pitch)
        middle, axis = found.origin / zoom, found.axis
    else:
        c, s = np.cos(angle), np.sin(angle)
        axis = np.array([[c, -s], [s, c]]) @ site.axis
    return ClickFrame(middle * zoom, axis * rng.choice([-1, 1]), pitch)


def _shown(g: Array) -> Array:
    shown = np.clip(np.nan_to_num((g + 0.1) / 1.2 * 254 + 1, nan=0.0), 0, 255)
    return np.round(shown).astype(np.uint8)


def _beside(rng: np.random.Generator, every: list[RootSite], size: Array) -> Array | None:
    """A click on no root at all, apical to the necks: nothing should come of it."""
    for _ in range(20):
        point = rng.uniform(0, 1, 2) * size
        clear = 0
        for site in every:
            half = abs(float((site.crest["mesial"] - site.crest["distal"]) @ site.normal)) / 2
            share = np.linspace(0, 1, 12)[:, None]
            legs = [site.neck + share * (site.middle - site.neck)]
            legs.append(site.middle + share * (site.apex - site.middle))
            away = np.hypot(*(np.concatenate(legs) - point).T).min()
            clear += away > half + 0.7 and (point - site.neck) @ site.axis > 0.5
        if every and clear == len(every):
            return np.asarray(point)
    return None


def patches(name: str, first: int, last: int, out: str, each: int) -> None:
    """Cut patches round clicks on every root of a range of phantoms, with their landmarks."""
    grey, meta = [], []
    for seed in range(first, last):
        phantom = GENERATORS[name](seed)
        pixels = dense_high(phantom.image)
        pitch = np.array(phantom.calibration.pitch)
        size = np.array(pixels.shape) * pitch
        rng = np.random.default_rng([seed, 5])
        every = list(root_sites(phantom))
        beside = _beside(rng, every, size)
        if beside is not None:
            frame = root_axis(pixels, beside / pitch, pitch)
            if ((frame.origin >= 0) & (frame.origin <= size)).all():
                grey.append(_shown(patch(pixels, frame)))
                meta.append([*(np.nan,) * 4, 0, np.nan, np.nan, 0, seed])
        for site in every:
            for _ in range(each):
                zoom = float(np.exp(rng.uniform(-0.35, 0.35)))
                frame = _frame(rng, site, pixels, pitch, zoom)
                if ((frame.origin < 0) | (frame.origin > size * zoom)).any():
                    continue
                grey.append(_shown(patch(pixels, frame)))
                meta.append([*_places(site, frame, size, zoom), seed])
    np.savez(out, grey=np.array(grey), meta=np.array(meta, np.float32))


def _places(site: RootSite, frame: ClickFrame, size: Array, zoom: float) -> list[float]:
    """Apex, CEJ toward lower and CEJ toward higher t, in mm; NaN where the patch has none."""

    def place(point: Array | None) -> tuple[float, float]:
        if point is None or (point < 0).any() or (point > size).any():
            return np.nan, np.nan
        at = np.array(frame.place(point * zoom))
        return (np.nan, np.nan) if (np.abs(at) > REACH).any() else (float(at[0]), float(at[1]))

    normal = site.normal * np.sign(site.normal @ frame.across)
    rises = float((site.crest["distal"] - site.crest["mesial"]) @ normal) > 0
    lower, higher = ("mesial", "distal") if rises else ("distal", "mesial")
    found: list[float] = [*place(site.apex)]
    for side in (lower, higher):
        found += [*place(site.cej.get(side)), float(side in site.cej)]
    return found


def table(paths: list[str]) -> tuple[Array, Array, Array]:
    """Patches of all files (uint8, 0 outside the image), their landmarks and their weights."""
    data = [dict(np.load(path)) for path in paths]
    share = [np.full(len(d["meta"]), 1 / np.sqrt(len(d["meta"]))) for d in data]
    return (
        np.concatenate([d["grey"] for d in data]),
        np.concatenate([d["meta"] for d in data]),
        np.concatenate(share),
    )


def disturbed(rng: np.random.Generator, stored: Array, meta: Array) -> tuple[Array, Array]:
    """One patch mirrored at random, under another curve, noise, shade and film edge."""
    import cv2

    g = np.where(stored > 0, (stored.astype(np.float32) - 1) / 254 * 1.2 - 0.1, np.nan)
    m = meta[:8].copy()
    if rng.random() < 0.5:
        g, m[[0, 2, 5]] = g[::-1], -m[[0, 2, 5]]
    if rng.random() < 0.5:
        g, m = g[:, ::-1], m[[0, 1, 5, 6, 7, 2, 3, 4]]
        m[[1, 3, 6]] *= -1
    g = np.sign(g) * np.abs(g) ** np.exp(rng.normal(0, 0.3))
    g = (g - 0.5) * rng.uniform(0.75, 1.15) + 0.5 + rng.normal(0, 0.05)
    if rng.random() < 0.3:
        known = np.isfinite(g)
        filled = np.where(known, g, 0.5).astype(np.float32)
        soft = cv2.GaussianBlur(filled, (0, 0), rng.uniform(0.4, 1.3))
        more = rng.uniform(0, 1.2)
        g = np.where(known, soft if rng.random() < 0.6 else filled + more * (filled - soft), np.nan)
    if rng.random() < 0.5:
        g, m = _bent(g, m, rng.normal(0, 0.012))
    if rng.random() < 0.4:
        g = _overlaid(rng, g)
    if rng.random() < 0.5:
        g = g + rng.normal(0, 10 ** rng.uniform(-2.2, -1.1), g.shape)
    if rng.random() < 0.4:
        g = g + np.linspace(-1, 1, len(g))[:, None] * rng.normal(0, 0.1)
        g = g + np.linspace(-1, 1, g.shape[1])[None] * rng.normal(0, 0.1)
    if rng.random() < 0.12:  # the film ends
        g = g.copy()
        at = rng.uniform(2, 12) * rng.choice([-1, 1])
        beyond = np.sign(at) * ALONG > abs(at)
        g[beyond] = np.nan
        for k in (0, 2, 5):
            if np.sign(at) * m[k] > abs(at):
                m[k] = np.nan
    return g, m


def _bent(g: Array, m: Array, bend: float) -> tuple[Array, Array]:
    """The patch with every row shifted by `bend` per mm of its squared place along the root."""
    import cv2

    step = ACROSS[1] - ACROSS[0]
    rows, cols = np.indices(g.shape, dtype=np.float32)
    from_col = cols - (bend * ALONG[:, None] ** 2 / step).astype(np.float32)
    filled = np.where(np.isfinite(g), g, -9.0).astype(np.float32)
    moved = cv2.remap(
        filled, from_col, rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=-9.0
    )
    m = m.copy()
    for k in (0, 2, 5):
        if np.isfinite(m[k]):
            m[k + 1] += bend * m[k] ** 2
            if abs(m[k + 1]) > REACH[1]:
                m[k : k + 2] = np.nan
    return np.where(moved < -1, np.nan, moved), m


def _overlaid(rng: np.random.Generator, g: Array) -> Array:
    """The patch with coarse texture and a soft-edged shape that shadows or thins a part of it."""
    import cv2

    coarse = rng.normal(0, rng.uniform(0, 0.08), (rng.integers(10, 40), rng.integers(5, 16)))
    g = g + cv2.resize(coarse.astype(np.float32), g.shape[::-1], interpolation=cv2.INTER_CUBIC)
    shape = np.zeros(g.shape, np.float32)
    middle = (int(rng.uniform(0, g.shape[1])), int(rng.uniform(0, g.shape[0])))
    size = (int(rng.uniform(5, 40)), int(rng.uniform(5, 60)))
    cv2.ellipse(shape, middle, size, rng.uniform(0, 180), 0, 360, 1.0, -1)
    return np.asarray(g + rng.normal(0, 0.12) * cv2.GaussianBlur(shape, (0, 0), rng.uniform(1, 8)))


def targets(m: Array) -> Array:
    """Where each landmark is, as soft weights over positions and, last, "not shown"."""
    out = np.zeros((3, len(ALONG) * len(ACROSS) + 1), np.float32)
    for k, j in enumerate((0, 2, 5)):
        if np.isfinite(m[j]):
            s = np.exp(-0.5 * ((ALONG - m[j]) / TARGET_SD) ** 2)
            t = np.exp(-0.5 * ((ACROSS - m[j + 1]) / TARGET_SD) ** 2)
            out[k, :-1] = (s[:, None] * t[None]).ravel()
            out[k] /= max(out[k].sum(), 1e-9)
        else:
            out[k, -1] = 1
    return out


def fresh(rng: np.random.Generator, channels: tuple[int, int, int]) -> dict[str, Array]:
    """Random weights to start from."""
    c1, c2, c3 = channels
    shapes = {"in": (3, 3, 15, c1), "a": (3, 3, c1, c1), "d1": (3, 3, c1, c2)}
    shapes |= {"b1": (3, 3, c2, c2), "b2": (3, 3, c2, c2), "d2": (3, 3, c2, c3)}
    shapes |= {f"m{i}": (3, 3, c3, c3) for i in range(len(DILATIONS))}
    shapes |= {"b3": (3, 3, c2, c2), "a2": (3, 3, c1, c1)}
    w: dict[str, Array] = {}
    for name, shape in shapes.items():
        small = 1.0 if name in ("in", "d1", "d2") else 0.4
        w[name] = small * rng.normal(0, np.sqrt(2 / np.prod(shape[:3])), shape)
        w[name + "_b"] = np.zeros(shape[-1])
    w["u2"] = rng.normal(0, np.sqrt(1 / c3), (c3, c2))
    w["u1"] = rng.normal(0, np.sqrt(1 / c2), (c2, c1))
    w["out"] = rng.normal(0, 0.1 * np.sqrt(2 / (9 * c1)), (3, 3, c1, 12))
    w["none"], w["none_b"] = rng.normal(0, 0.1, (c3, 3)), np.full(3, 6.0)
    return w


def network(p: Any, x: Any) -> Any:
    """`perioview.proposals_click_network.logits` in torch, its channels second."""
    from torch.nn import functional

    relu = functional.relu

    def conv(h: Any, name: str, dilation: int = 1) -> Any:
        return functional.conv2d(h, p[name], padding=dilation, dilation=dilation)

    def halved(h: Any, name: str) -> Any:
        return functional.conv2d(functional.pad(h, (0, 1, 0, 1)), p[name], stride=2)

    def bias(name: str) -> Any:
        return p[name + "_b"][None, :, None, None]

    def block(h: Any, name: str, dilation: int = 1) -> Any:
        return h + relu(conv(h, name, dilation) + bias(name))

    def doubled(h: Any, name: str) -> Any:
        mixed = functional.conv2d(h, p[name].t()[:, :, None, None])
        return functional.interpolate(mixed, scale_factor=2, mode="nearest")

    full = block(relu(conv(x, "in") + bias("in")), "a")
    half = block(block(relu(halved(full, "d1") + bias("d1")), "b1"), "b2")
    low = relu(halved(half, "d2") + bias("d2"))
    for i, dilation in enumerate(DILATIONS):
        low = block(low, f"m{i}", dilation)
    absent = low.mean((2, 3)) @ p["none"] + p["none_b"]
    half = block(doubled(low, "u2") + half, "b3")
    full = block(doubled(half, "u1") + full, "a2")
    z = conv(full, "out")
    n, _, rows, cols = z.shape
    at = z.reshape(n, 2, 2, 3, rows, cols).permute(0, 3, 4, 1, 5, 2)
    return at.reshape(n, 3, 4 * rows * cols), absent


def _tensors(weights: dict[str, Array]) -> dict[str, Any]:
    import torch

    turned = {k: v.transpose(3, 2, 0, 1) if v.ndim == 4 else v for k, v in weights.items()}
    return {k: torch.tensor(v.copy(), dtype=torch.float32) for k, v in turned.items()}


def _arrays(tensors: dict[str, Any]) -> dict[str, Array]:
    plain = {k: v.detach().numpy() for k, v in tensors.items()}
    return {k: v.transpose(2, 3, 1, 0) if v.ndim == 4 else v for k, v in plain.items()}


def _batch(rng: np.random.Generator, grey: Array, meta: Array, which: Array) -> list[Any]:
    import torch

    made = [disturbed(rng, grey[i], meta[i]) for i in which]
    x = np.stack([inputs(g) for g, _ in made]).transpose(0, 3, 1, 2)
    y = np.stack([targets(m) for _, m in made])
    live = np.stack([np.isfinite(g).ravel() for g, _ in made])
    return [torch.tensor(x.copy()), torch.tensor(y), torch.tensor(live)]


def _loss(p: Any, x: Any, y: Any, live: Any) -> Any:
    """Cross-entropy over positions, of each head."""
    import torch

    at, absent = network(p, x.contiguous(memory_format=torch.channels_last))
    z = torch.cat([at.masked_fill(~live[:, None], -1e9), absent[..., None]], 2)
    return -(y * torch.log_softmax(z, 2).clamp(min=-40)).sum(2).mean(0)


def fit(
    paths: list[str],
    out: str,
    steps: int,
    rate: float,
    start: str | None,
    seed: int,
    channels: tuple[int, int, int],
    minutes: float,
) -> None:
    """Fit one network by Adam on cross-entropy over positions; keep its running mean."""
    import torch

    torch.set_num_threads(1)
    rng = np.random.default_rng(seed)
    grey, meta, share = table(paths)
    held = meta[:, 8] % 20 == 0
    train, test = np.flatnonzero(~held), rng.permutation(np.flatnonzero(held))[:256]
    share = share[train] / share[train].sum()
    p = _tensors(fresh(rng, channels) if start is None else dict(np.load(start)))
    for v in p.values():
        v.requires_grad_()
    adam = torch.optim.AdamW(list(p.values()), rate, (0.9, 0.99), weight_decay=1e-3)
    slow = {k: v.detach().clone() for k, v in p.items()}
    total, began, done = 0.0, time.monotonic(), 0.0
    t = 0
    while done < 1:
        t += 1
        done = max(t / steps, (time.monotonic() - began) / (60 * minutes))
        for group in adam.param_groups:
            group["lr"] = (
                rate * min(1, t / 200) * (0.5 * (1 + np.cos(np.pi * min(done, 1))) + 0.005)
            )
        batch = _batch(rng, grey, meta, rng.choice(train, 16, p=share))
        adam.zero_grad()
        value = _loss(p, *batch).sum()
        value.backward()
        torch.nn.utils.clip_grad_norm_(list(p.values()), 5.0)
        adam.step()
        keep = min(0.998, t / (t + 10))
        with torch.no_grad():
            for k, v in p.items():
                slow[k].mul_(keep).add_(v, alpha=1 - keep)
        total += value.item()
        if t % 500 == 0 or done >= 1:
            np.savez(out, **_arrays(slow))  # type: ignore[arg-type]
            fixed = np.random.default_rng(0)
            with torch.no_grad():
                parts = [
                    _loss(slow, *_batch(fixed, grey, meta, test[j : j + 16])).numpy()
                    for j in range(0, len(test), 16)
                ]
            print(t, f"{total / 500:.3f}", np.round(np.mean(parts, 0), 3), flush=True)
            total = 0.0


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
    part = parts.add_parser("patches")
    part.add_argument("generator", choices=GENERATORS)
    part.add_argument("--seeds", nargs=2, type=int, required=True)
    part.add_argument("--each", type=int, default=2)
    part.add_argument("--out", required=True)
    part = parts.add_parser("fit")
    part.add_argument("patches", nargs="+")
    part.add_argument("--out", required=True)
    part.add_argument("--steps", type=int, default=4000)
    part.add_argument("--rate", type=float, default=2e-3)
    part.add_argument("--start")
    part.add_argument("--seed", type=int, default=0)
    part.add_argument("--minutes", type=float, default=600.0, help="end by then, steps or not")
    part.add_argument("--channels", nargs=3, type=int, default=[16, 32, 48])
    part = parts.add_parser("pack")
    part.add_argument("networks", nargs="+")
    part.add_argument("--temperature", type=float, default=1.0)
    part.add_argument("--out", type=Path, default=WEIGHTS)
    args = parser.parse_args()
    if args.part == "patches":
        patches(args.generator, *args.seeds, args.out, args.each)
    elif args.part == "fit":
        fit(
            args.patches,
            args.out,
            args.steps,
            args.rate,
            args.start,
            args.seed,
            tuple(args.channels),
            args.minutes,
        )
    else:
        pack(args.networks, args.temperature, args.out)


if __name__ == "__main__":
    main()
