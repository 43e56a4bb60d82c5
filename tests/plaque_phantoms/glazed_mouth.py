"""Photos of stained teeth by spectra, relief and several lamps: a generator only to judge.

Not clinical truth. Shapes, mixes and film thicknesses are our choice (mouth_shapes.py), spectra
are stand-ins from memory (mouth_optics.py). Nothing here was tuned to what the program finds.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from .mouth_camera import developed, lit
from .mouth_optics import NM, Array, Seen, camera, dyes, lamps
from .mouth_shapes import biofilm, kinds_drawn, mouth, tartar_crust
from .mouth_tissue import clean_teeth, surroundings, under_film

Flags = NDArray[np.bool_]
CASES = ("mixed", "clean", "all", "tartar")
STAINED = 0.15  # the contract's convention
OLD_RED = 0.55  # red dye that older film holds beside each part of the blue
TURNS = {"up": 0, "left": 1, "down": 2, "right": 3}  # quarter turns counterclockwise


@dataclass(frozen=True)
class Scene:
    """A photo and its truth, with the fields of the other photo generators.

    `density` is the dye's optical density over the same surface without film or dye: log10 of
    linear light in the photo's primaries, before gloss, tone curve and noise, in the channel each
    dye absorbs most (the greater of two). `stained` is where it exceeds 0.15; of a two-tone dye
    `older` is where the older film's dye is the more plentiful, `newer` the rest.
    `glare` is where gloss outshines the surface, or is a quarter of light that clips.
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


def densities(clean: Array, dyed: Array, seen: Seen, matrix: NDArray[np.float64]) -> Array:
    """Optical density (n, 3) of dyed over clean reflectance in the photo's linear primaries."""
    before, after = (np.maximum(seen.of(r) @ matrix.T, 2e-3) for r in (clean, dyed))
    return np.log10(before / after).astype(np.float32)


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
    """Make one photo.

    Parameters
    ----------
    seed : int
        Not negative; the same seed and choices give the same photo.
    dye : str
        ``one-tone`` (red) or ``two-tone`` (red on newer, blue on older film).
    case : str
        One of `CASES`; drawn, mostly ``mixed``, when not given.
    teeth, size : int
        How many crowns, and the height of an ordinary one in px.
    kinds : dict
        Kind (``clean``, ``margin``, ``patchy``, ``all``) by place in the row or tooth number.
    exposure, glare, noise, blur, jpeg
        Factor on the light, factor on gloss, grain at white (share of white), blur in px, JPEG
        quality (0 for none); the last three are drawn when not given.
    tartar : float
        Share of teeth with tartar in a mixed mouth.

    Returns
    -------
    Scene
        The photo (uint8 sRGB, shape (rows, cols, 3)), tooth regions and the truth.
    """
    # One stream per part, so that photos with other `kinds` differ in nothing but the film.
    rng, shapes, films, skins, lights, develop = (
        np.random.default_rng([seed, 31337, dye == "two-tone", n]) for n in range(6)
    )
    case = case or str(rng.choice(CASES, p=[0.76, 0.06, 0.06, 0.12]))
    gum = str(rng.choice(["up", "down", "left", "right"], p=[0.42, 0.42, 0.08, 0.08]))
    place = mouth(shapes, teeth, size)
    on = place.regions > 0
    covered = kinds_drawn(films, place.numbers, case, kinds)
    brown = tartar_crust(skins, place, tartar, size, case == "tartar")
    thick, ripe = biofilm(films, place, covered, size)
    fresh, old = dyes(lights, dye)
    share = (ripe if dye == "two-tone" else 0 * ripe)[on][:, None]
    # Older film holds on to some of the red dye too.
    absorbance = (1 - share) * fresh + share * (old + OLD_RED * fresh)
    strength = 0.75 * float(np.exp(lights.normal(0, 0.25)))  # peak density of an ordinary film
    pellicle = 10 ** (-np.clip(lights.normal(0.02, 0.015), 0, 0.06) * fresh)
    clean = clean_teeth(skins, place, brown, size)
    dyed = under_film(clean, thick[on], absorbance, strength) * pellicle.astype(np.float32)
    made, matrix = camera(lights)
    main, room = (Seen(light, made) for light in lamps(lights))
    density = np.zeros(on.shape, dtype=np.float32)
    by_channel = densities(clean, dyed, main, matrix)
    density[on] = by_channel[:, 1] if dye == "one-tone" else by_channel[:, :2].max(axis=1)
    stained = density > STAINED
    older = np.zeros_like(stained)
    older[on] = share[:, 0] >= (1 - share[:, 0]) + OLD_RED * share[:, 0]
    older &= stained
    spectra = np.empty((*on.shape, len(NM)), dtype=np.float32)
    spectra[on] = dyed
    spectra[~on] = surroundings(skins, place, size, (fresh.astype(np.float32), strength))
    direct, fill, shine = lit(lights, place, size, glare * float(lights.uniform(0.6, 1.3)))
    # The room's cast that the white balance to the main lamp leaves.
    cast = (made @ room.light) / (made @ main.light)
    cast = cast / cast[1]
    surface = (
        direct[..., None] * main.of(spectra) + (fill * 0.8)[..., None] * room.of(spectra) * cast
    )
    white = float(np.quantile(direct[on] + fill[on], 0.9))
    gain = exposure * float(develop.uniform(0.85, 1.1)) / white
    balance = np.exp(develop.normal(0, 0.02, 3))
    balance[1] = 1.0
    raw = (surface + shine[..., None]) * gain * balance
    soft = float(develop.uniform(0.5, 1.1)) if blur is None else blur
    raw = ndimage.gaussian_filter(raw, (soft, soft, 0)) if soft > 0 else raw
    grain = float(develop.uniform(0.004, 0.014)) if noise is None else noise
    quality = int(develop.integers(80, 96)) if jpeg is None else jpeg
    rgb = developed(
        develop, raw.astype(np.float32), matrix, grain, quality, float(develop.uniform(0, 0.45))
    )
    light = surface[..., 1]
    clipped = ((light + shine) * gain >= 1) & (shine > 0.25 * (light + shine))
    glossy = ((shine > light) | clipped) & on
    turn = TURNS[gum]
    maps = (rgb, place.regions, stained, older, stained & ~older, glossy, density, brown)
    rgb, regions, stained, older, newer, glossy, density, brown = (
        np.ascontiguousarray(np.rot90(m, turn)) for m in maps
    )
    return Scene(rgb, regions, stained, older, newer, glossy, covered, dye, gum, density, brown)
