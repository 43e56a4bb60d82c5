"""Generator B, for judging only: a 3-D scene of jaw and roots, summed along an oblique beam.

Shares no anatomy, texture or detector with generator A. The crest is, by the contract's
definition, the more apical margin where buccal and lingual ones project apart.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.interpolate import PchipInterpolator

from perioview.marks import Mark

from .scene import ROW, Key, Phantom, packed

Array = NDArray[np.float64]
DZ = 0.4


@dataclass
class _Cone:
    """A root: elliptical sections along y, blunt or pointed, its axis a sine."""

    tooth: int
    name: str
    x: float
    a: float
    b: float
    top: float
    length: float
    lean: float
    wave: float
    blunt: float
    sides: tuple[bool, bool]

    def share(self, y: Array) -> Array:
        return np.clip((y - self.top) / self.length, 0, 1)

    def axis(self, y: Array) -> Array:
        e = self.share(y)
        return self.x + self.lean * e + self.wave * np.sin(math.pi * e)

    def taper(self, y: Array) -> Array:
        e = self.share(y)
        return (1 - 0.45 * e) * np.sqrt(np.clip(1 - e**self.blunt, 0, 1))

    def silhouette(self, y: Array, k: int, tan_x: float) -> Array:
        reach = math.hypot(self.a, self.b * tan_x)
        return self.axis(y) + (2 * k - 1) * reach * self.taper(y)


def _jaw(rng: np.random.Generator) -> tuple[list[list[_Cone]], list[float]]:
    first = int(rng.choice([302, 303, 304, 305, 306, 307, 308, 309]))
    size = rng.uniform(0.8, 1.25)
    x, teeth, roofs = 2.8, [], []
    for number in range(first, min(first + int(rng.integers(2, 4)), 312)):
        top = 7 + rng.uniform(-0.6, 0.6)
        length = size * rng.uniform(8, 13.5)
        blunt = rng.uniform(2.5, 7)
        if ROW[number] == 1:
            a = size * rng.uniform(1.0, 2.0)
            wide = 2 * a
            cones = [
                _Cone(
                    number,
                    "single",
                    x + a,
                    a,
                    a * rng.uniform(1, 1.6),
                    top,
                    length,
                    rng.normal(0, 0.6),
                    rng.normal(0, 0.25),
                    blunt,
                    (True, True),
                )
            ]
            roofs.append(0.0)
        else:
            a = size * rng.uniform(1.05, 1.6)
            wide = 4 * a + size * rng.uniform(1.0, 3.2)
            b = a * rng.uniform(1, 1.7)
            cones = [
                _Cone(
                    number,
                    name,
                    x + at,
                    a,
                    b,
                    top,
                    length * rng.uniform(0.9, 1.05),
                    rng.normal(way * 0.4, 0.4),
                    rng.normal(0, 0.2),
                    blunt,
                    sides,
                )
                for name, at, way, sides in (
                    ("mesial", a, -1, (True, False)),
                    ("distal", wide - a, 1, (False, True)),
                )
            ]
            roofs.append(top + rng.uniform(1.0, 3.0))
        teeth.append(cones)
        x += wide + rng.choice([rng.uniform(0.4, 1.0), rng.uniform(1.0, 4.0)])
    return teeth, roofs


def _margin(
    rng: np.random.Generator, teeth: list[list[_Cone]], roofs: list[float], width: float
) -> PchipInterpolator:
    """Height of one plate's margin along x: scalloped, lower beside diseased roots."""
    general = rng.choice([rng.uniform(0.08, 0.2), rng.uniform(0.15, 0.5), rng.uniform(0.4, 0.7)])
    xs, ys = [-3.0], [teeth[0][0].top + general * teeth[0][0].length]
    for cones, roof in zip(teeth, roofs, strict=True):
        for cone in cones:
            here = general + rng.normal(0, 0.05)
            for k in (0, 1):
                loss = np.clip(here + rng.normal(0, 0.06), 0.0, 0.8)
                y = cone.top + loss * cone.length
                if not cone.sides[k]:
                    y = max(y, roof + rng.uniform(0.4, 1.4))
                at = float(cone.axis(np.array(y))) + (2 * k - 1) * cone.a
                if at - xs[-1] > 0.25:
                    xs.append(at)
                    ys.append(y)
        xs.append(xs[-1] + 0.3)
        ys.append(ys[-1] + rng.normal(0, 0.3))
    xs.append(max(width + 3, xs[-1] + 1))
    ys.append(ys[-1])
    return PchipInterpolator(xs, ys)


def _trabeculae(rng: np.random.Generator, shape: tuple[int, int], mm: float) -> Array:
    """Struts and marrow: a smoothed random field, thresholded, then softened."""
    size = rng.uniform(0.12, 0.3) / mm
    field = ndimage.gaussian_filter(
        rng.standard_normal(shape), (size * rng.uniform(0.6, 1.6), size)
    )
    return ndimage.gaussian_filter((field / field.std() > rng.uniform(-0.5, 0.4)) * 1.0, 0.05 / mm)


@dataclass
class _Beam:
    tan_x: float
    tan_y: float
    mm: float
    turn: float
    flip: tuple[int, int]
    shape: tuple[int, int]
    middle: tuple[float, float]

    def pixel(self, x: float, y: float) -> tuple[float, float]:
        u, v = self.flip[0] * (y - self.middle[0]), self.flip[1] * (x - self.middle[1])
        c, s = math.cos(self.turn), math.sin(self.turn)
        return (
            (c * u - s * v) / self.mm + self.shape[0] / 2,
            (s * u + c * v) / self.mm + self.shape[1] / 2,
        )

    def plane(self) -> tuple[Array, Array]:
        r, k = np.indices(self.shape).astype(float)
        r, k = (r - self.shape[0] / 2) * self.mm, (k - self.shape[1] / 2) * self.mm
        c, s = math.cos(self.turn), math.sin(self.turn)
        u, v = c * r + s * k, -s * r + c * k
        return self.flip[1] * v + self.middle[1], self.flip[0] * u + self.middle[0]


def _tooth_slice(
    cones: list[_Cone], roof: float, x: Array, y: Array, z: float, crown: float
) -> tuple[Array, Array, Array]:
    """Dentin, enamel (0 or 1) and distance outside the roots at depth z."""
    away = np.full(x.shape, 9.0)
    dentin = np.zeros(x.shape)
    for cone in cones:
        taper = np.maximum(cone.taper(y), 1e-3)
        rho = np.hypot((x - cone.axis(y)) / (cone.a * taper), z / (cone.b * taper))
        part = np.clip((rho - 1) * cone.a * taper, -5, 9)
        beyond = np.maximum(y - cone.top - cone.length, 0)
        part = np.hypot(np.maximum(part, 0), beyond) + np.minimum(part, 0)
        below = y >= cone.top
        away = np.where(below, np.minimum(away, part), away)
        pulp = (rho < 0.16) & (cone.share(y) < 0.93)
        dentin = np.maximum(dentin, (below & (part < 0) & (beyond == 0) & ~pulp) * 1.0)
    left, right = cones[0].x - cones[0].a, cones[-1].x + cones[-1].a
    mid, half, b = (left + right) / 2, (right - left) / 2, cones[0].b
    if len(cones) == 2:
        vault = (
            roof + 0.5 * b - np.sqrt(np.clip((half * 0.45) ** 2 - (x - mid) ** 2, 0, None)) * 0.4
        )
        trunk = (
            (y >= cones[0].top)
            & (y < vault + (np.abs(x - mid) > half * 0.45) * 9)
            & (np.abs(x - mid) < half * 0.45)
            & (abs(z) < 0.8 * b)
        )
        dentin = np.maximum(dentin, trunk * 1.0)
        away = np.where(trunk, -1.0, away)
    up = np.clip((cones[0].top - y) / crown, 0, 1)
    size = np.sqrt(np.clip(1 - up**1.3, 0, 1)) * (
        1 + 0.15 * np.sin(np.pi * np.minimum(up * 2.5, 1))
    )
    rho = np.hypot((x - mid) / np.maximum(half * size, 1e-3), z / np.maximum(b * size, 1e-3))
    cap = (y < cones[0].top) & (rho < 1) & (up < 1)
    enamel = cap & (rho > 1 - 0.25 * np.minimum(up * 6, 1))
    return np.maximum(dentin, (cap & ~enamel) * 1.0), enamel * 1.0, away


def oblique_phantom(seed: int) -> Phantom:
    """Make one radiograph of generator B."""
    rng = np.random.default_rng([66, seed])
    teeth, roofs = _jaw(rng)
    right = teeth[-1][-1].x + teeth[-1][-1].a + 2.8
    deep = max(c.top + c.length for cones in teeth for c in cones) + 2
    mm = rng.uniform(0.04, 0.06)
    beam = _Beam(
        math.tan(rng.normal(0, 0.12)),
        math.tan(rng.normal(0, 0.16)),
        mm,
        rng.normal(0, 0.15),
        (int(rng.choice([-1, 1])), int(rng.choice([-1, 1]))),
        (int(deep / mm), int(right / mm)),
        (deep / 2, right / 2),
    )
    buccal = _margin(rng, teeth, roofs, right)
    apart = rng.choice([0.0, rng.uniform(-1.8, 1.8)], p=[0.5, 0.5])
    ridge = rng.uniform(2.0, 3.2)
    spread = rng.uniform(0.1, 0.35)
    swap = rng.uniform(-0.3, 0.3)

    def top(x: Array, z: float) -> Array:
        return np.asarray(buccal(x)) + apart / (1 + math.exp(-(z - swap * ridge) / 0.35))

    px, py = beam.plane()
    mu = {
        k: rng.uniform(*v)
        for k, v in {
            "gum": (0.018, 0.03),
            "marrow": (0.02, 0.04),
            "strut": (0.08, 0.14),
            "cortex": (0.1, 0.16),
            "dentin": (0.12, 0.17),
            "enamel": (0.25, 0.35),
        }.items()
    }
    ligament, lamina = rng.uniform(0.15, 0.3), rng.uniform(0.0, 0.3)
    fill = rng.uniform(0.3, 0.8)
    gum_up = rng.uniform(0.3, 2.2)
    crowns = [rng.uniform(4, 6) for _ in teeth]
    fields = [_trabeculae(rng, beam.shape, mm) for _ in range(4)]
    path = np.zeros(beam.shape)
    for z in np.arange(-ridge - 1.5, ridge + 1.6, DZ):
        x, y = px + z * beam.tan_x, py + z * beam.tan_y
        hard, cap, away = np.zeros(x.shape), np.zeros(x.shape), np.full(x.shape, 9.0)
        for cones, roof, crown in zip(teeth, roofs, crowns, strict=True):
            if abs(z) > 1.16 * cones[0].b:
                continue
            d, e, far = _tooth_slice(cones, roof, x, y, z, crown)
            hard, cap, away = np.maximum(hard, d), np.maximum(cap, e), np.minimum(away, far)
        level = top(x, z)
        edge = ridge * (0.75 + spread * np.sqrt(np.clip((y - level) / 4, 0, 1)))
        bone = (y > level) & (abs(z) < edge) & (away > ligament)
        skin = (
            (abs(z) > edge - 0.6) | (y < level + 0.3) & (lamina > 0.1) | (away < ligament + lamina)
        )
        struts = np.roll(fields[int(rng.integers(4))], rng.integers(0, 400, 2), (0, 1))
        inner = mu["marrow"] + fill * (mu["strut"] - mu["marrow"]) * struts * 1.4
        soft = (y > level - gum_up) & (abs(z) < edge + 1.2)
        value = np.where(soft, mu["gum"], 0.0)
        value = np.where(bone, np.where(skin, mu["cortex"], inner), value)
        value = np.where(hard > 0, mu["dentin"], value)
        value = np.where(cap > 0, mu["enamel"], value)
        path += value * DZ
    pixels, inverted = _film(rng, path, mm)
    marks, truth, traits = _truth(rng, teeth, beam, top, ridge, abs(apart))
    image, packed_marks, scale = packed(pixels, inverted, marks, mm, f"b{seed}.png")
    return Phantom(image, packed_marks, scale, truth, traits)


def _truth(rng, teeth, beam, top, ridge, apart):  # type: ignore[no-untyped-def]
    marks: list[Mark] = []
    truth: dict[Key, tuple[float, float]] = {}
    traits: dict[Key, tuple[str, ...]] = {}
    depths = np.arange(-0.75 * ridge, 0.76 * ridge, 0.1)
    for cones in teeth:
        for cone in cones:
            for k, side in enumerate(("mesial", "distal")):
                y = cone.top + 2.0
                for _ in range(30):
                    x = float(cone.silhouette(np.array(y), k, beam.tan_x)) + (2 * k - 1) * 0.3
                    y = max(
                        float(top(np.array(x + z * beam.tan_x), z)) - z * beam.tan_y for z in depths
                    )
                at = float(cone.silhouette(np.array(y), k, beam.tan_x))
                ends = [
                    float(top(np.array(x + z * beam.tan_x), z)) - z * beam.tan_y for z in depths
                ]
                key = (cone.tooth, cone.name, side)
                truth[key] = beam.pixel(at, y)
                traits[key] = ("two_plates",) * bool(max(ends) - min(ends) > 0.5) + ("furcal",) * (
                    not cone.sides[k]
                )
                if cone.sides[k]:
                    r, c = beam.pixel(
                        float(cone.silhouette(np.array(cone.top), k, beam.tan_x)), cone.top
                    )
                    r, c = np.array([r, c]) + rng.normal(0, 0.12, 2) / beam.mm
                    marks.append(Mark("cej", float(r), float(c), cone.tooth, cone.name, side))
            end = cone.top + cone.length
            r, c = (
                np.array(beam.pixel(float(cone.axis(np.array(end))), end))
                + rng.normal(0, 0.18, 2) / beam.mm
            )
            marks.append(Mark("apex", float(r), float(c), cone.tooth, cone.name))
    return marks, truth, traits


def _film(rng: np.random.Generator, path: Array, mm: float) -> tuple[NDArray[np.generic], bool]:
    """Photon noise, detector blur, logarithm, unsharp mask, S-curve, 12 bit."""
    photons = 10 ** rng.uniform(3.0, 4.2)
    dose = photons * np.exp(-ndimage.gaussian_filter(path, rng.uniform(0.03, 0.07) / mm))
    dose = ndimage.gaussian_filter(rng.poisson(dose).astype(float), rng.uniform(0.3, 0.8))
    grey = -np.log(np.maximum(dose, 1) / photons)
    soft = ndimage.gaussian_filter(grey, rng.uniform(0.15, 0.4) / mm)
    grey = grey + rng.uniform(0, 1.2) * (grey - soft)
    low, high = np.quantile(grey, [0.01, 0.995])
    grey = np.clip((grey - low) / (high - low), 0, 1)
    grey = grey**2 * (3 - 2 * grey) if rng.random() < 0.5 else grey ** rng.uniform(0.6, 1.3)
    inverted = bool(rng.random() < 0.4)
    grey = 1 - grey if inverted else grey
    return np.round(4095 * grey).astype(np.uint16), inverted
