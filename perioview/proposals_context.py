"""Which sites of an image tell of one another's crest.

Bone runs on from one root to the next, so a site whose own picture is unclear is read beside the
other side of its root, the side it faces across the gap or the furcation, and the teeth around.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from perioview.proposals_frame import SideFrame

Array = NDArray[Any]
Site = tuple[int, str, str]
ALIKE = 1.25  # ratio of scale up to which two strips can be laid side by side
AROUND = 1  # teeth either way that tell of a site
FIRST = ("single", "mesial", "mesiobuccal", "mesiopalatal")
LAST = ("single", "distal", "distobuccal")


@dataclass(frozen=True, slots=True)
class Links:
    """Weights by which sites (rows) read other sites (columns).

    Parameters
    ----------
    opposite, facing, around : ndarray of float32, shape (sites, sites)
        The root's other side; the side across the gap or the furcation; the mean of all sites of
        the tooth and its neighbours. A row sums to 1, or to 0 where there is none.
    """

    opposite: Array
    facing: Array
    around: Array


def unlinked(sites: int) -> Links:
    """Links of sites that know nothing of one another.

    Parameters
    ----------
    sites : int

    Returns
    -------
    Links
    """
    none = np.zeros((sites, sites), np.float32)
    return Links(none, none, none)


def teeth_apart(a: int, b: int) -> int:
    """How many places along the arcade two teeth lie apart.

    Parameters
    ----------
    a, b : int
        Modified Triadan numbers; the first incisors of either side are neighbours.

    Returns
    -------
    int
        99 for teeth of different jaws or dentitions.
    """
    (qa, na), (qb, nb) = divmod(a, 100), divmod(b, 100)
    if qa == qb:
        return abs(na - nb)
    return na + nb - 1 if (qa + 1) // 2 == (qb + 1) // 2 else 99


def links(frames: Sequence[SideFrame]) -> Links:
    """Find which sites read which.

    Parameters
    ----------
    frames : sequence of SideFrame
        All sites of one image.

    Returns
    -------
    Links
    """
    found = unlinked(len(frames))
    opposite, facing, around = (np.array(m) for m in (found.opposite, found.facing, found.around))
    place = {(f.tooth, f.root, f.side): i for i, f in enumerate(frames)}
    for one, faced in _faced(frames):
        i, j = place.get(one), place.get(faced)
        if i is not None and j is not None and _alike(frames[i], frames[j]):
            facing[i, j] = facing[j, i] = 1
    for i, frame in enumerate(frames):
        side = "distal" if frame.side == "mesial" else "mesial"
        if (j := place.get((frame.tooth, frame.root, side))) is not None:
            opposite[i, j] = 1
        for j, other in enumerate(frames):
            near = teeth_apart(frame.tooth, other.tooth) <= AROUND
            around[i, j] = i != j and near and _alike(frame, other)
    around /= np.maximum(around.sum(axis=1, keepdims=True), 1)
    return Links(opposite, facing, around)


def _alike(a: SideFrame, b: SideFrame) -> bool:
    ratio = float(a.pitch[0] / b.pitch[0])
    return max(ratio, 1 / ratio) <= ALIKE


def _faced(frames: Sequence[SideFrame]) -> list[tuple[Site, Site]]:
    """Pairs of sites that look at each other, whether or not both are there."""
    roots: dict[int, list[str]] = {}
    for frame in frames:
        if frame.root not in roots.setdefault(frame.tooth, []):
            roots[frame.tooth].append(frame.root)
    ends = {
        tooth: tuple(next((r for r in order if r in own), "") for order in (FIRST, LAST))
        for tooth, own in roots.items()
    }
    pairs: list[tuple[Site, Site]] = [
        ((t, a, "distal"), (t, b, "mesial")) for t, (a, b) in ends.items() if a != b
    ]
    for t, (first, last) in ends.items():
        if t + 1 in ends:
            pairs.append(((t, last, "distal"), (t + 1, ends[t + 1][0], "mesial")))
        across = t + 100
        if t % 100 == 1 and across in ends and teeth_apart(t, across) == 1:
            pairs.append(((t, first, "mesial"), (across, ends[across][0], "mesial")))
    return pairs
