"""From the surfaces of a lit mouth (training only) to its photo and the true density of dye."""

from __future__ import annotations

import numpy as np
from plaque_phantoms import lit_camera, lit_light
from plaque_phantoms import lit_spectra as spectra
from plaque_phantoms.lit_crowns import blur

# A film of dye can leave this little of the light.
LEAST_LIGHT = 0.01


def seen(rng, made, size, hair):
    """The photo, and the density of dye on its teeth."""
    found = lit_light.lamps(rng)
    light = lit_light.falls(rng, made, found, size).reshape(-1, len(found.eyes))
    takers = (-np.log(10) * spectra.stains(rng)).astype(np.float32)
    inks = newer, _ = spectra.newer_dye(rng)
    inks = np.stack([*inks, spectra.older_dye(rng, newer)])
    inks = (-np.log(10) * inks).astype(np.float32)
    bands = len(spectra.NM)
    surface = np.stack(made.table).astype(np.float32)[made.what.ravel()]
    surface *= np.exp(made.stains.reshape(-1, 6) @ takers) * made.tone.reshape(-1, 1)
    eyes = np.stack(found.eyes, 1).reshape(bands, -1).astype(np.float32)

    def caught(part, lit):
        colours = part @ eyes
        return sum(lit[:, k, None] * colours[:, 3 * k : 3 * k + 3] for k in range(len(found.eyes)))

    dyed_at = np.flatnonzero(made.dye.reshape(-1, 3) @ np.ones(3, np.float32))
    plain = caught(surface, light)
    plain = np.maximum(plain, 1e-4)
    left = np.ones_like(plain)
    films = np.exp(made.dye.reshape(-1, 3)[dyed_at] @ inks)
    left[dyed_at] = caught(surface[dyed_at] * films, light[dyed_at]) / plain[dyed_at]
    shape = made.what.shape
    plain = softened(rng, plain.reshape(*shape, 3), size)
    left = np.clip(left, LEAST_LIGHT, 1.5).reshape(*shape, 3)
    on = made.regions > 0
    if rng.random() < 0.35:
        left = spread(rng, left, made.regions)
    least = np.minimum(np.minimum(left[..., 0], left[..., 1]), left[..., 2])
    density = np.maximum(-np.log10(least), 0) * on
    picture = plain * left
    gloss = lit_light.gloss(rng, made, found, size)
    if hair.any():
        tone = np.exp(rng.uniform(np.log(0.01), np.log(0.7))) * rng.uniform(0.7, 1, 3)
        strand = (light[:, 0] + light[:, 2]).reshape(shape) * np.float32(0.6)
        picture += hair[..., None] * (strand[..., None] * tone.astype(np.float32) - picture)
    if rng.random() < 0.12:
        bright, dark = lit_light.strings(rng, shape, size)
        picture *= (1 - dark)[..., None]
        gloss += bright[..., None]
    return lit_camera.shot(rng, picture, gloss, on), density


def softened(rng, plain, size):
    """Light that came out beside where it went in; red wanders farthest."""
    share = rng.uniform(0, 0.6)
    far = rng.uniform(0.004, 0.025) * size
    out = plain.copy()
    for channel, reach in enumerate((1.4, 1.0, 0.7)):
        out[..., channel] += np.float32(share) * (
            blur(np.ascontiguousarray(plain[..., channel]), far * reach) - plain[..., channel]
        )
    return np.maximum(out, 1e-4)


def spread(rng, left, regions):
    """Light that passes a film once and comes out beside it: films with softer edges."""
    once = np.sqrt(left)
    on = (regions > 0).astype(np.float32)
    far = rng.uniform(0.5, 2.0)
    around = blur(once * on[..., None], far) / np.maximum(blur(on, far), 0.05)[..., None]
    share = np.float32(rng.uniform(0.1, 0.6))
    beside = once * ((1 - share) * once + share * around)
    return np.where(on[..., None] > 0, np.maximum(beside, LEAST_LIGHT), left)
