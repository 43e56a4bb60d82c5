"""What is known against a photo of stained teeth, as flags and in sentences."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from perioview.plaque_card import GreyCard
from perioview.plaque_density import Mask
from perioview.plaque_enamel import Enamel, Sample, brown_share
from perioview.plaque_index import plaque_rules
from perioview.plaque_result import ToothPlaque
from perioview.plaque_stain import Stain
from perioview.plaque_tooth import Counted

STANDING = (
    "Stain shows nothing below the gum line, and only the side of each tooth that was photographed."
)


def photo_flags(
    enamel: dict[int, Enamel], stain: Stain, two_tone: bool, light: GreyCard | None
) -> tuple[str, ...]:
    """Flags against the whole photo: no clean enamel, no dye, or a dye of another hue.

    Parameters
    ----------
    enamel : mapping by tooth
        Clean enamel.
    stain : Stain
        The dye as the photo shows it.
    two_tone : bool
        Whether older plaque takes a colour of its own.
    light : GreyCard, optional
        Colour of the lamp, if a grey card told it.
    """
    rule = plaque_rules()["dye"]
    flags = []
    if not enamel:
        return ("no_clean_enamel",)
    if stain.paler > plaque_rules()["trust"]["tartar_share"]:
        # What was taken for clean is dyed; edges that agree but by chance show no dye at all.
        no_dye = ("no_dye", "colours_of_no_dye") if stain.agreement < 0 else ()
        return ("no_clean_enamel", *no_dye)
    red, blue = np.median([e.ratios for e in enamel.values()], axis=0)
    limit = rule["clean_magenta"]
    if light is not None:
        # With the lamp's own colour known, dyed enamel shows sooner.
        red, blue = red - light.ratios[0], blue - light.ratios[1]
        limit = rule["clean_magenta_card"]
    # Lamp colour and yellowing trade red against blue; only dye lowers green under both.
    unlike = abs(red) > rule["clean_red"] or abs(blue) > rule["clean_blue"]
    if unlike or red + blue > limit:
        flags.append("no_clean_enamel")
    if not math.isfinite(stain.degrees) or stain.share < rule["least_share"]:
        flags.append("no_dye")
    elif stain.agreement < rule["least_agreement"]:
        flags += ["no_dye", "colours_of_no_dye"]
    highest = rule["highest_deg" if two_tone else "highest_one_tone_deg"]
    if math.isfinite(stain.degrees) and not rule["lowest_deg"] <= stain.degrees <= highest:
        flags += [f for f in ("no_dye", "dye_hue_outside") if f not in flags]
    return tuple(flags)


def tooth_flags(
    sample: Sample, counted: Counted, enamel: Enamel | None, brown_deg: float
) -> tuple[str, ...]:
    """Flags against one tooth.

    Parameters
    ----------
    sample : Sample
        Its colours.
    counted : Counted
        Its pixels.
    enamel : Enamel, optional
        Its clean enamel.
    brown_deg : float
        Angle of brown deposits in the (R-G, B-G) plane.
    """
    rule = plaque_rules()["trust"]
    flags = []
    if enamel is not None and enamel.shared:
        flags.append("clean_enamel_shared")
    if enamel is not None and brown_share(sample, enamel, brown_deg) > rule["tartar_share"]:
        flags.append("tartar")
    if sample.clipped > rule["clipped_share"]:
        flags.append("clipped")
    if sample.edge_share > rule["blurred_share"]:
        useless = sample.edge_share > rule["too_blurred_share"]
        flags.append("too_blurred" if useless else "blurred")
    if counted.glare_share > rule["glare_share"]:
        flags.append("mostly_glare")
    if counted.hidden_share > rule["hidden_share"]:
        flags.append("stain_over_deposit")
    if counted.region_px < rule["least_px"]:
        flags.append("region_too_small")
    return tuple(flags)


def cut_off(region: Mask, box: tuple[slice, slice], shape: tuple[int, ...]) -> tuple[str, ...]:
    """A flag against a tooth that the photo's edge cuts.

    Parameters
    ----------
    region : ndarray of bool
        The tooth in its bounding box.
    box : tuple of slice
        Rows and columns of that box in the photo.
    shape : tuple of int
        Rows and columns of the photo.
    """
    length, size = 0, math.sqrt(float(np.count_nonzero(region)))
    near = max(2, round(0.02 * size))  # an outline seldom reaches the very last pixel
    for axis in (0, 1):
        lines = np.count_nonzero(region, axis=1 - axis)
        length += int(lines[:near].max()) if box[axis].start <= near else 0
        length += int(lines[-near:].max()) if box[axis].stop >= shape[axis] - near else 0
    return ("cut_off",) if length > plaque_rules()["trust"]["cut_off_share"] * size else ()


def warnings(teeth: tuple[ToothPlaque, ...], density: float) -> Iterator[str]:
    """What has to be known with the numbers, one sentence each.

    Parameters
    ----------
    teeth : tuple of ToothPlaque
        With their flags.
    density : float
        Density above which a pixel counts as stained.
    """
    yield STANDING
    yield (
        f"Stained means a density above {density:g} (log10 of linear light over clean enamel, "
        "in the channel the dye absorbs most), a convention."
    )
    for flag, sentence in plaque_rules()["flag"].items():
        named = [str(t.tooth) for t in teeth if flag in t.flags]
        if named:
            yield f"{sentence} ({'all teeth' if len(named) == len(teeth) else ', '.join(named)})"
