"""Generator A (tuning): three-channel Beer-Lambert teeth in a row under a gum of like hue.

Made by someone who has not seen a patient's photo: a phantom, no clinical truth.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np

NAMES = (104, 105, 106, 107, 108, 204, 205, 206, 207, 208)


@dataclass
class Scene:
    rgb: np.ndarray
    regions: np.ndarray
    stained: np.ndarray
    older: np.ndarray
    kinds: dict
    dye: str
    density: np.ndarray
    gum: str = "up"
    extra: dict = field(default_factory=dict)


def noise_field(rng, shape, scale):
    small = rng.normal(size=(max(3, int(shape[0] / scale) + 3), max(3, int(shape[1] / scale) + 3)))
    big = cv2.resize(small, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)
    return (big - big.mean()) / (big.std() + 1e-9)


def encode(linear):
    linear = np.clip(linear, 0, 1)
    srgb = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    return np.round(srgb * 255).astype(np.uint8)


def planck_gain(kelvin):
    """Channel gains of a black body relative to 5500 K at 610, 540, 460 nm."""
    lam = np.array([610e-9, 540e-9, 460e-9])

    def body(t):
        return lam**-5 / (np.exp(1.4388e-2 / (lam * t)) - 1)

    gain = body(kelvin) / body(5500.0)
    return gain / gain[1]


def scene(
    seed,
    *,
    dye="one-tone",
    teeth=5,
    tooth_px=130,
    kinds=None,
    kelvin=5500,
    exposure=1.0,
    gradient=0.15,
    glare=True,
    noise=0.006,
    jpeg=92,
    tartar=0.3,
    blur=0.8,
    hue=None,
    spacing=1.08,
):
    rng = np.random.default_rng(seed)
    rows, pitch = int(tooth_px * 2.0), int(tooth_px * spacing)
    cols = pitch * teeth + 40
    yy, xx = np.mgrid[0:rows, 0:cols].astype(float)
    background = np.array([0.02, 0.012, 0.012])
    light = np.broadcast_to(background, (rows, cols, 3)).copy()
    clean = light.copy()
    gumline = tooth_px * 0.45 + 6 * noise_field(rng, (rows, cols), tooth_px)
    gum_colour = np.array([0.42, 0.13, 0.14]) * rng.uniform(0.8, 1.2)
    gum = yy < gumline + 0.08 * tooth_px
    texture = 1 + 0.08 * noise_field(rng, (rows, cols), 9)[..., None]
    light[gum] = (gum_colour * texture)[gum]
    regions = np.zeros((rows, cols), np.uint16)
    density = np.zeros((rows, cols))
    old_density = np.zeros((rows, cols))
    kinds_out = {}
    pink = (
        np.array(hue)
        if hue is not None
        else np.array([rng.uniform(0.04, 0.16), 1.0, rng.uniform(0.35, 0.6)])
    )
    purple = np.array([rng.uniform(0.6, 0.85), 1.0, rng.uniform(0.2, 0.4)])
    if rng.random() < 0.4:
        purple = np.array([1.0, rng.uniform(0.65, 0.95), rng.uniform(0.1, 0.3)])
    brown = np.array([0.25, 0.55, 1.0])
    for i in range(teeth):
        name = NAMES[i % 10]
        kind = (kinds or {}).get(i) or rng.choice(
            ["stained", "stained", "stained", "clean", "all"], p=[0.3, 0.25, 0.2, 0.13, 0.12]
        )
        kinds_out[name] = kind
        cx, cy = (
            20 + pitch * (i + 0.5),
            gumline[0, min(cols - 1, int(20 + pitch * (i + 0.5)))] + 0.62 * tooth_px,
        )
        w, h = tooth_px * rng.uniform(0.40, 0.49), tooth_px * rng.uniform(0.55, 0.68)
        power = rng.uniform(2.2, 3.2)
        u, v = (xx - cx) / w, (yy - cy) / h
        inside = (np.abs(u) ** power + np.abs(v) ** power < 1) & (yy > gumline) & (regions == 0)
        regions[inside] = name
        base = np.array([0.60, 0.53, 0.42]) * rng.uniform(0.85, 1.1)
        base = base * (1 + 0.04 * rng.normal(size=3))
        yellow = (
            np.clip(0.5 - 0.5 * v, 0, 1)[..., None]
            * np.array([0.0, 0.02, 0.09])
            * rng.uniform(0, 1)
        )
        shade = (0.72 + 0.28 * np.sqrt(np.clip(1 - 0.75 * u**2 - 0.35 * v**2, 0, 1)))[..., None]
        enamel = (
            base
            * 10 ** (-yellow)
            * shade
            * (1 + 0.02 * noise_field(rng, (rows, cols), 14)[..., None])
        )
        target = {"clean": 0.0, "all": 1.0}.get(kind, rng.uniform(0.05, 0.85))
        spots = noise_field(rng, (rows, cols), tooth_px / rng.uniform(3, 7)) - 1.6 * (
            v + 1
        ) * rng.uniform(0.3, 1)
        level = (
            np.quantile(spots[inside], 1 - target)
            if 0 < target < 1
            else (1e9 if target == 0 else -1e9)
        )
        soft = rng.uniform(0.04, 0.15)
        cover = 1 / (1 + np.exp(-np.clip((spots - level) / soft, -50, 50)))
        strength = rng.uniform(0.3, 1.0) * np.exp(
            0.25 * noise_field(rng, (rows, cols), tooth_px / 4)
        )
        amount = np.clip(strength, 0.22, 1.4) * cover
        is_old = np.zeros_like(inside)
        if dye == "two-tone":
            is_old = noise_field(rng, (rows, cols), tooth_px / 3) - 1.2 * v > rng.uniform(-0.5, 1.5)
        spectrum = np.where(is_old[..., None], purple, pink)
        film = 10 ** (-amount[..., None] * spectrum)
        if rng.random() < tartar:
            t = noise_field(rng, (rows, cols), tooth_px / 4) - 2 * (v + 0.6)
            amount_t = rng.uniform(0.15, 0.9) / (1 + np.exp(-t * 5))
            enamel = enamel * 10 ** (-amount_t[..., None] * brown)
        clean[inside] = enamel[inside]
        light[inside] = (enamel * film)[inside]
        density[inside] = amount[inside]
        old_density[inside] = (amount * is_old)[inside]
    slope = 1 + gradient * ((xx / cols - 0.5) * np.cos(seed) + (yy / rows - 0.5) * np.sin(seed))
    light = light * slope[..., None] * planck_gain(kelvin) * exposure
    if glare:
        for _ in range(int(teeth * 2 * glare)):
            cx, cy = rng.uniform(0, cols), rng.uniform(0, rows)
            a, b = rng.uniform(0.01, 0.06, 2) * tooth_px
            spot = np.exp(-(((xx - cx) / a) ** 2 + ((yy - cy) / b) ** 2))
            light += 2.5 * spot[..., None] * (regions > 0)[..., None]
    light = cv2.GaussianBlur(light, (0, 0), blur)
    light = light + rng.normal(size=light.shape) * noise * np.sqrt(np.maximum(light, 0.02))
    rgb = encode(light)
    if jpeg:
        _, data = cv2.imencode(".jpg", rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, jpeg])
        rgb = cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1].copy()
    stained = (density > 0.15) & (regions > 0)
    return Scene(rgb, regions, stained, stained & (old_density > 0), kinds_out, dye, density)
