"""The camera of the lit mouths (training only): exposure, lens, noise, tones, JPEG."""

from __future__ import annotations

import cv2
import numpy as np
from plaque_phantoms.lit_crowns import blur
from plaque_phantoms.lit_spectra import planck


def shot(rng, light, gloss, on):
    """An sRGB photo of linear light and gloss; `on` marks the teeth."""
    picture = exposed(rng, light, gloss, on)
    picture = through_lens(rng, picture)
    picture = noisy(rng, picture)
    picture = toned(rng, picture)
    rgb = np.round(255 * picture).astype(np.uint8)
    rgb = smeared(rng, rgb)
    return compressed(rng, rgb)


def balance(rng):
    """Gains of a white balance set for another lamp, and of a tint."""
    how = rng.random()
    true = np.exp(rng.uniform(np.log(3000), np.log(8000)))
    away = rng.normal(0, 0.06) if how < 0.55 else rng.normal(0, 0.2)
    taken = true * np.exp(away)
    if how > 0.85:
        taken = np.exp(rng.uniform(np.log(3000), np.log(8000)))
    at = np.array([600.0, 540, 460])
    gain = np.array([np.interp(at, np.arange(400.0, 701, 20), planck(k)) for k in (true, taken)])
    gain = gain[0] / gain[1]
    return gain / gain[1] * np.array([1, rng.normal(1, 0.04), 1])


def exposed(rng, light, gloss, on):
    flat = light.max(axis=2)
    level = float(np.quantile(flat[on], 0.97)) if on.any() else float(flat.max())
    middle = float(np.quantile(flat[::3, ::3], 0.7))
    # A meter looks at the teeth, or at all there is.
    share = rng.choice([0, rng.uniform(0, 1)])
    gain = rng.uniform(0.4, 1.0) / max(level, 1e-3) * (1 - share)
    gain = gain + share * rng.uniform(0.25, 0.6) / max(middle, 1e-3)
    gain = float(np.clip(gain * level, 0.25, 1.25)) / max(level, 1e-3)
    picture = (light + gloss * np.float32(level)) * (gain * balance(rng)).astype(np.float32)
    picture += np.float32(rng.choice([0, rng.uniform(0, 0.03)]))
    if rng.random() < 0.4:
        # Light strays within the lens.
        picture += np.float32(rng.uniform(0, 0.06)) * blur(np.minimum(picture, 2), 25)
    return picture


def through_lens(rng, picture):
    rows, cols = picture.shape[:2]
    if rng.random() < 0.35:
        for channel, grow in ((0, rng.normal(0, 0.0013)), (2, rng.normal(0, 0.0013))):
            move = np.array([[1 + grow, 0, -grow * cols / 2], [0, 1 + grow, -grow * rows / 2]])
            picture[..., channel] = cv2.warpAffine(
                np.ascontiguousarray(picture[..., channel]),
                move,
                (cols, rows),
                borderMode=cv2.BORDER_REPLICATE,
            )
    sharp = blur(picture, rng.uniform(0.45, 1.3))
    if rng.random() < 0.3:
        # Out of focus towards one side.
        slope = np.linspace(-1, 1, cols, dtype=np.float32) * rng.choice([-1, 1])
        share = np.clip(slope + rng.uniform(-0.8, 0.5), 0, 1)[None, :, None]
        sharp = sharp + share * (blur(picture, rng.uniform(1.2, 2.5)) - sharp)
    if rng.random() < 0.15:
        kernel = np.zeros((7, 7), np.float32)
        turn, long = rng.uniform(0, np.pi), rng.uniform(0.5, 3)
        end = np.array([np.cos(turn), np.sin(turn)]) * long
        ends = [tuple(round(float(16 * (3 + s * e))) for e in end) for s in (-1, 1)]
        cv2.line(kernel, ends[0], ends[1], 1.0, 1, cv2.LINE_AA, 4)
        sharp = cv2.filter2D(sharp, -1, kernel / kernel.sum())
    if rng.random() < 0.4:
        yy = np.linspace(-1, 1, rows, dtype=np.float32)[:, None] - rng.uniform(-0.3, 0.3)
        xx = np.linspace(-1, 1, cols, dtype=np.float32)[None] - rng.uniform(-0.3, 0.3)
        dark = rng.uniform(0, 0.3) * (xx**2 + yy**2)
        sharp = sharp * np.clip(1 - dark, 0.3, 1)[..., None]
    return sharp


def noisy(rng, picture):
    shape = picture.shape
    grain = rng.standard_normal(shape, dtype=np.float32)
    shots, dark = np.exp(rng.uniform(np.log(0.0015), np.log(0.02))), rng.uniform(0, 0.004)
    picture = picture + grain * np.sqrt(shots**2 * np.maximum(picture, 0) + dark**2)
    if rng.random() < 0.5:
        # Colour made from a mosaic is softer than light.
        grey = picture.mean(axis=2, keepdims=True)
        picture = grey + blur(picture - grey, rng.uniform(0.5, 1.5))
    return picture


def toned(rng, picture):
    """Display values 0 to 1: tone curve, contrast, saturation by hue."""
    x = np.linspace(0, 1, 2048) ** 2
    how = rng.random()
    if how < 0.5:
        power = 1.055 * np.maximum(x, 1e-9) ** (1 / 2.4) - 0.055
        curve = np.where(x <= 0.0031308, 12.92 * x, power)
    elif how < 0.75:
        curve = x ** (1 / rng.uniform(1.8, 2.5))
    else:
        a, b = rng.uniform(1.5, 3), rng.uniform(0.02, 0.2)
        c, d, e = rng.uniform(1.3, 2.6), rng.uniform(0.3, 0.8), rng.uniform(0.05, 0.3)
        film = x * (a * x + b) / (x * (c * x + d) + e)
        curve = (film / film[-1]) ** (1 / rng.uniform(1.7, 2.4))
        curve = 0.5 * curve + 0.5 * x ** (1 / 2.2)
    curve = curve + rng.choice([0, rng.uniform(-0.25, 0.5)]) * curve * (1 - curve) * (2 * curve - 1)
    curve = np.clip(curve, 0, 1) ** rng.uniform(0.88, 1.14)
    black = rng.choice([0, 0, rng.uniform(-0.04, 0.05)])
    curve = np.clip(black + (1 - black) * curve, 0, 1).astype(np.float32)
    at = (np.sqrt(np.clip(picture, 0, 1)) * 2047 + 0.5).astype(np.int16)
    shown = curve[at]
    grey = shown @ np.array([0.3, 0.59, 0.11], np.float32)
    colour = shown - grey[..., None]
    boost = rng.uniform(0.8, 1.35)
    if rng.random() < 0.5:
        red, green, blue = (shown[..., c] for c in range(3))
        hue = np.arctan2(0.866 * (green - blue), red - (green + blue) / 2)
        boost = boost + rng.uniform(0, 0.2) * np.cos(hue - rng.uniform(0, 6.3))
        boost = boost + rng.uniform(0, 0.12) * np.cos(2 * hue - rng.uniform(0, 6.3))
        boost = boost[..., None]
    return np.clip(grey[..., None] + colour * boost, 0, 1)


def smeared(rng, rgb):
    """What makes photos look clean: smoothing that spares edges, sharpening with its halo."""
    if rng.random() < 0.3:
        rgb = cv2.bilateralFilter(rgb, 5, rng.uniform(8, 30), rng.uniform(1, 3))
    if rng.random() < 0.2:
        rows, cols = rgb.shape[:2]
        part = rng.uniform(0.55, 0.95)
        small = cv2.resize(rgb, (int(cols * part), int(rows * part)), interpolation=cv2.INTER_AREA)
        rgb = cv2.resize(small, (cols, rows), interpolation=cv2.INTER_CUBIC)
    if rng.random() < 0.45:
        share = rng.uniform(0.1, 1.2)
        soft = cv2.GaussianBlur(rgb, (0, 0), rng.uniform(0.6, 1.8))
        rgb = cv2.addWeighted(rgb, 1 + share, soft, -share, 0)
    return rgb


def compressed(rng, rgb):
    flags = [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(60, 98))]
    sampling = rng.choice([0x411111, 0x211111, 0x221111], p=[0.3, 0.15, 0.55])
    flags += [cv2.IMWRITE_JPEG_SAMPLING_FACTOR, int(sampling)]
    _, data = cv2.imencode(".jpg", np.ascontiguousarray(rgb[..., ::-1]), flags)
    return np.ascontiguousarray(cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1])
