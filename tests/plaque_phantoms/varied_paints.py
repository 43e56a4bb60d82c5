"""What generator D (training only) can draw of colours: lamps, cameras, dyes, deposits, tones.

Widths and places are drawn over more than is likely, from general knowledge; a phantom, no
clinical truth.
"""

from __future__ import annotations

import numpy as np

NM = np.arange(412.0, 690.0, 22.0)


def hill(centre, width, skew=0.0):
    away = (NM - centre) / (width * (1 + skew * np.sign(NM - centre)))
    return np.exp(-0.5 * away**2)


def lamp(rng):
    """Daylight, tungsten or a white diode."""
    if rng.random() < 0.35:
        diode = hill(rng.uniform(440, 462), 14) * rng.uniform(0.3, 1.0)
        power = diode + hill(rng.uniform(545, 590), rng.uniform(45, 65))
    else:
        lam, kelvin = NM * 1e-9, rng.uniform(2900, 8000)
        power = lam**-5 / np.expm1(1.4388e-2 / (lam * kelvin))
    return power / power.mean()


def camera(rng):
    """Sensitivities, shape (bands, 3), and the matrix that makes their colours stronger."""
    red = hill(rng.uniform(588, 622), rng.uniform(18, 42), rng.uniform(-0.2, 0.3))
    green = hill(rng.uniform(522, 552), rng.uniform(22, 46), rng.uniform(-0.2, 0.2))
    blue = hill(rng.uniform(442, 475), rng.uniform(16, 38))
    leaks = rng.uniform(0, 0.08, 3)
    red = red + leaks[0] * blue + leaks[1] * green
    green = green + leaks[2] * (red + blue) / 2
    sensors = np.stack([red, green, blue], 1)
    cross = rng.uniform(0, 1, (3, 3)) * rng.uniform(0, 0.22)
    np.fill_diagonal(cross, 0)
    matrix = np.diag(1 + cross.sum(1)) - cross
    return sensors / sensors.sum(0), matrix


def pink_dye(rng):
    peak = rng.uniform(514, 545)
    dye = hill(peak, rng.uniform(14, 30), rng.uniform(-0.3, 0.3))
    dye = dye + rng.uniform(0.2, 0.65) * hill(peak - rng.uniform(26, 40), rng.uniform(14, 28))
    dye = dye + rng.uniform(0, 0.06)
    return dye / dye.max()


def old_dye(rng, pink):
    """Blue, with as much of the pink as it likes."""
    blue = hill(rng.uniform(600, 640), rng.uniform(18, 36), rng.uniform(-0.2, 0.3))
    blue = blue + rng.uniform(0.1, 0.5) * hill(rng.uniform(565, 590), 24)
    dye = rng.uniform(0.15, 0.95) * pink + rng.uniform(0.7, 1.1) * blue
    return dye / dye.max()


def brown_dye(rng):
    brown = np.exp(-(NM - 400) / rng.uniform(65, 190))
    return brown / brown.max()


def enamel_body(rng):
    """Reflectance of enamel without its yellow, and the yellow's absorption."""
    tilt = 1 + rng.uniform(-0.06, 0.10) * (NM - 550) / 140
    return rng.uniform(0.45, 0.8) * tilt, np.exp(-(NM - 400) / rng.uniform(45, 120))


def flesh(rng):
    step = 1 / (1 + np.exp(-(NM - rng.uniform(580, 602)) / rng.uniform(6, 16)))
    blush = rng.uniform(0, 0.08) * hill(480, 40)
    return rng.uniform(0.05, 0.16) + rng.uniform(0.25, 0.5) * step + blush


def developed(rng, linear):
    """sRGB levels, by a camera that bends the tones and pushes the colours a little."""
    linear = np.clip(linear, 0, 1)
    bend = rng.uniform(-0.06, 0.12)
    linear = np.clip(linear + bend * linear * (1 - linear) * (2 * linear - 1), 0, 1)
    low = 12.92 * linear
    srgb = np.where(linear <= 0.0031308, low, 1.055 * np.maximum(linear, 1e-6) ** (1 / 2.4) - 0.055)
    srgb = srgb ** rng.uniform(0.94, 1.06)
    grey = srgb.mean(axis=2, keepdims=True)
    srgb = grey + (srgb - grey) * rng.uniform(0.93, 1.1)
    return np.round(255 * np.clip(srgb, 0, 1)).astype(np.uint8)
