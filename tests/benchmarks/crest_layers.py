"""Training strips laid over themselves: plates whose margins lie apart, or a slanting beam."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from perioview.proposals_network import LONGEST
from perioview.proposals_strip import LANE, LANES, STEP

Array = NDArray[Any]
# Shares of the images laid over themselves: as plates apart, and smeared.
PLATES, SMEARED = 0.25, 0.3


def laid_over(
    rng: np.random.Generator,
    g: Array,
    known: Array,
    along: Array,
    truth: Array,
    length: Array,
    cej: Array,
    n: Array,
    image: Array,
) -> tuple[Array, Array]:
    """Bone in two layers whose margins lie apart, or smeared by a slanting beam; and the crest.

    Grey adds up along the beam, so a strip laid over itself some way along the root is a jaw whose
    plates end apart. The crest is the more apical margin. What a tooth itself shows must not move:
    within the root only what lies apical to the CEJ is laid over, and furcations stay as they are.
    """
    images = int(image.max()) + 1

    def some(share: float) -> Array:
        return (rng.random(images) < share)[image]

    def of_image(low: float, high: float) -> Array:
        return rng.uniform(low, high, images)[image]

    jitter = np.exp(rng.normal(0, 0.15, len(g)))
    apart = of_image(0.3, 2.2) * jitter * some(PLATES)
    smear = of_image(0.2, 1.5) * jitter * some(SMEARED)
    steps = rng.integers(2, 9, images)[image]
    way = np.where(some(0.5), -1.0, 1.0)
    # A margin lies neither coronal to the CEJ nor at the very apex.
    coronal = np.maximum(truth - cej + 0.2, 0)
    apart = np.where(way < 0, np.minimum(apart, coronal), np.minimum(apart, 0.85 * length - truth))
    smear = np.minimum(smear, coronal - np.where(way < 0, apart, 0))
    share = np.clip(of_image(0.3, 0.7) + rng.normal(0, 0.05, len(g)), 0.2, 0.8)
    within = some(0.7)
    grain = of_image(0.2, 1) * some(0.8)
    g, truth = g.copy(), truth.copy()
    for i in np.flatnonzero(np.isfinite(cej) & (np.maximum(apart, smear) > 0.15)):
        plates = ((0.0, share[i]), (way[i] * apart[i], 1 - share[i]))
        smeared = -smear[i] * np.arange(steps[i] + 1) / steps[i] if smear[i] > 0.15 else [0.0]
        laid = sum(
            part / len(smeared) * _moved(g[i], known[i], at + by, int(n[i]))
            for at, part in (plates if apart[i] > 0.15 else ((0.0, 1.0),))
            for by in smeared
        )
        if len(smeared) > 1 and grain[i] > 0:
            laid = laid + grain[i] * _grain(g[i], along[i], float(truth[i]), smear[i], int(n[i]))
        outer = 1 / (1 + np.exp(-(LANES - 0.05) / 0.08))
        bony = (along[i] - cej[i] - max(0.0, way[i] * apart[i]) - 0.4) / 0.15
        inner = within[i] / (1 + np.exp(-np.clip(bony, -30, 30)))
        where = outer[None] + (1 - outer[None]) * inner[:, None]
        g[i] += where * (laid - g[i])
        truth[i] += apart[i] if way[i] > 0 and apart[i] > 0.15 else 0.0
    return g, truth


def _grain(g: Array, along: Array, truth: float, smear: float, n: int) -> Array:
    """Texture of the bone over a smeared margin: as sharp as elsewhere, more where bone is more.

    It is taken from deeper down, where there is no margin that could give the true one away.
    """
    from scipy import ndimage

    sharp = g - ndimage.gaussian_filter(g, (0.25 / STEP, 0.5 / LANE), mode="nearest")
    deeper = _moved(sharp, np.ones(g.shape, bool), -(smear + 0.3), n)
    deeper[max(0, n - 1 - round((smear + 0.3) / STEP)) :] = 0
    return deeper * np.clip(1 + (along - truth) / smear, 0, 1)[:, None].astype(np.float32)


def _moved(g: Array, known: Array, shift: float, n: int) -> Array:
    """A strip moved apically by some mm; where nothing is known it stays."""
    at = np.clip(np.arange(LONGEST) - shift / STEP, 0, max(n - 1, 0))
    low = np.floor(at).astype(int)
    high = np.minimum(low + 1, max(n - 1, 0))
    part = (at - low)[:, None].astype(np.float32)
    moved = g[low] * (1 - part) + g[high] * part
    return np.where(known[low] & known[high], moved, g)
