"""Generator C (held out, judging only): lit reliefs of crowns and gum under painted plaque.

Unlike A and B: microfacet gloss from a ring and a window, translucent edges, plaque as a
thickness that grows from the gum line and between teeth, and a camera with a mixing matrix.
General knowledge, from memory; a phantom, no clinical truth.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .painted_camera import daylight, developed, flash, mixing, sensitivities
from .painted_mouth import dyes_drawn, painted_mouth, reflectance
from .painted_surfaces import field, lamps, lit, normals

Array = NDArray[np.float32]
Flags = NDArray[np.bool_]
LIMIT = 0.15  # optical density that counts as stained, by the contract
UPPER = (104, 105, 106, 107, 108, 204, 205, 206, 207, 208)
LOWER = (304, 305, 306, 307, 308, 404, 405, 406, 407, 408)
CASES = ("mixed", "clean", "all", "tartar")


@dataclass(frozen=True)
class Scene:
    """A photo and its truth; the first fields as in the other generators.

    `stained` disregards gloss; `glare` is where gloss outshines the surface, or is a good part of
    light that clips.
    `density` is the dye film's, `brown` the tartar's amount; `older` and `newer` split `stained`.
    """

    rgb: NDArray[np.uint8]
    regions: NDArray[np.uint16]
    stained: Flags
    older: Flags
    newer: Flags
    glare: Flags
    kinds: dict[int, str]
    dye: str
    gum: str
    density: Array
    brown: Array


def scene(
    seed: int,
    *,
    dye: str = "one-tone",
    case: str | None = None,
    teeth: int = 6,
    size: int = 120,
    kinds: dict[int, str] | None = None,
    exposure: float = 1.0,
    glare: float = 1.0,
    noise: float | None = None,
    blur: float | None = None,
    jpeg: int | None = None,
    tartar: float = 0.3,
) -> Scene:
    """Make one photo; `case` (one of `CASES`) is drawn, mostly mixed, when not given."""
    rng = np.random.default_rng([seed, 909])
    case = case or str(rng.choice(CASES, p=[0.76, 0.06, 0.06, 0.12]))
    upper = bool(rng.random() < 0.5)
    names = (UPPER if upper else LOWER)[:teeth]
    mouth = painted_mouth(
        rng, names, size, dye, case, kinds or {}, 1.0 if case == "tartar" else tartar
    )
    shape = mouth.regions.shape
    dyes = dyes_drawn(rng)
    flesh = (rng.uniform(0.8, 1.15) * (1 + 0.06 * field(rng, shape, 14))).astype(np.float32)
    plain, dyed = reflectance(mouth, dyes, flesh)
    wet = np.clip(0.5 + 0.5 * field(rng, shape, size / 2), 0, 1)
    roughness = (0.42 - 0.2 * wet).astype(np.float32)
    normal = normals(mouth.relief, np.zeros(shape, np.float32))
    bumpy = normals(mouth.relief, (0.16 * field(rng, shape, 16) * (0.3 + wet)).astype(np.float32))
    eyes, matrix = sensitivities(rng), mixing(rng)
    ring, panes = lamps(rng)
    strength = rng.uniform(1.5, 8)
    share = rng.uniform(0.15, 0.45)
    sources = ((ring, flash(rng), 1 - share), (panes, daylight(rng.uniform(5000, 7500)), share))
    balance = np.sum([power * weight for _, power, weight in sources], axis=0)
    white = (balance[:, None] * eyes).sum(0)
    clean, light, gloss = (np.zeros((*shape, 3), np.float32) for _ in range(3))
    for directions, power, weight in sources:
        lambert, mirror = lit(normal, bumpy, roughness, directions)
        mixed = ((power[:, None] * eyes / white * weight) @ matrix.T).astype(np.float32)
        clean += (plain @ mixed) * lambert[..., None]
        light += (dyed @ mixed) * lambert[..., None]
        gloss += mirror[..., None] * mixed.sum(0) * np.float32(glare * strength)
    on = mouth.regions > 0
    left = np.clip(light, 1e-4, None) / np.clip(clean, 1e-4, None)
    density = -np.log10(left.min(axis=2))
    density = np.where(on, np.maximum(density, 0), 0).astype(np.float32)
    gloss *= (on + np.float32(0.45) * mouth.gum)[..., None]
    gain = (
        exposure
        * rng.uniform(0.72, 0.98)
        / np.quantile((light + gloss)[on], 0.95)
        * np.array([rng.uniform(0.9, 1.12), 1.0, rng.uniform(0.88, 1.12)])
    )
    fall = 1 + rng.uniform(0, 0.2) * (np.arange(shape[1]) / shape[1] - 0.5) * rng.choice([-1, 1])
    shown = ((light + gloss) * fall[None, :, None] * gain).astype(np.float32)
    share_of_gloss = gloss.mean(2) / np.maximum(light.mean(2), 1e-3)
    hidden = (share_of_gloss > 1) | ((shown.min(2) >= 1) & (share_of_gloss > 0.3))
    rgb = developed(
        rng,
        shown,
        rng.uniform(0.5, 1.2) if blur is None else blur,
        rng.uniform(0.003, 0.01) if noise is None else noise,
        int(rng.integers(70, 96)) if jpeg is None else jpeg,
    )
    stained = (density > LIMIT) & on
    older = stained & (mouth.old > mouth.new)
    turn = np.s_[:: 1 if upper else -1]
    return Scene(
        rgb=np.ascontiguousarray(rgb[turn]),
        regions=np.ascontiguousarray(mouth.regions[turn]),
        stained=np.ascontiguousarray(stained[turn]),
        older=np.ascontiguousarray(older[turn]),
        newer=np.ascontiguousarray((stained & ~older)[turn]),
        glare=np.ascontiguousarray((hidden & on)[turn]),
        kinds=mouth.kinds,
        dye=dye,
        gum="up" if upper else "down",
        density=np.ascontiguousarray(density[turn]),
        brown=np.ascontiguousarray(mouth.brown[turn]),
    )
