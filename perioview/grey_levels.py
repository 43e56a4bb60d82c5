"""One image's grey levels on another's scale, by ranks, with changed areas left out."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Levels = NDArray[np.float64]
_GROUPS = 48
_LEAST = 200


def rank_curve(moving: Any, fixed: Any, steps: int = 513) -> tuple[Levels, Levels]:
    """Rising curve that takes each level of one sample to the other's level of equal rank.

    Parameters
    ----------
    moving, fixed : array_like of float, shape (n,)
        Levels of the same pixels in both images, or of the same scene at least.
    steps : int
        Ranks at which the curve is read.

    Returns
    -------
    tuple of ndarray
        Levels of `moving`, strictly rising, and what each becomes, rising.

    References
    ----------
    .. [1] Ruttimann, Webber and Schmidt 1986, J Periodontal Res 21:486-495.
    """
    share = np.linspace(0, 1, steps)
    here, there = np.quantile(moving, share), np.quantile(fixed, share)
    rising = np.concatenate([[True], np.diff(here) > 0])
    # Levels that many pixels share: their mean rank, else the curve would jump to one end.
    index = np.cumsum(rising) - 1
    return here[rising], np.bincount(index, there) / np.bincount(index)


def unchanged(moving: Any, fixed: Any) -> NDArray[np.bool_]:
    """Pick the pixels whose pair of levels is the usual one: no tooth gone, nothing put in.

    A changed area shifts the ranks of everything else, so it has to go before they are read.

    Parameters
    ----------
    moving, fixed : array_like of float, shape (n,)
        Levels of the same pixels in two aligned images.

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    if len(moving) < _LEAST:
        return np.ones(len(moving), bool)
    order = np.argsort(moving, kind="stable")
    groups = [g for g in np.array_split(order, _GROUPS) if len(g)]
    centre = np.array([float(np.median(moving[g])) for g in groups])
    usual = np.array([float(np.median(fixed[g])) for g in groups])
    spread = np.array(
        [float(np.median(np.abs(fixed[g] - m))) for g, m in zip(groups, usual, strict=True)]
    )
    # A group mostly of changed pixels falls out of line: hold the curve to rise outward from
    # the middle, where most pixels are and least is ever put in or taken away.
    middle = len(groups) // 2
    usual[middle:] = np.maximum.accumulate(usual[middle:])
    usual[: middle + 1] = np.minimum.accumulate(usual[: middle + 1][::-1])[::-1]
    apart = np.abs(fixed - np.interp(moving, centre, usual))
    allowed = np.maximum(spread, float(np.median(spread))) * 1.4826 * 3
    kept = apart <= np.interp(moving, centre, allowed) + 1e-9 * (1 + float(np.ptp(fixed)))
    return np.asarray(kept) if kept.mean() > 0.3 else np.ones(len(moving), bool)
