"""Plaque on the photographed sides of stained teeth: coverage, halves, index, and how sure."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from perioview.errors import InputRefused
from perioview.image import Image
from perioview.measurement import Measurement
from perioview.plaque_card import GreyCard, grey_card
from perioview.plaque_density import Dye, Mask
from perioview.plaque_enamel import Enamel, Sample, clean_enamel, colour_sample
from perioview.plaque_film import counted_film, crown_shades, tooth_crop
from perioview.plaque_flags import cut_off, photo_flags, tooth_flags, warnings
from perioview.plaque_gum import GUM_SIDES, Gum, gum_side, stated_side
from perioview.plaque_index import mouth_index, mouth_turesky, plaque_rules
from perioview.plaque_network import corrections, seen_teeth
from perioview.plaque_result import CAP, GLARE_CODE, PlaqueResult, ToothPlaque
from perioview.plaque_stain import Stain, stain_colour
from perioview.plaque_tooth import Counted, tooth_plaque

DYES = ("one-tone", "two-tone")
Box = tuple[slice, slice]
# Teeth are first looked for on every fourth row and column.
STRIDE = 4


def plaque(
    photo: Image,
    regions: NDArray[Any],
    *,
    dye: str = "one-tone",
    gum: Gum = None,
    density: float = 0.15,
    index_teeth: Collection[int] | None = None,
    mm_per_px: float | None = None,
    card: tuple[float, float, float, float] | None = None,
) -> PlaqueResult:
    """Share of each outlined tooth that disclosed plaque covers, with its uncertainty.

    Parameters
    ----------
    photo : Image
        uint8 sRGB pixels of shape (rows, cols, 3).
    regions : ndarray of uint16, shape (rows, cols)
        Triadan number of the tooth at each pixel, 0 elsewhere.
    dye : str
        ``one-tone`` (pink to red) or ``two-tone`` (older plaque blue to purple).
    gum : str or mapping of int to str, optional
        Where the gum lies: ``up``, ``down``, ``left`` or ``right``, of all teeth or by tooth; by
        the jaw where it is not given.
    density : float
        Log10 density over clean enamel above which a pixel counts as stained.
    index_teeth : collection of int, optional
        Teeth that count for the mouth's index; all that were scored if not given.
    mm_per_px : float, optional
        Scale, only to tell the Turesky bands 2 and 3 apart.
    card : tuple of float, optional
        Row and column of two opposite corners of a neutral grey card in view.

    Returns
    -------
    PlaqueResult
        Percent from 0 to 100; NaN with a flag where the photo cannot be trusted.

    Raises
    ------
    InputRefused
        If photo and regions do not fit each other, or an option has no meaning.
    """
    regions = _checked(photo, regions, dye, gum, density)
    light = None if card is None else grey_card(photo, card, regions)
    boxes = _boxes(regions)
    two_tone = dye == "two-tone"
    crops = {
        tooth: tooth_crop(photo.pixels[box], regions[box] == tooth) for tooth, box in boxes.items()
    }
    samples = {t: colour_sample(c.rgb, c.region, c.region & ~c.glare) for t, c in crops.items()}
    enamel, stain = _enamel_and_stain(samples, two_tone)
    of_photo = photo_flags(enamel, stain, two_tone, light)
    seen = seen_teeth({t: crops[t].parts for t in enamel}, enamel, stain, two_tone)
    correction = corrections(seen, stain.share)
    shade = crown_shades(crops, enamel, stain) if two_tone else {}
    stain_map = np.zeros(regions.shape, np.uint8)
    teeth = []
    for tooth, box in sorted(boxes.items()):
        counted = counted_film(
            crops[tooth],
            enamel.get(tooth),
            stain,
            density,
            two_tone,
            correction.get(tooth),
            shade.get(tooth),
        )
        flags = of_photo + tooth_flags(
            samples[tooth], counted, enamel.get(tooth), stain.brown.degrees
        )
        flags += cut_off(regions[box] == tooth, box, regions.shape)
        side = gum_side(tooth, gum)
        flags += () if stated_side(tooth, gum) else ("gum_side_assumed",)
        teeth.append(tooth_plaque(tooth, counted, side, density, two_tone, flags, mm_per_px))
        _paint(stain_map[box], counted, known=teeth[-1].coverage.known)
    return _result(photo, tuple(teeth), stain, stain_map, dye, density, index_teeth, light)


def _checked(
    photo: Image, regions: NDArray[Any], dye: str, gum: Gum, density: float
) -> NDArray[np.uint16]:
    pixels, regions = photo.pixels, np.asarray(regions)
    name, faults = photo.name, []
    if pixels.ndim != 3 or pixels.shape[2] != 3 or pixels.dtype != np.uint8:
        faults.append(f"{name}: is no colour photo; plaque needs one with red, green and blue.")
    if regions.shape != pixels.shape[:2]:
        got = " x ".join(map(str, regions.shape))
        faults.append(
            f"{name}: the tooth regions are {got} px, the photo {pixels.shape[0]} x "
            f"{pixels.shape[1]}; use regions drawn on this photo."
        )
    if regions.dtype.kind not in "ui":
        faults.append(f"{name}: tooth regions hold {regions.dtype}; give whole tooth numbers.")
    elif not regions.any():
        faults.append(f"{name}: no tooth region is drawn; outline at least one tooth.")
    elif regions.min() < 0 or regions.max() > 65535:
        faults.append(f"{name}: tooth regions hold numbers outside 0 to 65535.")
    if dye not in DYES:
        faults.append(f"{name}: dye is '{dye}'; give one-tone or two-tone.")
    sides = gum.values() if isinstance(gum, Mapping) else () if gum is None else (gum,)
    faults += [
        f"{name}: gum is '{side}'; give up, down, left or right."
        for side in dict.fromkeys(sides)
        if side not in GUM_SIDES
    ]
    if not (math.isfinite(density) and density > 0):
        faults.append(f"{name}: density is {density}; give a number above 0.")
    if faults:
        raise InputRefused(*faults)
    return regions if regions.dtype == np.uint16 else regions.astype(np.uint16)


def _boxes(regions: NDArray[np.uint16]) -> dict[int, Box]:
    """Bounding box of each tooth."""
    import cv2
    from scipy import ndimage

    regions = np.ascontiguousarray(regions)
    counts = cv2.calcHist([regions], [0], None, [65536], [0, 65536]).ravel()
    coarse = ndimage.find_objects(np.ascontiguousarray(regions[::STRIDE, ::STRIDE]))
    boxes = {}
    for number in (int(n) for n in np.flatnonzero(counts) if n):
        found = coarse[number - 1] if number <= len(coarse) else None
        if found is not None:
            wide = _widened(found)
            inside = regions[wide] == number
            # A spike thinner than the stride may reach beyond; then look everywhere.
            if np.count_nonzero(inside) == int(counts[number]):
                boxes[number] = _tight(inside, wide)
                continue
        boxes[number] = _tight(regions == number, np.s_[0:, 0:])
    return boxes


def _widened(coarse: Box) -> Box:
    rows, cols = (slice(max(0, (s.start - 1) * STRIDE), (s.stop + 1) * STRIDE) for s in coarse)
    return rows, cols


def _tight(inside: Mask, box: Box) -> Box:
    rows, cols = (np.flatnonzero(inside.any(axis=axis)) for axis in (1, 0))
    top, left = box[0].start, box[1].start
    return (
        slice(top + int(rows[0]), top + int(rows[-1]) + 1),
        slice(left + int(cols[0]), left + int(cols[-1]) + 1),
    )


def _enamel_and_stain(
    samples: dict[int, Sample], two_tone: bool
) -> tuple[dict[int, Enamel], Stain]:
    rule = plaque_rules()["dye"]
    guess = Dye(rule["pink_deg"], rule["neutral_share"])
    enamel = clean_enamel(samples, guess, two_tone, rule["tartar_deg"])
    stain = stain_colour(samples, enamel, two_tone)
    if math.isfinite(stain.degrees):
        # The dye's own hue sharpens the view of what is clean.
        newer = guess if two_tone else stain.newer
        enamel = clean_enamel(samples, newer, two_tone, stain.brown.degrees)
        stain = stain_colour(samples, enamel, two_tone)
    return enamel, stain


def _paint(target: NDArray[np.uint8], counted: Counted, *, known: bool) -> None:
    """Write the codes of a tooth into its box of the stain map; only glare where no number is."""
    import cv2

    stained = counted.valid & counted.stained & known
    codes = np.zeros(stained.shape, np.uint8)
    codes[stained] = np.clip(counted.density[stained] * 100, 1, CAP).astype(np.uint8)
    if counted.older is not None:
        codes[stained & counted.older] += np.uint8(CAP)
    codes[counted.glare] = GLARE_CODE
    if codes.shape != target.shape:
        size = (target.shape[1], target.shape[0])
        codes = cv2.resize(codes, size, interpolation=cv2.INTER_NEAREST)
    np.copyto(target, codes, where=codes > 0)


def _result(
    photo: Image,
    teeth: tuple[ToothPlaque, ...],
    stain: Stain,
    stain_map: NDArray[np.uint8],
    dye: str,
    density: float,
    index_teeth: Collection[int] | None,
    light: GreyCard | None,
) -> PlaqueResult:
    known = [t for t in teeth if t.coverage.known]
    area = sum(t.region_px - t.glare_px for t in known)
    mouth = Measurement(math.nan, math.nan, "%", ("no_tooth_measured",))
    if area:
        value = 100 * sum(t.stained_px for t in known) / area
        # The zero of density is common to the teeth, so their errors add up.
        sd = sum(t.coverage.sd * (t.region_px - t.glare_px) for t in known) / area
        mouth = Measurement(value, sd, "%")
    scores = {t.tooth: t.index for t in teeth}
    chosen = scores.keys() if index_teeth is None else set(index_teeth)
    counting = tuple(sorted(t for t in chosen if math.isfinite(scores.get(t, math.nan))))
    return PlaqueResult(
        image={
            "file": photo.name,
            "sha256": photo.sha256,
            "rows": photo.rows,
            "cols": photo.cols,
            "modality": photo.modality,
        },
        teeth=teeth,
        coverage=mouth,
        index=mouth_index(scores, counting),
        index_teeth=counting,
        index_name=plaque_rules()["index"]["name"],
        dye=dye,
        density=density,
        dye_hue_deg=stain.degrees,
        warnings=(*warnings(teeth, density), *_without_index(index_teeth, counting)),
        turesky=mouth_turesky([t.turesky for t in teeth if t.tooth in chosen]),
        grey_card=None if light is None else light.json_object(),
        stain_map=stain_map,
    )


def _without_index(chosen: Collection[int] | None, counting: tuple[int, ...]) -> Iterator[str]:
    """Say why there is no mean index although teeth were named for it."""
    if chosen is not None and not counting:
        named = ", ".join(map(str, sorted(chosen)))
        yield f"No mean index: none of the teeth that count ({named}) has a score in this photo."
