"""Plaque of a mouth as numbers: what the measurement returns and the record keeps."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from perioview.measurement import Measurement
from perioview.plaque_index import plaque_rules

# Codes of `PlaqueResult.stain_map`; densities are in hundredths, capped.
CAP = 100
GLARE_CODE = 255


@dataclass(frozen=True, slots=True)
class ToothPlaque:
    """Plaque on the photographed side of one tooth.

    Parameters
    ----------
    tooth : int
        Triadan number.
    region_px, glare_px, stained_px : int
        Size of the region, of the glare in it, and of the stain outside glare.
    coverage : Measurement
        Stained share of what glare leaves, in percent.
    gingival_half_pct, coronal_half_pct : float
        The same by half; NaN where unknown.
    gingival_half_thickness, coronal_half_thickness : int or None
        Stain intensity class, 0 to 3.
    older_pct, newer_pct : float
        Parts of the coverage by the colour of a two-tone dye; NaN with a one-tone dye.
    index : float
        Logan-Boyce style score, 0 to 24.
    turesky : str or None
        Turesky band; "2-3" without a scale in millimetres.
    flags : tuple of str
        Why a number is missing or doubtful.
    gingival_half_sd, coronal_half_sd : float
        SDs of the halves, in points; NaN where unknown.
    """

    tooth: int
    region_px: int
    glare_px: int
    stained_px: int
    coverage: Measurement
    gingival_half_pct: float
    coronal_half_pct: float
    gingival_half_thickness: int | None
    coronal_half_thickness: int | None
    older_pct: float
    newer_pct: float
    index: float
    coverage_class: int | None
    turesky: str | None
    flags: tuple[str, ...] = ()
    gingival_half_sd: float = math.nan
    coronal_half_sd: float = math.nan

    def json_object(self) -> dict[str, Any]:
        """Return the fields of interfaces.md, null for what is unknown."""
        return {
            "tooth": self.tooth,
            "region_px": self.region_px,
            "glare_px": self.glare_px,
            "stained_px": self.stained_px,
            "coverage_pct": _number(self.coverage.value),
            "coverage_pct_sd": _number(self.coverage.sd),
            "gingival_half_pct": _number(self.gingival_half_pct),
            "coronal_half_pct": _number(self.coronal_half_pct),
            "gingival_half_pct_sd": _number(self.gingival_half_sd),
            "coronal_half_pct_sd": _number(self.coronal_half_sd),
            "gingival_half_thickness": self.gingival_half_thickness,
            "coronal_half_thickness": self.coronal_half_thickness,
            "older_pct": _number(self.older_pct),
            "newer_pct": _number(self.newer_pct),
            "index": _number(self.index),
            "coverage_class": self.coverage_class,
            "turesky": self.turesky,
            "flags": list(self.flags),
        }


@dataclass(frozen=True, slots=True)
class PlaqueResult:
    """Plaque of all outlined teeth of one photo.

    Parameters
    ----------
    image : dict
        File, sha256, rows, cols and modality of the photo.
    teeth : tuple of ToothPlaque
        By Triadan number.
    coverage : Measurement
        Of the mouth: all stained pixels over all tooth pixels outside glare, in percent.
    index : float
        Mean score of the teeth that count.
    index_teeth : tuple of int
        Teeth that entered that mean.
    index_name : str
        Which variant of the index.
    dye : str
        ``one-tone`` or ``two-tone``.
    density : float
        Density above which a pixel counts as stained.
    dye_hue_deg : float
        Hue of the dye in this photo; NaN when none was seen.
    warnings : tuple of str
        In sentences.
    stain_map : ndarray of uint8, shape (rows, cols)
        0 not stained; 1 to 100 density in hundredths; 101 to 200 the same of older plaque;
        255 glare.
    turesky : tuple of float
        Least and most the mean Turesky band can be; they differ without a scale in millimetres.
    grey_card : dict or None
        What the grey card in view says of the light.
    """

    image: dict[str, Any]
    teeth: tuple[ToothPlaque, ...]
    coverage: Measurement
    index: float
    index_teeth: tuple[int, ...]
    index_name: str
    dye: str
    density: float
    dye_hue_deg: float
    warnings: tuple[str, ...]
    stain_map: NDArray[np.uint8] = field(repr=False, compare=False)
    turesky: tuple[float, float] = (math.nan, math.nan)
    grey_card: dict[str, float] | None = None

    def json_object(self) -> dict[str, Any]:
        """Return the JSON of `plaque` in interfaces.md."""
        return {
            "image": dict(self.image),
            "teeth": [tooth.json_object() for tooth in self.teeth],
            "mouth": {
                "coverage_pct": _number(self.coverage.value),
                "coverage_pct_sd": _number(self.coverage.sd),
                "index": _number(self.index),
                "index_teeth": list(self.index_teeth),
                "turesky_low": _number(self.turesky[0]),
                "turesky_high": _number(self.turesky[1]),
            },
            "index_name": self.index_name,
            "second_index_name": plaque_rules()["turesky"]["name"],
            "grey_card": self.grey_card,
            "dye": self.dye,
            "density": self.density,
            "dye_hue_deg": _number(self.dye_hue_deg),
            "warnings": list(self.warnings),
        }


def _number(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
