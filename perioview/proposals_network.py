"""A small network that reads the strips beside a root, in numpy alone.

It looks along the root at four resolutions at once, so that one step in grey is judged with all
others in view: gum to air, crest, the roof of a furcation; and at the coarser ones it hears what
the sites around see at the same height. It was trained on phantoms
(tests/benchmarks/train_proposals.py), so what it says holds for phantoms.
"""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from perioview.proposals_context import Links
from perioview.proposals_strip import LANES, STEP, Strip

Array = NDArray[Any]
LONGEST = 240  # positions along a root; a multiple of 8, as the resolution is halved three times
DENSE = (LANES > -0.85) & (LANES < 2.05)
# What the network sees of the root's other side: means over these lanes, in mm from its edge.
BINS = (-0.85, -0.25, 0.15, 0.45, 0.85, 1.35, 2.05, 4.2)
OTHERS = tuple(np.flatnonzero((a < LANES) & (b > LANES)) for a, b in pairwise(BINS))
WIDTH = len(LANES) + 1 + len(OTHERS) + 8
_STEPS = {"10": 1, "20": 1, "21": 2, "30": 1, "31": 2, "32": 4}
_BEND = 5  # positions either way over which a contour's slope is taken


def inputs(own: Strip, other: Strip, length: float, cej: float | None) -> tuple[Array, Array]:
    """What the network reads of one side of a root.

    Parameters
    ----------
    own, other : Strip
        The side's strip, and that of the same root's other side; they share positions.
    length : float
        Root length in mm.
    cej : float or None
        The side's own CEJ along the axis, in mm.

    Returns
    -------
    x : ndarray of float32, shape (LONGEST, WIDTH)
    live : ndarray of float32, shape (LONGEST,)
        1 at the strip's positions, 0 beyond.
    """
    n, k = len(own.along), len(LANES)
    x = np.zeros((LONGEST, WIDTH), np.float32)
    known = np.isfinite(own.grey)
    x[:n, :k] = np.where(known, 3 * (own.grey - 0.5), 0)
    x[:n, k] = 1 - known[:, DENSE].mean(axis=1)
    opposite = np.where(np.isfinite(other.grey), 3 * (other.grey - 0.5), 0)
    for j, lanes in enumerate(OTHERS):
        x[:n, k + 1 + j] = opposite[:, lanes].mean(axis=1)
    along, contour = own.along, own.contour
    start = 0.0 if cej is None else cej
    bend = np.zeros(n)
    bend[_BEND:-_BEND] = (contour[2 * _BEND :] - contour[: -2 * _BEND]) / (2 * _BEND * STEP)
    extra = (
        (along - start) / length,
        np.clip(along - start, -2, 4) / 2,
        np.full(n, 0.0 if cej is None else 1.0),
        along < start,
        np.clip(bend, -1, 1),
        contour / length * 4,
        np.clip(length - along, 0, 4) / 2,
        np.full(n, (length - 10) / 5),
    )
    x[:n, k + 1 + len(OTHERS) :] = np.stack(extra, axis=1)
    live = np.zeros(LONGEST, np.float32)
    live[:n] = 1
    return x, live


def recurved(x: Array, power: float) -> Array:
    """Inputs as if the film had another contrast curve.

    Parameters
    ----------
    x : ndarray of float32, shape (..., WIDTH)
    power : float
        To which grey levels, from 0 to 1, are raised; 1 leaves them.

    Returns
    -------
    ndarray of float32, shape (..., WIDTH)
    """
    out: Array = x.copy()
    for part in (
        np.s_[..., : len(LANES)],
        np.s_[..., len(LANES) + 1 : len(LANES) + 1 + len(OTHERS)],
    ):
        grey = np.clip(x[part] / 3 + np.float32(0.5), 0, 1) ** np.float32(power)
        # What is outside the image is 0 and stays so.
        out[part] = np.where(x[part] == 0, 0, 3 * (grey - np.float32(0.5)))
    return out


def _shifted(h: Array, reach: int, step: int) -> Array:
    n = h.shape[1]
    padded = np.pad(h, ((0, 0), (reach * step, reach * step), (0, 0)))
    return np.concatenate(
        [padded[:, k * step : k * step + n] for k in range(2 * reach + 1)], axis=2
    )


def _layer(h: Array, w: dict[str, Array], name: str, reach: int = 1, step: int = 1) -> Array:
    read = _shifted(h, reach, step) if reach else h
    out: Array = np.maximum(read @ w[name] + w[f"{name}_b"], 0)
    return out


def _told(h: Array, w: dict[str, Array], name: str, links: Links) -> Array:
    """What other sites say at the same places, and which of them there are."""
    said = _layer(h, w, name, 0)
    sites, n, width = said.shape
    flat = said.reshape(sites, n * width)
    heard = [
        (m @ flat).reshape(sites, n, width) for m in (links.opposite, links.facing, links.around)
    ]
    there = [
        np.broadcast_to(m.sum(axis=1)[:, None, None], (sites, n, 1))
        for m in (links.facing, links.around)
    ]
    return np.concatenate([*heard, *there], axis=2)


def logits(x: Array, live: Array, links: Links, w: dict[str, Array]) -> Array:
    """Log-odds, up to a constant, of the crest at each position.

    Parameters
    ----------
    x : ndarray of float32, shape (sites, LONGEST, WIDTH)
    live : ndarray of float32, shape (sites, LONGEST)
    links : Links
        Which sites tell of one another.
    w : dict of ndarray
        Weights of one network.

    Returns
    -------
    ndarray of float32, shape (sites, LONGEST)
    """
    masks = [live[..., None]]
    for _ in range(3):
        masks.append(np.maximum(masks[-1][:, 0::2], masks[-1][:, 1::2]))
    h = _layer(x, w, "in", 2) * masks[0]
    kept = [h]
    for level in (1, 2, 3):
        halved = (h[:, 0::2] + h[:, 1::2]) * np.float32(0.5)
        h = _layer(halved, w, f"d{level}") * masks[level]
        for j in range(level):
            h = h + _layer(h, w, f"r{level}{j}", 1, _STEPS[f"{level}{j}"]) * masks[level]
        kept.append(h)
    hears = "m3" in w  # networks trained before sites were linked hear nothing of the others
    if hears:
        h = h + _layer(_told(h, w, "m3", links), w, "c3") * masks[3]
        h = h + _layer(h, w, "q3") * masks[3]
    for level in (2, 1, 0):
        h = np.repeat(h @ w[f"u{level}"] + w[f"u{level}_b"], 2, axis=1) + kept[level]
        h = h * masks[level]
        if level == 2 and hears:
            h = h + _layer(_told(h, w, "m2", links), w, "c2") * masks[level]
        h = h + _layer(h, w, f"s{level}0") * masks[level]
    h = h + _layer(h, w, "s01", 1, 2) * masks[0]
    out: Array = (h @ w["out"])[..., 0]
    return out


@cache
def networks() -> tuple[tuple[dict[str, Array], ...], float]:
    """Networks of the package's data file, and the temperature that calibrates them.

    Returns
    -------
    tuple of dict, float
    """
    with (files("perioview") / "data" / "proposals_weights.npz").open("rb") as stream:
        data: Any = np.load(stream)
        found = tuple(
            {
                key.split("/", 1)[1]: data[key].astype(np.float32)
                for key in data.files
                if key.startswith(f"{k}/")
            }
            for k in range(int(data["count"]))
        )
        return found, float(data["temperature"])
