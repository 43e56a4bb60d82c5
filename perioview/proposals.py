"""Alveolar crests proposed beside marked roots: suggestions to accept or move, never measurements.

The SD and confidence were calibrated on phantoms, not on patients' radiographs; they rank
proposals, and must not be read as clinical error before marked radiographs have been compared.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from perioview.calibration import Calibration
from perioview.errors import InputRefused
from perioview.image import Image
from perioview.marks import LOW_CONFIDENCE, Marks
from perioview.proposals_context import AROUND, links, teeth_apart
from perioview.proposals_frame import SideFrame, side_frames
from perioview.proposals_network import LONGEST, inputs
from perioview.proposals_posterior import (
    EVEN,
    Peak,
    confidence,
    peak,
    posteriors,
    spread,
)
from perioview.proposals_strip import LANES, STEP, Strip, dense_high, straightened

Array = NDArray[np.float64]
# The traced edge runs a little inside a round root's faint rim; the crest is beside the root.
BESIDE_MM = 0.1
MARGIN_NOT_SEEN = "margin_not_seen"
OUT_OF_IMAGE = 0.4  # share of the strip that may lie outside the image before we say so


@dataclass(frozen=True, slots=True)
class Proposal:
    """One mark suggested to the clinician.

    Parameters
    ----------
    tooth : int
        Modified Triadan number.
    root, side : str
        Of the site; `side` is "" for an apex.
    landmark : str
        ``crest``; with `root_proposals` also ``cej`` and ``apex``.
    row, col : float
        In px, pixel centres at whole numbers.
    sd_mm : float
        Standard deviation along the root axis, phantom-calibrated; NaN without a scale.
    confidence : float
        From 0 to 1; set on phantoms so that from 0.8 on at most 1 % lie beyond 1 mm, which real
        radiographs have yet to confirm.
    flags : tuple of str
        ``low_confidence``, ``margin_not_seen`` (as likely wrong as right by `NEAR_MM`: a place to
        look, not to accept), ``two_peaks``, ``no_scale``, ``reference_derived``,
        ``axis_from_one_cej``, ``side_assumed``, ``polarity_reversed``, ``partly_outside``.
    """

    tooth: int
    root: str
    side: str
    landmark: str
    row: float
    col: float
    sd_mm: float
    confidence: float
    flags: tuple[str, ...] = ()


def crest_proposals(
    image: Image,
    marks: Marks,
    calibration: Calibration,
    species: str,
    *,
    teeth: Collection[int] | None = None,
    kept: dict[tuple[object, ...], Strip] | None = None,
) -> tuple[Proposal, ...]:
    """Propose the crest on both sides of every root that has an apex and a CEJ.

    Parameters
    ----------
    image : Image
        Any grey polarity and contrast curve; pixels are not changed.
    marks : Marks
        CEJ and apex marks; crests already marked are proposed again, for comparison.
    calibration : Calibration
        Without a scale a root of typical length sets the size of the search.
    species : str
        ``dog`` or ``cat``.
    teeth : collection of int, optional
        Propose for these only. The other teeth's marks are still read: bone runs on from one tooth
        to the next, so what is proposed does not hang on this choice.
    kept : dict, optional
        Strips straightened before from this image, to which new ones are added.

    Returns
    -------
    tuple of Proposal
        In the marks' order, mesial before distal; positions inside the image.

    Raises
    ------
    InputRefused
        If the species is neither.
    """
    if species not in ("dog", "cat"):
        raise InputRefused(f"species '{species}' is not known; use dog or cat.")
    frames = side_frames(marks, calibration, species)
    if teeth is not None:
        frames = tuple(f for f in frames if _matters(f, teeth))
    if not frames:
        return ()
    pixels = dense_high(image)
    strips = [_strip(pixels, frame, False, kept) for frame in frames]
    reversed_flags: tuple[str, ...] = ()
    if _darker_inside(strips, frames):
        strips = [_strip(-pixels, frame, True, kept) for frame in frames]
        reversed_flags = ("polarity_reversed",)
    found = [
        _proposal(image, frame, strip, at, reversed_flags)
        for frame, strip, at in zip(frames, strips, _peaks(frames, strips), strict=True)
        if teeth is None or frame.tooth in teeth
    ]
    return tuple(p for p in found if p is not None)


def _matters(frame: SideFrame, teeth: Collection[int]) -> bool:
    """Whether a site is told of by these teeth, or by what tells of them."""
    return any(teeth_apart(frame.tooth, tooth) <= 2 * AROUND for tooth in teeth)


def _strip(
    pixels: NDArray[np.float32],
    frame: SideFrame,
    turned: bool,
    kept: dict[tuple[object, ...], Strip] | None,
) -> Strip:
    if kept is None:
        return straightened(pixels, frame)
    places = (frame.origin, frame.axis, frame.outward, frame.pitch)
    key = (*(v.tobytes() for v in places), frame.length, frame.cej, frame.breadth, turned)
    if key not in kept:
        kept[key] = straightened(pixels, frame)
    return kept[key]


def _peaks(frames: tuple[SideFrame, ...], strips: list[Strip]) -> list[Peak]:
    sides = {(f.tooth, f.root, f.side): s for f, s in zip(frames, strips, strict=True)}
    other = {"mesial": "distal", "distal": "mesial"}
    read = [
        inputs(
            strip,
            sides[frame.tooth, frame.root, other[frame.side]],
            frame.length,
            None if frame.cej is None else frame.cej[0],
        )
        for frame, strip in zip(frames, strips, strict=True)
    ]
    steps = STEP * np.arange(LONGEST)
    along = np.stack([strip.along[0] + steps for strip in strips])
    probability = posteriors(
        np.stack([x for x, _ in read]),
        np.stack([live for _, live in read]),
        along,
        np.array([frame.length for frame in frames]),
        links(frames),
    )
    return [peak(p, at) for p, at in zip(probability, along, strict=True)]


def _darker_inside(strips: list[Strip], frames: tuple[SideFrame, ...]) -> bool:
    """Whether roots look darker than what lies beside them: the file's polarity is wrong."""
    votes: list[float] = []
    for strip, frame in zip(strips, frames, strict=True):
        coronal = (strip.along > 0) & (strip.along < 0.5 * frame.length)
        part = strip.grey[coronal]
        if np.isfinite(part).mean() > 0.5:
            inner, outer = (LANES > -0.9) & (LANES < -0.25), (LANES > 0.15) & (LANES < 2.05)
            votes.append(float(np.nanmean(part[:, inner]) - np.nanmean(part[:, outer])))
    return bool(votes) and float(np.median(votes)) < -0.1


def _proposal(
    image: Image, frame: SideFrame, strip: Strip, found: Peak, flags: tuple[str, ...]
) -> Proposal | None:
    edge = np.interp(found.along, strip.along, strip.contour) + BESIDE_MM
    row, col = (float(v) for v in frame.pixels(np.array(found.along), np.array(edge)))
    if not (-0.5 <= row <= image.rows - 0.5 and -0.5 <= col <= image.cols - 0.5):
        return None
    return Proposal(
        frame.tooth,
        frame.root,
        frame.side,
        "crest",
        row,
        col,
        spread(found.sd) * frame.unit_mm,
        found.confidence,
        (*frame.flags, *flags, *_flags(found, strip)),
    )


def _flags(found: Peak, strip: Strip) -> tuple[str, ...]:
    near = np.abs(strip.along - found.along) < 1.5
    outside = 1 - float(np.isfinite(strip.grey[near]).mean())
    return (
        *(("two_peaks",) if math.isfinite(found.second) else ()),
        *(("low_confidence",) if found.confidence < LOW_CONFIDENCE else ()),
        *((MARGIN_NOT_SEEN,) if found.confidence < confidence(EVEN) else ()),
        *(("partly_outside",) if outside > OUT_OF_IMAGE else ()),
    )
