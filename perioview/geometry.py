"""Lines, projections and foreshortened rulers on (row, col) points; no dental words in here."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class LineMap:
    """Distance along a straight object as a projective function of position along its image.

    Position is ``(a * m + b) / (c * m + 1)``, `m` running from -1 to 1 along the true distances;
    `c` is by how much, as a share, the scale's root changes from the middle to an end.
    """

    a: float
    b: float
    c: float
    residuals: tuple[float, ...]
    slope: float
    slope_sd: float
    c_sd: float


def line_coordinates(points: ArrayLike) -> tuple[Array, Array]:
    """Fit a straight line and give each point's position along and off it.

    Parameters
    ----------
    points : array_like of float, shape (n, 2)
        At least two, in any one length unit.

    Returns
    -------
    along, off : ndarray of float, shape (n,)
        Same unit; `along` grows from the first to the last point.
    """
    p = np.asarray(points, dtype=float)
    centred = p - p.mean(axis=0)
    direction = np.linalg.svd(centred)[2][0]
    if (p[-1] - p[0]) @ direction < 0:
        direction = -direction
    return centred @ direction, centred @ np.array([-direction[1], direction[0]])


def _projective_positions(m: Array, k: Array) -> Array:
    positions: Array = (k[0] * m + k[1]) / (k[2] * m + 1.0)
    return positions


def _projective_jacobian(m: Array, k: Array) -> Array:
    d = k[2] * m + 1.0
    return np.stack([m / d, 1 / d, -m * (k[0] * m + k[1]) / d**2], axis=1)


def ruler_scale(along: ArrayLike, distances: ArrayLike, position_sd: float) -> LineMap:
    """Local distance per unit length of image, midway along a foreshortened ruler.

    Positions are what was marked and so carry the error: position is fitted as a projective
    function of distance by least squares (two points: a plain ratio).

    Parameters
    ----------
    along : array_like of float, shape (n,)
        Positions along the image of the ruler, n >= 2, increasing with `distances`.
    distances : array_like of float, shape (n,)
        True distances along the ruler.
    position_sd : float
        Standard deviation of one position, in the unit of `along`.

    Returns
    -------
    LineMap
        `slope` is distance per unit of `along` where the distance is midway between smallest
        and largest; `slope_sd` its standard deviation from the positions alone.

    References
    ----------
    .. [1] Hartley & Zisserman, Multiple View Geometry, 2nd ed., section 2.5 (1-D projectivity).
    """
    t = np.asarray(along, dtype=float)
    d = np.asarray(distances, dtype=float)
    middle, half = (d.max() + d.min()) / 2, (d.max() - d.min()) / 2
    m = (d - middle) / half
    if len(t) == 2:
        slope_t = (t[1] - t[0]) / (m[1] - m[0])
        k = np.array([slope_t, t[0] - slope_t * m[0], 0.0])
        jacobian = np.stack([m, np.ones(2)], axis=1)
    else:
        # Linear start (t (k2 m + 1) = k0 m + k1), then Gauss-Newton on the positions themselves.
        k = np.linalg.lstsq(np.stack([m, np.ones_like(m), -m * t], axis=1), t, rcond=None)[0]
        for _ in range(20):
            step = np.linalg.lstsq(
                _projective_jacobian(m, k), t - _projective_positions(m, k), rcond=None
            )[0]
            k = k + step
            if np.abs(step).max() < 1e-14 * (1 + np.abs(k).max()):
                break
        jacobian = _projective_jacobian(m, k)
    residuals = t - _projective_positions(m, k)
    # dt/dm at m = 0 is k0 - k1 k2.
    dt_dm = float(k[0] - k[1] * k[2])
    gradient = np.array([1.0, -k[2], -k[1]])[: jacobian.shape[1]]
    covariance = np.linalg.inv(jacobian.T @ jacobian) * position_sd**2
    dt_dm_sd = float(np.sqrt(gradient @ covariance @ gradient))
    slope = float(half / dt_dm)
    return LineMap(
        float(k[0]),
        float(k[1]),
        float(k[2]),
        tuple(map(float, residuals)),
        slope,
        abs(slope) * dt_dm_sd / abs(dt_dm),
        math.sqrt(covariance[2, 2]) if len(t) > 2 else 0.0,
    )
