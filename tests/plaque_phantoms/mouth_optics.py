"""Spectra of the glazed mouths: light, enamel, gum, dyes, tartar and camera, 400 to 700 nm.

Every curve is a smooth stand-in, from memory of published shapes: haemoglobin's Soret band and
its pair at 542 and 577 nm, erythrosine at about 527 nm (facts.md 6), a triarylmethane blue near
630 nm for the older-film dye, black-body and white-diode lamps, broad camera filters.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float32]
NM = np.arange(400.0, 701.0, 10.0)


def bell(centre: float, width: float) -> NDArray[np.float64]:
    """A Gaussian over `NM`, 1 at its centre."""
    return np.exp(-0.5 * ((NM - centre) / width) ** 2)


def black_body(kelvin: float) -> NDArray[np.float64]:
    """Relative power of a black body, 1 at 560 nm."""
    metre = NM * 1e-9
    power = metre**-5 / (np.exp(1.4388e-2 / (metre * kelvin)) - 1)
    return power / np.interp(560, NM, power)


def diode(warm: float) -> NDArray[np.float64]:
    """White diode: a blue peak and a phosphor's hump, more of it the warmer."""
    power = 0.9 * bell(452, 11) + warm * (bell(560, 58) + 0.35 * bell(620, 40))
    return power / np.interp(560, NM, power)


def lamps(rng: np.random.Generator) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Spectra of the main lamp (flash or diode ring) and of the room."""
    main = (
        black_body(rng.uniform(5000, 6300)) if rng.random() < 0.6 else diode(rng.uniform(0.9, 1.5))
    )
    room = (
        black_body(rng.uniform(3200, 6500)) if rng.random() < 0.5 else diode(rng.uniform(1.0, 2.0))
    )
    return main, room


def enamel(rng: np.random.Generator, shade: float, blue_loss: float) -> NDArray[np.float64]:
    """Diffuse reflectance of clean enamel over dentine; `shade` 0 pale to 1 dark yellow."""
    level = 0.74 - 0.2 * shade
    yellow = 1 - (0.1 + 0.35 * shade) * np.exp(-(NM - 400) / (90 + 60 * shade))
    grey = 1 + blue_loss * (NM - 550) / 600
    return level * yellow * grey * rng.uniform(0.97, 1.03)


def haemoglobin(oxygen: float) -> NDArray[np.float64]:
    """Absorption of blood, relative: oxygenated and not, mixed."""
    rich = 6.0 * bell(415, 16) + 1.05 * bell(542, 12) + 1.1 * bell(577, 9) + 0.25 * bell(480, 40)
    poor = 5.5 * bell(432, 15) + 1.0 * bell(556, 22) + 0.06 * bell(670, 60)
    return oxygen * rich + (1 - oxygen) * poor + 0.02


def dyes(rng: np.random.Generator, dye: str) -> tuple[NDArray[np.float64], ...]:
    """Absorbance of the newer film's dye and of the older film's, peak 1.

    A one-tone dye colours both alike (second curve the same as the first).
    """
    red = bell(527 + rng.normal(0, 4), 19) + 0.38 * bell(494 + rng.normal(0, 4), 20)
    # Film is itself a little yellow.
    red = red / red.max() + 0.18 * np.exp(-(NM - 400) / 70)
    if dye == "one-tone":
        return red, red
    blue = bell(628 + rng.normal(0, 5), 30) + 0.35 * bell(585, 30) + 0.12 * bell(410, 25)
    return red, blue / blue.max()


def camera(rng: np.random.Generator) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Sensitivities (3 by bands) and the matrix from white-balanced camera light to sRGB's.

    The matrix is the least-squares fit over smooth random reflectances in daylight, as makers fit
    theirs to charts, so that saturated colours are a little off.
    """
    shift = rng.normal(0, 4, 3)
    made = np.stack(
        [
            bell(600 + shift[0], 30) + 0.06 * bell(445, 20),
            bell(535 + shift[1], 36),
            bell(460 + shift[2], 25) + 0.04 * bell(540, 40),
        ]
    )
    sun = black_body(5600)
    eye = np.stack(
        [
            1.06 * bell(599, 34) + 0.36 * bell(446, 19),
            bell(557, 43),
            1.78 * bell(449, 22),
        ]
    )
    to_rgb = np.array(
        [[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.204, 1.057]]
    )
    drawn = np.random.default_rng(5).normal(size=(200, len(NM)))
    kernel = np.exp(-0.5 * ((NM[:, None] - NM[None, :]) / 55) ** 2)
    smooth = drawn @ kernel
    smooth = 1 / (1 + np.exp(-smooth / smooth.std()))
    seen = (smooth * sun) @ made.T / (made @ sun)
    wanted = (smooth * sun) @ eye.T / (eye @ sun) * np.array([0.9505, 1.0, 1.089]) @ to_rgb.T
    matrix = np.linalg.lstsq(seen, wanted, rcond=None)[0].T
    return made, matrix / matrix.sum(axis=1, keepdims=True)


@dataclass(frozen=True, slots=True)
class Seen:
    """Camera responses to one lamp, white giving (1, 1, 1) by the lamp's own balance."""

    light: NDArray[np.float64]
    made: NDArray[np.float64]

    def of(self, reflectance: NDArray[np.float64]) -> NDArray[np.float64]:
        """Response of reflectances (..., bands), balanced to this lamp's white."""
        weight = self.made * self.light
        return reflectance @ weight.T / weight.sum(axis=1)
