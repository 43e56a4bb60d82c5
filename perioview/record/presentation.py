"""Marks, axes and values drawn over the untouched image: a presentation state (PS3.3 A.33)."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from pydicom.dataset import Dataset

from perioview import __version__
from perioview.bone_loss import Site
from perioview.image import Image, display_limits
from perioview.marks import Mark
from perioview.measurement import percent_text
from perioview.record.identity import (
    MAKER,
    SERIES,
    Identity,
    digest,
    finish,
    series_uid,
    uid_from,
)
from perioview.record.secondary_capture import srgb_profile
from perioview.visit import Radiograph

_SHOWN_FIRST = ("bone_loss_pct", "bone_loss")


def value_text(site: Site) -> str:
    """What stands beside a site in the picture: percent with SD, else length, else nothing."""
    for name in _SHOWN_FIRST:
        measured = getattr(site, name)
        if measured.known:
            percent = measured.unit == "%"
            unit = "%" if percent else f" {measured.unit}"
            digits = 0 if percent else 1
            value = percent_text(measured.value, 0) if percent else f"{measured.value:.1f}"
            sd = f" ± {measured.sd:.{digits}f}" if math.isfinite(measured.sd) else ""
            return f"{value}{sd}{unit}"
    return ""


def _point(row: float, col: float, image: Image) -> tuple[float, float]:
    # Column first, from the corner of the first pixel (PS3.3 C.10.5.1.2); kept inside.
    return (
        min(max(col + 0.5, 0.0), float(image.cols)),
        min(max(row + 0.5, 0.0), float(image.rows)),
    )


def _shapes(radiograph: Radiograph) -> list[Any]:
    from highdicom.pr import GraphicObject

    image = radiograph.image
    drawn = [
        GraphicObject("POINT", np.array([_point(m.row, m.col, image)]), units="PIXEL")
        for m in radiograph.marks
    ]
    axes = dict.fromkeys(s.axis for s in radiograph.sites if s.axis is not None)
    for start, end in axes:
        line = np.array([_point(*start, image), _point(*end, image)])
        if not np.array_equal(line[0], line[1]):
            drawn.append(GraphicObject("POLYLINE", line, units="PIXEL"))
    return drawn


def _texts(radiograph: Radiograph) -> list[Any]:
    from highdicom.pr import TextObject

    texts = []
    for site in radiograph.sites:
        anchor = _anchor(radiograph, site)
        words = value_text(site)
        if anchor is not None and words:
            point = _point(anchor.row, anchor.col, radiograph.image)
            texts.append(TextObject(words, anchor_point=point, units="PIXEL"))
    return texts


def _anchor(radiograph: Radiograph, site: Site) -> Mark | None:
    for landmark in ("defect_base", "crest"):
        found = radiograph.marks.of(
            tooth=site.tooth, root=site.root, side=site.side, landmark=landmark
        )
        if found:
            return found[0]
    return None


def presentation_object(
    identity: Identity, source: Dataset, radiograph: Radiograph, number: int
) -> Dataset:
    """Presentation state of a measured radiograph.

    Parameters
    ----------
    identity : Identity
        Patient and study.
    source : Dataset
        The radiograph, or a reference to it.
    radiograph : Radiograph
    number : int
        Instance number.

    Returns
    -------
    Dataset
        Greyscale, or colour where the radiograph is a colour picture.
    """
    from highdicom.pr import (
        ColorSoftcopyPresentationState,
        GraphicAnnotation,
        GraphicLayer,
        GrayscaleSoftcopyPresentationState,
    )

    layer = GraphicLayer("MARKS", 1, "Marks, axes and values")
    image = _referable(source, radiograph.image)
    content = digest(radiograph.marks.items, radiograph.sites)
    uid = uid_from("presentation", source.SOPInstanceUID, content)
    kind = "colour_presentations" if radiograph.image.colour else "presentations"
    common: dict[str, Any] = {
        "referenced_images": [image],
        "series_instance_uid": series_uid(identity, kind),
        "series_number": SERIES[kind][0],
        "sop_instance_uid": uid,
        "instance_number": number,
        "manufacturer": MAKER,
        "manufacturer_model_name": MAKER,
        "software_versions": __version__,
        "device_serial_number": "0",
        "content_label": "MARKS",
        "content_description": "Marks, axes and values",
        "graphic_layers": [layer],
        "graphic_annotations": [
            GraphicAnnotation(
                [image],
                graphic_layer=layer,
                graphic_objects=_shapes(radiograph),
                text_objects=_texts(radiograph),
            )
        ],
    }
    state: Dataset
    if radiograph.image.colour:
        state = ColorSoftcopyPresentationState(**common, icc_profile=srgb_profile())
    else:
        state = GrayscaleSoftcopyPresentationState(
            **common, voi_lut_transformations=[_window(radiograph.image)]
        )
        if radiograph.image.inverted:
            state.PresentationLUTShape = "INVERSE"
    state.BodyPartExamined = "JAW"
    if "Laterality" in state:
        del state.Laterality
    return finish(state, identity, SERIES[kind][2])


def _window(image: Image) -> Any:
    from highdicom.pr import SoftcopyVOILUTTransformation

    low, high = display_limits(image)
    return SoftcopyVOILUTTransformation((low + high) / 2, max(high - low, 1.0))


def _referable(source: Dataset, image: Image) -> Dataset:
    """What highdicom asks of an image it draws over, its pixels apart."""
    held = Dataset()
    for element in source:
        if element.keyword != "PixelData":
            held.add(element)
    held.setdefault("SamplesPerPixel", 3 if image.colour else 1)
    held.setdefault("PhotometricInterpretation", "RGB" if image.colour else "MONOCHROME2")
    return held
