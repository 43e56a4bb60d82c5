"""A trained second look at dye density: what hue alone cannot tell is read from its surroundings.

Shade or a film over brown, a veil of gloss or a faint film, enamel a little off: each tooth is
seen on a coarse grid beside the other teeth of its photo, and a small network says by how much
the density that optics gives has to be stretched and shifted, and how sure that is.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources

import numpy as np
from numpy.typing import NDArray

from perioview.plaque_density import Mask, one_tone_density, two_tone_density
from perioview.plaque_enamel import Enamel
from perioview.plaque_inks import inks, unmixed
from perioview.plaque_stain import Stain

Field = NDArray[np.float32]

# Side of the grid, cells; a tooth's box is stretched over it.
GRID = 32
# Share of a cell free of glare and outside, from which its colour counts.
LEAST = 0.4
# What log10 light and densities are multiplied by, for the network.
UNIT = 4
# A correction of this many of its SDs counts by half. Blue over brown is what optics cannot see, so
# with a two-tone dye more is believed.
DOUBT = {False: 2.0, True: 1.0}
# Share of all points with dye in their hue, up to which only hue counts; from twice that, all does.
PLAIN_SHARE = 0.01


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """What the network sees of one tooth.

    Parameters
    ----------
    planes : ndarray of float32, shape (GRID, GRID, 10)
        Share usable, share inside, colour over clean enamel (R-G, B-G), light, density by
        optics, amounts of newer dye, older dye and brown, and the light they leave.
    facts : ndarray of float32, shape (15,)
        Of tooth and photo: dye and its colours, enamel, exposure.
    """

    planes: Field
    facts: Field


@dataclass(frozen=True, slots=True, eq=False)
class Correction:
    """How the density by optics is to be corrected, each of shape (GRID, GRID).

    Parameters
    ----------
    gain, offset : ndarray of float32
        Corrected density is `(1 + gain) * density + offset`.
    sd : ndarray of float32
        Uncertainty of the corrected density, log10.
    older : ndarray of float32
        Log odds that a film there is the older one.
    """

    gain: Field
    offset: Field
    sd: Field
    older: Field

    @property
    def planes(self) -> tuple[Field, Field, Field, Field]:
        """Gain, offset, SD and log odds, in this order."""
        return self.gain, self.offset, self.sd, self.older


def small_tooth(
    rgb: NDArray[np.uint8], region: Mask, glare: Mask
) -> tuple[NDArray[np.uint8], Field, Field]:
    """A tooth on the grid: mean colour of its usable part, share usable, share inside.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (rows, cols, 3)
        sRGB.
    region, glare : ndarray of bool, shape (rows, cols)
        The tooth, and the glare in it.
    """
    import cv2

    size = (GRID, GRID)
    inside = region.astype(np.uint8) * 255
    usable = (region & ~glare).astype(np.uint8) * 255
    summed = cv2.resize(cv2.bitwise_and(rgb, rgb, mask=usable), size, interpolation=cv2.INTER_AREA)
    free = cv2.resize(usable, size, interpolation=cv2.INTER_AREA).astype(np.float32) / 255
    whole = cv2.resize(inside, size, interpolation=cv2.INTER_AREA).astype(np.float32) / 255
    mean = summed / np.maximum(free, np.float32(0.05))[..., None]
    return np.clip(np.rint(mean), 0, 255).astype(np.uint8), free, whole


def seen_teeth(
    teeth: Mapping[int, tuple[NDArray[np.uint8], Mask, Mask]],
    enamel: Mapping[int, Enamel],
    stain: Stain,
    two_tone: bool,
) -> dict[int, Seen]:
    """What the network sees of all teeth of a photo.

    Parameters
    ----------
    teeth : mapping of int to (rgb, region, glare)
        Crops of the photo.
    enamel : mapping of int to Enamel
        Clean enamel, of each tooth.
    stain : Stain
        The dye in this photo.
    two_tone : bool
        Whether older plaque takes a colour of its own.
    """
    if not enamel:
        return {}
    common = np.median([e.ratios for e in enamel.values()], axis=0)
    found = {}
    for tooth, clean in enamel.items():
        rgb, free, whole = small_tooth(*teeth[tooth])
        planes, level = _planes(rgb, free, whole, clean, stain, two_tone)
        found[tooth] = (planes, level)
    middle = float(np.median([level for _, level in found.values()]))
    colours = [
        float(two_tone),
        stain.newer.degrees / 50,
        stain.newer.neutral_share * 4,
        stain.older.degrees / 100,
        stain.older.neutral_share * 4,
        stain.brown.degrees / 60,
        stain.share,
        1 / len(found),
    ]
    out = {}
    for tooth, (planes, level) in found.items():
        clean = enamel[tooth]
        # A lamp stranger than any seen in training says nothing more than a strange one.
        cast = np.clip(clean.ratios, -0.15, 0.15)
        own = [float(clean.shared), *(4 * (np.array(clean.ratios) - common)), *cast]
        facts = np.array([*colours, *own, level, 4 * (level - middle)], np.float32)
        out[tooth] = Seen(planes, facts)
    return out


def _planes(
    rgb: NDArray[np.uint8],
    free: Field,
    whole: Field,
    clean: Enamel,
    stain: Stain,
    two_tone: bool,
) -> tuple[Field, float]:
    mix = unmixed(rgb, clean.ratios, inks(stain.newer, stain.older, stain.brown))
    if two_tone:
        density, _ = two_tone_density(
            rgb, clean.ratios, stain.newer, stain.older, stain.brown.degrees
        )
    else:
        density = one_tone_density(rgb, clean.ratios, stain.newer, stain.brown.degrees)
    red, green, blue = (_logs(rgb)[..., c] for c in range(3))
    use = free >= LEAST
    level = float(np.quantile(green[use], 0.9)) if use.any() else 0.0
    lit = float(np.quantile(mix.light[use], 0.9)) if use.any() else 0.0
    colour = [red - green - clean.ratios[0], blue - green - clean.ratios[1], green - level]
    amounts = [density, mix.newer, mix.older, mix.brown, mix.light - lit]
    planes = UNIT * np.stack([*colour, *amounts], axis=-1)
    planes = np.clip(np.where(use[..., None], planes, 0), -8, 8)
    found: Field = np.concatenate([np.stack([free, whole], -1), planes], -1).astype(np.float32)
    return found, level


def _logs(rgb: NDArray[np.uint8]) -> Field:
    import cv2

    from perioview.plaque_density import log_light

    logs: Field = cv2.LUT(rgb, log_light())
    return logs


def corrections(teeth: Mapping[int, Seen], shown: float) -> dict[int, Correction]:
    """How each tooth's density is to be corrected; the teeth of one photo, seen together.

    Parameters
    ----------
    teeth : mapping of int to Seen
        By tooth.
    shown : float
        Share of the teeth's points whose hue shows dye, 0 to 1.
    """
    if not teeth:
        return {}
    planes = np.stack([t.planes for t in teeth.values()])
    facts = np.stack([t.facts for t in teeth.values()])
    out = _network(planes, facts)
    # A correction counts as far as it exceeds its own uncertainty: optics errs less, but for the
    # few things it cannot see.
    doubt = np.where(facts[:, 0] > 0.5, DOUBT[True], DOUBT[False])[:, None, None]
    more = out[..., 0] * planes[..., 5] / UNIT + out[..., 1]
    share = more**2 / (more**2 + (doubt * np.exp(out[..., 2])) ** 2 + 1e-9)
    # Where hardly a point of the photo shows dye, surroundings are no reason to see any.
    share = share * np.clip(shown / PLAIN_SHARE - 1, 0, 1)
    out[..., :2] *= share[..., None]
    return {
        tooth: Correction(out[i, ..., 0], out[i, ..., 1], np.exp(out[i, ..., 2]), out[i, ..., 3])
        for i, tooth in enumerate(teeth)
    }


@cache
def _weights() -> dict[str, Field]:
    path = resources.files("perioview").joinpath("data/plaque_weights.npz")
    with path.open("rb") as file, np.load(file) as kept:
        return {name: kept[name].astype(np.float32) for name in kept.files}


def _network(planes: Field, facts: Field) -> Field:
    """Down to a quarter of a quarter, across the teeth of the photo, and up again."""
    w = _weights()
    told = facts @ w["facts.weight"] + w["facts.bias"]
    first = _more(_relu(_conv(planes, w, "down0") + told[:, None, None]), w, "down0")
    second = _more(_relu(_conv(_half(first), w, "down1")), w, "down1")
    third = _more(_relu(_conv(_half(second), w, "down2")), w, "down2")
    low = _more(_relu(_conv(_half(third), w, "down3")), w, "down3")
    tooth = low.mean(axis=(1, 2))
    photo = np.concatenate([tooth.mean(axis=0), tooth.max(axis=0)])
    around = np.concatenate([facts, tooth, np.broadcast_to(photo, (len(tooth), photo.size))], 1)
    around = _relu(around @ w["around.weight"] + w["around.bias"])
    low = low + (around @ w["low.weight"] + w["low.bias"])[:, None, None]
    up = _more(_relu(_conv(np.concatenate([_twice(low), third], -1), w, "up2")), w, "up2")
    up = _more(_relu(_conv(np.concatenate([_twice(up), second], -1), w, "up1")), w, "up1")
    last = (around @ w["last.weight"] + w["last.bias"])[:, None, None]
    up = _more(_relu(_conv(np.concatenate([_twice(up), first], -1), w, "up0") + last), w, "up0")
    found: Field = up @ w["out.weight"] + w["out.bias"]
    return found


def _relu(x: Field) -> Field:
    return np.maximum(x, 0, out=x)


def _more(x: Field, w: Mapping[str, Field], name: str) -> Field:
    """A second layer of the same width, added to the first."""
    return x + _relu(_conv(x, w, f"{name}_more"))


def _half(x: Field) -> Field:
    n, rows, cols, planes = x.shape
    found: Field = x.reshape(n, rows // 2, 2, cols // 2, 2, planes).mean(axis=(2, 4))
    return found


def _twice(x: Field) -> Field:
    return x.repeat(2, axis=1).repeat(2, axis=2)


def _conv(x: Field, w: Mapping[str, Field], name: str) -> Field:
    """3 x 3 neighbourhood, zeros beyond the edge; weights of shape (9 * inputs, outputs)."""
    n, rows, cols, planes = x.shape
    wide = np.zeros((n, rows + 2, cols + 2, planes), np.float32)
    wide[:, 1:-1, 1:-1] = x
    near = [wide[:, r : r + rows, c : c + cols] for r in range(3) for c in range(3)]
    patches = np.concatenate(near, axis=-1).reshape(-1, 9 * planes)
    found = patches @ w[f"{name}.weight"] + w[f"{name}.bias"]
    return found.reshape(n, rows, cols, -1)
