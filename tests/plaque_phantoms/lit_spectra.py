"""Spectra of the lit mouths (training only): lamps, cameras, dyes, tissue, deposits.

Absorption bands at the wavelengths general chemistry gives (erythrosine and phloxine near 530 to
550 nm, triphenylmethane blues near 580 to 640 nm, haemoglobin at 415, 542 and 577 nm), widths and
mixtures drawn wider than believable. From memory; a phantom, no clinical truth.
"""

from __future__ import annotations

import numpy as np

NM = np.arange(400.0, 701.0, 20)
# What can lie in or on a surface and take light away, in the order of `stains`.
YELLOW, BROWN, CLEAR, BLOOD, MELANIN, CHROMOGEN = range(6)
# Amounts of dye: newer, newer where it is so strong that it aggregates, older.
NEWER, MASSED, OLDER = range(3)
SRGB = np.array([[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]])


def hump(centre, low, high=None):
    """Bell of different widths below and above its centre, nm."""
    width = np.where(centre > NM, low, low if high is None else high)
    return np.exp(-0.5 * ((NM - centre) / width) ** 2)


def planck(kelvin):
    lam = NM * 1e-9
    power = lam**-5 / np.expm1(1.4388e-2 / (lam * kelvin))
    return power / power.mean()


def lamp(rng):
    """Daylight or tungsten, a white diode, a xenon flash, a tube with lines."""
    how = rng.random()
    if how < 0.35:
        power = planck(rng.uniform(2600, 9500))
    elif how < 0.7:
        power = rng.uniform(0.25, 1.1) * hump(rng.uniform(442, 465), rng.uniform(9, 16))
        power = power + hump(rng.uniform(540, 600), rng.uniform(40, 60), rng.uniform(40, 75))
        power = power + rng.uniform(0, 0.5) * hump(rng.uniform(620, 660), 20)
    elif how < 0.88:
        power = planck(rng.uniform(5200, 6800)) * (1 + 0.08 * rng.normal(size=NM.size))
    else:
        power = 0.4 * planck(rng.uniform(3000, 6500)) + 0.6 * hump(436, 9)
        power = power + rng.uniform(0.6, 1.6) * hump(545, 10) + rng.uniform(0.6, 1.6) * hump(612, 9)
    return np.maximum(power, 1e-3) / power.mean()


def standard_eye():
    """Colour matching functions, by the sums of bells of Wyman, Sloan and Shirley (2013)."""
    x = 1.056 * hump(599.8, 37.9, 31.0) + 0.362 * hump(442, 16.0, 26.7)
    x = x - 0.065 * hump(501.1, 20.4, 26.2)
    y = 0.821 * hump(568.8, 46.9, 40.5) + 0.286 * hump(530.9, 16.3, 31.1)
    z = 1.217 * hump(437, 11.8, 36.0) + 0.681 * hump(459, 26.0, 13.8)
    return np.stack([x, y, z], 1)


def camera(rng, white):
    """Sensitivities in balance for a lamp, and a matrix that more or less makes sRGB of them."""
    red = hump(rng.uniform(585, 625), rng.uniform(16, 42), rng.uniform(22, 48))
    green = hump(rng.uniform(520, 556), rng.uniform(24, 46), rng.uniform(24, 46))
    blue = hump(rng.uniform(440, 478), rng.uniform(18, 34), rng.uniform(18, 36))
    sensors = np.stack([red, green, blue], 1)
    leak = rng.uniform(0, 0.12, (3, 3)) * rng.uniform(0, 1)
    np.fill_diagonal(leak, 1)
    sensors = sensors @ leak
    sensors = sensors / (white @ sensors)
    # What a maker would fit to a card of smooth colours.
    bends = rng.normal(size=(60, 4)) @ np.stack([hump(c, 45) for c in (430, 500, 570, 640)])
    card = 0.5 / (1 + np.exp(-2 * bends))
    eye = standard_eye() @ SRGB.T
    aim = (card * white) @ (eye / (white @ eye))
    fitted = np.linalg.lstsq((card * white) @ sensors, aim, rcond=None)[0]
    share = rng.uniform(0, 0.75)
    matrix = share * fitted + (1 - share) * np.eye(3)
    return sensors, matrix / matrix.sum(0)


def newer_dye(rng):
    """A xanthene or azo red, alone and aggregated."""
    peak = rng.uniform(508, 554)
    dye = hump(peak, rng.uniform(15, 34), rng.uniform(11, 26))
    dye = dye + rng.uniform(0.15, 0.75) * hump(peak - rng.uniform(24, 42), rng.uniform(13, 30))
    dye = dye + rng.uniform(0, 0.08)
    dye = dye / dye.max()
    massed = 0.6 * hump(peak - rng.uniform(15, 35), 32) + 0.6 * dye + rng.uniform(0, 0.1)
    return dye, massed / massed.max()


def older_dye(rng, newer):
    """Blue to purple: a blue beside as much of the red as it likes."""
    if rng.random() < 0.75:
        blue = hump(rng.uniform(600, 645), rng.uniform(18, 40), rng.uniform(14, 32))
        blue = blue + rng.uniform(0.05, 0.55) * hump(rng.uniform(560, 592), 24)
        blue = blue + rng.uniform(0, 0.15) * hump(415, 20)
    else:
        blue = hump(rng.uniform(575, 605), rng.uniform(26, 46), rng.uniform(20, 34))
    dye = rng.uniform(0.0, 1.0) * newer + rng.uniform(0.6, 1.1) * blue + rng.uniform(0, 0.05)
    return dye / dye.max()


def stains(rng):
    """Absorption of what is in or on enamel and flesh; rows as named at the top."""
    yellow = np.exp(-(NM - 400) / rng.uniform(40, 120))
    brown = np.exp(-(NM - 400) / rng.uniform(60, 260))
    clear = (NM / 650) ** rng.uniform(0.5, 2.5)
    oxy = rng.uniform(0, 1)
    blood = 2.5 * hump(415, 20) + oxy * (hump(542, 15) + 1.05 * hump(577, 11))
    blood = blood + (1 - oxy) * 1.1 * hump(555, 22) + 0.12 * np.exp(-(NM - 400) / 120)
    melanin = (NM / 500) ** -rng.uniform(1.5, 3.5)
    odd = rng.random()
    chromogen = brown * 0 + 1 if odd < 0.4 else hump(rng.uniform(420, 660), rng.uniform(40, 90))
    return np.stack([yellow, brown, clear, blood, melanin, chromogen])


def enamel(rng):
    tilt = 1 + rng.uniform(-0.08, 0.12) * (NM - 550) / 150
    return rng.uniform(0.45, 0.85) * tilt


def flesh(rng):
    """Flesh without its blood."""
    return rng.uniform(0.45, 0.8) * (1 + rng.uniform(0.0, 0.2) * (NM - 550) / 150)


def object_colour(rng):
    """A glove, drape or instrument."""
    how = rng.random()
    if how < 0.45:
        away = rng.uniform(0.05, 0.6) * hump(rng.uniform(400, 700), rng.uniform(30, 80))
        return rng.uniform(0.01, 0.3) + away
    return rng.uniform(0.015, 0.8) * (1 + rng.uniform(-0.1, 0.1) * (NM - 550) / 150)
