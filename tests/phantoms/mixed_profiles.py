"""How bone's density rises across its margin in generator M: seven families, for training."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import erf

Array = NDArray[Any]
Profile = Callable[[Array], Array]
SHAPES = ("step", "erf", "ramp", "exponential", "cortical", "notch", "rounded")


def edge_profile(rng: np.random.Generator, scale: float) -> tuple[str, float, Profile]:
    """Rise of density across a margin, half of its plateau at zero; name, width in mm, function."""
    shape = str(rng.choice(SHAPES, p=[0.15, 0.2, 0.15, 0.1, 0.15, 0.1, 0.15]))
    near = min(scale, 1.0)
    high, at, wide = rng.uniform(0.2, 1.5), rng.uniform(0.08, 0.4), rng.uniform(0.08, 0.25)
    if shape == "step":
        return shape, 0.04, lambda b: np.clip(b / 0.04 + 0.5, 0, 1)
    if shape == "ramp":
        soft = near * 10 ** rng.uniform(-1, 0.3)
        return shape, soft, lambda b: np.clip(b / soft + 0.5, 0, 1)
    if shape == "exponential":
        soft = near * 10 ** rng.uniform(-1, 0)
        return shape, soft, lambda b: 1 - np.exp(-np.maximum(b / soft + np.log(2), 0))
    if shape == "rounded":
        soft = near * 10 ** rng.uniform(-0.5, 0.48)
        return shape, soft / 2, lambda b: np.sqrt(np.clip(b / soft + 0.25, 0, 1))
    soft = near * 10 ** (rng.uniform(-1.3, -0.1) if shape == "erf" else rng.uniform(-1.5, -0.8))
    if shape == "cortical":
        return (
            shape,
            soft,
            lambda b: (0.5 + 0.5 * erf(b / soft)) * (1 + high * np.exp(-(((b - at) / wide) ** 2))),
        )
    if shape == "notch":
        deep, below = min(high, 0.8), at + 0.3 * scale
        return (
            shape,
            soft,
            lambda b: (
                (0.5 + 0.5 * erf(b / soft)) * (1 - deep * np.exp(-(((b - below) / wide) ** 2)))
            ),
        )
    return shape, soft, lambda b: 0.5 + 0.5 * erf(b / soft)
