"""Generator C (tuning): six broad bands, a camera with cross-talk, and the hard cases on purpose.

Blue film over brown tartar, teeth stained all over, mottled and translucent enamel, a camera
whose colour matrix and tone curve bend Beer-Lambert's law. Made by someone who has not seen a
patient's photo: a phantom, no clinical truth.
"""

from __future__ import annotations

import cv2
import numpy as np
from plaque_phantoms.three_channel import Scene, encode, noise_field

NAMES = (404, 405, 406, 407, 408, 304, 305, 306, 307, 308)
# Bands at about 440, 480, 520, 560, 600, 650 nm.
NM = np.array([440.0, 480, 520, 560, 600, 650])
CAMERA = np.array(
    [
        [0.02, 0.02, 0.05, 0.25, 0.90, 0.75],
        [0.05, 0.25, 0.95, 0.80, 0.20, 0.03],
        [0.95, 0.80, 0.15, 0.02, 0.00, 0.00],
    ]
)
BROWN = np.array([1.0, 0.74, 0.50, 0.36, 0.24, 0.15])
DENTINE = np.array([1.0, 0.55, 0.25, 0.12, 0.05, 0.02])
GUM = np.array([0.16, 0.20, 0.13, 0.14, 0.36, 0.50])
CASES = ("margin", "patches", "all", "clean", "over tartar", "thin")


def lamp(kelvin):
    lam = NM * 1e-9
    power = lam**-5 / (np.exp(1.4388e-2 / (lam * kelvin)) - 1)
    return power / power.mean()


def dye_bands(rng, old):
    """Density per band, the strongest about 1."""
    if not old:
        pink = np.array([0.08, 0.45, 1.0, 0.55, 0.05, 0.01])
        return pink * rng.uniform(0.85, 1.15, 6)
    blue = np.array([0.05, 0.06, 0.15, 0.45, 1.0, 0.85])
    pink = np.array([0.08, 0.40, 1.0, 0.60, 0.05, 0.01])
    share = rng.uniform(0.35, 0.8)
    mixed = (share * pink + blue) * rng.uniform(0.9, 1.1, 6)
    return mixed / mixed.max()


def smooth_step(x, width):
    return 1 / (1 + np.exp(-np.clip(x / width, -40, 40)))


def crown(rng, yy, xx, cx, top, width, height):
    """Signed field, positive inside: a tapered block with one or two cusps at the free end."""
    v = (yy - top) / height
    u = (xx - cx) / width
    taper = 1 - rng.uniform(0.05, 0.3) * v + 0.12 * np.sin(np.pi * np.clip(v, 0, 1))
    cusp = rng.uniform(0.05, 0.25) * np.abs(np.sin(np.pi * (u + 1) * rng.integers(1, 3) / 2))
    side = 1 - np.abs(u / np.maximum(taper, 0.2)) ** 3
    ends = np.minimum(v, 0.86 + cusp - v) * 3
    return np.minimum(side, ends), u, v


def film(rng, shape, case, v, size):
    amount = rng.uniform(0.35, 1.0) * np.exp(0.25 * noise_field(rng, shape, size / 4))
    amount = np.clip(amount, 0.24, 1.5)
    soft = rng.uniform(0.05, 0.2)
    if case == "clean":
        return np.zeros(shape)
    if case == "all":
        return amount
    if case == "thin":
        amount = np.clip(amount, 0.24, 0.4)
    if case == "patches":
        return amount * smooth_step(noise_field(rng, shape, size / 4) - rng.uniform(-0.5, 1), soft)
    edge = rng.uniform(0.15, 0.75) + 0.1 * noise_field(rng, shape, size / 5)
    return amount * smooth_step(edge - v, 0.3 * soft)


def scene(
    seed,
    *,
    dye="one-tone",
    teeth=5,
    tooth_px=120,
    kinds=None,
    kelvin=None,
    exposure=1.0,
    gradient=0.2,
    glare=True,
    noise=0.006,
    jpeg=90,
    tartar=0.4,
    blur=0.8,
    spacing=0.98,
    mottled=1.0,
    shadow=1.0,
):
    rng = np.random.default_rng([seed, 991])
    rows, pitch = int(tooth_px * 1.9), int(tooth_px * spacing)
    cols = pitch * teeth + 40
    yy, xx = np.mgrid[0:rows, 0:cols].astype(float)
    light = lamp(kelvin or rng.uniform(3800, 7000))
    refl = np.full((rows, cols, 6), 0.015)
    line = rows * 0.3 + 5 * noise_field(rng, (1, cols), tooth_px)[0]
    gum = yy < line + 0.05 * tooth_px
    wet = 1 + 0.1 * noise_field(rng, (rows, cols), 10)[..., None]
    refl[gum] = (GUM * rng.uniform(0.8, 1.3) * wet)[gum]
    regions = np.zeros((rows, cols), np.uint16)
    dens = np.zeros((rows, cols, 6))
    old = np.zeros((rows, cols), bool)
    shade = np.ones((rows, cols))
    new_bands, old_bands = dye_bands(rng, False), dye_bands(rng, True)
    tone = rng.uniform(0.5, 0.66)
    falls = np.random.default_rng([seed, 5]).uniform((0, 0, -0.08), (0.3, 0.25, 0.08))
    kinds_out, deposits = {}, np.zeros((rows, cols))
    for i in range(teeth):
        name = NAMES[i % 10]
        case = (kinds or {}).get(i) or rng.choice(CASES, p=[0.25, 0.25, 0.12, 0.13, 0.17, 0.08])
        kinds_out[name] = str(case)
        cx = 20 + pitch * (i + 0.5)
        top = line[min(cols - 1, int(cx))]
        width, height = tooth_px * rng.uniform(0.40, 0.47), tooth_px * rng.uniform(0.85, 1.15)
        field, u, v = crown(rng, yy, xx, cx, top, width, height)
        inside = (field > 0) & (yy > line) & (regions == 0)
        regions[inside] = name
        body = tone * rng.uniform(0.92, 1.06)
        yellow = rng.uniform(0.05, 0.25) * (1 - np.clip(v, 0, 1)) ** 1.5 + rng.uniform(0.02, 0.1)
        spots = smooth_step(noise_field(rng, (rows, cols), tooth_px / 6) - 1.6, 0.2)
        body = body * (1 + mottled * 0.18 * spots * (rng.random() < 0.4))
        clear_tip = 0.12 * mottled * np.clip(v - 0.65, 0, 1) * rng.uniform(0, 1)
        enamel = np.asarray(body)[..., None] * 10 ** (
            -(yellow[..., None] * DENTINE) - np.clip(clear_tip, 0, 0.1)[..., None] * (NM / 650)
        )
        enamel = enamel * (1 + 0.015 * noise_field(rng, (rows, cols), 6)[..., None])
        brown = np.zeros((rows, cols))
        if case == "over tartar" or rng.random() < tartar:
            reach = rng.uniform(0.2, 0.6) + 0.1 * noise_field(rng, (rows, cols), tooth_px / 5)
            crust = 1 + 0.25 * noise_field(rng, (rows, cols), 7)
            brown = rng.uniform(0.2, 0.8) * smooth_step(reach - v, 0.04) * np.clip(crust, 0.3, 2)
        amount = film(rng, (rows, cols), case, v, tooth_px)
        age = np.zeros((rows, cols), bool)
        if dye == "two-tone":
            age = v + 0.2 * noise_field(rng, (rows, cols), tooth_px / 4) < rng.uniform(-0.1, 0.7)
            if case == "over tartar":
                # Plaque on tartar is old as a rule.
                age |= brown > 0.1
        bands = np.where(age[..., None], old_bands, new_bands)
        refl[inside] = (enamel * 10 ** (-brown[..., None] * BROWN))[inside]
        dens[inside] = (amount[..., None] * bands)[inside]
        old[inside] = age[inside]
        deposits[inside] = brown[inside]
        relief = 0.7 + 0.3 * np.sqrt(np.clip(1 - 0.8 * u**2 - 0.5 * (v - 0.5) ** 2, 0, 1))
        # Lip and gum throw a shadow, and the sides turn away: much in one photo, little in another.
        dark = falls[0] * np.clip(1 - v, 0, 1) ** 1.5 + falls[1] * np.abs(u) ** 3
        dark = dark + falls[2] * u * np.clip(v, 0, 1)
        relief = relief * 10 ** (-shadow * dark)
        shade[inside] = (relief * rng.uniform(0.9, 1.05))[inside]
    white = CAMERA @ light
    balance = rng.uniform(0.92, 1.08, 3)
    sensed = [(r * light) @ CAMERA.T / white * balance for r in (refl, refl * 10**-dens)]
    mix = rng.uniform(0.05, 0.18)
    matrix = np.eye(3) * (1 + mix) - mix * np.array([[0, 1, 0], [0.4, 0, 0.6], [0, 1, 0]])
    clean, stained = (np.maximum(s @ matrix.T, 1e-3) for s in sensed)
    # The contract's density: what the film takes away, in the channel it takes most from.
    density = np.log10(clean / stained).max(axis=2) * (regions > 0)
    slope = 1 + gradient * ((xx / cols - 0.5) * np.cos(seed) + (yy / rows - 0.5) * np.sin(seed))
    picture = stained * (shade * slope * exposure)[..., None]
    if glare:
        for _ in range(int(teeth * 2 * glare)):
            r, c = rng.uniform(0.3 * rows, rows), rng.uniform(0, cols)
            a, b = rng.uniform(0.01, 0.05, 2) * tooth_px
            spot = np.exp(-((((xx - c) / a) ** 2 + ((yy - r) / b) ** 2) ** 1.0))
            picture += 2.0 * spot[..., None] * (regions > 0)[..., None]
    picture = cv2.GaussianBlur(picture, (0, 0), blur)
    picture += rng.normal(size=picture.shape) * noise * np.sqrt(np.maximum(picture, 0.02))
    picture = np.clip(picture, 0, 1)
    bend = rng.uniform(0, 0.08)
    rgb = encode(picture + bend * picture * (1 - picture) * (2 * picture - 1))
    if jpeg:
        _, data = cv2.imencode(".jpg", rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, jpeg])
        rgb = cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1].copy()
    is_stained = (density > 0.15) & (regions > 0)
    extra = {"brown": deposits}
    return Scene(rgb, regions, is_stained, is_stained & old, kinds_out, dye, density, "up", extra)
