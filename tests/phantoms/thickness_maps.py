"""Generator A, for tuning: thickness maps, attenuation, 1/f texture, many random conditions."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from perioview.marks import Mark

from .scene import ROW, Key, Phantom, packed

Array = NDArray[np.float64]


@dataclass
class _Root:
    tooth: int
    name: str
    x0: float
    half: float
    length: float
    cej: float
    bend: float
    p: float
    q: float
    depth: float
    outer: tuple[bool, bool]  # left, right side ends in a CEJ
    crest: list[float] = field(default_factory=lambda: [0.0, 0.0])
    arch: float = 0.3
    second: list[float] = field(default_factory=lambda: [0.0, 0.0])

    def centre(self, y: Array) -> Array:
        e = np.clip((y - self.cej) / self.length, 0, 1)
        return self.x0 + self.bend * e**2

    def width(self, y: Array) -> Array:
        e = np.clip((y - self.cej) / self.length, 0, 1)
        return self.half * np.clip(1 - e**self.p, 0, 1) ** self.q

    def edge(self, y: Array, k: int) -> Array:
        return self.centre(y) + (2 * k - 1) * self.width(y)


def _noise(rng: np.random.Generator, shape: tuple[int, int], low: float, high: float) -> Array:
    """Return band-limited 1/f noise of unit SD; `low` and `high` are sizes in px."""
    f = np.hypot(np.fft.fftfreq(shape[0])[:, None], np.fft.rfftfreq(shape[1])[None])
    gain = np.exp(-((f * low) ** 2)) * (1 - np.exp(-((f * high) ** 2))) / np.maximum(f, 1e-3)
    spectrum = gain * np.fft.rfft2(rng.standard_normal(shape))
    out = np.fft.irfft2(spectrum, shape)
    return out / out.std()


def _teeth(rng: np.random.Generator) -> tuple[list[list[_Root]], list[float]]:
    start = int(rng.integers(301, 310))
    numbers = [n for n in range(start, start + int(rng.integers(2, 4))) if n in ROW]
    x, teeth, roofs = 3.0, [], []
    scale = rng.uniform(0.75, 1.35)
    for number in numbers:
        cej = 8 + rng.normal(0, 0.5)
        length = scale * rng.uniform(7, 13)
        depth = scale * rng.uniform(2.5, 5)
        p, q = rng.uniform(1.2, 3), rng.uniform(0.45, 0.9)
        if ROW[number] == 1:
            half = scale * rng.uniform(1.0, 2.3)
            roots = [
                _Root(
                    number,
                    "single",
                    x + half,
                    half,
                    length,
                    cej,
                    rng.normal(0, 0.7),
                    p,
                    q,
                    depth,
                    (True, True),
                )
            ]
            wide = 2 * half
            roofs.append(0.0)
        else:
            wide = scale * rng.uniform(6.5, 10)
            half = wide * rng.uniform(0.17, 0.235)
            roots = [
                _Root(
                    number,
                    name,
                    x + c,
                    half * rng.uniform(0.85, 1),
                    length * s,
                    cej,
                    b,
                    p,
                    q,
                    depth,
                    outer,
                )
                for name, c, s, b, outer in (
                    ("mesial", half, 1, rng.normal(-0.4, 0.6), (True, False)),
                    (
                        "distal",
                        wide - half,
                        rng.uniform(0.85, 1.1),
                        rng.normal(0.4, 0.6),
                        (False, True),
                    ),
                )
            ]
            roofs.append(cej + rng.uniform(0.8, 2.8))
            roots[0].arch = roots[1].arch = rng.uniform(0.15, 0.5)
        teeth.append(roots)
        x += wide + (rng.uniform(0.35, 1.2) if rng.random() < 0.6 else rng.uniform(1.2, 3.5))
        if rng.random() < 0.08:
            x -= 0.6
    return teeth, roofs


def _levels(rng: np.random.Generator, teeth: list[list[_Root]], roofs: list[float]) -> None:
    mood = rng.choice(3, p=[0.3, 0.4, 0.3])
    base = (rng.uniform(0.03, 0.2), rng.uniform(0.1, 0.45), rng.uniform(0.3, 0.75))[mood]
    before: float | None = None
    for roots, roof in zip(teeth, roofs, strict=True):
        mid = (roots[0].x0 - roots[0].half + roots[-1].x0 + roots[-1].half) / 2
        for root in roots:
            for k in (0, 1):
                share = np.clip(base + rng.normal(0, 0.1), -0.03, 0.85)
                y = root.cej + share * root.length
                if not root.outer[k]:
                    y = max(y, roof + rng.uniform(0.1, 0.8))
                if k == 0 and before is not None and rng.random() < 0.8:
                    y = before + rng.normal(0, 0.5)
                y = float(np.clip(y, root.cej - 0.4, root.cej + 0.88 * root.length))
                if not root.outer[k]:
                    # Below the arch of the furcation, where the root has an edge of its own.
                    for _ in range(4):
                        apart = float(root.edge(np.array(y), k)) - mid
                        y = max(y, roof + root.arch * apart**2 + 0.15)
                root.crest[k] = y
                root.second[k] = y - (rng.uniform(0.3, 2.2) if rng.random() < 0.3 else 0.0)
                before = y


def _bone_line(rng: np.random.Generator, x: Array, teeth: list[list[_Root]], which: str) -> Array:
    """Level of a plate's margin along x, through every root side, free between them."""
    knots: list[tuple[float, float]] = []
    for roots in teeth:
        for root in roots:
            for k in (0, 1):
                y = getattr(root, which)[k]
                at = float(root.edge(np.array(y), k))
                knots.append((at + (2 * k - 1) * 0.0, y))
                if rng.random() < 0.5:
                    knots.append(
                        (
                            at + (2 * k - 1) * rng.uniform(0.4, 1.0),
                            y + rng.choice([0.0, rng.normal(0, 0.15), -rng.uniform(0, 1)]),
                        )
                    )
    knots.sort()
    xs, ys = np.array(knots).T
    return ndimage.gaussian_filter1d(np.interp(x, xs, ys), 1.5)


def _solid(
    x: Array, y: Array, teeth: list[list[_Root]], roofs: list[float], rng: np.random.Generator
) -> tuple[Array, Array, Array]:
    """Tooth thickness, enamel thickness and distance-free mask of roots, in mm."""
    dentin, enamel = np.zeros_like(x), np.zeros_like(x)
    for roots, roof in zip(teeth, roofs, strict=True):
        depth, cej = roots[0].depth, roots[0].cej
        for root in roots:
            w = np.maximum(root.width(y), 1e-3)
            t = (x - root.centre(y)) / w
            inside = (np.abs(t) < 1) & (y >= cej) & (y < cej + root.length)
            part = np.where(inside, depth * np.sqrt(np.clip(1 - t**2, 0, 1)), 0)
            canal = rng.uniform(0.1, 0.25) * w
            part -= np.where(inside, rng.uniform(0.2, 0.8) * np.exp(-((t * w / canal) ** 2)), 0)
            dentin = np.maximum(dentin, np.clip(part, 0, None))
        left, right = roots[0].x0 - roots[0].half, roots[-1].x0 + roots[-1].half
        mid, half = (left + right) / 2, (right - left) / 2
        if len(roots) == 2:
            arch = roof + roots[0].arch * (x - mid) ** 2
            trunk = (y >= cej) & (y < arch) & (np.abs(x - mid) < half - roots[0].half * 0.6)
            dentin = np.maximum(dentin, np.where(trunk, depth * rng.uniform(0.75, 1), 0))
        up = np.clip((cej - y) / rng.uniform(4.5, 7), 0, 1)
        bulge = half * (1 + rng.uniform(0.02, 0.12) * np.sin(np.pi * np.clip(up * 3, 0, 1)))
        crown_half = bulge * np.clip(1 - up**1.6, 0, 1)
        t = np.abs(x - mid) / np.maximum(crown_half, 1e-3)
        crown = (y < cej) & (t < 1)
        dentin = np.where(crown, np.maximum(dentin, depth * np.clip(1 - t**4, 0, 1) ** 0.5), dentin)
        shell = crown & (crown_half * (1 - t) < 0.5 * np.clip((cej - y) / 1.2, 0, 1))
        enamel = np.where(shell, depth * 0.5, enamel)
    return dentin, enamel, dentin > 0


def _marks(rng: np.random.Generator, teeth: list[list[_Root]], place) -> list[Mark]:  # type: ignore[no-untyped-def]
    marks = []
    for roots in teeth:
        for root in roots:
            for k, side in enumerate(("mesial", "distal")):
                if root.outer[k]:
                    at = place(root.edge(np.array(root.cej), k), root.cej)
                    r, c = at + rng.normal(0, 0.12, 2) / place.mm
                    marks.append(Mark("cej", float(r), float(c), root.tooth, root.name, side))
            end = root.cej + root.length
            r, c = place(root.centre(np.array(end)), end) + rng.normal(0, 0.18, 2) / place.mm
            marks.append(Mark("apex", float(r), float(c), root.tooth, root.name))
    return marks


class _Place:
    """Arch coordinates (x, y) in mm to (row, col), and back: turned, flipped, shifted."""

    def __init__(self, rng: np.random.Generator, mm: float, wide: float, high: float) -> None:
        self.mm = mm
        a = rng.normal(0, 10) * np.pi / 180
        turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
        self.m = turn @ np.diag([rng.choice([-1, 1]), rng.choice([-1, 1])])
        self.centre = np.array([high / 2, wide / 2])
        self.shape = (int(high / mm), int(wide / mm))
        self.mid = np.array(self.shape) / 2

    def __call__(self, x: Array | float, y: Array | float) -> Array:
        return np.asarray(
            self.m @ (np.array([float(y), float(x)]) - self.centre) / self.mm + self.mid
        )

    def grid(self) -> tuple[Array, Array]:
        r, c = np.mgrid[: self.shape[0], : self.shape[1]].astype(float)
        yx = (
            np.einsum("ij,jrc->irc", self.m.T, np.stack([r - self.mid[0], c - self.mid[1]]))
            * self.mm
        )
        return yx[1] + self.centre[1], yx[0] + self.centre[0]


def thickness_phantom(seed: int) -> Phantom:
    """Make one radiograph of generator A."""
    rng = np.random.default_rng([65, seed])
    teeth, roofs = _teeth(rng)
    _levels(rng, teeth, roofs)
    wide = teeth[-1][-1].x0 + teeth[-1][-1].half + 3
    high = max(r.cej + r.length for roots in teeth for r in roots) + 2.5
    mm = rng.uniform(0.035, 0.06)
    place = _Place(rng, mm, wide, high)
    x, y = place.grid()
    shape = place.shape
    dentin, enamel, solid = _solid(x, y, teeth, roofs, rng)
    near = ndimage.distance_transform_edt(~solid) * mm
    line = np.linspace(x.min(), x.max(), 1500)
    total = rng.uniform(4, 9)
    share = rng.uniform(0.3, 0.7)
    bone, plain = np.zeros(shape), np.zeros(shape)
    taper = rng.uniform(0.05, 1.0)
    lamina_crest = rng.uniform(0, 0.4) * (rng.random() < 0.5)
    deepest = np.zeros(shape)
    sloping = rng.random() < 0.4
    for which, part in (("crest", share), ("second", 1 - share)):
        state = np.random.default_rng([66, seed])
        level = np.interp(x, line, _bone_line(state, line, teeth, which))
        below = y - level
        rise = np.sqrt(np.clip(below / taper, 0, 1))
        if which == "second" and sloping:  # a margin that slopes from one plate to the other
            rise = np.clip(below / np.maximum(deepest - level, 0.05), 0, 1)
        plain += part * total * rise
        bone += part * total * lamina_crest * np.exp(-(((below - 0.2) / 0.15) ** 2)) * (below > 0)
        deepest = np.maximum(deepest, level)
    texture = _noise(rng, shape, 0.12 / mm * rng.uniform(0.6, 2), 2.0 / mm * rng.uniform(0.5, 2))
    texture *= rng.uniform(0.03, 0.28)
    # Where only the nearer plate reaches, bone may look plain and show no ligament space.
    lone = (deepest - y > 0) & (plain > 0)
    plainness = rng.uniform(0, 1)
    texture = np.where(lone, plainness * texture, texture)
    bone = (bone + plain) * np.clip(1 + texture, 0.2, None)
    gap = rng.uniform(0.1, 0.3)
    pdl = 1 - rng.uniform(0.3, 0.95) * np.exp(-((np.clip(near - 0.45 * gap, 0, None) / gap) ** 4))
    veiled = rng.uniform(0, 0.4) if rng.random() < 0.5 else 1.0
    pdl = np.where(lone, 1 - veiled * (1 - pdl), pdl)
    pdl = np.where(solid, 1 - np.clip(dentin / (1.3 * total), 0, 0.9), pdl)
    dura = rng.uniform(0, 0.5) * (rng.random() < 0.7)
    band = np.exp(-(((near - gap - 0.15) / 0.11) ** 2)) * ~solid
    bone = bone * pdl + dura * total * band * np.clip((y - deepest) / 0.3, 0, 1)
    # Gum follows the crest or stays up at the crown, with air above it.
    gum_top = np.interp(
        x, line, ndimage.gaussian_filter1d(_bone_line(rng, line, teeth, "second"), 60)
    )
    cej = np.mean([r.cej for roots in teeth for r in roots])
    gum_top = (1 - (w := rng.uniform(0, 1))) * gum_top + w * cej - rng.uniform(0.5, 2.5)
    gum = (
        total
        * rng.uniform(0.7, 1.3)
        * np.sqrt(np.clip((y - gum_top) / 10 ** rng.uniform(-1.7, 0.3), 0, 1))
        * np.where(solid, 0.6, 1)
    )
    mu = rng.uniform([0.012, 0.05, 0.09, 0.08], [0.05, 0.1, 0.16, 0.16])
    path = mu[0] * gum + mu[1] * bone + mu[2] * dentin + mu[3] * enamel
    path += rng.uniform(0, 0.12) * _noise(rng, shape, 3 / mm, 20 / mm) * (y > gum_top)
    pixels, inverted = _exposed(rng, path, mm)
    truth: dict[Key, tuple[float, float]] = {}
    traits: dict[Key, tuple[str, ...]] = {}
    for roots in teeth:
        for root in roots:
            for k, side in enumerate(("mesial", "distal")):
                # The rise is a square root: half the bone's thickness is there a quarter down.
                half_up = root.crest[k] + 0.25 * taper
                at = place(root.edge(np.array(half_up), k), half_up)
                key = (root.tooth, root.name, side)
                truth[key] = (float(at[0]), float(at[1]))
                two = root.crest[k] - root.second[k] > 0.2
                traits[key] = ("two_plates",) * two + ("furcal",) * (not root.outer[k])
    image, marks, scale = packed(pixels, inverted, _marks(rng, teeth, place), mm, f"a{seed}.png")
    return Phantom(image, marks, scale, truth, traits)


def _exposed(rng: np.random.Generator, path: Array, mm: float) -> tuple[NDArray[np.generic], bool]:
    """Detector, display curve, blur, noise, sharpening and polarity."""
    path = ndimage.gaussian_filter(path, rng.uniform(0.03, 0.11) / mm)
    grey = path if rng.random() < 0.4 else 1 - np.exp(-path * rng.uniform(0.7, 1.6))
    grey = (grey - grey.min()) / (np.quantile(grey, 0.998) - grey.min())
    grain = rng.standard_normal(path.shape)
    if rng.random() < 0.5:
        grain = ndimage.gaussian_filter(grain, s := rng.uniform(0.4, 1.0)) * (1 + 3 * s)
    grey = grey + 10 ** rng.uniform(-2.4, -1.4) * grain
    if rng.random() < 0.35:
        soft = ndimage.gaussian_filter(grey, rng.uniform(0.1, 0.5) / mm)
        grey = grey + rng.uniform(0.3, 1.5) * (grey - soft)
    grey = np.clip(grey, 0, 1) ** rng.uniform(0.5, 1.8)
    if rng.random() < 0.3:
        grey = 1 / (1 + np.exp(-rng.uniform(3, 8) * (grey - rng.uniform(0.35, 0.6))))
    inverted = bool(rng.random() < 0.3)
    grey = 1 - grey if inverted else grey
    if rng.random() < 0.5:
        return np.clip(255 * grey, 0, 255).astype(np.uint8), inverted
    return np.clip(4095 * grey, 0, 65535).astype(np.uint16), inverted
