"""Alveolar bone loss along each side of each root, in mm and in percent of the root."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from perioview.calibration import RULER_SD_PX, Calibration
from perioview.marks import Mark, Marks
from perioview.measurement import Measurement, missing
from perioview.teeth import ROOTS, SIDES

Points = NDArray[np.complex128]

# Repeated exposures without a fixture: error variance 0.07 mm2 of a CEJ-to-crest distance
# (dry skulls), shared by its two marks.
DEFAULT_SD_MM = 0.19
# Our convention, for want of a scale.
DEFAULT_SD_PX = 4.0
ROUND = 9
_TINY = 1e-30

# The side of each root that faces another root of its tooth.
FURCAL_SIDES: Mapping[str, tuple[str, ...]] = {
    "single": (),
    "mesial": ("distal",),
    "mesiobuccal": ("distal",),
    "mesiopalatal": ("distal",),
    "distal": ("mesial",),
    "distobuccal": ("mesial",),
    "palatal": ("mesial", "distal"),
}


@dataclass(frozen=True, slots=True)
class MarkSd:
    """Repeatability of one mark along either axis, one SD per kind of landmark.

    In mm with a scale, else in column px; `ruler` always in column px.
    """

    cej: float
    crest: float
    defect_base: float
    furcation: float
    apex: float
    ruler: float = RULER_SD_PX

    def of(self, landmark: str) -> float:
        """The SD of a kind of landmark."""
        return float(getattr(self, landmark))


def default_mark_sd(scaled: bool) -> MarkSd:
    """The repeatability taken when the observer's own is not known.

    References
    ----------
    .. [1] Dry skulls, repeated exposures without fixation: error variance 0.07 mm2 (abstract).
    """
    sd = DEFAULT_SD_MM if scaled else DEFAULT_SD_PX
    return MarkSd(sd, sd, sd, sd, sd)


@dataclass(frozen=True, slots=True)
class Site:
    """One side of one root.

    Parameters
    ----------
    tooth, root, side
        Which.
    bone_loss, root_length : Measurement
        In mm, or px without a scale.
    bone_loss_pct : Measurement
        In percent of the root length.
    infrabony : Measurement
        Depth of a vertical defect below the crest, in mm or px.
    flags : tuple of str
        What qualifies the site.
    furcation_pct : float
        Depth of the marked furcation roof in percent of the root; NaN if not marked.
    normal_limit_pct : float
        Up to here the loss is within the normal distance (filled by staging); NaN before.
    axis : tuple of two (row, col) or None
        From CEJ level to apex, in px, for drawing.
    """

    tooth: int
    root: str
    side: str
    bone_loss: Measurement
    root_length: Measurement
    bone_loss_pct: Measurement
    infrabony: Measurement
    flags: tuple[str, ...] = ()
    furcation_pct: float = math.nan
    normal_limit_pct: float = math.nan
    axis: tuple[tuple[float, float], tuple[float, float]] | None = None

    @property
    def pattern(self) -> str | None:
        """Heuristic: vertical where a defect base lies apical to the crest, else horizontal."""
        if self.infrabony.known and round(self.infrabony.value, ROUND) > 0:
            return "vertical"
        loss = self.bone_loss_pct.value
        limit = self.normal_limit_pct
        return "horizontal" if round(loss, ROUND) > (0 if math.isnan(limit) else limit) else None


def _dot(a: Points, b: Points) -> NDArray[np.complex128]:
    products: NDArray[np.complex128] = (a * b).sum(axis=-1)
    return products


def _length(a: Points) -> NDArray[np.complex128]:
    return np.sqrt(_dot(a, a))


class _Root:
    """The marks one root is measured from, as an array that can be nudged for derivatives."""

    def __init__(self, marks: list[Mark], pitch: tuple[float, float], sd: MarkSd) -> None:
        self.index = {id(m): i for i, m in enumerate(marks)}
        base = np.array([(m.row * pitch[0], m.col * pitch[1]) for m in marks]).reshape(-1, 2)
        count = len(marks)
        # Complex step: derivative = imaginary part / step, exact to machine precision
        # (Squire & Trapp 1998, SIAM Review 40:110-112).
        self.points: Points = np.repeat(base[None].astype(complex), 2 * count, axis=0)
        rows = np.arange(2 * count)
        self.points[rows, rows // 2, rows % 2] += 1j * _TINY
        self.sd = np.repeat([sd.of(m.landmark) for m in marks], 2)

    def at(self, mark: Mark) -> Points:
        return self.points[:, self.index[id(mark)]]

    def measured(self, values: NDArray[np.complex128], unit: str, scale_sd: float) -> Measurement:
        value = float(values[0].real)
        # Summed exactly: the order of the marks in their file leaves no trace in the last digit.
        sd = math.sqrt(math.fsum((values.imag / _TINY * self.sd) ** 2))
        return Measurement(value, math.hypot(sd, value * scale_sd), unit)


def cej_line(cejs: tuple[Mark, ...], pitch: tuple[float, float]) -> tuple[Mark, Mark] | None:
    """Choose the mesial and the distal CEJ mark of a tooth that lie farthest apart in mm.

    Of pairs equally far apart, the roots' usual order decides, never that of the file.
    """
    best: tuple[Mark, Mark] | None = None
    longest = 0.0
    ordered = sorted(cejs, key=lambda m: ROOTS.index(m.root) if m.root in ROOTS else len(ROOTS))
    for mesial in (m for m in ordered if m.side == "mesial"):
        for distal in (m for m in ordered if m.side == "distal"):
            apart = math.hypot(
                (mesial.row - distal.row) * pitch[0], (mesial.col - distal.col) * pitch[1]
            )
            if round(apart - longest, ROUND) > 0:
                best, longest = (mesial, distal), apart
    return best


@dataclass(frozen=True, slots=True)
class _Axis:
    """Origin and unit vector of a root axis (or, without an apex, of the CEJ's normal)."""

    origin: Points
    unit: Points
    flags: tuple[str, ...]


def _foot(point: Points, a: Points, b: Points) -> Points:
    along = b - a
    share = _dot(point - a, along) / _dot(along, along)
    foot: Points = a + share[:, None] * along
    return foot


def _axis_to_apex(
    root: _Root, own: tuple[Mark, ...], line: tuple[Mark, Mark] | None, apex: Mark
) -> _Axis | None:
    tip = root.at(apex)
    flags: tuple[str, ...] = ()
    if len(own) == 2:
        origin = (root.at(own[0]) + root.at(own[1])) / 2
    elif line is not None:
        origin = _foot(tip, root.at(line[0]), root.at(line[1]))
    elif own:
        origin = root.at(own[0])
        flags = ("axis_from_one_cej",)
    else:
        return None
    along = tip - origin
    length = _length(along)
    if round(float(length[0].real), ROUND) <= 0:
        return None
    return _Axis(origin, along / length[:, None], flags)


def _axis_by_normal(
    root: _Root,
    own: tuple[Mark, ...],
    line: tuple[Mark, Mark] | None,
    toward: tuple[list[tuple[float, float]], tuple[str, ...]],
) -> _Axis | None:
    pair = (own[0], own[1]) if len(own) == 2 else line
    if pair is None:
        return None
    a, b = root.at(pair[0]), root.at(pair[1])
    along = b - a
    length = _length(along)
    if round(float(length[0].real), ROUND) <= 0:
        return None
    normal = np.stack([-along[:, 1], along[:, 0]], axis=1) / length[:, None]
    targets, flags = toward
    if not targets:
        return None
    height = float((np.mean(targets, axis=0) - a[0].real) @ normal[0].real)
    if round(height, ROUND) == 0:
        return None
    return _Axis((a + b) / 2, normal if height > 0 else -normal, flags)


def _targets(
    tooth_marks: Marks, pitch: tuple[float, float]
) -> tuple[list[tuple[float, float]], tuple[str, ...]]:
    def places(*kinds: str) -> list[tuple[float, float]]:
        return [(m.row * pitch[0], m.col * pitch[1]) for m in tooth_marks if m.landmark in kinds]

    apices = places("apex")
    return (apices, ()) if apices else (places("crest", "defect_base"), ("side_from_bone",))


def _first(marks: tuple[Mark, ...]) -> Mark | None:
    return marks[0] if marks else None


def _root_sites(
    tooth_marks: Marks, number: int, name: str, calibration: Calibration, sd: MarkSd
) -> tuple[Site, Site]:
    pitch = calibration.pitch
    unit = calibration.unit
    scale_sd = calibration.relative_sd or 0.0
    line = cej_line(tooth_marks.of(landmark="cej"), pitch)
    own = tooth_marks.of(root=name, landmark="cej")
    apex = _first(tooth_marks.of(root=name, landmark="apex"))
    furcation = _first(tooth_marks.of(landmark="furcation"))
    used = [*tooth_marks.of(root=name), *(line or ()), *([furcation] if furcation else [])]
    root = _Root(list({id(m): m for m in used}.values()), pitch, sd)
    if apex is not None:
        axis = _axis_to_apex(root, own, line, apex)
    else:
        axis = _axis_by_normal(root, own, line, _targets(tooth_marks, pitch))
    sites = []
    for side in SIDES:
        crest = _first(tooth_marks.of(root=name, side=side, landmark="crest"))
        base = _first(tooth_marks.of(root=name, side=side, landmark="defect_base"))
        level = base or crest
        cej = _first(tooth_marks.of(root=name, side=side, landmark="cej"))
        flags: list[str] = []
        loss = missing(unit)
        length = missing(unit)
        percent = missing("%")
        infrabony = missing(unit)
        roof = math.nan
        reference: Points | None = None
        derived = cej is None and name != "single" and line is not None
        if cej is None and not derived:
            flags.append("no_cej")
        if crest is None:
            flags.append("no_crest")
        if apex is None:
            flags.append("no_apex")
        if axis is None:
            # Without any CEJ to reckon from, its absence says it all.
            if own or line is not None:
                flags.append("no_axis")
        else:
            flags += axis.flags
            reference = root.at(cej) if cej else (axis.origin if derived else None)
        if derived:
            flags.append("reference_derived")
            if furcation is None:
                flags.append("furcation_not_marked")
        if axis is not None:
            if crest is not None and base is not None:
                infrabony = root.measured(
                    _dot(root.at(base) - root.at(crest), axis.unit), unit, scale_sd
                )
                if round(infrabony.value, ROUND) < 0:
                    flags.append("defect_base_coronal_to_crest")
            lost = long = None
            if reference is not None and level is not None:
                lost = _dot(root.at(level) - reference, axis.unit)
                loss = root.measured(lost, unit, scale_sd)
                if round(loss.value, ROUND) < 0:
                    flags.append("crest_coronal_to_cej")
            if reference is not None and apex is not None:
                long = _dot(root.at(apex) - reference, axis.unit)
                if round(float(long[0].real), ROUND) <= 0:
                    # The CEJ lies apical to the apex: no root to take a share of.
                    long = None
                    flags.append("no_axis")
                else:
                    length = root.measured(long, unit, scale_sd)
            if lost is not None and long is not None:
                percent = root.measured(100 * lost / long, "%", 0.0)
                if round(percent.value, ROUND) > 100:
                    flags.append("beyond_apex")
            if reference is not None and furcation is not None:
                depth = _dot(root.at(furcation) - reference, axis.unit)
                if derived and long is not None:
                    roof = float((100 * depth / long)[0].real)
                faces = derived or side in FURCAL_SIDES.get(name, ())
                if faces and lost is not None:
                    beyond = float((lost - depth)[0].real)
                    if round(beyond, ROUND) > 0:
                        flags.append("furcation_exposed")
        behind = (level, apex, *((cej,) if cej else line or ()))
        if any(mark is not None and mark.doubtful for mark in behind):
            flags.append("kept_at_low_confidence")
        drawn = None
        if axis is not None and apex is not None:
            start = axis.origin[0].real / pitch
            drawn = ((float(start[0]), float(start[1])), (apex.row, apex.col))
        sites.append(
            Site(
                number,
                name,
                side,
                loss,
                length,
                percent,
                infrabony,
                tuple(flags),
                roof,
                math.nan,
                drawn,
            )
        )
    return sites[0], sites[1]


def sites(
    marks: Marks, calibration: Calibration, mark_sd: MarkSd | None = None
) -> tuple[Site, ...]:
    """Bone loss on both sides of every marked root.

    Parameters
    ----------
    marks : Marks
        Checked marks of one image, in px.
    calibration : Calibration
        Turns px into mm; without a scale lengths are in column px.
    mark_sd : MarkSd, optional
        The observer's repeatability; the published default if left out.

    Returns
    -------
    tuple of Site
        Mesial then distal of each root, teeth and roots in file order.

    References
    ----------
    .. [1] AVDC Nomenclature Committee, "Stages of Periodontal Disease": distance of the alveolar
       margin from the CEJ relative to the length of the root.
    .. [2] JCGM 100:2008 (GUM), eq. 10: first-order propagation of independent errors.
    """
    sd = mark_sd or default_mark_sd(calibration.scaled)
    found: list[Site] = []
    for number in marks.teeth():
        tooth_marks = Marks(marks.of(tooth=number))
        for name in tooth_marks.roots(number):
            found += _root_sites(tooth_marks, number, name, calibration, sd)
    return tuple(found)
