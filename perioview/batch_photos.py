"""Photos of a batch: plaque per tooth, with the visit's grey cards and outlines carried over."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from perioview.comparison_photos import Card, stated_card
from perioview.errors import InputRefused

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from perioview.image import Image
    from perioview.visit import Visit

CARRIED = "outlines_carried"
Row = dict[str, Any]


def photo_rows(
    folder: Path, stated: Mapping[str, Any], visit: Visit, card: Card | None, carry: bool
) -> Iterator[Row]:
    """Plaque of each tooth of one photo of a visit.

    Parameters
    ----------
    folder : path
        Of the visit.
    stated : mapping
        What the visit says of the photo.
    visit : Visit
    card : tuple of float or None
        Corners of a grey card; the visit's own go before.
    carry : bool
        Whether a photo without outlines takes those of another of the visit.

    Raises
    ------
    InputRefused
        If the photo has no regions, or cannot be measured.
    """
    from perioview.files.reading import read_image
    from perioview.plaque import plaque

    file, dye = str(stated["file"]), str(stated.get("dye", "one-tone"))
    image = read_image(folder / file)
    if dye == "none":
        return
    regions = _regions(folder, file, image)
    flags = []
    if regions is None and carry:
        regions = _carried(folder, file, image, visit)
        flags = [CARRIED]
    if regions is None:
        raise InputRefused(
            f"no tooth regions (regions/{Path(file).name}.png); outline them in the window."
        )
    result = plaque(
        image, regions, dye=dye, gum=stated.get("gum"), card=stated_card(stated) or card
    )
    for tooth in result.json_object()["teeth"]:
        yield {
            **tooth,
            "flags": [*tooth["flags"], *flags],
            "when": stated.get("when", "before"),
            "dye": dye,
            "warnings": said_of(tooth["flags"]),
        }


def said_of(flags: Iterable[str]) -> str:
    """What a tooth's plaque flags mean, in sentences.

    What holds for every photo stands in the README, not on every row.

    Parameters
    ----------
    flags : iterable of str
        Of `plaque_result.ToothPlaque`.
    """
    from perioview.plaque_index import plaque_rules

    sentences = plaque_rules()["flag"]
    return " | ".join(sentences[flag] for flag in flags if flag in sentences)


def _regions(folder: Path, file: str, image: Image) -> NDArray[np.uint16] | None:
    from perioview.files.visit_folder import regions_of_photo

    return regions_of_photo(folder, file, image)


def _carried(folder: Path, file: str, image: Image, visit: Visit) -> NDArray[np.uint16] | None:
    """Outlines of the first other photo of the visit that has some and can be aligned."""
    from perioview.files.reading import read_image
    from perioview.regions_carried import regions_from

    refused: InputRefused | None = None
    for other in (str(row["file"]) for row in visit.photos):
        if other == file:
            continue
        try:
            source = read_image(folder / other)
            drawn = _regions(folder, other, source)
            if drawn is not None:
                return regions_from(drawn, source, image).regions
        except InputRefused as error:
            refused = refused or error
    if refused is not None:
        raise refused
    return None


def mouths(rows: Iterable[Mapping[str, Any]]) -> dict[str, dict[str, Any]]:
    """Plaque of each visit over its teeth, as `perioview.plaque_reduction` takes it.

    Parameters
    ----------
    rows : iterable of mapping
        Of a batch table, as it was measured or as its CSV was read. Rows of radiographs, faults
        and photos taken after cleaning do not count.

    Returns
    -------
    dict of str to dict
        By visit.
    """
    found: dict[str, list[Mapping[str, Any]]] = {}
    for row in rows:
        if row.get("fault") or row.get("when") == "after":
            continue
        if row.get("coverage_pct") not in (None, ""):
            found.setdefault(str(row["visit"]), []).append(row)
    return {name: _mouth(teeth) for name, teeth in found.items()}


def _mouth(teeth: list[Mapping[str, Any]]) -> dict[str, Any]:
    scored = [t for t in teeth if t.get("index") not in (None, "")]
    scores = [float(t["index"]) for t in scored]
    counted = sum(int(t["region_px"]) - int(t["glare_px"]) for t in teeth)
    stained = sum(int(t["stained_px"]) for t in teeth)
    dyes = sorted({str(t["dye"]) for t in teeth if t.get("dye")})
    return {
        # A table of an earlier version does not say.
        **({"dye": ", ".join(dyes)} if dyes else {}),
        "mouth": {
            "index": sum(scores) / len(scores) if scores else None,
            "coverage_pct": 100 * stained / counted if counted else None,
            "index_teeth": sorted({int(t["tooth"]) for t in scored}),
        },
    }
