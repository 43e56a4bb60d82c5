"""Teeth of a scanned jaw as swept solids: crown lobes, trunk with a furcal arch, roots, pulp.

Shapes are drawn from memory of dog and cat teeth (conical premolars, a three-cusped carnassial,
spatulate incisors, curved canines); all proportions are my own choice, measured on no animal.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.floating]
STEP = 0.02  # of the tables along the axis, mm


@dataclass(frozen=True, slots=True)
class Sweep:
    """A superellipse swept along v: tables of centre (u, w) and half widths (a, b) from `start`."""

    start: float
    centre_u: Array
    centre_w: Array
    a: Array
    b: Array
    power: float = 2.0

    def __post_init__(self) -> None:
        for name in ("centre_u", "centre_w", "a", "b"):
            object.__setattr__(self, name, np.asarray(getattr(self, name), np.float32))

    @property
    def end(self) -> float:
        """Where the tables end."""
        return self.start + (len(self.a) - 1) * STEP

    def at(self, v: Array) -> NDArray[np.intp]:
        """Return the table index for each v."""
        index = ((v - self.start) * (1 / STEP) + 0.5).astype(np.intp)
        return np.clip(index, 0, len(self.a) - 1)

    def distance(self, u: Array, v: Array, w: Array) -> Array:
        """Return the distance in mm to the surface, about; negative inside."""
        i = self.at(v)
        du, dw = u - self.centre_u[i], w - self.centre_w[i]
        a, b = self.a[i], self.b[i]
        if self.power == 2.0:
            f = np.sqrt((du / a) ** 2 + (dw / b) ** 2)
        else:
            f = (np.abs(du / a) ** self.power + np.abs(dw / b) ** self.power) ** (1 / self.power)
        f = np.maximum(f, 0.05)
        radial = np.maximum(np.hypot(du, dw), 0.05 * np.minimum(a, b)) * (1 - 1 / f)
        over = np.maximum(np.maximum(v - self.end, self.start - v), 0.0)
        return np.where(over > 0, np.maximum(radial, 0.0) + over, radial)

    def grown(self, by: float) -> Sweep:
        """Return the solid dilated by a ball of radius `by`, beyond its apical end too."""
        reach = round(by / STEP)
        pad = (0, reach)
        tables = []
        for half in (self.a, self.b):
            wide = np.pad(half, (reach, 2 * reach), constant_values=-np.inf)
            n = len(half) + reach
            best = np.full(n, 1e-3)
            for k in range(-reach, reach + 1):
                rise = np.sqrt(max(by**2 - (k * STEP) ** 2, 0.0))
                best = np.maximum(best, wide[reach + k : reach + k + n] + rise)
            tables.append(best)
        centres = [np.pad(c, pad, mode="edge") for c in (self.centre_u, self.centre_w)]
        return replace(self, centre_u=centres[0], centre_w=centres[1], a=tables[0], b=tables[1])


@dataclass(slots=True)
class ScannedTooth:
    """One tooth: its solids in its own frame (u along the jaw, v apical, w lingual).

    `turn` takes world axes to the frame, `origin` is the middle of its CEJ line.
    """

    number: int
    mesial: int
    origin: Array
    turn: Array
    roots: dict[str, Sweep]
    crown: list[Sweep]
    pulp: list[Sweep]
    enamel: float
    depth: float
    height: float
    width: float
    scallop: float
    trunk: Sweep | None = None
    roof: float = 0.0
    fork: float = 0.0
    gap: float = 1.0
    judged: bool = True
    sockets: dict[str, tuple[Sweep, Sweep]] = field(default_factory=dict)

    def local(self, x: Array, y: Array, z: Array | float) -> tuple[Array, Array, Array]:
        """Return u, v, w of world points."""
        ox, oy, oz = self.origin.tolist()
        px, py, pz = x - ox, y - oy, z - oz
        u, v, w = (a * px + b * py + c * pz for a, b, c in self.turn.tolist())
        return u, v, w

    def world(self, u: Array | float, v: Array | float, w: Array | float) -> Array:
        """Return world points, shape (..., 3), of the frame's."""
        return np.stack(np.broadcast_arrays(u, v, w), -1).astype(float) @ self.turn + self.origin

    def arch(self, u: Array) -> Array:
        """Return the height v of the trunk's underside."""
        return self.roof + 1.1 * self.gap * ((u - self.fork) / self.gap) ** 2

    def trunk_distance(self, u: Array, v: Array, w: Array) -> Array:
        """Return the distance to the trunk, large without one."""
        if self.trunk is None:
            return np.full(np.broadcast(u, v, w).shape, 1e3)
        return np.maximum(self.trunk.distance(u, v, w), 0.8 * (v - self.arch(u)))

    def distance(self, u: Array, v: Array, w: Array) -> Array:
        """Return the distance to the whole tooth, negative inside."""
        d = self.trunk_distance(u, v, w)
        for part in (*self.crown, *self.roots.values()):
            d = np.minimum(d, part.distance(u, v, w))
        return d

    def enamel_depth(self, v: Array, w: Array) -> Array:
        """Return the enamel's thickness: none apical to the CEJ, which dips on the broad faces."""
        above = self.scallop * (w / self.depth) ** 2 - v
        return self.enamel * np.sqrt(np.clip(above / (0.5 * self.height), 0.0, 1.0) ** 1.4)


def root(
    length: float,
    top: float,
    deep: float,
    *,
    centre: float = 0.0,
    spread: float = 0.0,
    bend: float = 0.0,
    lean: float = 0.0,
    taper: float = 0.5,
    start: float = -0.3,
) -> Sweep:
    """A root: half widths `top` and `deep` at the CEJ, its axis spreading and bending in u."""
    v = np.arange(start, length + STEP / 2, STEP)
    t = np.clip(v / length, 0.0, 1.0)
    narrowing = np.maximum((1 - taper * t**1.2) * np.sqrt(np.maximum(1 - t**6, 0.0)), 1e-3)
    axis = centre + spread * np.maximum(v, 0) + bend * length * t**2
    power = 2.0 if deep < 1.25 * top else 2.3
    return Sweep(start, axis, lean * length * t**2, top * narrowing, deep * narrowing, power)


def canal(of: Sweep, share: float, top: float) -> Sweep:
    """The pulp of a root, from `top` (coronal is negative) to just short of the tip."""
    v = np.arange(top, of.end - 0.06 * (of.end - top), STEP)
    i = of.at(v)
    narrow = share * np.linspace(1.0, 0.55, len(v))
    narrow *= np.sqrt(np.clip(np.linspace(0.0, 5.0, len(v)), 0, 1))
    return Sweep(
        top, of.centre_u[i], of.centre_w[i], 0.02 + of.a[i] * narrow, 0.02 + of.b[i] * narrow
    )


def cusp(
    height: float,
    half: float,
    deep: float,
    *,
    centre: float = 0.0,
    shift: float = 0.0,
    sharp: float = 0.9,
    spade: float = 0.0,
    down: float = 0.5,
) -> Sweep:
    """A crown lobe whose tip is moved by `shift`; `spade` widens it like an incisor's."""
    v = np.arange(-height, down, STEP)
    q = np.clip(-v / height, 0.0, 1.0)
    bulge = 1 + 0.07 * np.sin(np.pi * np.clip(q / 0.5, 0, 1)) + spade * np.sin(np.pi * q**0.8)
    # Apical to the CEJ the lobe fades inside root and trunk, so that no edge shows.
    inside = np.sqrt(1 - 0.75 * np.clip(v / down, 0, 1) ** 2)
    a = half * bulge * np.maximum((1 - q**1.5) ** sharp, 0.02) * inside
    b = deep * (1 + 0.06 * np.sin(np.pi * np.clip(q / 0.6, 0, 1)))
    b = b * np.maximum((1 - q**1.5) ** 0.8, 0.03) * inside
    return Sweep(-height, centre + shift * q**1.2, np.zeros_like(v), a, b, 2.2)
