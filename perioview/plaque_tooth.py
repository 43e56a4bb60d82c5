"""One tooth's plaque numbers from its map of dye density."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from perioview.measurement import Measurement, missing
from perioview.plaque_density import Mask, Plane
from perioview.plaque_index import (
    coverage_class,
    half_score,
    intensity_class,
    plaque_rules,
    turesky_band,
)
from perioview.plaque_result import ToothPlaque


@dataclass(frozen=True, slots=True, eq=False)
class Counted:
    """A tooth's pixels within its bounding box, large teeth on a coarser grid.

    Parameters
    ----------
    region, glare : ndarray of bool, shape (rows, cols)
        The tooth, and the glare in it.
    region_px : int
        Size of the tooth in the photo, of which these pixels may be a reduced copy.
    density : ndarray of float32, shape (rows, cols)
        Dye density over clean enamel.
    stained : ndarray of bool, shape (rows, cols)
        Where it exceeds the threshold.
    older : ndarray of bool or None
        Where a two-tone dye looks older.
    sd : ndarray of float32, shape (rows, cols)
        Uncertainty of the density, shared by near pixels.
    hidden_share : float
        Share of the tooth whose stain its hue alone does not show, 0 to 1.
    """

    region: Mask
    glare: Mask
    region_px: int
    density: Plane
    stained: Mask
    older: Mask | None
    sd: Plane
    hidden_share: float = 0.0

    @property
    def valid(self) -> Mask:
        """The tooth without its glare."""
        return self.region & ~self.glare

    @property
    def glare_share(self) -> float:
        """Share of the tooth that glare hides, 0 to 1."""
        return int(np.count_nonzero(self.glare)) / max(1, int(np.count_nonzero(self.region)))


# Pieces of a region smaller than this share of the largest do not say how far it extends.
STRAY = 0.05


def gingival_half(region: Mask, gum: str) -> Mask:
    """Half of a region's extent that lies toward the gum; stray pixels do not stretch it.

    Parameters
    ----------
    region : ndarray of bool, shape (rows, cols)
        The tooth in its bounding box.
    gum : str
        ``up``, ``down``, ``left`` or ``right``.

    Returns
    -------
    ndarray of bool, shape (rows, cols)
    """
    upright = gum in ("up", "down")
    rows = whole_extent(region)[0 if upright else 1]
    at = np.arange(region.shape[0 if upright else 1])
    across = 2 * at < rows[0] + rows[1]
    if gum in ("down", "right"):
        across = 2 * at > rows[0] + rows[1]
    return np.broadcast_to(across[:, None] if upright else across[None, :], region.shape)


def whole_extent(region: Mask) -> tuple[tuple[int, int], tuple[int, int]]:
    """First and last row, and first and last column, of a region without stray pixels.

    Parameters
    ----------
    region : ndarray of bool, shape (rows, cols)
        Not empty.
    """
    import cv2

    # Pieces show on every k-th row and column; where they end is then looked up.
    k = max(1, min(region.shape) // 64)
    k = k if region[::k, ::k].any() else 1
    coarse = np.ascontiguousarray(region[::k, ::k], np.uint8)
    count, _, stats, _ = cv2.connectedComponentsWithStats(coarse)
    left, top, width, height, area = stats[1:count].T
    kept = area >= STRAY * area.max()
    first = max(0, k * (int(top[kept].min()) - 1)), max(0, k * (int(left[kept].min()) - 1))
    last = k * (int((top + height)[kept].max()) + 1), k * (int((left + width)[kept].max()) + 1)
    whole = region[first[0] : last[0], first[1] : last[1]]
    rows, cols = (np.flatnonzero(whole.any(axis=axis)) for axis in (1, 0))
    return (
        (first[0] + int(rows[0]), first[0] + int(rows[-1])),
        (first[1] + int(cols[0]), first[1] + int(cols[-1])),
    )


def tooth_plaque(
    tooth: int,
    counted: Counted,
    gum: str,
    density: float,
    two_tone: bool,
    flags: tuple[str, ...],
    mm_per_px: float | None = None,
) -> ToothPlaque:
    """Numbers of one tooth, unknown where a flag says that the photo cannot be trusted.

    Parameters
    ----------
    tooth : int
        Triadan number.
    counted : Counted
        Its pixels.
    gum : str
        Side of the gum.
    density : float
        Density above which a pixel is stained.
    two_tone : bool
        Whether older and newer plaque are told apart.
    flags : tuple of str
        What is known against the photo and the tooth.
    mm_per_px : float, optional
        Scale, for the Turesky band.
    """
    rule = plaque_rules()["trust"]
    valid = counted.valid
    stained = valid & counted.stained
    area = int(np.count_nonzero(valid))
    sizes = (counted.region_px, round(counted.glare_share * counted.region_px))
    if area == 0 or set(flags) & set(rule["unknown_if"]):
        return _unknown(tooth, sizes, flags)
    visible = sizes[0] - sizes[1]
    covered = round(int(np.count_nonzero(stained)) / area * visible)
    coverage_pct = 100 * covered / visible
    half = gingival_half(counted.region, gum)
    gingival = _half(counted.density, valid & half, stained & half)
    coronal = _half(counted.density, valid & ~half, stained & ~half)
    older = math.nan
    if two_tone and counted.older is not None:
        older = min(coverage_pct, 100 * int(np.count_nonzero(stained & counted.older)) / area)
    turesky = _turesky(counted, stained, gum, coverage_pct / 100, mm_per_px)
    index = math.nan
    counts = [_counts(counted, stained, density, _box(m)) for m in (half, ~half)]
    half_sds = tuple(_sd(c, counted.hidden_share, flags)[0] for c in counts)
    if "cut_off" in flags:
        # Nobody knows where the halves of a crown lie that is not in view.
        gingival = coronal = (math.nan, None)
        half_sds = (math.nan, math.nan)
        turesky = None
    else:
        known = [(pct, t) for pct, t in (gingival, coronal) if math.isfinite(pct) and t is not None]
        index = float(sum(half_score(pct, t) for pct, t in known))
    sums = tuple(sum(column) for column in zip(*counts, strict=True))
    sd, threshold = _sd(sums, counted.hidden_share, flags)
    if threshold > rule["faint_sd_pct"]:
        flags += ("faint_stain",)
    return ToothPlaque(
        tooth,
        *sizes,
        covered,
        Measurement(coverage_pct, sd, "%"),
        gingival[0],
        coronal[0],
        gingival[1],
        coronal[1],
        older,
        coverage_pct - older,
        index,
        coverage_class(coverage_pct),
        turesky,
        flags,
        *half_sds,
    )


def _unknown(tooth: int, sizes: tuple[int, int], flags: tuple[str, ...]) -> ToothPlaque:
    nan = math.nan
    return ToothPlaque(
        tooth,
        *sizes,
        0,
        missing("%", *flags),
        nan,
        nan,
        None,
        None,
        nan,
        nan,
        nan,
        None,
        None,
        flags,
    )


def _half(density: Plane, valid: Mask, stained: Mask) -> tuple[float, int | None]:
    """Coverage in percent and stain intensity class of one half."""
    area = int(np.count_nonzero(valid))
    if area == 0:
        return math.nan, None
    covered = int(np.count_nonzero(stained))
    thickness = intensity_class(float(density[stained].mean())) if covered else 0
    return 100 * covered / area, thickness


def _box(half: Mask) -> tuple[slice, slice]:
    """Rows and columns of a half, which is a box."""
    rows, cols = np.flatnonzero(half[:, 0]), np.flatnonzero(half[0])
    if not len(rows) and not len(cols):
        return np.s_[:0, :]
    if half.all(axis=0).any():
        return np.s_[:, cols[0] : cols[-1] + 1]
    return np.s_[rows[0] : rows[-1] + 1, :]


def _counts(
    counted: Counted, stained: Mask, density: float, part: tuple[slice, slice]
) -> tuple[int, int, int]:
    """Pixels of a part that show, those that an SD of density turns, and edges of stain."""
    valid, stained = counted.valid[part], stained[part]
    values = counted.density[part][valid]
    shift = plaque_rules()["trust"]["shared_sd"] * counted.sd[part][valid]
    turned = np.count_nonzero(values + shift > density) - np.count_nonzero(values - shift > density)
    edge = np.count_nonzero(stained[:, 1:] != stained[:, :-1])
    edge += np.count_nonzero(stained[1:] != stained[:-1])
    return len(values), int(turned), int(edge)


def _sd(
    counts: tuple[int, ...], hidden_share: float, flags: tuple[str, ...]
) -> tuple[float, float]:
    """SD of the coverage of a part, and what of it the threshold alone makes, in points.

    NaN where nothing of the part shows.
    """
    area, turned, edge = counts
    if not area:
        return math.nan, math.nan
    rule = plaque_rules()["trust"]
    threshold = 50 * turned / area
    border = 100 * rule["edge_px"] * edge / area
    hidden = 100 * rule["hidden_sd"] * hidden_share
    sd = math.hypot(threshold, border, hidden, rule["least_sd_pct"])
    return (math.hypot(sd, rule["blurred_sd_pct"]) if "blurred" in flags else sd), threshold


def _turesky(
    counted: Counted, stained: Mask, gum: str, coverage: float, mm_per_px: float | None
) -> str | None:
    """Turesky band; along the margin, columns (or rows) of the region are what counts."""
    turned: NDArray[np.bool_] = np.stack([counted.valid, stained])
    turned = turned if gum in ("up", "down") else turned.transpose(0, 2, 1)
    turned = turned if gum in ("up", "left") else turned[:, ::-1]
    valid, dyed = turned
    lines = valid.any(axis=0)
    first = np.argmax(valid, axis=0)
    columns = np.flatnonzero(lines)
    depth = max(2, round(0.06 * valid.shape[0]))
    touching = [bool(dyed[first[c] : first[c] + depth, c].any()) for c in columns]
    heights = dyed[:, columns].sum(axis=0)
    # Pixels of a reduced crop are larger than the photo's.
    reduced = math.sqrt(counted.region_px / max(1, int(np.count_nonzero(counted.region))))
    band = float(np.median(heights)) * reduced * mm_per_px if mm_per_px and len(columns) else None
    share = float(np.mean(touching)) if touching else 0.0
    return turesky_band(coverage, margin_share=share, band_mm=band)
