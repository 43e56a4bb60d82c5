"""Where along a root the crest is, as a probability per position.

A small network of dilated convolutions along the root reads the straightened strip. It was
trained on one generator of phantoms alone (tests/phantoms/thickness_maps.py): its probabilities
are of phantoms, not of patients.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np
from numpy.typing import NDArray

from perioview.proposals_strip import STEP

Array = NDArray[np.float64]
DILATIONS = (1, 2, 4, 8, 16, 32)
NEAR_MM = 0.5  # mass this near the mode is the confidence
LAST = 0.93  # share of the root's length up to which a crest is sought


@dataclass(frozen=True, slots=True)
class Peak:
    """What a posterior says in short.

    Parameters
    ----------
    along : float
        Its mode, in mm along the axis.
    sd : float
        Its standard deviation about the mode, in mm.
    confidence : float
        Its mass within `NEAR_MM` of the mode.
    second : float
        Where a second peak lies, in mm; NaN without one.
    """

    along: float
    sd: float
    confidence: float
    second: float


def features(grey: Array, contour: Array, along: Array, length: float, cej: float | None) -> Array:
    """Inputs of the network at each position along the root.

    Parameters
    ----------
    grey : ndarray of float, shape (n, lanes)
        Straightened strip from 0 to 1, NaN outside the image.
    contour, along : ndarray of float, shape (n,)
        Edge and position in mm.
    length : float
        Root length in mm.
    cej : float or None
        The side's own CEJ along the axis, in mm.

    Returns
    -------
    ndarray of float, shape (n, lanes + 6)
    """
    from scipy import ndimage

    known = np.isfinite(grey)
    filled = np.where(known, grey, 0.5) - 0.5
    start = 0.0 if cej is None else cej
    bend = ndimage.gaussian_filter1d(np.gradient(contour, along), 2.0, mode="nearest")
    extra = [
        (along - start) / length,
        np.clip(along - start, -2, 4) / 2,
        np.full(len(along), 0.0 if cej is None else 1.0),
        (along < start).astype(float),
        1 - known.mean(axis=1),
        np.clip(bend, -1, 1),
    ]
    out: Array = np.concatenate([3 * filled, np.stack(extra, axis=1)], axis=1)
    return out


def _shifted(h: Array, reach: int, step: int) -> Array:
    n = len(h)
    padded = np.pad(h, ((reach * step, reach * step), (0, 0)))
    return np.concatenate([padded[k * step : k * step + n] for k in range(2 * reach + 1)], axis=1)


def layers(x: Array, w: dict[str, Array]) -> Array:
    """Outputs of one network at each position.

    Parameters
    ----------
    x : ndarray of float, shape (n, k)
    w : dict of ndarray
        Its weights.

    Returns
    -------
    ndarray of float, shape (n, heads)
    """
    h = np.maximum(_shifted(x, 2, 1) @ w["in"] + w["in_b"], 0)
    for i, step in enumerate(DILATIONS):
        h = h + np.maximum(_shifted(h, 1, step) @ w[f"c{i}"] + w[f"c{i}_b"], 0)
    out: Array = h @ w["out"]
    return out


@cache
def weights(name: str) -> tuple[tuple[dict[str, Array], ...], float]:
    """Networks of one data file, and the temperature that calibrates them.

    Parameters
    ----------
    name : str
        Of the file in the package's data folder.

    Returns
    -------
    tuple of dict, float
    """
    with (files("perioview") / "data" / name).open("rb") as stream:
        data: Any = np.load(stream)
        networks = tuple(
            {
                key.split("/", 1)[1]: data[key].astype(float)
                for key in data.files
                if key.startswith(f"{k}/")
            }
            for k in range(int(data["count"]))
        )
        return networks, float(data["temperature"])


def _networks() -> tuple[tuple[dict[str, Array], ...], float]:
    return weights("proposals_weights.npz")


def posterior(x: Array, along: Array, length: float) -> Array:
    """Probability of the crest at each position, tempered.

    Parameters
    ----------
    x : ndarray of float, shape (n, k)
        From `features`.
    along : ndarray of float, shape (n,)
        In mm.
    length : float
        Root length in mm; positions beyond its end get none.

    Returns
    -------
    ndarray of float, shape (n,)
        Sums to 1.
    """
    networks, temperature = _networks()
    allowed = along < LAST * length
    mean = np.zeros(len(along))
    for w in networks:
        z = np.where(allowed, layers(x, w)[:, 0], -1e9) / temperature
        p = np.exp(z - z.max())
        mean += p / p.sum()
    result: Array = mean / mean.sum()
    return result


def peak(probability: Array, along: Array) -> Peak:
    """Mode, spread, mass near the mode, and a second peak if there is one.

    Parameters
    ----------
    probability, along : ndarray of float, shape (n,)
        Evenly spaced positions in mm.

    Returns
    -------
    Peak
    """
    from scipy import ndimage

    smooth = ndimage.gaussian_filter1d(probability, 1.5, mode="constant")
    top = int(smooth.argmax())
    mode = float(along[top])
    for _ in range(12):  # mean shift: finer than the positions' spacing
        weight = probability * np.exp(-0.5 * ((along - mode) / 0.12) ** 2)
        if weight.sum() > 0:
            mode = float(weight @ along / weight.sum())
    away = along - mode
    confidence = float(probability[np.abs(away) <= NEAR_MM].sum())
    sd = float(np.sqrt(probability @ away**2 + STEP**2 / 12))
    return Peak(mode, sd, min(confidence, 1.0), _second(smooth, along, top))


def _second(smooth: Array, along: Array, top: int) -> float:
    far = np.abs(along - along[top]) > NEAR_MM
    peaks = (
        np.flatnonzero(far[1:-1] & (smooth[1:-1] >= smooth[:-2]) & (smooth[1:-1] > smooth[2:])) + 1
    )
    if not len(peaks):
        return float("nan")
    best = int(peaks[smooth[peaks].argmax()])
    mass = smooth[np.abs(along - along[best]) <= 0.3].sum()
    return float(along[best]) if mass >= 0.15 else float("nan")
