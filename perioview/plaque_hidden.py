"""Stain that only darkness shows: blue dye over brown, which is grey.

Blue dye over a brown deposit takes all colours alike and looks like shade. What is darker than the
crown's own shade, beside visible brown or older dye and with an edge, is both.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from perioview.plaque_density import Mask, Plane
from perioview.plaque_inks import Inks, Unmixed

# Amounts of brown and of older dye that are plain to see, and the share of a dark patch or its
# rim that has to show one of them.
PLAIN_BROWN, PLAIN_OLDER, SHOWN = 0.10, 0.12, 0.2
# Step of darkness at the edge of a film, over a few px; shade changes less.
EDGE = 0.05
# Darkness that is left to chance, log10.
UNSEEN = 0.06
# Newer dye that a hue may be off by.
HUE_NOISE = 0.06


@dataclass(frozen=True, slots=True, eq=False)
class Hidden:
    """Film that only darkness shows: its density, where it is mostly older, and how dark."""

    density: Plane
    older: Mask


def hidden_film(mix: Unmixed, found: Inks, shade: Plane, valid: Mask) -> Hidden:
    """Density of a film over brown, from what is darker than shade explains.

    Parameters
    ----------
    mix : Unmixed
        Amounts by hue alone.
    found : Inks
        Colours of the three.
    shade : ndarray of float32, shape (rows, cols)
        Light that falls on the crown, log10.
    valid : ndarray of bool, shape (rows, cols)
        The tooth without its glare.
    """
    import cv2

    new, old, _ = (np.float32(k) for k in found.hidden)
    if found.hidden[1] <= 0 or found.hidden[2] <= 0:
        nothing = np.zeros_like(mix.light)
        return Hidden(nothing, nothing > 0)
    dark = cv2.GaussianBlur(shade - mix.light, (0, 0), 1.0)
    # Nothing for a little darkness, all of it from twice as much.
    dark = np.where(_believed(dark, mix, valid), dark, 0)
    dark = np.maximum(dark, 0) * np.clip(dark / np.float32(UNSEEN) - 1, 0, 1)
    if new < 0:
        # Then a film over brown leaves some of the newer hue, and no darkness goes beyond it.
        dark = np.minimum(dark, (mix.newer + HUE_NOISE) / -new)
    newer, older = np.maximum(mix.newer + new * dark, 0), mix.older + old * dark
    p, o = found.columns[:, 0].astype(np.float32), found.columns[:, 1].astype(np.float32)
    density = np.maximum.reduce([p[c] * newer + o[c] * older for c in range(3)])
    return Hidden(np.where(dark > 0, density, 0).astype(np.float32), older > newer)


def _believed(dark: Plane, mix: Unmixed, valid: Mask) -> Mask:
    """Where darkness may be stain over brown: beside either, and with an edge; shadows lack both.

    Parameters
    ----------
    dark : ndarray of float32, shape (rows, cols)
        How much darker than the crown's shade.
    mix : Unmixed
        Amounts by hue alone.
    valid : ndarray of bool, shape (rows, cols)
        The tooth without its glare.
    """
    import cv2

    plain = ((mix.brown > PLAIN_BROWN) | (mix.older > PLAIN_OLDER)) & valid
    block = np.ones((3, 3), np.uint8)
    plain = cv2.erode(plain.astype(np.uint8), block) > 0
    suspect = ((dark > 2 * UNSEEN) & valid).astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(suspect)
    for label in range(1, count):
        left, top, width, height, _ = stats[label]
        window = np.s_[max(0, top - 6) : top + height + 6, max(0, left - 6) : left + width + 6]
        patch = (labels[window] == label).astype(np.uint8)
        inner = (patch > 0) & (cv2.erode(patch, block, iterations=4) == 0)
        outer = (cv2.dilate(patch, block, iterations=4) > 0) & (patch == 0) & valid[window]
        if not outer.any():
            continue
        step = float(np.median(dark[window][inner]) - np.median(dark[window][outer]))
        shown = max(float(plain[window][outer].mean()), float(plain[window][patch > 0].mean()))
        if step < EDGE or shown < SHOWN:
            suspect[window][patch > 0] = 0
    # What is fainter beside a believed patch belongs to it.
    believed: Mask = cv2.dilate(suspect, block, iterations=4) > 0
    return believed
