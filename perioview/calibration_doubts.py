"""What of a scale cannot be, or hardly is: sizes and shapes of pixels, and what to say."""

from __future__ import annotations

import math

from perioview.image import FileSpacing, Image, Spacing

# Widest intra-oral receptor is 57 x 76 mm (ISO 3665, from memory); twice that is none.
MAX_INTRAORAL_MM = 150.0
MAX_FIELD_MM = 600.0
MIN_SPACING_MM = 0.002
MAX_SPACING_MM = 2.0
PLAUSIBLE_INTRAORAL_MM = (0.01, 0.12)
# Our conventions, no source. Teeth magnify 1.02 to 1.10 (distances of 5 to 20 mm to the receptor,
# 200 to 400 mm to the source). Values that differ by less were written with other digits.
PLAUSIBLE_FACTOR = 1.3
SAME_SPACING = 1e-4


def usable(spacing: Spacing | None) -> bool:
    """Whether both pitches are positive numbers."""
    return spacing is not None and all(math.isfinite(v) and v > 0 for v in spacing)


def shape_ratio(spacing: FileSpacing) -> float:
    """Height of a pixel over its width as the file says it; 1 where that cannot be."""
    for pair in (spacing.pixel_spacing, spacing.imager_pixel_spacing, spacing.nominal_spacing):
        if pair is not None and usable(pair) and 0.1 <= pair[0] / pair[1] <= 10:
            return pair[0] / pair[1]
    aspect = spacing.aspect_ratio
    if aspect is not None and math.isfinite(aspect) and 0.1 <= aspect <= 10:
        return aspect
    return 1.0


def same_spacing(one: Spacing, other: Spacing) -> bool:
    """Whether two spacings differ by no more than the digits they were written with."""
    return all(abs(a - b) <= SAME_SPACING * abs(b) for a, b in zip(one, other, strict=True))


def shape_notes(spacing: FileSpacing) -> tuple[str, ...]:
    """Say that the file's shape of a pixel cannot be and squares were taken instead."""
    said = [(spacing.aspect_ratio, "PixelAspectRatio")]
    for pair, name in (
        (spacing.pixel_spacing, "PixelSpacing"),
        (spacing.imager_pixel_spacing, "ImagerPixelSpacing"),
        (spacing.nominal_spacing, "NominalScannedPixelSpacing"),
    ):
        if pair is not None and usable(pair):
            said.append((pair[0] / pair[1], name))
    odd = [(v, name) for v, name in said if v is not None and not 0.1 <= v <= 10]
    if not odd or len(odd) < sum(v is not None for v, _ in said):
        return ()
    value, name = odd[-1]
    return (
        f"{name} makes a pixel {value:.3g} times as high as wide, which cannot be; pixels are "
        "taken as square, check.",
    )


def magnification_notes(pixel: Spacing, imager: Spacing | None) -> tuple[str, ...]:
    """Say that a calibrated spacing implies a magnification no film of teeth has."""
    if imager is None or not usable(imager) or same_spacing(pixel, imager):
        return ()
    implied = imager[1] / pixel[1]
    if 1 <= implied <= PLAUSIBLE_FACTOR:
        return ()
    return (
        f"PixelSpacing and ImagerPixelSpacing imply a magnification of {implied:.3g}, which no "
        "film of teeth has (1.02 to 1.1); the image may have been resized, check the scale.",
    )


def doubt(spacing: Spacing, image: Image, what: str) -> tuple[str, ...]:
    """Say that a scale somebody stated or marked is unlikely; it holds all the same."""
    wrong = absurdity(spacing, image)
    if wrong:
        return (f"{what} makes {wrong}, which is hardly so; check it.",)
    low, high = PLAUSIBLE_INTRAORAL_MM
    if image.modality == "IO" and not all(low <= v <= high for v in spacing):
        return (
            f"{what} makes a pixel of {spacing[0]:g} x {spacing[1]:g} mm, unusual for an "
            f"intra-oral receptor ({low:g} to {high:g} mm); check it.",
        )
    return ()


def absurdity(spacing: Spacing, image: Image) -> str | None:
    """What cannot be about a spacing, in words; None if it can."""
    field = max(image.rows * spacing[0], image.cols * spacing[1])
    limit = MAX_INTRAORAL_MM if image.modality == "IO" else MAX_FIELD_MM
    if not all(MIN_SPACING_MM <= v <= MAX_SPACING_MM for v in spacing):
        return f"a pixel of {spacing[0]:g} x {spacing[1]:g} mm"
    if not 0.1 <= spacing[0] / spacing[1] <= 10:
        return f"a pixel of {spacing[0]:g} x {spacing[1]:g} mm"
    if field > limit:
        return f"an image {field:.0f} mm wide or high"
    return None
