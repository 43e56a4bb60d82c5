"""Generator C, for judging only: a picture painted in flat greys, cell-like bone, 8-bit JPEG.

No physics: outlines are splines, bone is a Voronoi net, margins are strokes. Upper jaw of a dog.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.spatial import cKDTree

from perioview.marks import Mark

from .scene import Key, Phantom, packed

Array = NDArray[np.float64]
PER_MM = 36  # canvas px per mm while painting
UPPER = {203: 1, 204: 1, 205: 1, 206: 2, 207: 2}


class _Limb:
    """A root as a spline axis with a spline half-width; parameter 0 at the CEJ, 1 at the apex."""

    def __init__(
        self, rng: np.random.Generator, x: float, y: float, half: float, length: float, lean: float
    ) -> None:
        self.y, self.length = y, length
        bends = np.cumsum(rng.normal(0, 0.18, 4)) + lean * np.array([0, 0.33, 0.66, 1.0])
        self._x = CubicSpline([0, 0.35, 0.7, 1], x + bends - bends[0])
        mid = rng.uniform(0.82, 0.98)
        self._w = CubicSpline(
            [0, 0.35, 0.7, 0.9, 1],
            half * np.array([1, mid, rng.uniform(0.6, 0.75) * mid, rng.uniform(0.32, 0.45), 0.0]),
        )

    def edge(self, e: Array | float, k: int) -> tuple[Array, Array]:
        e = np.asarray(e, float)
        return self._x(e) + (2 * k - 1) * np.maximum(self._w(e), 0), self.y + e * self.length

    def outline(self, start: float = 0.0) -> Array:
        e = np.linspace(start, 1, 60)
        left, right = np.stack(self.edge(e, 0), 1), np.stack(self.edge(e, 1), 1)
        return np.concatenate([left, right[::-1]])


class _Sheet:
    """A canvas in mm."""

    def __init__(self, wide: float, high: float, grey: float) -> None:
        self.px = np.full((int(high * PER_MM), int(wide * PER_MM)), grey, np.float32)

    def mask(self, points: Array) -> NDArray[np.bool_]:
        m = np.zeros(self.px.shape, np.uint8)
        cv2.fillPoly(m, [np.round(points * PER_MM * 16).astype(np.int32)], 1, cv2.LINE_8, 4)
        return m.astype(bool)

    def stroke(self, points: Array, width_mm: float, change: float) -> None:
        m = np.zeros(self.px.shape, np.float32)
        cv2.polylines(
            m,
            [np.round(points * PER_MM * 16).astype(np.int32)],
            False,
            1.0,
            max(1, round(width_mm * PER_MM)),
            cv2.LINE_AA,
            4,
        )
        self.px += change * m


def _cells(rng: np.random.Generator, sheet: _Sheet) -> NDArray[np.float32]:
    """A Voronoi net: bright walls round dark cells, from -1 to 1."""
    high, wide = sheet.px.shape
    step = 4
    size = rng.uniform(0.35, 0.9) * PER_MM / step
    h, w = high // step + 1, wide // step + 1
    seeds = rng.uniform(0, 1, (int(h * w / size**2) + 8, 2)) * [h, w]
    grid = np.stack(np.mgrid[:h, :w], -1).reshape(-1, 2)
    near = cKDTree(seeds * [rng.uniform(0.6, 1.4), 1]).query(grid, k=2)[0]
    wall = np.exp(-(((near[:, 1] - near[:, 0]) / (0.35 * size)) ** 2)).reshape(h, w)
    net = cv2.resize(wall.astype(np.float32), (wide, high), interpolation=cv2.INTER_LINEAR)
    return (net - net.mean()) * 2


def _mouth(rng: np.random.Generator):  # type: ignore[no-untyped-def]
    first = int(rng.integers(203, 207))
    numbers = [n for n in range(first, first + int(rng.integers(1, 4))) if n in UPPER]
    x, teeth = 2.5, []
    size = rng.uniform(0.8, 1.3)
    for n in numbers:
        y = 7.5 + rng.normal(0, 0.4)
        length = size * rng.uniform(7.5, 13)
        if UPPER[n] == 1:
            half = size * rng.uniform(1.1, 2.2)
            limbs = [("single", _Limb(rng, x + half, y, half, length, rng.normal(0, 0.8)), half)]
            wide, roof = 2 * half, None
        else:
            half = size * rng.uniform(1.0, 1.5)
            wide = 4 * half + size * rng.uniform(0.8, 2.6)
            limbs = [
                ("mesial", _Limb(rng, x + half, y, half, length, rng.normal(-0.6, 0.4)), half),
                (
                    "distal",
                    _Limb(
                        rng,
                        x + wide - half,
                        y,
                        half,
                        length * rng.uniform(0.9, 1.1),
                        rng.normal(0.6, 0.4),
                    ),
                    half,
                ),
            ]
            roof = y + rng.uniform(1.0, 2.6)
        teeth.append((n, limbs, x, wide, y, roof))
        x += wide + rng.choice([rng.uniform(0.5, 1.2), rng.uniform(1.2, 3.2)])
    return teeth, x + 1.0


def painted_phantom(seed: int) -> Phantom:
    """Paint one radiograph of generator C."""
    rng = np.random.default_rng([67, seed])
    teeth, wide = _mouth(rng)
    high = max(t[4] + limb.length for t in teeth for _, limb, _ in t[1]) + 2.0
    air = rng.uniform(0.02, 0.15)
    sheet = _Sheet(wide, high, air)
    gum, bone = air + rng.uniform(0.05, 0.18), rng.uniform(0.38, 0.55)
    root, crown = rng.uniform(0.55, 0.72), rng.uniform(0.75, 0.9)
    loss = rng.choice([rng.uniform(0.08, 0.2), rng.uniform(0.15, 0.45), rng.uniform(0.4, 0.72)])
    crest: dict[Key, float] = {}
    knots: list[tuple[float, float]] = [(-1, teeth[0][4] + loss * 10)]
    for n, limbs, _, _, y, roof in teeth:
        for name, limb, _ in limbs:
            for k, side in enumerate(("mesial", "distal")):
                e = float(np.clip(loss + rng.normal(0, 0.08), 0.0, 0.82))
                inner = (name, side) in (("mesial", "distal"), ("distal", "mesial"))
                if inner:
                    e = max(e, (roof - y + rng.uniform(0.5, 1.3)) / limb.length)
                crest[n, name, side] = e
                at = [float(v) for v in limb.edge(e, k)]
                knots += [(at[0] - 0.02, at[1]), (at[0] + 0.02, at[1])]
                way = 2 * k - 1
                if rng.random() < 0.6:
                    knots.append((at[0] + way * rng.uniform(0.3, 0.5), at[1] + rng.normal(0, 0.08)))
    knots.append((wide + 1, knots[-1][1] + rng.normal(0, 0.5)))
    knots.sort()
    kx, ky = np.array(knots).T
    xs = np.linspace(-0.5, wide + 0.5, 600)
    level = np.interp(xs, kx, ky)
    floor = [[wide + 0.5, high + 1], [-0.5, high + 1]]

    def region(line: Array) -> NDArray[np.bool_]:
        return sheet.mask(np.concatenate([np.stack([xs, line], 1), floor]))

    gum_line = np.interp(xs, *np.array([(v, y - rng.uniform(0.5, 2)) for v, y in knots[::3]]).T)
    drawn_back = rng.random() < 0.5
    cej = np.mean([t[4] for t in teeth])
    gum_line = gum_line if drawn_back else np.minimum(gum_line, cej - rng.uniform(0.2, 1.5))
    sheet.px[region(gum_line)] = gum
    net = _cells(rng, sheet) * rng.uniform(0.03, 0.13)
    pale: Array | None = None
    if rng.random() < 0.35:  # a thinner plate that reaches farther coronally
        pale = level - rng.uniform(0.4, 2.0)
        sheet.px[region(pale)] = gum + rng.uniform(0.35, 0.6) * (bone - gum)
    inside = region(level)
    sheet.px[inside] = bone + net[inside]
    if rng.random() < 0.5:
        sheet.stroke(np.stack([xs, level + 0.1], 1), rng.uniform(0.1, 0.3), rng.uniform(0.03, 0.15))
    fog = cv2.resize(
        rng.normal(0, rng.uniform(0, 0.05), (6, 6)).astype(np.float32),
        sheet.px.shape[::-1],
        interpolation=cv2.INTER_CUBIC,
    )
    sheet.px += fog * (sheet.px > air + 0.02)
    gap, dura = rng.uniform(0.12, 0.3), rng.uniform(0.0, 0.14) * (rng.random() < 0.7)
    under = sheet.px.copy()
    for n, limbs, x0, w, y, roof in teeth:
        for name, limb, _ in limbs:
            start = {s: crest[n, name, s] for s in ("mesial", "distal")}
            for k, side in enumerate(("mesial", "distal")):
                e = np.linspace(start[side] + 0.01, 1, 50)
                px, py = limb.edge(e, k)
                way = 2 * k - 1
                if dura:
                    sheet.stroke(np.stack([px + way * (gap + 0.1), py], 1), 0.2, dura)
                sheet.stroke(
                    np.stack([px + way * gap / 2, py], 1),
                    gap * 1.1,
                    -rng.uniform(0.5, 0.9) * (bone - gum),
                )
        _teeth_on(rng, sheet, under, limbs, (x0, w, y, roof), root, crown)
    return _finished(rng, sheet, teeth, crest, pale is not None, f"c{seed}.jpg")


def _teeth_on(rng, sheet, under, limbs, where, root, crown):  # type: ignore[no-untyped-def]
    x0, w, y, roof = where
    veil = rng.uniform(0.1, 0.45)
    shape = np.zeros(sheet.px.shape, bool)
    for _, limb, _ in limbs:
        shape |= sheet.mask(limb.outline())
    if roof is not None:
        half = limbs[0][2]
        ts = np.linspace(0, math.pi, 40)
        inner_l, inner_r = x0 + 1.7 * half, x0 + w - 1.7 * half
        mid, span = (inner_l + inner_r) / 2, (inner_r - inner_l) / 2
        arch = np.stack([mid + span * np.cos(ts), roof + 0.7 - 0.7 * np.sin(ts)], 1)
        trunk = np.concatenate(
            [
                [[inner_l - 0.5, y], [inner_r + 0.5, y], [inner_r + 0.3, roof + 0.6]],
                arch,
                [[inner_l - 0.3, roof + 0.6]],
            ]
        )
        shape |= sheet.mask(trunk)
    sheet.px[shape] = (root + veil * (under - 0.3))[shape]
    for _, limb, half in limbs:
        e = np.linspace(0.0, 0.92, 40)
        (lx, ly), (rx, _) = limb.edge(e, 0), limb.edge(e, 1)
        sheet.stroke(
            np.stack([(lx + rx) / 2, ly], 1), half * rng.uniform(0.15, 0.4), -rng.uniform(0.03, 0.1)
        )
    tip = x0 + w * rng.uniform(0.35, 0.65)
    left = CubicSpline([0, 0.3, 1], [x0, x0 - rng.uniform(0, 0.3), tip - 0.2])
    right = CubicSpline([0, 0.3, 1], [x0 + w, x0 + w + rng.uniform(0, 0.3), tip + 0.2])
    e = np.linspace(0, 1, 40)
    up = y - e * rng.uniform(4, 6)
    cap = np.concatenate([np.stack([left(e), up], 1), np.stack([right(e), up], 1)[::-1]])
    sheet.px[sheet.mask(cap)] = crown - rng.uniform(0, 0.1)
    for side in (left, right):
        sheet.stroke(np.stack([side(e), up], 1)[3:], 0.35, 0.08)


def _finished(rng, sheet, teeth, crest, pale, name):  # type: ignore[no-untyped-def]
    """Scale, turn, blur, grain, tone curve, JPEG; the same map for the marks."""
    mm = rng.uniform(0.035, 0.06)
    scale = 1 / (mm * PER_MM)
    high, wide = (np.array(sheet.px.shape) * scale).astype(int)
    angle = rng.normal(0, 8)
    turn = cv2.getRotationMatrix2D((wide / 2, high / 2), angle, 1.0)
    # cv2 counts pixel centres at whole numbers; a canvas px centre c lies at (c + 0.5) * scale.
    shrink = np.array([[scale, 0, scale / 2 - 0.5], [0, scale, scale / 2 - 0.5], [0, 0, 1]])
    whole = np.vstack([turn, [0, 0, 1]]) @ shrink
    soft = cv2.GaussianBlur(sheet.px, (0, 0), max(rng.uniform(0.04, 0.1) * PER_MM, 0.4 / scale))
    px = cv2.warpAffine(
        soft,
        whole[:2],
        (int(wide), int(high)),
        flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    if rng.random() < 0.5:
        px, whole = (
            px[::-1],
            np.diag([1, -1, 1]) @ whole + np.array([[0, 0, 0], [0, 0, high - 1], [0, 0, 0]]),
        )
    px = px + rng.normal(0, rng.uniform(0.005, 0.03), px.shape)
    px = np.clip(px, 0, 1) ** rng.uniform(0.6, 1.6)
    inverted = bool(rng.random() < 0.3)
    px = 1 - px if inverted else px
    coded = cv2.imencode(
        ".jpg",
        np.round(255 * px).astype(np.uint8),
        [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(45, 95))],
    )[1]
    pixels = cv2.imdecode(coded, cv2.IMREAD_GRAYSCALE)

    def at(x: float, y: float) -> tuple[float, float]:
        # A painted point p mm lies at canvas px p * PER_MM (fillPoly: px centres whole).
        c, r, _ = whole @ [float(x) * PER_MM, float(y) * PER_MM, 1]
        return float(r), float(c)

    marks, truth, traits = [], {}, {}
    for n, limbs, *_ in teeth:
        for root, limb, _ in limbs:
            for k, side in enumerate(("mesial", "distal")):
                key = (n, root, side)
                truth[key] = at(*limb.edge(crest[key], k))
                inner = (root, side) in (("mesial", "distal"), ("distal", "mesial"))
                traits[key] = ("two_plates",) * pale + ("furcal",) * inner
                if not inner:
                    r, c = np.array(at(*limb.edge(0.0, k))) + rng.normal(0, 0.12, 2) / mm
                    marks.append(Mark("cej", float(r), float(c), n, root, side))
            r, c = np.array(at(*limb.edge(1.0, 0))) + rng.normal(0, 0.18, 2) / mm
            marks.append(Mark("apex", float(r), float(c), n, root))
    image, packed_marks, calibration = packed(pixels, inverted, marks, mm, name)
    return Phantom(image, packed_marks, calibration, truth, traits)
