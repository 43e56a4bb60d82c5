"""Where a clicked root's apex and CEJs may lie in its patch, as a probability per position.

A small convolutional network read by numpy alone. It was trained on drawn phantoms
(tests/phantoms/thickness_maps.py and click_scenes.py): its probabilities are of phantoms.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np
from numpy.typing import NDArray

from perioview.proposals_click_patch import ACROSS, ALONG, SHAPE

Array = NDArray[np.float32]
DILATIONS = (1, 2, 4, 2, 1)
HEADS = ("apex", "lower", "higher")  # CEJ toward lower and toward higher positions across
WEIGHTS = "proposals_click_weights.npz"
_NEIGHBOURS = 15  # samples that a local contrast is taken over: 3 mm


@dataclass(frozen=True, slots=True)
class Maps:
    """Probability of each landmark per position of a patch.

    Parameters
    ----------
    at : ndarray of float, shape (3, *SHAPE)
        In the order of `HEADS`; each sums to 1 less its `absent`.
    absent : ndarray of float, shape (3,)
        Probability that the patch does not show the landmark.
    """

    at: NDArray[np.float64]
    absent: NDArray[np.float64]


def inputs(grey: NDArray[Any]) -> Array:
    """What the network reads: grey, local contrast and the image's bounds, and where it is.

    Parameters
    ----------
    grey : ndarray of float, shape SHAPE
        From 0 to 1, NaN outside the image.

    Returns
    -------
    ndarray of float32, shape (SHAPE[0] / 2, SHAPE[1] / 2, 15)
    """
    import cv2

    known = np.isfinite(grey).astype(np.float32)
    g = np.where(known > 0, grey - 0.5, 0).astype(np.float32)
    size = (_NEIGHBOURS, _NEIGHBOURS)
    weight = np.maximum(cv2.blur(known, size), 1e-3)
    mean = cv2.blur(g, size) / weight
    spread = np.sqrt(np.maximum(cv2.blur(g * g, size) / weight - mean**2, 0))
    local = np.clip((g - mean) / (spread + 0.03), -3, 3) * known / 2
    layers = np.stack([2 * g, local, 1 - known], axis=-1)
    half = layers.reshape(SHAPE[0] // 2, 2, SHAPE[1] // 2, 2, 3).transpose(0, 2, 1, 3, 4)
    out: Array = np.concatenate([half.reshape(*half.shape[:2], 12), _coordinates()], axis=-1)
    return out


@cache
def _coordinates() -> Array:
    s, t = np.meshgrid(ALONG.reshape(-1, 2).mean(1), ACROSS.reshape(-1, 2).mean(1), indexing="ij")
    near = np.exp(-(s**2 / 8 + t**2 / 2))
    return np.stack([np.abs(s) / 8 - 1, np.abs(t) / 3 - 1, near], axis=-1).astype(np.float32)


def convolved(x: Array, w: Array, stride: int = 1, dilation: int = 1) -> Array:
    """Convolution of kernel 3 over images (batch, rows, cols, channels), edges padded by 0.

    Parameters
    ----------
    x : ndarray of float32, shape (n, rows, cols, k)
    w : ndarray of float32, shape (3, 3, k, m)
    stride, dilation : int

    Returns
    -------
    ndarray of float32, shape (n, rows / stride, cols / stride, m)
    """
    n, rows, cols, k = x.shape
    before = dilation if stride == 1 else 0  # as XLA pads "SAME" for even sizes
    after = dilation
    padded = np.pad(x, ((0, 0), (before, after), (before, after), (0, 0)))
    parts = [
        padded[:, i : i + rows : stride, j : j + cols : stride]
        for i in (0, dilation, 2 * dilation)
        for j in (0, dilation, 2 * dilation)
    ]
    flat = np.concatenate(parts, axis=-1).reshape(-1, 9 * k)
    out: Array = (flat @ w.reshape(9 * k, -1)).reshape(n, rows // stride, cols // stride, -1)
    return out


def _doubled(x: Array) -> Array:
    return x.repeat(2, axis=1).repeat(2, axis=2)


def _block(h: Array, w: dict[str, Array], name: str, dilation: int = 1) -> Array:
    out: Array = h + np.maximum(convolved(h, w[name], 1, dilation) + w[name + "_b"], 0)
    return out


def logits(x: Array, w: dict[str, Array]) -> tuple[Array, Array]:
    """Outputs of one network: per position and head, and per head for "not shown".

    Parameters
    ----------
    x : ndarray of float32, shape (n, SHAPE[0] / 2, SHAPE[1] / 2, 15)
    w : dict of ndarray

    Returns
    -------
    at : ndarray of float32, shape (n, 3, *SHAPE)
    absent : ndarray of float32, shape (n, 3)
    """
    full = np.maximum(convolved(x, w["in"]) + w["in_b"], 0)
    full = _block(full, w, "a")
    half = np.maximum(convolved(full, w["d1"], 2) + w["d1_b"], 0)
    half = _block(_block(half, w, "b1"), w, "b2")
    low = np.maximum(convolved(half, w["d2"], 2) + w["d2_b"], 0)
    for i, dilation in enumerate(DILATIONS):
        low = _block(low, w, f"m{i}", dilation)
    absent: Array = low.mean(axis=(1, 2)) @ w["none"] + w["none_b"]
    half = _block(_doubled(low @ w["u2"]) + half, w, "b3")
    full = _block(_doubled(half @ w["u1"]) + full, w, "a2")
    z = convolved(full, w["out"])
    n, rows, cols, _ = z.shape
    at = z.reshape(n, rows, cols, 2, 2, 3).transpose(0, 5, 1, 3, 2, 4)
    return at.reshape(n, 3, 2 * rows, 2 * cols), absent


@cache
def networks() -> tuple[tuple[dict[str, Array], ...], float]:
    """Networks of the data file, and the temperature that calibrates them."""
    with (files("perioview") / "data" / WEIGHTS).open("rb") as stream:
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


def _turned(at: Array, rows: bool, cols: bool) -> Array:
    """Turn maps back from a mirrored patch; across, both CEJs change places."""
    at = at[:, ::-1] if rows else at
    return at[[0, 2, 1]][:, :, ::-1] if cols else at


def maps(grey: NDArray[Any], thorough: bool = True) -> Maps:
    """Probabilities over a patch, averaged over its four mirror images.

    Parameters
    ----------
    grey : ndarray of float, shape SHAPE
        From `perioview.proposals_click_patch.patch`.
    thorough : bool
        All four mirror images rather than two.

    Returns
    -------
    Maps
    """
    nets, temperature = networks()
    ways = [(False, False), (True, True), (True, False), (False, True)][: 4 if thorough else 2]
    views = [grey[:: -1 if r else 1, :: -1 if c else 1] for r, c in ways]
    x = np.stack([inputs(v) for v in views])
    at = np.zeros((3, *SHAPE))
    absent = np.zeros(3)
    for w in nets:
        z, none = logits(x, w)
        for view, (r, c) in enumerate(ways):
            part = np.where(np.isfinite(views[view]), z[view], -1e9)
            p, q = _probabilities(part, none[view], temperature)
            at += _turned(p, r, c)
            absent += q[[0, 2, 1]] if c else q
    count = len(ways) * len(nets)
    return Maps(at / count, absent / count)


def _probabilities(z: Array, none: Array, temperature: float) -> tuple[Array, Array]:
    flat = np.concatenate([z.reshape(3, -1), none[:, None]], axis=1) / temperature
    p = np.exp(flat - flat.max(axis=1, keepdims=True))
    p /= p.sum(axis=1, keepdims=True)
    return p[:, :-1].reshape(z.shape), p[:, -1]
