"""Light on the lit mouths (training only): lamps, shadows, light thrown back, wet gloss."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from plaque_phantoms import lit_spectra as spectra
from plaque_phantoms.lit_crowns import blur, clouds, step


@dataclass
class Lamps:
    """Two lamps and what the camera makes of their light.

    `eyes` are matrices (bands, 3), of lamps, of light from all around, of light thrown back by
    flesh and by enamel; `ways` tell where the lamps stand, as slopes of surfaces that face them.
    """

    eyes: list
    ways: np.ndarray
    shares: tuple
    colours: list


def lamps(rng):
    powers = [spectra.lamp(rng), spectra.lamp(rng)]
    second = rng.choice([0, rng.uniform(0.05, 0.5)])
    shares = 1 - second, second
    white = shares[0] * powers[0] + shares[1] * powers[1]
    sensors, matrix = spectra.camera(rng, white)
    red = 0.6 * 10 ** (-rng.uniform(0.2, 0.7) * spectra.stains(rng)[spectra.BLOOD])
    tooth = spectra.enamel(rng) * 10 ** (-rng.uniform(0, 0.3) * spectra.stains(rng)[0])
    around = white * ((1 - (mix := rng.uniform(0, 0.8))) + mix * red)
    lights = [shares[0] * powers[0], shares[1] * powers[1], around, white * red, white * tooth]
    eyes = [light[:, None] * sensors @ matrix for light in lights]
    ways = rng.normal(0, rng.choice([0.1, 0.35, 0.7]), (2, 2))
    colours = [np.maximum(p @ sensors @ matrix, 0.02) for p in powers]
    return Lamps(eyes, ways, shares, [c / c.mean() for c in colours])


def falls(rng, made, found, size):
    """How much light of each kind falls on each pixel, shape (rows, cols, kinds)."""
    shape, high = made.what.shape, made.high
    gx, gy = made.gx, made.gy
    norm = np.sqrt(1 + gx**2 + gy**2)
    wrap = rng.uniform(0, 0.5)
    yy = np.linspace(-0.5, 0.5, shape[0], dtype=np.float32)[:, None]
    xx = np.linspace(-0.5, 0.5, shape[1], dtype=np.float32)[None]
    strict = rng.choice([0, rng.uniform(0, 1)])
    out = []
    for px, py in found.ways.astype(np.float32):
        lit = (1 - gx * px - gy * py) / (norm * np.sqrt(1 + px**2 + py**2))
        lit = np.clip((lit + wrap) / (1 + wrap), 0, None)
        if strict > 0.05:
            lit = lit * (1 - strict * cast(high, px, py, size))
        far = (xx - rng.uniform(-0.7, 0.7)) ** 2 + (yy - rng.uniform(-0.7, 0.7)) ** 2
        out.append(lit / (1 + rng.uniform(0, 0.9) * far))
    small, wide = (blur(high, s * size) for s in (0.04, 0.16))
    hollow = np.clip((small - high) / (0.05 * size), 0, 2)
    hollow = 0.5 * hollow + np.clip((wide - high) / (0.15 * size), 0, 3)
    open_sky = np.exp(-rng.uniform(0.1, 1.1) * hollow)
    out = [lit * (0.5 + 0.5 * open_sky) for lit in out]
    out.append(rng.uniform(0.05, 0.6) * open_sky)
    on = (made.regions > 0).astype(np.float32)
    red = blur(1 - on, rng.uniform(0.04, 0.14) * size) * on
    out.append(rng.choice([0, rng.uniform(0, 0.35)]) * red)
    out.append(rng.uniform(0, 0.15) * blur(on, 0.08 * size) * (1 - open_sky))
    dim = np.ones(shape, np.float32)
    if rng.random() < 0.25:
        # Shadow of a hand or lip beyond the photo.
        turn = rng.uniform(0, 6.3)
        edge = np.cos(turn) * xx * shape[1] / shape[0] + np.sin(turn) * yy - rng.uniform(-0.4, 0.4)
        dim = 1 - rng.uniform(0.1, 0.6) * step(edge, np.exp(rng.uniform(-5, -1.5)))
    out = [lit * dim for lit in out]
    share = rng.uniform(0, 0.7)
    # Light wanders within enamel and flesh before it comes out.
    soft = rng.uniform(0.01, 0.05) * size
    out = np.stack(out, -1).astype(np.float32)
    parts = out[..., :3], out[..., 3:]
    wandered = np.dstack([blur(np.ascontiguousarray(p), soft) for p in parts])
    return (1 - np.float32(share)) * out + np.float32(share) * wandered


def cast(high, px, py, size):
    """Share of a lamp that what stands beside takes away."""
    out = np.zeros_like(high)
    slant = max(float(np.hypot(px, py)), 1e-3)
    for far in (0.04, 0.1, 0.2):
        # Towards the lamp surfaces have slopes (-px, -py) less; one px costs 1 / slant of height.
        dx, dy = far * size * px / slant, far * size * py / slant
        move = np.array([[1, 0, dx], [0, 1, dy]], np.float32)
        ahead = cv2.warpAffine(
            high,
            move,
            high.shape[::-1],
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )
        over = ahead - high - far * size / slant
        out = np.maximum(out, np.clip(over / (0.04 * size), 0, 1))
    return blur(out, 0.015 * size)


def gloss(rng, made, found, size):
    """Light of lamps and mouth that the wet surface mirrors, shape (rows, cols, 3)."""
    shape = made.what.shape
    out = np.zeros((*shape, 3), np.float32)
    if rng.random() < 0.06:
        return out
    # Saliva fills what is hollow and is rippled itself.
    wet = blur(made.high, rng.uniform(0.008, 0.04) * size)
    wet = np.maximum(wet, made.high - 0.02 * size)
    wet = wet + rng.uniform(0, 0.5) * clouds(rng, shape, rng.uniform(4, 14))
    if rng.random() < 0.4:
        wet = wet + rng.uniform(0, 0.35) * clouds(rng, shape, rng.uniform(2.5, 5))
    wet = blur(wet, rng.uniform(0.5, 1.5))
    gy, gx = np.gradient(wet)
    patches = clouds(rng, shape, size / rng.uniform(0.5, 4))
    coat = np.clip(0.5 + patches + rng.uniform(-0.5, 1), 0, 1)
    # The dark of the mouth is too far back to mirror much.
    coat = (coat * np.where(made.what == 0, rng.choice([0, 0, 0.05]), 1)).astype(np.float32)
    for _ in range(int(rng.integers(1, 6))):
        which = int(rng.random() < found.shares[1])
        px, py = 0.5 * found.ways[which] + rng.normal(0, rng.choice([0.03, 0.35]), 2)
        rough = np.exp(rng.uniform(np.log(0.02), np.log(0.35)))
        bright = np.exp(rng.uniform(np.log(0.1), np.log(4.0))) * min(1, 0.06 / rough)
        dx, dy = gx + np.float32(px), gy + np.float32(py)
        shown = mirrored(rng, dx, dy, rough) * coat
        # A lamp mirrored over a large part of the mouth is a large and dim one.
        bright = bright * min(1, rng.uniform(0.03, 0.2) / (float(shown.mean()) + 1e-3))
        colour = found.colours[which] * rng.uniform(0.9, 1.1, 3)
        out += (bright * shown)[..., None] * colour.astype(np.float32)
    # A veil: all that is around, mirrored by grazing or rough wet patches.
    if rng.random() < 0.6:
        graze = gx**2 + gy**2
        veil = rng.uniform(0.0, 0.12) * np.minimum(graze, 3) + rng.uniform(0, 0.07)
        patch = clouds(rng, shape, size / rng.uniform(0.7, 4)) + rng.uniform(-1, 0.8)
        veil = veil * (step(patch, 0.03) if rng.random() < 0.4 else np.clip(patch, 0, 2))
        veil = veil * np.where(made.what == 0, 0.06, 1)
        tint = np.array([1, rng.uniform(0.6, 1.05), rng.uniform(0.6, 1.15)], np.float32)
        out += veil.astype(np.float32)[..., None] * tint
    if rng.random() < 0.25:
        bubbles(rng, made, out, size)
    return out


def mirrored(rng, dx, dy, rough):
    """How much of a light shows: a spot, a ring, a window, a window with a cross."""
    how = rng.random()
    away = dx**2 + dy**2
    if how < 0.5:
        return np.exp(np.maximum(-away / (2 * rough**2), -40))
    if how < 0.7:
        ring = rng.uniform(0.08, 0.3)
        return np.exp(np.maximum(-(((np.sqrt(away) - ring) / (0.3 * rough + 0.01)) ** 2), -40))
    wide, tall = rng.uniform(0.04, 0.3, 2)
    edge = np.maximum(np.abs(dx) / wide, np.abs(dy) / tall)
    shown = step(1 - edge, 0.08)
    if how > 0.85:
        shown = shown * (1 - 0.9 * np.exp(-((dx / (0.15 * wide)) ** 2)))
    return shown


def bubbles(rng, made, out, size):
    """Foam: rings and points, most of it at the gum."""
    on = (made.regions > 0).astype(np.uint8)
    near = cv2.morphologyEx(on, cv2.MORPH_GRADIENT, np.ones((9, 9), np.uint8))
    at = np.argwhere(near if rng.random() < 0.7 else on)
    if not len(at):
        return
    foam = np.zeros(on.shape, np.float32)
    middle = at[rng.integers(len(at))]
    for _ in range(int(rng.integers(2, 40))):
        row, col = at[rng.integers(len(at))]
        if rng.random() < 0.7:
            row, col = middle + rng.normal(0, 0.15 * size, 2)
        radius = int(rng.uniform(0.01, 0.06) * size) + 1
        cv2.circle(foam, (int(col), int(row)), radius, rng.uniform(0.1, 0.7), 1, cv2.LINE_AA)
        spot = int(col - 0.4 * radius), int(row - 0.4 * radius)
        cv2.circle(foam, spot, max(1, radius // 3), rng.uniform(0.5, 2.0), -1, cv2.LINE_AA)
    out += blur(foam, 0.6)[..., None]


def strings(rng, shape, size):
    """Threads of drool: bright lines, and how much they dim what lies behind."""
    bright, dark = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
    for _ in range(int(rng.integers(1, 4))):
        x0, sag = rng.uniform(0, shape[1]), rng.uniform(-0.4, 0.4) * size
        t = np.linspace(0, 1, 12)
        x = x0 + sag * 4 * t * (1 - t) + rng.uniform(-0.5, 0.5) * size * t
        y = shape[0] * (rng.uniform(0, 0.4) + rng.uniform(0.3, 1) * t)
        line = [np.round(8 * np.stack([x, y], 1)).astype(np.int32)]
        thick = int(rng.integers(1, max(2, int(0.06 * size))))
        cv2.polylines(dark, line, False, rng.uniform(0.05, 0.3), thick + 2, cv2.LINE_AA, 3)
        shifted = [line[0] + rng.integers(-8, 8, 2, dtype=np.int32)]
        cv2.polylines(bright, shifted, False, rng.uniform(0.1, 1.5), 1, cv2.LINE_AA, 3)
    broken = np.clip(0.5 + clouds(rng, shape, size / 4), 0, 1.2)
    return blur(bright * broken, rng.uniform(0.4, 1.2)), blur(dark, 0.8)
