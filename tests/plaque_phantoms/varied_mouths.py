"""Generator D (training only): mouths as different from each other as can be thought of.

Every law of generators A and C is drawn anew for each photo, much wider than is likely: spectra
of lamps, cameras, dyes and deposits, light on the crowns, how films grow and end, films about as
faint as the threshold, mouths stained all over. Widths from general knowledge; a phantom, no
clinical truth.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from plaque_phantoms import varied_paints as paints
from plaque_phantoms.three_channel import Scene, encode, noise_field

NAMES = (104, 105, 106, 107, 108, 204, 205, 206, 207, 208)
KINDS = ("clean", "all", "margin", "patches", "flecks", "smear", "drawn")
ODDS = (0.14, 0.14, 0.26, 0.22, 0.08, 0.08, 0.08)


def ramp(x, width):
    return 1 / (1 + np.exp(-np.clip(x / width, -40, 40)))


def spread(rng, shape, kind, away, u, size):
    """Where a film lies, 0 to 1."""
    if kind in ("clean", "all"):
        return np.full(shape, float(kind == "all"))
    soft = np.exp(rng.uniform(np.log(0.006), np.log(0.12)))
    if kind == "drawn":
        rows, cols = shape
        mask = np.zeros(shape, np.float32)
        top, left = rng.uniform(0, 0.8) * rows, rng.uniform(0, 0.8) * cols
        low, right = top + rng.uniform(0.15, 1) * rows, left + rng.uniform(0.15, 1) * cols
        mask[int(top) : int(low), int(left) : int(right)] = 1
        return mask
    if kind == "smear":
        return np.clip(0.5 + 0.4 * noise_field(rng, shape, size / 2) - rng.uniform(-1, 1) * u, 0, 1)
    if kind == "margin":
        wander = 0.08 * noise_field(rng, shape, size / rng.uniform(3, 12))
        flank = 0.4 * (np.abs(u) - rng.uniform(0.6, 1.3))
        return ramp(np.maximum(rng.uniform(0.05, 0.8) + wander - away, flank), soft)
    scale = rng.uniform(10, 20) if kind == "flecks" else rng.uniform(3, 9)
    level = rng.uniform(0.8, 1.6) if kind == "flecks" else rng.uniform(-1, 1)
    blotch = noise_field(rng, shape, size / scale) - rng.uniform(0, 1) * (away - 0.5)
    return ramp(blotch - level, 4 * soft)


def strength(rng, shape, base, size):
    """Density of a film where it lies."""
    uneven = np.exp(rng.uniform(0.03, 0.4) * noise_field(rng, shape, size / rng.uniform(2, 9)))
    own = base * np.exp(0.35 * rng.normal())
    floor = rng.uniform(0.16, 0.28) if rng.random() < 0.4 else 0.0
    return np.clip(own * uneven, floor, 1.6)


def ages(rng, shape, away, size, brown):
    """How much of the film is old, 0 to 1."""
    wander = rng.uniform(0.02, 0.3) * noise_field(rng, shape, size / rng.uniform(2, 9))
    way = rng.choice([1.0, 1.0, 1.0, 0.0])
    old = ramp(rng.uniform(-0.1, 0.8) - way * away - 0.5 * (1 - way) + wander, 0.005 + 0.03 * way)
    return np.where(brown > 0.1, 1.0, old) if rng.random() < 0.5 else old


def lights(rng, u, v, away, depth, size):
    """Two lamps on a rounded crown, with the shadows of lip, gum and neighbours."""
    power = rng.uniform(2.0, 4.0)
    bulge = np.clip(1 - np.abs(u) ** power - np.abs(v) ** power, 0.0, 1) ** rng.uniform(0.3, 0.8)
    bulge = cv2.GaussianBlur(bulge * size * rng.uniform(0.1, 0.4), (0, 0), 0.03 * size)
    gy, gx = np.gradient(bulge)
    norm = np.sqrt(1 + gx**2 + gy**2)
    out = []
    for _ in range(2):
        dx, dy = rng.normal(0, 0.4, 2)
        lit = np.clip(1 - dx * gx - dy * gy, 0, None) / (norm * np.sqrt(1 + dx**2 + dy**2))
        out.append(rng.uniform(0.05, 0.4) + lit)
    dark = rng.uniform(0, 0.3) * np.clip(1 - away, 0, 1) ** rng.uniform(1, 3)
    dark = dark + rng.uniform(0, 0.25) * np.abs(u) ** rng.uniform(2, 5)
    dark = dark + rng.uniform(-0.1, 0.1) * u + rng.uniform(-0.08, 0.08) * v
    dark = dark + rng.uniform(0, 0.15) * np.exp(-depth / (rng.uniform(0.03, 0.15) * size))
    dark = dark + rng.uniform(0, 0.03) * noise_field(rng, u.shape, size / rng.uniform(2, 8))
    if rng.random() < 0.2:
        turn = rng.uniform(0, 6.3)
        edge = np.cos(turn) * u + np.sin(turn) * v - rng.uniform(-0.8, 0.8)
        dark = dark + rng.uniform(0.05, 0.25) * ramp(edge, np.exp(rng.uniform(-4, -1)))
    own = 10 ** (rng.uniform(-0.04, 0.04) - dark)
    return [lit * own for lit in out]


@dataclass
class Look:
    """What one photo has in common: how lamps, camera and stains turn into colours."""

    rng: np.random.Generator
    size: int
    # Columns: what each lamp, and light thrown back by gum, makes of a reflectance.
    eyes: list
    body: np.ndarray
    yellow: np.ndarray
    brown: np.ndarray
    pink: np.ndarray
    old: np.ndarray
    flesh: np.ndarray
    dye: str
    # Evenly lit surfaces without texture, as a diagram would show them.
    flat: bool = False


def look(rng, size, dye):
    sensors, matrix = paints.camera(rng)
    powers = [paints.lamp(rng), paints.lamp(rng)]
    share = rng.uniform(0.0, 0.5)
    white = ((1 - share) * powers[0] + share * powers[1]) @ sensors
    eyes = [
        power[:, None] * sensors / white * weight @ matrix.T
        for power, weight in zip(powers, (1 - share, share), strict=True)
    ]
    pink, brown = paints.pink_dye(rng), paints.brown_dye(rng)
    old = paints.old_dye(rng, pink)
    body, yellow = paints.enamel_body(rng)
    flesh = paints.flesh(rng)
    eyes.append(eyes[0] * flesh[:, None])
    return Look(rng, size, eyes, body, yellow, brown, pink, old, flesh, dye)


def crown(rng, u, v):
    """Signed field, positive inside."""
    taper = 1 - rng.uniform(0, 0.35) * (v + 1) / 2
    cusps = 0.12 * rng.uniform(0, 1) * np.cos(rng.integers(1, 4) * np.pi * u)
    side = np.abs(u / taper) ** rng.uniform(2.2, 5)
    return 1 - side - np.maximum(0, v + cusps) ** rng.uniform(3, 7)


def painted(photo, kind, inside, u, v, away, mouth, often):
    """Light from one crown, clean and dyed, with how old its film is and its deposit."""
    rng, size, here = photo.rng, photo.size, u.shape
    brown = np.zeros(here)
    if rng.random() < often:
        reach = rng.uniform(0.1, 0.7) + 0.08 * noise_field(rng, here, size / rng.uniform(3, 9))
        crust = np.clip(1 + rng.uniform(0, 0.3) * noise_field(rng, here, 7), 0.2, 2)
        brown = rng.uniform(0.1, 1.0) * ramp(reach - away, rng.uniform(0.01, 0.1)) * crust
    depth_of = strength(rng, here, mouth, size)
    film = (depth_of.mean() if photo.flat else depth_of) * spread(rng, here, kind, away, u, size)
    two_tone = photo.dye == "two-tone"
    old = ages(rng, here, away, size, brown) if two_tone else np.zeros(here)
    yellow = rng.uniform(0, 0.22) * np.clip(1 - away, 0, 1) ** 1.5 + rng.uniform(0, 0.12)
    spots = ramp(noise_field(rng, here, size / 6) - 1.6, 0.2) * rng.choice([0, 0, 0.12])
    tip = rng.uniform(0, 0.1) * np.clip(away - 0.65, 0, 1)
    tone = rng.uniform(0.9, 1.08) * (1 + rng.uniform(0.005, 0.025) * noise_field(rng, here, 5))
    if photo.flat:
        tone, tip, spots, yellow = tone.mean(), 0 * tip, 0 * spots, 0 * yellow + yellow.mean()
    takers = np.stack([photo.yellow, photo.brown, paints.NM / 650])
    taken = np.stack([yellow, brown, tip], -1) @ takers
    bands = len(photo.body)
    bare = photo.body * rng.normal(1, 0.012, 3)[np.arange(bands) * 3 // bands]
    bare = bare * (10**-taken) * np.asarray(tone + spots)[..., None]
    dyes = np.stack([photo.pink, photo.old])
    dyed = bare * 10 ** -(np.stack([film * (1 - old), film * old], -1) @ dyes)
    depth = cv2.distanceTransform(np.pad(inside, 1).astype(np.uint8), cv2.DIST_L2, 3)[1:-1, 1:-1]
    falls = lights(rng, u, v, away, depth, size)
    if photo.flat:
        falls = [np.full(here, f.mean()) for f in falls]
    # Gum throws its own red back onto the neck.
    falls.append(rng.uniform(0, 0.12) * np.exp(-np.maximum(away, 0) / rng.uniform(0.05, 0.2)))
    plain, shown = (
        sum(f[..., None] * (surface @ e) for f, e in zip(falls, photo.eyes, strict=True))
        for surface in (bare, dyed)
    )
    return plain, shown, old, brown


def scene(seed, *, dye="one-tone", teeth=None, size=None, kinds=None, flat=None):
    rng = np.random.default_rng([seed, 4021])
    flat = np.random.default_rng([seed, 7]).random() < 0.08 if flat is None else flat
    odds = [0.04, 0.1, 0.14, 0.2, 0.2, 0.2, 0.12]
    teeth = teeth or int(rng.choice([1, 2, 3, 4, 6, 8, 10], p=odds))
    size = size or int(rng.integers(72, 116))
    pitch = size * rng.uniform(0.86, 1.1)
    shape = rows, cols = int(size * 1.75), int(pitch * teeth + 30)
    photo = look(rng, size, dye)
    photo.flat = bool(flat)
    line = rows * 0.3 + size * rng.uniform(0.01, 0.06) * noise_field(rng, (1, cols), size / 2)[0]
    yy, xx = np.mgrid[:rows, :cols].astype(np.float32)
    flesh_light = sum(photo.flesh @ e for e in photo.eyes[:2]) * rng.uniform(0.6, 1.1)
    dark = np.full(3, rng.uniform(0.002, 0.03))
    gum = yy < line + 0.04 * size
    texture = (1 + 0.08 * noise_field(rng, shape, 9))[..., None]
    plain = np.where(gum[..., None], flesh_light * texture, dark)
    dyed, regions = plain.copy(), np.zeros(shape, np.uint16)
    age, deposits, kinds_out = np.zeros(shape), np.zeros(shape), {}
    mouth = np.exp(rng.uniform(np.log(0.07), np.log(1.3)))
    odds = np.array(ODDS)
    if rng.random() < 0.15:
        odds = odds * np.where(np.array(KINDS) == rng.choice(["clean", "all"]), 12, 1)
    often = rng.uniform(0, 0.8)
    for i in range(teeth):
        centre = 15 + pitch * (i + 0.5)
        left, right = max(0, int(centre - 0.62 * size)), min(cols, int(centre + 0.62 * size))
        box = np.s_[max(0, int(line[left:right].min()) - 3) :, left:right]
        neck = float(line[min(cols - 1, int(centre))])
        width, height = size * rng.uniform(0.36, 0.49), size * rng.uniform(0.6, 1.1)
        u, v = (xx[box] - centre) / width, 2 * (yy[box] - neck) / height - 1
        away = ((yy[box] - line[None, left:right]) / height).astype(float)
        inside = (crown(rng, u, v) > 0) & (v > -1.2) & (away > 0) & (regions[box] == 0)
        if inside.sum() < 300:
            continue
        kind = str((kinds or {}).get(i) or rng.choice(KINDS, p=odds / odds.sum()))
        kinds_out[NAMES[i]] = kind
        made = painted(photo, kind, inside, u, v, away, mouth, often)
        for target, value in zip((plain, dyed, age, deposits), made, strict=True):
            target[box][inside] = value[inside]
        regions[box][inside] = NAMES[i]
    on = regions > 0
    plain, dyed = np.maximum(plain, 1e-4), np.maximum(dyed, 1e-4)
    density = np.maximum(np.log10(plain / dyed).max(axis=2), 0) * on
    rgb = plainly_shot(rng, dyed, on) if flat else shot(rng, dyed, on, size)
    turns = int(rng.integers(4))
    side = ("up", "left", "down", "right")[turns]
    rgb, regions, density, age, deposits = (
        np.ascontiguousarray(np.rot90(a, turns)) for a in (rgb, regions, density, age, deposits)
    )
    stained = (density > 0.15) & (regions > 0)
    extra = {"brown": deposits, "age": age}
    return Scene(rgb, regions, stained, stained & (age > 0.5), kinds_out, dye, density, side, extra)


def shot(rng, light, on, size):
    """The photo: exposure and gloss, lens, noise, tones, JPEG."""
    picture = exposed(rng, light, on, size)
    picture = cv2.GaussianBlur(picture, (0, 0), rng.uniform(0.4, 1.6))
    noise = rng.normal(size=picture.shape) * rng.uniform(0.002, 0.009)
    rgb = paints.developed(rng, picture + noise * np.sqrt(np.maximum(picture, 0.02)))
    quality = [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(70, 97))]
    _, data = cv2.imencode(".jpg", rgb[..., ::-1], quality)
    return cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1]


def plainly_shot(rng, light, on):
    level = np.quantile(light[on].max(axis=1), 0.97) if on.any() else 1.0
    return encode(light * rng.uniform(0.4, 1.0) / level)


def exposed(rng, light, on, size):
    """Exposure, fall-off, the veil of wet surfaces, highlights."""
    shape = on.shape
    level = np.quantile(light[on].max(axis=1), 0.97) if on.any() else 1.0
    light = light * rng.uniform(0.4, 1.05) / level * rng.uniform(0.93, 1.08, 3)
    yy, xx = (np.linspace(-0.5, 0.5, n) for n in shape)
    fall = 1 + rng.uniform(-0.3, 0.3) * xx[None] + rng.uniform(-0.2, 0.2) * yy[:, None]
    veil = np.clip(noise_field(rng, shape, size / rng.uniform(1, 4)) + 0.3, 0, None)
    veil = rng.choice([0, 1]) * rng.uniform(0, 0.035) * veil * on + rng.uniform(0, 0.008)
    spots = np.zeros(shape, np.float32)
    for _ in range(int(rng.integers(0, 14))):
        row, col = rng.uniform(0, shape[0]), rng.uniform(0, shape[1])
        long, wide = rng.uniform(0.01, 0.12) * size, rng.uniform(0.008, 0.03) * size
        turn = rng.uniform(0, 180)
        axes = (max(1, int(long)), max(1, int(wide)))
        cv2.ellipse(spots, (int(col), int(row)), axes, turn, 0, 360, rng.uniform(0.2, 2.5), -1)
    spots = cv2.GaussianBlur(spots, (0, 0), rng.uniform(0.5, 2.5)) * on
    return light * fall[..., None] + (veil + spots)[..., None]
