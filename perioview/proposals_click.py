"""CEJ and apex of a root proposed from one click on it: suggestions, never measurements.

The SD and confidence are of phantoms, not of patients' radiographs. The confidence of an apex was
calibrated on generators that the judged network had not been trained on; few apices stay sure.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from perioview.calibration import Calibration
from perioview.errors import InputRefused
from perioview.image import Image
from perioview.marks import LOW_CONFIDENCE, Marks
from perioview.proposals import Proposal
from perioview.proposals_click_look import APEX, side_share
from perioview.proposals_click_partner import partner
from perioview.proposals_click_search import (
    First,
    Pair,
    Task,
    first_look,
    pitch_and_sizes,
    second_look,
)
from perioview.proposals_click_sides import WAYS, assumed_way, mesial_way, own_sides
from perioview.proposals_strip import dense_high
from perioview.teeth import tooth as tooth_of

Array = NDArray[np.float64]
NO_MARKS = Marks()
# Roots without a CEJ of their own lie behind others, and no training picture had one.
BEHIND = 0.75
LEAST = 0.25  # below this confidence there is no proposal


def root_proposals(
    image: Image,
    click: tuple[float, float],
    tooth: int,
    root: str,
    calibration: Calibration,
    species: str,
    marks: Marks = NO_MARKS,
    mesial: str | None = None,
) -> tuple[Proposal, ...]:
    """Propose a root's own CEJs and its apex from one click on the root.

    Parameters
    ----------
    image : Image
        Any grey polarity and contrast curve; pixels are not changed.
    click : tuple of float
        (row, col) px, on the root or the tooth's neck, best midway along the root.
    tooth : int
        Modified Triadan number.
    root : str
        Whose root was clicked.
    calibration : Calibration
        Without a scale several sizes are tried.
    species : str
        ``dog`` or ``cat``.
    marks : Marks
        Of the same image; they tell which way is mesial.
    mesial : str or None
        ``left`` or ``right`` on the image as stored, where it is known.

    Returns
    -------
    tuple of Proposal
        CEJs, mesial before distal, then the apex; what is not seen well enough is left out.
        `sd_mm` runs along the root's axis; `confidence` is the probability, on phantoms, of
        lying within 0.5 mm along it, for an apex no more than its spread allows. Flags:
        ``low_confidence``, ``no_scale``, ``side_assumed``, ``polarity_reversed``.

    Raises
    ------
    InputRefused
        If the click lies outside the image, or species, tooth, root or `mesial` is not known.
    """
    wanted = own_sides(tooth, root, species, marks)
    _check_click(image, click, mesial)
    pitch, sizes = pitch_and_sizes(image, calibration)
    at = np.array(click, dtype=float)
    way = _way(marks, tooth, root, species, at * pitch, pitch, mesial)
    task = Task(wanted, way, at)
    first = first_look(task, dense_high(image), at, pitch, sizes)
    if first is None:
        return ()
    pair = second_look(task, first, calibration.scaled)
    flags = _flags(first, calibration, assumed=way is None and len(wanted) == 2)
    heads = _heads(task, pair, assumed_way(tooth_of(tooth, species)) if way is None else way)
    return _proposals(image, tooth, root, pair, heads, flags)


def tooth_proposals(
    image: Image,
    click: tuple[float, float],
    tooth: int,
    roots: tuple[str, ...],
    calibration: Calibration,
    species: str,
    marks: Marks = NO_MARKS,
    mesial: str | None = None,
    asked: str | None = None,
) -> tuple[Proposal, ...]:
    """Propose the own CEJs and apices of both outer roots of a tooth from one click on either.

    The clicked root's own CEJ lies on its outer side. Where a root was asked for, the click is
    taken to be on it: what the image says against that makes its proposals less sure. Where
    nothing else tells which way is mesial, it does, flagged where a usual mounting differs. With
    no root asked for, the image alone says which it is.

    Parameters
    ----------
    image, click, tooth
        As for `root_proposals`.
    roots : tuple of str
        Roots of the tooth that are seen; those without a CEJ of their own are left out.
    calibration, species, marks, mesial
        As for `root_proposals`.
    asked : str, optional
        The root that the user was told to click.

    Returns
    -------
    tuple of Proposal
        As of `root_proposals`, root by root; the flag ``side_assumed`` then doubts the roots'
        names too.

    Raises
    ------
    InputRefused
        As `root_proposals`, and if no root of those given has a CEJ of its own.
    """
    sides = {root: own_sides(tooth, root, species, marks) for root in roots}
    outer = {sides[root][0]: root for root in roots if len(sides[root]) == 1}
    if len(outer) < 2:
        root = next((r for r in roots if sides[r]), None)
        if root is None:
            raise InputRefused(
                f"{tooth}: none of these roots has a CEJ of its own; click it alone."
            )
        return root_proposals(image, click, tooth, root, calibration, species, marks, mesial)
    _check_click(image, click, mesial)
    pitch, sizes = pitch_and_sizes(image, calibration)
    at = np.array(click, dtype=float)
    way = _way(marks, tooth, "", species, at * pitch, pitch, mesial)
    told = next((side for side, root in outer.items() if root == asked), None)
    # With both known, the side to look at is known; else it is read from the image.
    task = Task(("mesial",), None, at) if told is None or way is None else Task((told,), way, at)
    first = first_look(task, dense_high(image), at, pitch, sizes)
    if first is None:
        return ()
    pair = second_look(task, first, calibration.scaled)
    head = pair.second.sides[0]
    known = assumed_way(tooth_of(tooth, species)) if way is None else way
    names = {h: side for side, h in task.heads(pair.second.frame, known).items()}
    side = told or names[head]
    # A root asked for that is the other one on a film mounted as usual: worth a look, too.
    flags = _flags(first, calibration, assumed=way is None and told != names[head])
    share = side_share(pair.second.maps, head)
    found = list(_proposals(image, tooth, outer[side], pair, {side: head}, flags, share))
    other = partner(first, pair, calibration.scaled)
    if other is not None:
        side = "distal" if side == "mesial" else "mesial"
        found += _proposals(
            image, tooth, outer[side], other, {side: other.second.sides[0]}, flags, share
        )
    return tuple(sorted(found, key=lambda p: roots.index(p.root)))


def _way(
    marks: Marks,
    tooth: int,
    root: str,
    species: str,
    at: Array,
    pitch: Array,
    mesial: str | None,
) -> Array | None:
    if mesial is not None:
        return np.array([0.0, WAYS[mesial]])
    return mesial_way(marks, tooth_of(tooth, species), root, at, pitch)


def _flags(first: First, calibration: Calibration, *, assumed: bool) -> tuple[str, ...]:
    scale = () if calibration.scaled else ("no_scale",)
    return (*first.flags, *scale, *(("side_assumed",) if assumed else ()))


def _check_click(image: Image, click: tuple[float, float], mesial: str | None) -> None:
    faults = [
        f"click: {axis} {value:g} lies outside the image ({size} {axis}s); click on the root."
        for axis, value, size in (("row", click[0], image.rows), ("col", click[1], image.cols))
        if not -0.5 <= value <= size - 0.5
    ]
    if mesial is not None and mesial not in WAYS:
        faults.append(f"mesial '{mesial}' is not known; use left or right.")
    if faults:
        raise InputRefused(*faults)


def _heads(task: Task, pair: Pair, way: Array) -> dict[str, int]:
    """Own sides, mesial first, each with its head."""
    if len(task.wanted) == 1:
        return {task.wanted[0]: pair.second.sides[0]}
    heads = task.heads(pair.second.frame, way)
    return {side: heads[side] for side in task.wanted}


def _proposals(
    image: Image,
    tooth: int,
    root: str,
    pair: Pair,
    heads: dict[str, int],
    flags: tuple[str, ...],
    share: float = 1.0,
) -> tuple[Proposal, ...]:
    """CEJs, then the apex; `share` is how sure the root's own name is."""
    found = []
    # A root told apart by its sides only has an apex as doubtful as its name.
    for side, head in (*heads.items(), ("", APEX)):
        at, sure = pair.second.spots[head], pair.confidence(head)
        sure *= (share if heads else BEHIND) if head == APEX else 1.0
        r, c = pair.second.frame.pixels(np.array(at.along), np.array(at.across))
        row, col = float(r), float(c)
        if sure < LEAST or not _inside(image, row, col):
            continue
        sure = min(sure, pair.bound(head))
        low = ("low_confidence",) if sure < LOW_CONFIDENCE else ()
        own = flags if side or len(heads) == 1 else tuple(f for f in flags if f != "side_assumed")
        sd = pair.sd(head) / pair.unit
        landmark = "cej" if side else "apex"
        found.append(Proposal(tooth, root, side, landmark, row, col, sd, sure, (*own, *low)))
    return tuple(found)


def _inside(image: Image, row: float, col: float) -> bool:
    return -0.5 <= row <= image.rows - 0.5 and -0.5 <= col <= image.cols - 0.5
