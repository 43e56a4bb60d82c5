"""A visit folder: visit.toml, images, marks, regions and chart, read, made and examined."""

from __future__ import annotations

import datetime as dt
import os
import shutil
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from perioview.errors import InputRefused
from perioview.visit import Examination, PhotoResult, Radiograph, Visit, agreed_species, measured

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from perioview.image import Image

TOML = "visit.toml"
ROUND_SUFFIX = ".round.json"  # beside a marks file: teeth in view, skips, teeth without loss
_TABLES = ("patient", "owner", "visit")
_LISTS = ("images", "photos", "steps")
REGION_SUFFIXES = (".png", ".csv", ".tif", ".tiff")
PHOTO_SUFFIXES = (".jpg", ".jpeg", ".png", ".tif", ".tiff")


def read_visit(folder: str | Path) -> Visit:
    """Read ``visit.toml`` of a visit folder.

    Raises
    ------
    InputRefused
        If there is none, or it is not what a visit file holds.
    """
    path = Path(folder) / TOML
    try:
        data = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except OSError as error:
        raise InputRefused(
            f"{path}: cannot be read ({error.strerror}); {_advice(error)}"
        ) from error
    except ValueError as error:
        raise InputRefused(f"{path}: is no valid TOML ({error}); correct that line.") from error
    faults = [
        f"{path}: [{t}] must be a table." for t in _TABLES if not isinstance(data.get(t, {}), dict)
    ]
    faults += [
        f"{path}: [[{n}]] must be a list of tables."
        for n in _LISTS
        if not (
            isinstance(data.get(n, []), list) and all(isinstance(r, dict) for r in data.get(n, []))
        )
    ]
    if not faults:
        faults += [
            f'{path}: [[{n}]] without its file; name it as file = "images/...".'
            for n in ("images", "photos")
            for r in data.get(n, [])
            if not isinstance(r.get("file"), str)
        ]
        if not str(data.get("patient", {}).get("id", "")).strip():
            faults.append(f"{path}: [patient] has no id; give the patient's number.")
    if faults:
        raise InputRefused(*faults)
    rest = {k: v for k, v in data.items() if k not in _TABLES + _LISTS}
    return Visit(
        data.get("patient", {}),
        data.get("owner", {}),
        data.get("visit", {}),
        tuple(data.get("images", [])),
        tuple(data.get("photos", [])),
        tuple(data.get("steps", [])),
        rest,
    )


def _toml_value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, dt.date | dt.time):
        return value.isoformat()
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_toml_value(v) for v in value) + "]"
    if isinstance(value, Mapping):
        return (
            "{ " + ", ".join(f"{_toml_key(k)} = {_toml_value(v)}" for k, v in value.items()) + " }"
        )
    escapes = {"\\": "\\\\", '"': '\\"', "\n": "\\n", "\r": "\\r", "\t": "\\t"}
    text = "".join(
        escapes.get(c, c if c >= " " and c != "\x7f" else f"\\u{ord(c):04x}") for c in str(value)
    )
    return f'"{text}"'


def _toml_key(key: str) -> str:
    bare = key and all(c.isascii() and (c.isalnum() or c in "-_") for c in key)
    return key if bare else _toml_value(key)


def visit_text(visit: Visit) -> str:
    """Write a visit as the text of ``visit.toml``."""
    parts = [f"{_toml_key(k)} = {_toml_value(v)}\n" for k, v in visit.other.items()]
    tables = (("patient", visit.patient), ("owner", visit.owner), ("visit", visit.visit))
    for name, table in tables:
        if table:
            parts.append(f"\n[{name}]\n")
            parts += [
                f"{_toml_key(k)} = {_toml_value(v)}\n" for k, v in table.items() if v is not None
            ]
    for name, rows in (("images", visit.images), ("photos", visit.photos), ("steps", visit.steps)):
        for row in rows:
            parts.append(f"\n[[{name}]]\n")
            parts += [
                f"{_toml_key(k)} = {_toml_value(v)}\n" for k, v in row.items() if v is not None
            ]
    return "".join(parts).lstrip("\n")


def write_visit(folder: str | Path, visit: Visit) -> None:
    """Write ``visit.toml`` whole or not at all.

    Raises
    ------
    InputRefused
        If the folder cannot be written.
    """
    from perioview.files.atomic import write_atomically

    write_atomically(Path(folder) / TOML, visit_text(visit).encode())


def visit_of_image(image: Path) -> Visit | None:
    """The visit an image belongs to, if it lies in the images folder of one."""
    image = image.absolute()
    folder = image.parent.parent
    if image.parent.name == "images" and (folder / TOML).is_file():
        return read_visit(folder)
    return None


def marks_path(folder: str | Path, file: str) -> Path:
    """Where the marks of an image of a visit are kept."""
    return Path(folder) / "marks" / (Path(file).name + ".csv")


def regions_path(folder: str | Path, file: str) -> Path | None:
    """The tooth regions of a photo of a visit, if there are any."""
    for suffix in REGION_SUFFIXES:
        path = Path(folder) / "regions" / (Path(file).name + suffix)
        if path.is_file():
            return path
    return None


def new_visit(
    folder: str | Path,
    *,
    patient: str,
    name: str,
    species: str,
    images: Iterable[str | Path] = (),
    photos: Iterable[str | Path] = (),
    photos_after: Iterable[str | Path] = (),
    dye: str = "one-tone",
    gum: str | None = None,
    **more: Mapping[str, Any],
) -> Visit:
    """Make a visit folder and copy images into it; what exists is never overwritten.

    Parameters
    ----------
    folder : path
        Made if it does not exist; refused if it holds a visit already.
    patient, name, species : str
        Number of the patient, name as DICOM writes it (family^given), ``dog`` or ``cat``.
    images, photos, photos_after : iterable of path
        Radiographs, photographs before cleaning and after it, to copy into ``images/``; colour
        pictures among the first are taken as photographs before it.
    dye : str
        What the photographs are stained with: ``one-tone`` or ``two-tone``.
    gum : str, optional
        Where the gum lies on them: ``up``, ``down``, ``left`` or ``right``; else by the jaw.
    **more : mapping
        Further fields of the tables ``patient``, ``owner`` and ``visit``, by table as
        ``patient_fields``, ``owner``, ``visit``.

    Raises
    ------
    InputRefused
        With every fault; nothing half-made is left.
    """
    from perioview.files.reading import read_image
    from perioview.teeth import check_species

    folder = Path(folder)
    faults: list[str] = []
    try:
        check_species(species)
    except InputRefused as error:
        faults += error.faults
    if not patient.strip():
        faults.append("--patient is empty; give the patient's number.")
    if not name.strip():
        faults.append("--name is empty; give the patient's name as family^given.")
    if (folder / TOML).exists():
        faults.append(f"{folder}: is a visit already; choose another folder.")
    elif folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        faults.append(f"{folder}: exists and is not empty; choose another folder.")
    cleaned = {Path(p) for p in photos_after}
    sources = [(Path(p), False) for p in images] + [(Path(p), True) for p in photos]
    sources += [(p, True) for p in sorted(cleaned)]
    names: dict[str, Path] = {}
    # A colour picture is no radiograph: it goes to the photographs by itself.
    coloured = {source for source, photo in sources if photo}
    for source, _ in sources:
        if source.name.casefold() in names:
            faults.append(f"{source}: another image is named {source.name} too; rename one.")
        names[source.name.casefold()] = source
        try:
            image = read_image(source)
        except InputRefused as error:
            faults += error.faults
            continue
        if image.colour and image.modality in (None, "XC"):
            coloured.add(source)
        elif source in coloured:
            faults.append(
                f"{source}: is no colour photograph; plaque shows in colour only. Name a "
                "radiograph among the images, without --photo."
            )
        said = image.species
        if said and said != species:
            faults.append(f"{source}: is of a {said}, not a {species}; correct one of them.")
    if faults:
        raise InputRefused(*faults)
    visit = Visit(
        {"id": patient.strip(), "name": name, "species": species, **more.get("patient_fields", {})},
        more.get("owner", {}),
        {"date": dt.date.today(), "kind": "examination", **more.get("visit", {})},
        tuple({"file": f"images/{p.name}"} for p, _ in sources if p not in coloured),
        tuple(
            {
                "file": f"images/{p.name}",
                "when": "after" if p in cleaned else "before",
                "dye": dye,
                **({"gum": gum} if gum else {}),
            }
            for p, _ in sources
            if p in coloured
        ),
    )
    draft = folder.parent / f".{folder.name}.{os.getpid()}.draft"
    try:
        draft.mkdir(parents=True)
        for sub in ("images", "marks", "regions", "record"):
            (draft / sub).mkdir()
        for source, _ in sources:
            shutil.copyfile(source, draft / "images" / source.name)
        (draft / TOML).write_bytes(visit_text(visit).encode())
        if folder.exists():
            folder.rmdir()
        os.replace(draft, folder)
    except OSError as error:
        shutil.rmtree(draft, ignore_errors=True)
        raise InputRefused(
            f"{folder}: cannot be made ({error.strerror}); choose another place."
        ) from error
    return visit


def _advice(error: OSError) -> str:
    if isinstance(error, PermissionError):
        return "check its permissions."
    if isinstance(error, NotADirectoryError):
        return "name the visit folder."
    return "make a visit folder with perioview new."


def measured_radiograph(
    folder: Path, row: Mapping[str, Any], species: str | None, mark_sd: str | None
) -> Radiograph:
    """Measure one radiograph of a visit folder, by its row of ``visit.toml``."""
    from perioview.calibration import calibration
    from perioview.files.reading import read_image
    from perioview.files.tables import read_marks, read_text
    from perioview.marking_round import round_from_text
    from perioview.marks import Marks
    from perioview.observer import mark_sd as sd_from

    file = str(row["file"])
    image = read_image(folder / file)
    agreed = agreed_species({file: image.species, TOML: species})
    path = marks_path(folder, file)
    marks = Marks()
    if path.is_file():
        marks = read_marks(path, species=agreed, rows=image.rows, cols=image.cols)
    scale = calibration(image, marks, row.get("mm_per_px"), sd_from(mark_sd, False).ruler)
    radiograph = measured(
        image, marks, agreed, mark_sd=sd_from(mark_sd, scale.scaled), file=file, scale=scale
    )
    noted = path.with_suffix(ROUND_SUFFIX)
    if not noted.is_file():
        return radiograph
    state = round_from_text(read_text(noted), marks, str(noted))
    return replace(radiograph, sound=state.sound, skipped=state.skips)


def regions_of_photo(folder: Path, file: str, image: Image) -> NDArray[np.uint16] | None:
    """Tooth regions of a photo of a visit; None without a file, or with one that holds none.

    Raises
    ------
    InputRefused
        If the file cannot be used.
    """
    from perioview.files.regions import read_regions

    path = regions_path(folder, file)
    if path is None:
        return None
    # Outlines that are only proposed so far leave an empty file behind.
    regions = read_regions(path, rows=image.rows, cols=image.cols, may_be_empty=True)
    return regions if regions.any() else None


def measured_photo(folder: Path, row: Mapping[str, Any], species: str | None) -> PhotoResult:
    """Measure one photograph of a visit folder, where its tooth regions are known.

    Raises
    ------
    InputRefused
        If a file cannot be used, or a tooth is outlined that the species does not have.
    """
    from perioview.files.reading import read_image

    file = str(row["file"])
    image = read_image(folder / file)
    when, dye = str(row.get("when", "before")), str(row.get("dye", "one-tone"))
    regions = None if dye == "none" else regions_of_photo(folder, file, image)
    if regions is None:
        return PhotoResult(file, image, when, dye)
    _check_teeth(file, regions, species)
    from perioview.comparison_photos import stated_card
    from perioview.plaque import plaque

    found = plaque(image, regions, dye=dye, gum=row.get("gum"), card=stated_card(row))
    return PhotoResult(file, image, when, dye, regions, found)


def _check_teeth(file: str, regions: NDArray[np.uint16], species: str | None) -> None:
    from perioview.teeth import SPECIES, has_tooth

    if species not in SPECIES:
        return
    outlined = (int(t) for t in np.flatnonzero(np.bincount(regions.ravel())) if t)
    faults = [
        f"regions of {file}: a {species} has no tooth {tooth}; give that outline its right number, "
        "or correct the species in visit.toml."
        for tooth in outlined
        if not has_tooth(tooth, species)
    ]
    if faults:
        raise InputRefused(*faults)


def examine(
    folder: str | Path, *, mark_sd: str | None = None, partial: bool = False
) -> Examination:
    """Measure everything of a visit folder.

    Parameters
    ----------
    folder : path
        Holds ``visit.toml``.
    mark_sd : str, optional
        The observer's repeatability, as `observer.mark_sd` reads it.
    partial : bool
        Whether images that cannot be used are left out and told in ``faults``; charting goes on
        beside one damaged film.

    Raises
    ------
    InputRefused
        With the faults of every file, not only of the first.
    """
    folder = Path(folder)
    visit = read_visit(folder)
    faults: list[str] = []
    left_out: list[str] = []
    radiographs, photos = [], []
    for row in visit.images:
        try:
            radiographs.append(measured_radiograph(folder, row, visit.species, mark_sd))
        except InputRefused as error:
            faults += error.faults
    for row in visit.photos:
        try:
            photos.append(measured_photo(folder, row, visit.species))
        except InputRefused as error:
            faults += error.faults
    if partial:
        left_out, faults = faults, []
    chart = None
    species = ""
    try:
        species = agreed_species(
            {TOML: visit.species, **{r.file: r.image.species for r in radiographs}}
        )
        if (folder / "chart.csv").is_file():
            from perioview.files.chart_table import read_chart

            chart = read_chart(folder / "chart.csv", species)
    except InputRefused as error:
        faults += error.faults
    if faults:
        raise InputRefused(*dict.fromkeys(faults))
    return Examination(
        visit,
        species,
        tuple(radiographs),
        tuple(photos),
        chart,
        tuple(dict.fromkeys(left_out)),
        str(folder),
    )
