"""One look at a clicked root: patch, probabilities, and what they say of apex and CEJs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from perioview.proposals_click_network import Maps, maps
from perioview.proposals_click_patch import ACROSS, ALONG, STEP, TARGET_SD, ClickFrame, patch

Array = NDArray[np.float64]
NEAR_ALONG, NEAR_ACROSS = 0.5, 1.0  # mm; mass this near is the confidence
APEX, LOWER, HIGHER = 0, 1, 2
OFF_ROOT = 0.5  # confidence kept by a root that was found beside the click
STRAY = 0.6  # mm that a click may lie beside the root; roots bend
SLIM = 0.16  # half a root's width as a share of its length, where one CEJ alone is known
_S, _T = np.meshgrid(ALONG, ACROSS, indexing="ij")


@dataclass(frozen=True, slots=True)
class Spot:
    """Where one landmark is, in a patch.

    Parameters
    ----------
    along, across : float
        In the patch's unit.
    mass : float
        Probability near it.
    """

    along: float
    across: float
    mass: float


@dataclass(frozen=True, slots=True)
class Look:
    """A patch and its probabilities.

    Parameters
    ----------
    frame : ClickFrame
    maps : Maps
    sides : tuple of int
        Heads whose CEJs are the root's own.
    spots : dict
        By head: the apex and the CEJs in `sides`.
    sure : float
        Probability that all of it is so.
    on_root : float
        1 where the click lies on the root found, else `OFF_ROOT`.
    """

    frame: ClickFrame
    maps: Maps
    sides: tuple[int, ...]
    spots: dict[int, Spot]
    sure: float
    on_root: float


def near(p: Array, along: float, across: float, unit: float = 1.0) -> float:
    """Mass of a map near a position; `unit` is the patch's unit per mm."""
    close = np.abs(_S - along) <= NEAR_ALONG * unit
    close &= np.abs(_T - across) <= NEAR_ACROSS * unit
    return float(p[close].sum())


def spot(p: Array, unit: float) -> Spot:
    """Mode of a map, finer than its samples.

    Parameters
    ----------
    p : ndarray of float, shape SHAPE
    unit : float
        The patch's unit per mm, or per assumed mm.

    Returns
    -------
    Spot
    """
    import cv2

    smooth = cv2.GaussianBlur(p, (0, 0), 1.2, borderType=cv2.BORDER_CONSTANT)
    top = np.unravel_index(int(smooth.argmax()), p.shape)
    s, t = float(ALONG[top[0]]), float(ACROSS[top[1]])
    for _ in range(10):
        weight = p * np.exp(-((_S - s) ** 2 + (_T - t) ** 2) / (2 * 0.3**2))
        total = float(weight.sum())
        if total <= 0:
            break
        s, t = float((weight * _S).sum()) / total, float((weight * _T).sum()) / total
    return Spot(s, t, near(p, s, t, unit))


def spread(p: Array, at: Spot) -> float:
    """Standard deviation along the root about a spot, less what the fit's own targets spread."""
    total = max(float(p.sum()), 1e-9)
    variance = float((p * (_S - at.along) ** 2).sum()) / total - TARGET_SD**2
    return float(np.sqrt(max(variance, (0.3 * STEP) ** 2)))


def looked(
    pixels: NDArray[np.float32],
    frame: ClickFrame,
    wanted: int,
    side: int | None,
    click: Array | None,
    unit: float,
    thorough: bool,
) -> Look | None:
    """Look at one patch.

    Parameters
    ----------
    pixels : ndarray of float32, shape (rows, cols)
        Dense high.
    frame : ClickFrame
    wanted : int
        How many CEJs the root has of its own: 0, 1 or 2.
    side : int or None
        Head of the one wanted, where it is known.
    click : ndarray of float, shape (2,)
        (row, col) px that lies on the root; None where none does.
    unit : float
        The patch's unit per mm, so that looks of several sizes are as sure of the same distance.
    thorough : bool
        Whether to average over all mirror images.

    Returns
    -------
    Look
        None where the patch shows too little of the image.
    """
    grey = patch(pixels, frame)
    if np.isfinite(grey).mean() < 0.02:
        return None
    found = maps(grey, thorough)
    sides, sure = _sides(found, wanted, side)
    spots = {head: spot(found.at[head], unit) for head in (APEX, *sides)}
    for head in spots:
        sure *= spots[head].mass
    off = click is not None and _beside(frame.place(click * frame.pitch), spots) > STRAY * unit
    on_root = OFF_ROOT if off else 1.0
    return Look(frame, found, sides, spots, sure * on_root, on_root)


def _beside(click: tuple[float, float], spots: dict[int, Spot]) -> float:
    """How far a position lies outside the root that was found, in the patch's unit."""
    at = {head: np.array([s.along, s.across]) for head, s in spots.items()}
    if len(at) == 1:
        return 0.0
    end = at[APEX]
    if len(at) == 3:
        top, half = (at[LOWER] + at[HIGHER]) / 2, float(np.hypot(*(at[HIGHER] - at[LOWER]))) / 2
    else:
        head = LOWER if LOWER in at else HIGHER
        half = SLIM * float(np.hypot(*(end - at[head])))
        top = at[head] + np.array([0.0, half if head == LOWER else -half])
    length = max(float(np.hypot(*(end - top))), 1e-6)
    way = (end - top) / length
    d = np.array(click) - top
    along, out = float(d @ way), abs(float(d[0] * way[1] - d[1] * way[0]))
    share = min(max(along / length, 0.0), 1.0)
    # Coronal to the neck a crown is broader than its root.
    beyond = max(along - length, -along - 0.3 * length, 0.0)
    return max(out - half * float(np.sqrt(1 - share**2)), 0.0) + beyond


def _sides(found: Maps, wanted: int, side: int | None) -> tuple[tuple[int, ...], float]:
    """Heads of the root's own CEJs, and the probability that it is these."""
    if wanted == 0:
        return (), 1.0
    if wanted == 2:
        return (LOWER, HIGHER), 1.0
    share = side_share(found, LOWER)
    head = (LOWER if share >= 0.5 else HIGHER) if side is None else side
    return (head,), side_share(found, head)


def side_share(found: Maps, head: int) -> float:
    """Probability that a root with one CEJ of its own has it on this side."""
    lower = (1 - found.absent[LOWER]) * found.absent[HIGHER]
    higher = (1 - found.absent[HIGHER]) * found.absent[LOWER]
    share = float((lower if head == LOWER else higher) / max(lower + higher, 1e-12))
    return share


def centred(look: Look, shortest: float, longest: float) -> tuple[ClickFrame, float]:
    """Frame for a second look: midway between apex and CEJ, along the root, a size well known.

    Parameters
    ----------
    look : Look
    shortest, longest : float
        Root lengths that need no other size.

    Returns
    -------
    frame : ClickFrame
    zoom : float
        Its unit over that of the first look.
    """
    apex = look.spots[APEX]
    rest = [look.spots[h] for h in look.sides]
    if not rest:
        return look.frame, 1.0
    top = np.array([np.mean([s.along for s in rest]), np.mean([s.across for s in rest])])
    end = np.array([apex.along, apex.across])
    if len(rest) == 1:  # the axis runs inside the root's outer edge
        top[1] += (end[1] - top[1]) * 0.5
    length = float(np.hypot(*(end - top)))
    if length < 1.5:
        return look.frame, 1.0
    frame = look.frame
    way = ((end - top) / length) @ np.stack([frame.axis, frame.across])
    middle = frame.origin + (top + end) / 2 @ np.stack([frame.axis, frame.across])
    zoom = min(max(length, shortest), longest) / length
    return ClickFrame(middle * zoom, way, frame.pitch * zoom), zoom
