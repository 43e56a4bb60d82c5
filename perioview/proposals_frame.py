"""The frame a root's marks span: axis, length, and where each side's contour should start."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from perioview.calibration import Calibration
from perioview.marks import Marks

Array = NDArray[np.float64]
SIDES = ("mesial", "distal")
# Without a scale a root is taken to be this long; orders of magnitude from memory, no source.
# Only the size of the search's steps hangs on it.
SHORTEST, LONGEST = 5.0, 16.0  # mm, well inside the lengths of generator A
TYPICAL_ROOT_MM = {"dog": 11.0, "cat": 7.5}


@dataclass(frozen=True, slots=True)
class SideFrame:
    """Where to look for one crest, in mm (or units of a typical root without a scale).

    Parameters
    ----------
    tooth, root, side
        Names of the site.
    origin, axis, outward : ndarray of float, shape (2,)
        Point O on the axis, unit vector to the apex, unit vector to this side; (row, col).
    length : float
        From O to the apex along the axis.
    cej : tuple of float
        (along, outward) of the side's own CEJ mark; None if it has none.
    breadth : float
        Farthest the contour is sought from the axis.
    pitch : ndarray of float, shape (2,)
        Size of a pixel, (row, col).
    unit_mm : float
        Millimetres in the unit of all lengths here: 1, unless the root is very long or short;
        NaN without a scale.
    flags : tuple of str
        What qualifies the frame.
    """

    tooth: int
    root: str
    side: str
    origin: Array
    axis: Array
    outward: Array
    length: float
    cej: tuple[float, float] | None
    breadth: float
    pitch: Array
    unit_mm: float
    flags: tuple[str, ...]

    def pixels(self, along: Array, out: Array) -> tuple[Array, Array]:
        """Rows and columns of positions given along the axis and outward from it."""
        r = self.origin[0] + along * self.axis[0] + out * self.outward[0]
        c = self.origin[1] + along * self.axis[1] + out * self.outward[1]
        return r / self.pitch[0], c / self.pitch[1]

    def along_out(self, row: float, col: float) -> tuple[float, float]:
        """Position of a pixel along the axis and outward from it."""
        d = np.array([row, col]) * self.pitch - self.origin
        return float(d @ self.axis), float(d @ self.outward)


def _points(marks: Marks, pitch: Array, **which: object) -> list[Array]:
    found = marks.of(**which)  # type: ignore[arg-type]
    return [np.array([m.row, m.col]) * pitch for m in found]


def cej_line(marks: Marks, tooth: int, pitch: Array) -> tuple[Array, Array] | None:
    """Mesial and distal CEJ mark of a tooth that lie farthest apart.

    Parameters
    ----------
    marks : Marks
    tooth : int
    pitch : ndarray of float, shape (2,)

    Returns
    -------
    tuple of ndarray of float, shape (2,)
        In the unit of `pitch`; None where a side has no mark or both coincide.
    """
    pairs = [
        (m, d)
        for m in _points(marks, pitch, tooth=tooth, landmark="cej", side="mesial")
        for d in _points(marks, pitch, tooth=tooth, landmark="cej", side="distal")
    ]
    if not pairs:
        return None
    best = max(pairs, key=lambda p: float(np.hypot(*(p[0] - p[1]))))
    return best if np.hypot(*(best[0] - best[1])) > 0 else None


def _origin(
    marks: Marks, tooth: int, root: str, apex: Array, pitch: Array
) -> tuple[Array, tuple[str, ...]] | None:
    own = _points(marks, pitch, tooth=tooth, root=root, landmark="cej")
    if len(own) >= 2:
        return (own[0] + own[1]) / 2, ()
    line = cej_line(marks, tooth, pitch)
    if line is not None:
        way = (line[1] - line[0]) / np.hypot(*(line[1] - line[0]))
        return line[0] + ((apex - line[0]) @ way) * way, ()
    if own:
        return own[0], ("axis_from_one_cej",)
    return None


def _mesial_way(
    marks: Marks, tooth: int, root: str, origin: Array, normal: Array, pitch: Array
) -> float:
    """Sign of `normal` that points mesially; 0 when the marks do not tell."""
    score = 0.0
    line = cej_line(marks, tooth, pitch)
    if line is not None:
        # An apex may lie beyond its root's own CEJ, so the line decides before single marks.
        score = float((line[0] - line[1]) @ normal)
    if abs(score) < 1e-6:
        for side, sign in (("mesial", 1.0), ("distal", -1.0)):
            for p in _points(marks, pitch, tooth=tooth, root=root, side=side, landmark="cej"):
                score += sign * float((p - origin) @ normal)
    if abs(score) < 1e-6:
        for other in marks.roots(tooth):
            sign = 1.0 if other.startswith("mesial") else -1.0
            for p in _points(marks, pitch, tooth=tooth, root=other, landmark="apex"):
                if other != root:
                    score += sign * float((p - origin) @ normal)
    if abs(score) < 1e-6:
        # Teeth of one quadrant run mesial to distal with rising numbers.
        for m in marks.of(landmark="apex"):
            if m.tooth and m.tooth != tooth and m.tooth // 100 == tooth // 100:
                d = np.array([m.row, m.col]) * pitch - origin
                score += float(np.sign(tooth - m.tooth)) * float(d @ normal)
    return float(np.sign(score))


def side_frames(marks: Marks, calibration: Calibration, species: str) -> tuple[SideFrame, ...]:
    """Frames of both sides of every root that has an apex and a CEJ, in the marks' order.

    Parameters
    ----------
    marks : Marks
    calibration : Calibration
    species : str
        ``dog`` or ``cat``; sets the typical root length used without a scale.

    Returns
    -------
    tuple of SideFrame
        Mesial before distal. Roots whose CEJ and apex coincide are left out.
    """
    frames: list[SideFrame] = []
    for tooth in marks.teeth():
        for root in marks.roots(tooth):
            frames += _root_frames(marks, calibration, species, tooth, root)
    return tuple(frames)


def _root_frames(
    marks: Marks, calibration: Calibration, species: str, tooth: int, root: str
) -> list[SideFrame]:
    pitch = np.array(calibration.pitch, dtype=float)
    apices = _points(marks, pitch, tooth=tooth, root=root, landmark="apex")
    found = _origin(marks, tooth, root, apices[0], pitch) if apices else None
    if found is None:
        return []
    apex, (origin, flags) = apices[0], found
    length = float(np.hypot(*(apex - origin)))
    if length == 0:
        return []
    scaled = calibration.row_mm is not None
    unit_mm = math.nan
    if scaled:
        # Roots beyond the lengths trained on are looked at smaller or larger.
        unit_mm = length / min(max(length, SHORTEST), LONGEST)
    if not scaled or unit_mm != 1:
        unit = 1 / unit_mm if scaled else TYPICAL_ROOT_MM[species] / length
        pitch, origin, apex, length = pitch * unit, origin * unit, apex * unit, length * unit
    if not scaled:
        flags = (*flags, "no_scale")
    axis = (apex - origin) / length
    normal = np.array([-axis[1], axis[0]])
    mesial = _mesial_way(marks, tooth, root, origin, normal, pitch)
    if mesial == 0:
        flags, mesial = (*flags, "side_assumed"), 1.0
    frames = []
    for side, sign in (("mesial", mesial), ("distal", -mesial)):
        outward = sign * normal
        own = _points(marks, pitch, tooth=tooth, root=root, side=side, landmark="cej")
        at = (float((own[0] - origin) @ axis), float((own[0] - origin) @ outward)) if own else None
        breadth = _breadth(marks, tooth, root, origin, outward, length, at, pitch)
        own_flags = flags if own else (*flags, "reference_derived")
        frames.append(
            SideFrame(
                tooth,
                root,
                side,
                origin,
                axis,
                outward,
                length,
                at,
                breadth,
                pitch,
                unit_mm,
                own_flags,
            )
        )
    return frames


def _breadth(
    marks: Marks,
    tooth: int,
    root: str,
    origin: Array,
    outward: Array,
    length: float,
    cej: tuple[float, float] | None,
    pitch: Array,
) -> float:
    if cej is not None:
        return max(cej[1], 0.4) * 1.25 + 0.4
    breadth = 0.38 * length
    for other in marks.roots(tooth):
        if other != root:
            for p in _points(marks, pitch, tooth=tooth, root=other, landmark="apex"):
                apart = float((p - origin) @ outward)
                if apart > 0.8:
                    breadth = min(breadth, 0.6 * apart + 0.3)
    return max(breadth, 0.8)
