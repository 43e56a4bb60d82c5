"""Train the network that proposes a tooth's outline, on A, C, lit mouths and plain pictures.

    python tests/benchmarks/train_outline.py samples --photos 700 --out s.npz
    python tests/benchmarks/train_outline.py samples --photos 60 --first 40000 --out v.npz
    python tests/benchmarks/train_outline.py fit s.npz --check v.npz --minutes 15

`fit` needs torch, which nothing at run time does, and writes data/outline_weights.npz. Generators
spectral, painted_tissue and glazed_mouth are never trained on. The committed weights had been
trained on A, C and plain pictures before they were fitted on for 35 minutes (1,860 batches) with
`--onward --rate 1.2e-3` on 750 photos as `samples` draws them. Phantoms by people who have not seen
a patient's photo: what it learns is what crowns, stain and gum look like there.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from perioview import regions_network as net

OUT = Path(net.__file__).parent / "data" / "outline_weights.npz"
# Steps from the true edge that still count as it, SD; a label spread so is easier to learn.
SPREAD = 0.8
# Shares of lit mouths and of plainly drawn pictures.
LIT, PLAIN = 1 / 3, 0.2


def varied(rng, seed):
    """A scene in any of eight orientations; a third lit mouths, a fifth plainly drawn."""
    from plain_crowns import picture

    how = rng.random()
    if how < LIT:
        rgb, regions = _lit(rng, seed)
    else:
        rgb, regions = picture(seed) if how < LIT + PLAIN else _drawn(rng, seed)
    if rng.random() < 0.3:
        # A crown may leave the photo.
        cut = (np.array(regions.shape) * rng.uniform(0, 0.3, (2, 2))).astype(int)
        box = tuple(slice(a, n - b) for (a, b), n in zip(cut, regions.shape, strict=True))
        rgb, regions = rgb[box], regions[box]
    return _turned(rng, rgb, regions)


def _lit(rng, seed):
    """A lit mouth; one in five with wholly stained crowns, one in five with clean ones."""
    from plaque_phantoms import lit_mouths

    how = rng.random()
    kinds = dict.fromkeys(range(10), "clean" if how < 0.2 else "all") if how < 0.4 else None
    scene = lit_mouths.scene(
        seed, dye=("one-tone", "two-tone")[int(rng.random() < 0.6)], kinds=kinds
    )
    return scene.rgb, scene.regions


def _drawn(rng, seed):
    from plaque_phantoms import six_bands, three_channel

    generator = three_channel if rng.random() < 0.35 else six_bands
    kinds, six = None, generator is six_bands
    how = rng.random()
    if how < 0.2:
        kinds = dict.fromkeys(range(10), "clean")
    elif how < 0.4:
        # Much of the crown as dark as what lies around it.
        kinds = {k: rng.choice(["over tartar", "all"] if six else ["all"]) for k in range(10)}
    scene = generator.scene(
        seed,
        dye=("one-tone", "two-tone")[int(rng.random() < 0.6)],
        spacing=rng.uniform(0.8, 1.06),
        tooth_px=int(rng.integers(60, 115)),
        teeth=int(rng.integers(2, 6)),
        exposure=rng.uniform(0.55, 1.3),
        gradient=rng.uniform(0, 0.4),
        blur=rng.uniform(0.5, 1.8),
        jpeg=int(rng.integers(60, 96)),
        tartar=rng.uniform(0, 1.0),
        glare=rng.choice([0, 1, rng.uniform(0, 4)]),
        kinds=kinds,
    )
    rgb, regions = scene.rgb, scene.regions
    if rng.random() < 0.4:
        rgb = _before_something(rng, rgb, regions)
    gains = np.exp(rng.normal(0, 0.12, 3)) * rng.uniform(0.8, 1.05)
    bend = rng.uniform(0.8, 1.25)
    return np.clip(255 * (rgb / 255) ** bend * gains, 0, 255).astype(np.uint8), regions


def _before_something(rng, rgb, regions):
    """Cheek, tongue, lip or drape where the generator leaves the dark."""
    import cv2
    from plaque_phantoms.three_channel import noise_field

    shape = regions.shape
    dark = ((regions == 0) & (rgb.max(axis=2) < 75)).astype(np.float32)
    soft = cv2.GaussianBlur(dark, (0, 0), rng.uniform(0.5, 1.5))[..., None]
    flesh = np.array([rng.uniform(40, 220), rng.uniform(20, 110), rng.uniform(20, 120)])
    colour = rng.choice([0, 1], p=[0.3, 0.7])
    colour = flesh if colour else rng.uniform(20, 160) * np.array([1, 1, 1])
    light = 1 + rng.uniform(0, 0.25) * noise_field(rng, shape, rng.uniform(10, 60))[..., None]
    return np.clip(rgb * (1 - soft) + soft * colour * light, 0, 255).astype(np.uint8)


def _turned(rng, rgb, regions):
    if rng.random() < 0.5:
        rgb, regions = rgb[::-1], regions[::-1]
    if rng.random() < 0.5:
        rgb, regions = rgb[:, ::-1], regions[:, ::-1]
    if rng.random() < 0.3:
        rgb, regions = rgb.transpose(1, 0, 2), regions.T
    return np.ascontiguousarray(rgb), np.ascontiguousarray(regions)


def samples(rng, rgb, regions):
    """What rays around two places of each tooth see, and the last step of each ray within it."""
    from perioview.regions_light import reduced_photo
    from perioview.regions_path import inner_middle

    small, scale = reduced_photo(rgb)
    for tooth in (t for t in np.unique(regions) if t):
        at = np.argwhere(regions == tooth)
        if len(at) < 400:
            continue
        wide = np.ptp(at, axis=0)
        for middle, off in ((inner_middle(regions == tooth), 0.08), (at.mean(axis=0), 0.3)):
            click = middle + off * wide * rng.uniform(-1, 1, 2)
            around = net.rays(small.shape, tuple((click + 0.5) / scale - 0.5))
            last = _last_steps(around, scale, regions, tooth)
            if last is not None:
                yield net.seen(small, around), around.outside, last


def _last_steps(around, scale, regions, tooth):
    rows, cols = (
        np.clip(np.rint((p + 0.5) * scale - 0.5), 0, n - 1).astype(int)
        for p, n in zip((around.y, around.x), regions.shape, strict=True)
    )
    inside = (regions[rows, cols] == tooth) & ~around.outside
    if not inside[:, :2].all():
        return None
    return inside.shape[1] - 1 - inside[:, ::-1].argmax(axis=1)


def draw(args):
    """Samples of many scenes, all of one size, in a file."""
    rng = np.random.default_rng(args.first)
    start = time.time()
    seen, outside, last = [], [], []
    for seed in range(args.first, args.first + args.photos):
        for planes, out, ends in samples(rng, *varied(rng, seed)):
            wide = net.STEPS - planes.shape[1]
            seen.append(np.pad(planes, ((0, 0), (0, wide), (0, 0)), "edge").astype(np.float16))
            outside.append(np.pad(out, ((0, 0), (0, wide)), constant_values=True))
            last.append(ends)
        if seed % 50 == 0:
            print(seed, len(last), f"{time.time() - start:.0f} s", flush=True)
    np.savez(args.out, seen=np.stack(seen), outside=np.stack(outside), last=np.stack(last))


def network():
    """The network of `perioview.regions_network`, for torch."""
    import torch
    from torch import nn
    from torch.nn import functional as fn

    class Net(nn.Module):
        def __init__(self):
            super().__init__()
            self.convs = nn.ModuleList(
                nn.Conv2d(a, b, 3) for a, b in zip(*net.layers(), strict=True)
            )
            self.head = nn.Conv2d(net.WIDTHS[0], 4, 1)

        def pair(self, x, n):
            for conv in self.convs[2 * n : 2 * n + 2]:
                # Rays go round; steps end.
                x = fn.pad(fn.pad(x, (0, 0, 1, 1), mode="circular"), (1, 1, 0, 0), mode="replicate")
                x = torch.relu(conv(x))
            return x

        def forward(self, planes, outside):
            x = torch.cat([planes, outside[:, None].to(planes.dtype)], dim=1)
            x = fn.pixel_unshuffle(x, 2)
            far = torch.linspace(-1, 1, x.shape[3], dtype=x.dtype).expand(len(x), 1, *x.shape[2:])
            x = torch.cat([x, far], dim=1)
            kept = []
            for level in range(3):
                x = self.pair(x, level)
                kept.append(x)
                x = fn.avg_pool2d(x, 2)
            x = self.pair(x, 3)
            for level, skip in enumerate(reversed(kept)):
                x = torch.cat([skip, fn.interpolate(x, scale_factor=2, mode="nearest")], dim=1)
                x = self.pair(x, 4 + level)
            return fn.pixel_shuffle(self.head(x), 2)[:, 0]

    return Net()


def changed(rng, planes, outside, last):
    """The same sample turned, mirrored, nearer or farther, its colours a little different."""
    turn = int(rng.integers(net.ANGLES))
    planes, outside, last = (np.roll(p, turn, axis=0) for p in (planes, outside, last))
    if rng.random() < 0.5:
        planes, outside, last = planes[::-1], outside[::-1], last[::-1]
    move = int(np.clip(rng.normal(0, 12), 4 - last.min(), net.STEPS - 5 - last.max()))
    at = np.clip(np.arange(net.STEPS) - move, 0, net.STEPS - 1)
    planes, outside, last = planes[:, at].astype(np.float32), outside[:, at], last + move
    planes = planes * rng.uniform((0.85, 0.8, 0.8), (1.15, 1.2, 1.2)) + rng.normal(0, 0.03, 3)
    noise = rng.normal(0, rng.uniform(0, 0.02), planes.shape)
    return (planes + noise).astype(np.float32), outside, last


def fit(args):
    """Train for so many minutes of this process, and keep what served best on the check set."""
    import torch

    torch.set_num_threads(1)
    torch.manual_seed(0)
    rng = np.random.default_rng(7)
    kept = [np.load(path) for path in args.samples]
    seen, outside, last = (
        np.concatenate([k[n] for k in kept]) for n in ("seen", "outside", "last")
    )
    usable = (last.max(axis=1) < net.STEPS - 6) & (last.min(axis=1) > 3)
    seen, outside, last = seen[usable], outside[usable], last[usable]
    check = np.load(args.check)
    model = network().to(memory_format=torch.channels_last)
    if args.onward:
        model.load_state_dict(read(args.onward, model))
    best = torch.optim.AdamW(model.parameters(), 2e-3, weight_decay=1e-3)
    steps = torch.arange(net.STEPS)
    start, began, said = time.process_time(), time.time(), 0.0
    averaged = {k: v.clone() for k, v in model.state_dict().items()}
    count = 0
    while (part := max(
        (time.process_time() - start) / 60 / args.minutes, (time.time() - began) / 60 / args.wall
    )) < 1:  # fmt: skip
        spent = time.process_time() - start
        for group in best.param_groups:
            group["lr"] = (
                args.rate * min(1, count / 100 + 0.02) * (0.5 + 0.5 * np.cos(np.pi * part))
            )
        picked = rng.integers(0, len(last), 16)
        x, o, y = (
            np.stack(p)
            for p in zip(*(changed(rng, seen[i], outside[i], last[i]) for i in picked), strict=True)
        )
        x = torch.from_numpy(x.transpose(0, 3, 1, 2).copy())
        edge = torch.from_numpy(y.copy())[..., None] + 0.5
        label = torch.softmax(-((steps - edge) ** 2) / (2 * SPREAD**2), dim=-1)
        with torch.autocast("cpu", torch.bfloat16, enabled=args.bf16):
            odds = model(x, torch.from_numpy(o.copy()))
        loss = -(label * torch.log_softmax(odds.float(), dim=-1)).sum(-1).mean()
        best.zero_grad()
        loss.backward()
        torch.nn.utils.clip_grad_norm_(model.parameters(), 1.0)
        best.step()
        count += 1
        keep = min(0.995, count / (count + 10))
        for name, value in model.state_dict().items():
            averaged[name].mul_(keep).add_(value, alpha=1 - keep)
        if spent - said > 60:
            said = spent
            off = errors(model, averaged, check)
            print(f"{spent:.0f} s, {count} batches, loss {loss.item():.3f}, {off}", flush=True)
            write(averaged, args.out)
    write(averaged, args.out)


def errors(model, weights, check):
    """Rays off by more than 3 steps on the check set, and mean loss."""
    import torch

    mine = {k: v.clone() for k, v in model.state_dict().items()}
    model.load_state_dict(weights)
    off, count = 0.0, 0
    with torch.no_grad():
        for at in range(0, len(check["last"]), 32):
            x = torch.from_numpy(check["seen"][at : at + 32].astype(np.float32))
            odds = model(x.permute(0, 3, 1, 2), torch.from_numpy(check["outside"][at : at + 32]))
            found = odds.argmax(-1).numpy()
            apart = np.abs(found - check["last"][at : at + 32] - 0.5)
            off, count = off + (apart > 3).sum(), count + apart.size
    model.load_state_dict(mine)
    return f"check: {100 * off / count:.2f} % of rays off"


def read(path, model):
    """The state that `write` wrote."""
    import torch

    kept, state = np.load(path), model.state_dict()
    for number, name in enumerate(_names(state)):
        kernel = torch.from_numpy(kept[f"w{number}"].astype(np.float32)).permute(3, 2, 0, 1)
        state[f"{name}.weight"], state[f"{name}.bias"] = (
            kernel,
            torch.from_numpy(kept[f"b{number}"]),
        )
    return state


def _names(weights):
    return sorted({n.rsplit(".", 1)[0] for n in weights}, key=lambda n: (n == "head", len(n), n))


def write(weights, path):
    """Kernels as (3, 3, inputs, outputs), in the order they are used."""
    kept = {}
    for number, name in enumerate(_names(weights)):
        kernel = weights[f"{name}.weight"].permute(2, 3, 1, 0).numpy()
        kept[f"w{number}"] = kernel.astype(np.float16)
        kept[f"b{number}"] = weights[f"{name}.bias"].numpy().astype(np.float32)
    np.savez_compressed(path, **kept)


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parts = parser.add_subparsers(required=True)
    one = parts.add_parser("samples")
    one.add_argument("--photos", type=int, default=700)
    one.add_argument("--first", type=int, default=20_000, help="first seed")
    one.add_argument("--out", type=Path, required=True)
    one.set_defaults(act=draw)
    two = parts.add_parser("fit")
    two.add_argument("samples", nargs="+")
    two.add_argument("--check", required=True)
    two.add_argument("--minutes", type=float, default=20, help="of processor time")
    two.add_argument(
        "--wall", type=float, default=1e9, help="minutes by the clock, if they end first"
    )
    two.add_argument("--onward", type=Path, help="weights to go on from")
    two.add_argument("--rate", type=float, default=2.5e-3)
    two.add_argument("--bf16", action="store_true")
    two.add_argument("--out", type=Path, default=OUT)
    two.set_defaults(act=fit)
    args = parser.parse_args()
    args.act(args)


if __name__ == "__main__":
    main()
