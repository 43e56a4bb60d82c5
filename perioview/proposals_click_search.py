"""Looks at a clicked root: from the click in several frames and sizes, then once more, centred."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from perioview.calibration import Calibration
from perioview.image import Image
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

Array = NDArray[np.float64]
SHORTEST, LONGEST = 6.0, 13.0  # mm; roots beyond are looked at larger or smaller
ENOUGH = 0.7  # a look this sure needs no other
REVERSED = 0.4  # a file is taken to be of the other polarity from here on
# On pictures of a kind the network was not trained on, the mass near an apex's peak says too much;
# the spread of its maps tells: no apex is surer than Chebyshev's inequality allows for this
# distance and the wider map. Judged by a network fitted to generators A and K alone, on E and F,
# which it had not seen: of 469 apices 16 of 240 sure ones were beyond 1 mm without this, 1 of 119
# with it.
APEX_MM = 0.8
# Without a scale an image is taken to be about as long as a common receptor; from memory.
RECEPTOR_MM = 38.0
SIZES_SCALED = (1.0, 0.6, 1.6)
SIZES_UNSCALED = (1.0, 0.7, 0.5, 1.4)


@dataclass(frozen=True, slots=True)
class Task:
    """What is asked of the looks.

    Parameters
    ----------
    wanted : tuple of str
        Sides with a CEJ of their own.
    mesial : ndarray of float, shape (2,)
        Direction in mm of the image; None where it is not known.
    click : ndarray of float, shape (2,)
        (row, col) px on the root; None where none is.
    """

    wanted: tuple[str, ...]
    mesial: Array | None
    click: Array | None

    def heads(self, frame: ClickFrame, way: Array) -> dict[str, int]:
        """Head of either side's CEJ in a patch."""
        toward = float(frame.across @ way)
        if abs(toward) < 1e-9:
            toward = float(frame.across[0])
        lower, higher = ("distal", "mesial") if toward > 0 else ("mesial", "distal")
        return {lower: LOWER, higher: HIGHER}

    def look(
        self, pixels: NDArray[np.float32], frame: ClickFrame, unit: float, thorough: bool = True
    ) -> Look | None:
        """Look at a patch."""
        side = None
        if len(self.wanted) == 1 and self.mesial is not None:
            side = self.heads(frame, self.mesial)[self.wanted[0]]
        return looked(pixels, frame, len(self.wanted), side, self.click, unit, thorough)


@dataclass(frozen=True, slots=True)
class First:
    """The surest look from the click, its unit's size, and the grey values it was taken on."""

    look: Look
    size: float
    grey: NDArray[np.float32]
    flags: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Pair:
    """Two looks at one root.

    Parameters
    ----------
    first, second : Look
    zoom : float
        The second's unit over the first's.
    unit : float
        The second's unit per mm; NaN without a scale.
    """

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
        return min((early + late) / 2, 1.0) * self.second.on_root

    def bound(self, head: int) -> float:
        """Most that a confidence may be, by how far the maps of both looks spread."""
        if head != APEX:
            return 1.0
        unit = self.unit if math.isfinite(self.unit) else 1.0
        first = self.zoom * spread(self.first.maps.at[head], self.first.spots[head])
        return max(1 - (max(self.sd(head), first) / unit / APEX_MM) ** 2, 0.0)

    def sd(self, head: int) -> float:
        """Standard deviation along the root, in the second look's unit."""
        return spread(self.second.maps.at[head], self.second.spots[head])


def pitch_and_sizes(image: Image, calibration: Calibration) -> tuple[Array, tuple[float, ...]]:
    """Size of a pixel in mm, or assumed, and the zooms worth a look."""
    pitch = np.array(calibration.pitch, dtype=float)
    if calibration.scaled:
        return pitch, SIZES_SCALED
    longest = float((np.array([image.rows, image.cols]) * pitch).max())
    return pitch * RECEPTOR_MM / longest, SIZES_UNSCALED


def first_look(
    task: Task, pixels: NDArray[np.float32], at: Array, pitch: Array, sizes: tuple[float, ...]
) -> First | None:
    """Surest look from the click: along the edges beside it, upright or level, other sizes."""
    best: First | None = None

    def tried(grey: NDArray[np.float32], frame: ClickFrame, size: float, *flags: str) -> bool:
        nonlocal best
        look = task.look(grey, frame, size, thorough=False)
        least = 0.0 if best is None else best.look.sure
        if look is not None and look.sure > (max(2 * least, REVERSED) if flags else least):
            best = First(look, size, grey, flags)
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


def second_look(task: Task, first: First, scaled: bool) -> Pair:
    """Look again, centred on what the first look found; once more there if that shows less."""
    frame, zoom = centred(first.look, SHORTEST, LONGEST)
    second = task.look(first.grey, frame, first.size * zoom)
    if second is None or second.sure < first.look.sure:
        # A long or bent root can lead the second look astray.
        second, zoom = task.look(first.grey, first.look.frame, first.size) or first.look, 1.0
    return Pair(first.look, second, zoom, first.size * zoom if scaled else math.nan)
