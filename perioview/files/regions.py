"""Tooth regions of a photo: a label image, or polygons in a CSV."""

from __future__ import annotations

import csv
import io
import math
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from perioview.errors import InputRefused

HEADER = ("tooth", "vertex", "row", "col")
Regions = NDArray[np.uint16]


def read_regions(path: str | Path, *, rows: int, cols: int, may_be_empty: bool = False) -> Regions:
    """Read which tooth each pixel of a photo belongs to.

    Parameters
    ----------
    path : str or Path
        PNG or TIFF whose values are Triadan numbers, or a CSV of polygons
        ``tooth,vertex,row,col``.
    rows, cols : int
        Size of the photo as displayed, in px.
    may_be_empty : bool
        Whether a file without any region is taken, not refused.

    Returns
    -------
    ndarray of uint16, shape (rows, cols)
        Triadan number, 0 outside teeth.

    Raises
    ------
    InputRefused
        Naming every fault found.
    """
    path = Path(path)
    try:
        content = path.read_bytes()
    except OSError as error:
        raise InputRefused(
            f"{path}: cannot be read ({error.strerror}); give the file of tooth regions."
        ) from error
    if content[:4] in (b"\x89PNG", b"II*\x00", b"MM\x00*"):
        regions = _labels(content, path)
        _check_size(regions, rows, cols, path)
    else:
        regions = _polygons(content, path, rows, cols)
    faults = number_faults(regions, str(path))
    if faults and (regions.any() or not may_be_empty):
        raise InputRefused(*faults)
    return regions


def number_faults(regions: Regions, source: str) -> list[str]:
    """One line per region whose value is no tooth of a dog or a cat, or if there is none.

    Parameters
    ----------
    regions : ndarray of uint16, shape (rows, cols)
        Triadan numbers.
    source : str
        What to name in the lines.
    """
    from perioview.teeth import SPECIES, teeth

    known = {t.number for s in SPECIES for d in (False, True) for t in teeth(s, deciduous=d)}
    counts = np.bincount(regions.ravel()) if regions.size else np.zeros(1, int)
    found = [int(n) for n in np.flatnonzero(counts) if n]
    if not found:
        return [f"{source}: holds no tooth region; outline at least one tooth."]
    return [
        f"{source}: {number} is no tooth of a dog or a cat; use Triadan numbers."
        for number in found
        if number not in known
    ]


def _labels(content: bytes, path: Path) -> Regions:
    import cv2

    flags = cv2.IMREAD_UNCHANGED | cv2.IMREAD_IGNORE_ORIENTATION
    try:
        found = cv2.imdecode(np.frombuffer(content, np.uint8), flags)
    except cv2.error:
        found = None
    if found is None:
        raise InputRefused(f"{path}: cannot be decoded; save the tooth regions again.")
    if found.ndim != 2:
        raise InputRefused(
            f"{path}: has {found.shape[2]} channels; save the tooth numbers as one grey channel."
        )
    if found.dtype.kind not in "ui" or int(found.max(initial=0)) > 65535:
        raise InputRefused(f"{path}: holds {found.dtype}; save tooth numbers as 16-bit integers.")
    labels: Regions = found.astype(np.uint16)
    return labels


def _check_size(regions: Regions, rows: int, cols: int, path: Path) -> None:
    if regions.shape != (rows, cols):
        raise InputRefused(
            f"{path}: is {regions.shape[0]} x {regions.shape[1]} px, the photo {rows} x {cols}; "
            "use regions drawn on this photo as displayed."
        )


def _polygons(content: bytes, path: Path, rows: int, cols: int) -> Regions:
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputRefused(
            f"{path}: is neither PNG, TIFF nor a UTF-8 CSV; give a label image or polygons."
        ) from error
    reader = csv.DictReader(io.StringIO(text, newline=""))
    missing = [c for c in HEADER if c not in [f.strip() for f in reader.fieldnames or ()]]
    if missing:
        hint = " (commas, not semicolons)" if ";" in text.partition("\n")[0] else ""
        raise InputRefused(
            f"{path}: lacks the column{'s' * (len(missing) > 1)} {', '.join(missing)}; its header "
            f"must hold {','.join(HEADER)}{hint}."
        )
    outlines, faults = _vertices(reader, path, rows, cols)
    faults += [
        f"{path}: tooth {tooth} has {len(v)} vertices; an outline needs at least 3."
        for tooth, v in outlines.items()
        if len(v) < 3
    ]
    if faults:
        raise InputRefused(*faults)
    return drawn_regions(
        {t: [v[n] for n in sorted(v)] for t, v in outlines.items()}, rows=rows, cols=cols
    )


def _vertices(
    reader: csv.DictReader[str], path: Path, rows: int, cols: int
) -> tuple[dict[int, dict[int, tuple[float, float]]], list[str]]:
    outlines: dict[int, dict[int, tuple[float, float]]] = {}
    faults = []
    for number, raw in enumerate(reader, start=2):
        row = {(k or "").strip(): v for k, v in raw.items()}
        try:
            tooth, vertex = int(row["tooth"]), int(row["vertex"])
            at = (float(row["row"]), float(row["col"]))
        except (TypeError, ValueError):
            values = ",".join(str(row[c]) for c in HEADER)
            faults.append(f"{path}: line {number}: '{values}' holds what is no number; correct it.")
            continue
        inside = all(
            math.isfinite(x) and -0.5 <= x <= size - 0.5
            for x, size in zip(at, (rows, cols), strict=True)
        )
        if not inside:
            faults.append(
                f"{path}: line {number}: ({at[0]:g}, {at[1]:g}) lies outside the photo of "
                f"{rows} x {cols} px; move the vertex."
            )
        if not 0 < tooth < 1000:
            faults.append(f"{path}: line {number}: tooth {tooth} is no Triadan number.")
        if vertex in outlines.setdefault(tooth, {}):
            faults.append(
                f"{path}: line {number}: vertex {vertex} of tooth {tooth} is there twice; keep one."
            )
        outlines[tooth][vertex] = at
    return outlines, faults


def drawn_regions(
    outlines: dict[int, list[tuple[float, float]]], *, rows: int, cols: int
) -> Regions:
    """Fill polygons: a pixel belongs to a tooth when its centre lies inside the outline.

    Parameters
    ----------
    outlines : dict of int to list of (row, col)
        By Triadan number; where outlines overlap, the later tooth has the pixel.
    rows, cols : int
        Size of the photo.

    Returns
    -------
    ndarray of uint16, shape (rows, cols)
        Triadan number, 0 outside teeth.
    """
    from skimage.draw import polygon

    regions = np.zeros((rows, cols), np.uint16)
    for tooth, vertices in outlines.items():
        at = np.array(vertices)
        regions[polygon(at[:, 0], at[:, 1], (rows, cols))] = tooth
    return regions


def region_png(regions: Regions) -> bytes:
    """Encode tooth regions as a 16-bit grey PNG.

    Parameters
    ----------
    regions : ndarray of uint16, shape (rows, cols)
        Triadan numbers.
    """
    import cv2

    done, data = cv2.imencode(".png", np.ascontiguousarray(regions, np.uint16))
    if not done:
        raise InputRefused("The tooth regions cannot be encoded as PNG.")
    return bytes(data)


def write_regions(path: str | Path, regions: Regions) -> None:
    """Write tooth regions as a label image, whole or not at all.

    Parameters
    ----------
    path : str or Path
        PNG to write.
    regions : ndarray of uint16, shape (rows, cols)
        Triadan numbers.

    Raises
    ------
    InputRefused
        If the file cannot be written.
    """
    from perioview.files.atomic import write_atomically

    write_atomically(Path(path), region_png(regions))
