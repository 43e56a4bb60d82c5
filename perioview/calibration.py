"""How many millimetres a pixel is, how sure that is, and where it came from."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise

from perioview.calibration_doubts import (
    MAX_SPACING_MM,
    MIN_SPACING_MM,
    PLAUSIBLE_FACTOR,
    PLAUSIBLE_INTRAORAL_MM,
    absurdity,
    doubt,
    magnification_notes,
    same_spacing,
    shape_notes,
    shape_ratio,
    usable,
)
from perioview.errors import InputRefused
from perioview.image import Image, Spacing
from perioview.marks import MAX_SIDE_PX, Mark, Marks

# Our convention (no published value): known plane 2 %, detector plane or unknown 5 %; tilt of a
# ruler toward the beam 3 %, which is 1 - cos(14 degrees).
CALIBRATED_SD = 0.02
UNCALIBRATED_SD = 0.05
TILT_SD = 0.03
RULER_SD_PX = 0.5
# Share by which the scale at a ruler's ends may differ from that at its middle: 15 mm straight
# toward a source 150 mm away make 5 %.
MOST_FORESHORTENED = 0.05


@dataclass(frozen=True, slots=True)
class Calibration:
    """Scale of one image.

    Parameters
    ----------
    row_mm, col_mm : float or None
        Millimetres from one row or column to the next; None without a scale.
    relative_sd : float or None
        One standard deviation as a share of the scale.
    method : str
        Where the scale came from; ``none`` without one.
    notes : tuple of str
        How far to trust it.
    ratio : float
        Row pitch over column pitch, known even without a scale.
    """

    row_mm: float | None
    col_mm: float | None
    relative_sd: float | None
    method: str
    notes: tuple[str, ...] = ()
    ratio: float = 1.0

    @property
    def scaled(self) -> bool:
        """Whether millimetres are known."""
        return self.col_mm is not None

    @property
    def pitch(self) -> Spacing:
        """Row and column pitch in `unit`."""
        if self.row_mm is None or self.col_mm is None:
            return self.ratio, 1.0
        return self.row_mm, self.col_mm

    @property
    def unit(self) -> str:
        """``mm``, or ``px`` (column pixels) without a scale."""
        return "mm" if self.scaled else "px"


def _against_file(col_mm: float, sd: float, image: Image, what: str) -> tuple[str, ...]:
    """Say that a stated or marked scale contradicts the file's own beyond both their errors."""
    own = calibration_from_file(image)
    if own.col_mm is None:
        return ()
    apart = col_mm / own.col_mm - 1
    if abs(apart) <= 3 * math.hypot(sd, own.relative_sd or 0.0):
        return ()
    return (
        f"{what} makes a pixel {col_mm:.3g} mm wide, the file {own.col_mm:.3g} mm "
        f"({100 * apart:+.0f} %); check which is right.",
    )


def _checked(
    spacing: Spacing, sd: float, method: str, notes: list[str], image: Image, what: str
) -> Calibration:
    ratio = shape_ratio(image.spacing)
    wrong = None if usable(spacing) else f"{spacing[0]:g} x {spacing[1]:g} mm"
    wrong = wrong or absurdity(spacing, image)
    if wrong:
        said = f"{what} claims {wrong}, which cannot be; no millimetres are given."
        return Calibration(None, None, None, "none", (*image.spacing.notes, said), ratio)
    low, high = PLAUSIBLE_INTRAORAL_MM
    if image.modality == "IO" and not all(low <= v <= high for v in spacing):
        notes.append(
            f"{what} {spacing[0]:g} x {spacing[1]:g} mm is unusual for an intra-oral receptor "
            f"({low:g} to {high:g} mm); check the scale."
        )
    return Calibration(spacing[0], spacing[1], sd, method, tuple(notes), ratio)


def calibration_from_file(image: Image) -> Calibration:
    """Scale an image by what its file says.

    References
    ----------
    .. [1] DICOM PS3.3 sections 10.7.1.1 to 10.7.1.3 (pixel spacing, its calibration, its order).
    """
    tags = image.spacing
    notes = list(tags.notes)
    pixel, imager = tags.pixel_spacing, tags.imager_pixel_spacing
    if pixel is not None:
        if not usable(pixel):
            return _checked(pixel, 0.0, "none", notes, image, "PixelSpacing")
        if tags.calibration_type:
            notes.append(
                f"PixelSpacing was calibrated ({tags.calibration_type}); it holds at the depth of "
                "the calibration only."
            )
            notes += magnification_notes(pixel, imager)
            return _checked(
                pixel, CALIBRATED_SD, "pixel_spacing_calibrated", notes, image, "PixelSpacing"
            )
        if imager is None or not usable(imager):
            if imager is not None:
                notes.append("ImagerPixelSpacing is not positive and was passed over.")
            nominal = tags.nominal_spacing
            if nominal is not None and usable(nominal) and same_spacing(pixel, nominal):
                notes.append(
                    "PixelSpacing is that of the film as scanned: teeth lie in front of it and are "
                    "smaller than read."
                )
            else:
                notes.append("PixelSpacing alone: the file does not say in which plane it holds.")
            return _checked(pixel, UNCALIBRATED_SD, "pixel_spacing", notes, image, "PixelSpacing")
        if not same_spacing(pixel, imager):
            notes.append("PixelSpacing differs from ImagerPixelSpacing: corrected, method unknown.")
            notes += magnification_notes(pixel, imager)
            return _checked(
                pixel, CALIBRATED_SD, "pixel_spacing_calibrated", notes, image, "PixelSpacing"
            )
    if imager is not None:
        factor = tags.magnification
        if factor is not None and math.isfinite(factor) and factor >= 1 and usable(imager):
            notes.append(f"detector spacing divided by the file's magnification factor {factor:g}.")
            if factor > PLAUSIBLE_FACTOR:
                notes.append(
                    f"magnification factor {factor:g} is unusual for teeth (1.02 to 1.1); check it."
                )
            return _checked(
                (imager[0] / factor, imager[1] / factor),
                CALIBRATED_SD,
                "imager_pixel_spacing_demagnified",
                notes,
                image,
                "ImagerPixelSpacing",
            )
        if factor is not None:
            notes.append(f"magnification factor {factor:g} is below 1 and was passed over.")
        notes.append(
            "only the detector plane is known: teeth lie in front of it and are smaller than read."
        )
        return _checked(
            imager, UNCALIBRATED_SD, "imager_pixel_spacing", notes, image, "ImagerPixelSpacing"
        )
    notes.append(
        "the file holds no spacing; millimetres need a ruler or --mm-per-px."
        if tags.nominal_spacing is None
        else "NominalScannedPixelSpacing alone is that of a scan, not of the teeth; millimetres "
        "need a ruler or --mm-per-px."
    )
    return Calibration(None, None, None, "none", tuple(notes), shape_ratio(tags))


@dataclass(frozen=True, slots=True)
class _Ruler:
    col_mm: float
    placement: float
    notes: tuple[str, ...]


def _ruler(label: str, marks: tuple[Mark, ...], ratio: float, sd_px: float) -> _Ruler:
    from perioview.geometry import line_coordinates, ruler_scale

    what = f"ruler{' ' + label if label else ''}"
    along, off = line_coordinates([(m.row * ratio, m.col) for m in marks])
    distances = [m.mm or 0.0 for m in marks]
    order = ", ".join(f"{d:g}" for d in distances)
    if any(b <= a for a, b in pairwise(along)):
        raise InputRefused(
            f"the marks of the {what} at {order} mm coincide or run out of order; correct them."
        )
    fit = ruler_scale(along, distances, sd_px)
    if not math.isfinite(fit.slope) or fit.slope <= 0:
        raise InputRefused(
            f"the marks of the {what} at {order} mm fit no straight ruler; correct them."
        )
    notes = []
    if abs(fit.c) > MOST_FORESHORTENED + 4 * fit.c_sd:
        notes.append(
            f"the marks of the {what} at {order} mm make its ends differ in scale by more than a "
            "tilt toward the beam can; a distance or a mark is wrong, check them."
        )
    # Four SD: one mark in some 16,000 by chance; below 2 px the eye cannot tell either.
    limit = max(4 * sd_px, 2.0)
    for mark, residual, beside in zip(marks, fit.residuals, off, strict=True):
        if math.hypot(residual, beside) > limit:
            notes.append(
                f"the mark at {mark.mm:g} mm of the {what} lies "
                f"{math.hypot(residual, beside):.1f} px from where it should; check it."
            )
    return _Ruler(fit.slope, fit.slope_sd / fit.slope, tuple(notes))


def _calibration_from_rulers(
    rulers: dict[str, tuple[Mark, ...]], ratio: float, sd_px: float
) -> Calibration:
    read = [_ruler(label, marks, ratio, sd_px) for label, marks in rulers.items()]
    count = len(read)
    col_mm = sum(r.col_mm for r in read) / count
    placement = math.sqrt(sum((r.placement * r.col_mm) ** 2 for r in read)) / count / col_mm
    spread = 0.0
    if count > 1:
        spread = math.sqrt(sum((r.col_mm - col_mm) ** 2 for r in read) / (count - 1)) / col_mm
    notes = [n for r in read for n in r.notes]
    notes.append(
        f"scale from {count} ruler{'s' if count > 1 else ''}; a tilt toward the beam cannot be "
        "seen in one view and is allowed for with 3 %."
    )
    if count > 1 and spread > 0.05:
        notes.append(f"the rulers differ by {100 * spread:.0f} % (SD): they lie at unlike depths.")
    if not MIN_SPACING_MM <= col_mm <= MAX_SPACING_MM:
        notes = [
            f"the ruler makes a pixel {col_mm:.3g} mm wide, which cannot be; correct its marks."
        ]
        return Calibration(None, None, None, "none", tuple(notes), ratio)
    sd = math.sqrt(placement**2 + spread**2 + TILT_SD**2)
    return Calibration(col_mm * ratio, col_mm, sd, "ruler", tuple(notes), ratio)


def calibration(
    image: Image,
    marks: Marks | None = None,
    mm_per_px: float | None = None,
    ruler_sd_px: float = RULER_SD_PX,
) -> Calibration:
    """Scale an image: by a given value, else by ruler marks, else by its file.

    Parameters
    ----------
    image : Image
    marks : Marks, optional
        Its ruler marks serve.
    mm_per_px : float, optional
        Column spacing in mm; rows follow by the file's ratio.
    ruler_sd_px : float
        Placement SD of one ruler mark along the ruler, in column px.

    Returns
    -------
    Calibration
        With method ``none`` where nothing trustworthy is known.

    Raises
    ------
    InputRefused
        If `mm_per_px` is not a positive plausible number, the image is too large, or a ruler is
        impossible.
    """
    if max(image.rows, image.cols) > MAX_SIDE_PX:
        raise InputRefused(
            f"{image.name}: {image.rows} x {image.cols} px is too large; "
            f"at most {MAX_SIDE_PX} a side."
        )
    ratio, shape = shape_ratio(image.spacing), shape_notes(image.spacing)
    if mm_per_px is not None:
        if not math.isfinite(mm_per_px) or not 1e-4 <= mm_per_px <= 10:
            raise InputRefused(
                f"--mm-per-px {mm_per_px:g} cannot be a pixel's width; give millimetres, as 0.02."
            )
        row_mm = mm_per_px * ratio
        notes = (
            "scale as given by the user.",
            *doubt((row_mm, mm_per_px), image, f"--mm-per-px {mm_per_px:g}"),
            *_against_file(mm_per_px, 0.0, image, "--mm-per-px"),
        )
        return Calibration(row_mm, mm_per_px, 0.0, "given", notes + shape, ratio)
    rulers = marks.rulers() if marks is not None else {}
    alone = [label for label, ms in rulers.items() if len(ms) < 2]
    whole = {label: ms for label, ms in rulers.items() if len(ms) >= 2}
    if whole:
        found = _calibration_from_rulers(whole, ratio, ruler_sd_px)
        if found.row_mm is not None and found.col_mm is not None:
            sd = found.relative_sd or 0.0
            shape = (
                *doubt((found.row_mm, found.col_mm), image, "the ruler"),
                *_against_file(found.col_mm, sd, image, "the ruler"),
                *shape,
            )
    else:
        found = calibration_from_file(image)
    lone = tuple(
        f"ruler{' ' + label if label else ''} has one mark only and gives no scale."
        for label in alone
    )
    return replace(found, notes=found.notes + lone + shape)
