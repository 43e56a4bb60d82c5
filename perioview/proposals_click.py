"""CEJ and apex of a root proposed from one click on it: suggestions, never measurements.

The SD and confidence were calibrated on phantoms, not on patients' radiographs.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from perioview.calibration import Calibration
from perioview.errors import InputRefused
from perioview.image import Image
from perioview.marks import Marks
from perioview.proposals import LOW_CONFIDENCE, Proposal
from perioview.proposals_click_look import (
    APEX,
    HIGHER,
    LOWER,
    Look,
    centred,
    looked,
    near,
    side_share,
    spread,
)
from perioview.proposals_click_patch import ClickFrame, root_axis
from perioview.proposals_click_sides import WAYS, assumed_way, mesial_way, own_sides
from perioview.proposals_strip import dense_high
from perioview.teeth import tooth as tooth_of

Array = NDArray[np.float64]
SHORTEST, LONGEST = 6.0, 13.0  # mm; roots beyond are looked at larger or smaller
ENOUGH = 0.7  # a look this sure needs no other
# Without a scale an image is taken to be about as long as a common receptor; from memory.
RECEPTOR_MM = 38.0
SIZES_SCALED = (1.0, 0.6, 1.6)
SIZES_UNSCALED = (1.0, 0.7, 0.5, 1.4)
NO_MARKS = Marks()
LEAST = 0.25  # below this confidence there is no proposal


@dataclass(frozen=True, slots=True)
class _Task:
    """What is asked of the looks: how many CEJs, and which way is mesial in mm of the image."""

    wanted: tuple[str, ...]
    mesial: Array | None

    def heads(self, frame: ClickFrame, way: Array) -> dict[str, int]:
        """Head of either side's CEJ in a patch."""
        toward = float(frame.across @ way)
        if abs(toward) < 1e-9:
            toward = float(frame.across[0])
        lower, higher = ("distal", "mesial") if toward > 0 else ("mesial", "distal")
        return {lower: LOWER, higher: HIGHER}

    def look(
        self, pixels: NDArray[np.float32], frame: ClickFrame, thorough: bool = True
    ) -> Look | None:
        """Look at a patch."""
        side = None
        if len(self.wanted) == 1 and self.mesial is not None:
            side = self.heads(frame, self.mesial)[self.wanted[0]]
        return looked(pixels, frame, len(self.wanted), side, thorough)


@dataclass(frozen=True, slots=True)
class _First:
    """The surest look from the click, its unit's size, and the grey values it was taken on."""

    look: Look
    size: float
    grey: NDArray[np.float32]
    flags: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Pair:
    """Two looks at one root; `zoom` is the second's unit over the first's, `unit` it per mm."""

    first: Look
    second: Look
    zoom: float
    unit: float

    def confidence(self, head: int) -> float:
        """Probability near the second look's spot, as both looks have it."""
        at = self.second.spots[head]
        unit = self.unit if math.isfinite(self.unit) else 1.0
        late = near(self.second.maps.at[head], at.along, at.across, unit)
        r, c = self.second.frame.pixels(np.array(at.along), np.array(at.across))
        frame = self.first.frame
        along, across = frame.place(np.array([float(r), float(c)]) * frame.pitch)
        turned = float(self.second.frame.across @ frame.across) < 0
        other = {LOWER: HIGHER, HIGHER: LOWER}.get(head, head) if turned else head
        early = near(self.first.maps.at[other], along, across, unit / self.zoom)
        if head != APEX and len(self.second.sides) == 1:
            late *= side_share(self.second.maps, head)
            early *= side_share(self.first.maps, other)
        return min((early + late) / 2, 1.0)

    def sd(self, head: int) -> float:
        """Standard deviation along the root, in the second look's unit."""
        return spread(self.second.maps.at[head], self.second.spots[head])


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
        `sd_mm` runs along the root's axis. Flags: ``low_confidence``, ``no_scale``,
        ``side_assumed``, ``polarity_reversed``.

    Raises
    ------
    InputRefused
        If the click lies outside the image, or species, tooth, root or `mesial` is not known.
    """
    wanted = own_sides(tooth, root, species, marks)
    _check_click(image, click, mesial)
    pitch, sizes = _pitch(image, calibration)
    known = tooth_of(tooth, species)
    at = np.array(click, dtype=float)
    way = (
        np.array([0.0, WAYS[mesial]])
        if mesial
        else mesial_way(marks, known, root, at * pitch, pitch)
    )
    task = _Task(wanted, way)
    first = _first_look(task, dense_high(image), at, pitch, sizes)
    if first is None:
        return ()
    frame, zoom = centred(first.look, SHORTEST, LONGEST)
    second = task.look(first.grey, frame) or first.look
    pair = _Pair(first.look, second, zoom, first.size * zoom if calibration.scaled else math.nan)
    flags = first.flags if calibration.scaled else (*first.flags, "no_scale")
    assumed = ("side_assumed",) if way is None and len(wanted) == 2 else ()
    heads = _heads(task, second, assumed_way(known) if way is None else way)
    found = [
        _proposal(image, (tooth, root, side), pair, head, (*flags, *(assumed if side else ())))
        for side, head in (*heads.items(), ("", APEX))
    ]
    return tuple(p for p in found if p is not None)


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


def _pitch(image: Image, calibration: Calibration) -> tuple[Array, tuple[float, ...]]:
    pitch = np.array(calibration.pitch, dtype=float)
    if calibration.scaled:
        return pitch, SIZES_SCALED
    longest = float((np.array([image.rows, image.cols]) * pitch).max())
    return pitch * RECEPTOR_MM / longest, SIZES_UNSCALED


def _first_look(
    task: _Task, pixels: NDArray[np.float32], at: Array, pitch: Array, sizes: tuple[float, ...]
) -> _First | None:
    """Surest look from the click: along the edges beside it, upright or level, other sizes."""
    best: _First | None = None

    def tried(grey: NDArray[np.float32], frame: ClickFrame, size: float, *flags: str) -> bool:
        nonlocal best
        look = task.look(grey, frame, thorough=False)
        if look is not None and (best is None or look.sure > best.look.sure):
            best = _First(look, size, grey, flags)
        return best is not None and best.look.sure > ENOUGH

    found = root_axis(pixels, at, pitch * sizes[0])
    if any(tried(pixels, f, sizes[0]) for f in _frames(found, at * pitch * sizes[0])):
        return best
    axis = best.look.frame.axis if best is not None else found.axis
    for size in sizes[1:]:
        if tried(pixels, ClickFrame(at * pitch * size, axis, pitch * size), size):
            return best
    tried(-pixels, root_axis(-pixels, at, pitch), 1.0, "polarity_reversed")
    return best


def _frames(found: ClickFrame, at: Array) -> list[ClickFrame]:
    """The frame found, and upright and level ones at the click where they differ from it."""
    plain = [np.array([1.0, 0.0]), np.array([0.0, 1.0])]
    away = [a for a in plain if abs(float(a @ found.axis)) < math.cos(math.radians(25))]
    return [found, *(ClickFrame(at, a, found.pitch) for a in away)]


def _heads(task: _Task, look: Look, way: Array) -> dict[str, int]:
    """Own sides, mesial first, each with its head."""
    if len(task.wanted) == 1:
        return {task.wanted[0]: look.sides[0]}
    heads = task.heads(look.frame, way)
    return {side: heads[side] for side in task.wanted}


def _proposal(
    image: Image, site: tuple[int, str, str], pair: _Pair, head: int, flags: tuple[str, ...]
) -> Proposal | None:
    at, sure = pair.second.spots[head], pair.confidence(head)
    row, col = (float(v) for v in pair.second.frame.pixels(np.array(at.along), np.array(at.across)))
    inside = -0.5 <= row <= image.rows - 0.5 and -0.5 <= col <= image.cols - 0.5
    if sure < LEAST or not inside:
        return None
    sd = pair.sd(head) / pair.unit
    low = ("low_confidence",) if sure < LOW_CONFIDENCE else ()
    landmark = "cej" if site[2] else "apex"
    return Proposal(*site, landmark, row, col, sd, sure, (*flags, *low))
