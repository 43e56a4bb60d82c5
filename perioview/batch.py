"""Many visits as one table: a row per site or tooth, and a row for whatever failed."""

from __future__ import annotations

import csv
import io
import os
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from perioview import __version__
from perioview.errors import InputRefused

if TYPE_CHECKING:
    from perioview.comparison_photos import Card
    from perioview.visit import Radiograph, Visit

IDENTITY = ("visit", "patient", "image", "sha256", "version", "fault")
COLUMNS = (
    *IDENTITY,
    *("tooth", "root", "side", "bone_loss_mm", "bone_loss_mm_sd"),
    *("root_length_mm", "root_length_mm_sd", "bone_loss_pct", "bone_loss_pct_sd"),
    *("infrabony_mm", "infrabony_mm_sd", "pattern", "radiographic_stage", "borderline"),
    *("scale_method", "region_px", "glare_px", "stained_px", "coverage_pct", "coverage_pct_sd"),
    *("gingival_half_pct", "coronal_half_pct", "gingival_half_thickness"),
    *("coronal_half_thickness", "older_pct", "newer_pct", "index", "flags", "when"),
    *("warnings", "dye"),
)
# The window keeps the regions of a photo outside any visit as NAME.regions.png.
_REGIONS = (".png", ".csv", ".tif", ".tiff", ".regions.png")

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Job:
    """One visit folder or one loose photo, how it is called in the table and measured."""

    path: str
    name: str
    mark_sd: str | None = None
    card: Card | None = None
    carry_teeth: bool = False


def jobs_under(
    root: str | Path,
    mark_sd: str | None = None,
    *,
    card: Card | None = None,
    carry_teeth: bool = False,
) -> tuple[Job, ...]:
    """Every visit folder under a folder, and every other photo with tooth regions.

    Parameters
    ----------
    root : path
        A visit folder itself, or a folder with some anywhere below it.
    mark_sd : str, optional
        The observer's repeatability, for every visit.
    card : tuple of float, optional
        Two opposite corners of a grey card that lies at the same place in every photo.
    carry_teeth : bool
        Whether photos without outlines take those of another photo of their visit.

    Returns
    -------
    tuple of Job
        By path; what lies inside a visit belongs to that visit.

    Raises
    ------
    InputRefused
        If there is no such folder, or nothing in it to measure.
    """
    root = Path(root)
    if not root.is_dir():
        raise InputRefused(f"{root}: is no folder; name the folder that holds the visits.")
    root = root.resolve()
    found: list[Path] = []

    def unreadable(error: OSError) -> None:
        found.append(Path(error.filename))

    for place, folders, files in os.walk(root, onerror=unreadable):
        if "visit.toml" in files:
            found.append(Path(place))
            folders.clear()
            continue
        folders[:] = [name for name in folders if not name.startswith(".")]
        found += [Path(place) / name for name in files if loose_regions(Path(place) / name)]
    if not found:
        raise InputRefused(
            f"{root}: holds no visit (visit.toml) and no photo with tooth regions "
            "(its full name + .png or .csv); make a visit with perioview new."
        )
    return tuple(
        Job(
            str(path),
            path.relative_to(root).as_posix() if path != root else root.name,
            mark_sd,
            card,
            carry_teeth,
        )
        for path in sorted(found)
    )


def loose_regions(photo: Path) -> Path | None:
    """Tooth regions of a photo outside any visit: beside it, or in ``regions`` beside it."""
    from perioview.files.visit_folder import PHOTO_SUFFIXES

    if photo.suffix.lower() not in PHOTO_SUFFIXES:
        return None
    for folder in (photo.parent, photo.parent / "regions"):
        for suffix in _REGIONS:
            path = folder / (photo.name + suffix)
            if path.is_file():
                return path
    return None


def rows_of(job: Job) -> list[Row]:
    """Measure one visit or photo; whatever goes wrong becomes a row with its fault.

    Parameters
    ----------
    job : Job
        With a path that this process can read.

    Returns
    -------
    list of dict
        A row per site, per tooth without one, and per tooth of a photo; keys from `COLUMNS`.
    """
    path = Path(job.path)
    try:
        return list(_visit_rows(path, job) if path.is_dir() else _loose_rows(path, job))
    except InputRefused as refused:
        return [fault_row(job, "; ".join(refused.faults))]
    except Exception as error:  # one bad visit must not cost the others
        return [fault_row(job, f"{type(error).__name__}: {error}")]


def fault_row(job: Job, fault: str, **identity: Any) -> Row:
    """Return the row of what could not be measured, on one line."""
    known = {"visit": job.name, "version": __version__, "fault": " ".join(fault.split())}
    return {**known, **{key: value for key, value in identity.items() if value}}


def _visit_rows(folder: Path, job: Job) -> Iterator[Row]:
    from perioview.files.visit_folder import read_visit

    visit = read_visit(folder)
    rows = 0
    for measure, images in ((_radiograph_rows, visit.images), (_photo_rows, visit.photos)):
        for image in images:
            file = str(image["file"])
            identity = {"patient": str(visit.patient["id"]), "image": file}
            try:
                identity["sha256"] = _sha256(folder / file)
                for row in measure(folder, image, visit, job):
                    rows += 1
                    yield {**identity, "visit": job.name, "version": __version__, **row}
            except InputRefused as refused:
                rows += 1
                yield fault_row(job, "; ".join(refused.faults), **identity)
            except Exception as error:  # one bad image must not cost the others
                rows += 1
                yield fault_row(job, f"{type(error).__name__}: {error}", **identity)
    if not rows:
        yield fault_row(job, "no images; add some to the visit.", patient=visit.patient["id"])


def _sha256(path: Path) -> str:
    from perioview.files.contents import contents, sha256

    return sha256(contents(path))


def _radiograph_rows(
    folder: Path, image: Mapping[str, Any], visit: Visit, job: Job
) -> Iterator[Row]:
    from perioview.files.visit_folder import measured_radiograph

    result: Radiograph = measured_radiograph(folder, image, visit.species, job.mark_sd)
    written = result.json_object()
    teeth = {tooth["tooth"]: tooth for tooth in written["teeth"]}
    if not written["sites"]:
        name = Path(str(image["file"])).name
        raise InputRefused(f"no roots are marked (marks/{name}.csv); mark them in perioview view.")
    method = written["scale"]["method"]
    rooted = {site["tooth"] for site in written["sites"]}
    for number in (n for n in teeth if n not in rooted):
        flags, said = teeth[number]["flags"], _said_of(number, result.warnings)
        yield {"tooth": number, "flags": flags, "scale_method": method, "warnings": said}
    for site in written["sites"]:
        tooth = teeth[site["tooth"]]
        # The stage is the tooth's: it stands at the site that decides, and nowhere else.
        decides = (site["root"], site["side"]) == (tooth["root"], tooth["side"])
        staged = {
            key: tooth[key] if decides else None for key in ("radiographic_stage", "borderline")
        }
        said = _said_of(site["tooth"], result.warnings)
        yield {**site, **staged, "scale_method": method, "warnings": said}


def _said_of(tooth: int, warnings: Iterable[str]) -> str:
    """Warnings of an image that concern a tooth: its own and those of the whole image.

    The caution that holds for every measurement stands in the README, not on every row.
    """
    from perioview.visit import CAUTION

    def concerns(warning: str) -> bool:
        first = re.match(r"\d{3}\b", warning)
        return warning != CAUTION and (first is None or int(first[0]) == tooth)

    return " | ".join(filter(concerns, warnings))


def _photo_rows(folder: Path, image: Mapping[str, Any], visit: Visit, job: Job) -> Iterator[Row]:
    from perioview.batch_photos import photo_rows

    return photo_rows(folder, image, visit, job.card, job.carry_teeth)


def _loose_rows(photo: Path, job: Job) -> Iterator[Row]:
    from perioview.batch_photos import said_of
    from perioview.files.reading import read_image
    from perioview.files.regions import read_regions
    from perioview.plaque import plaque

    regions = loose_regions(photo)
    if regions is None:
        raise InputRefused(f"{photo}: no tooth regions; is its folder seen from here?")
    image = read_image(photo)
    drawn = read_regions(regions, rows=image.rows, cols=image.cols)
    result = plaque(image, drawn, card=job.card)
    identity = {"image": image.name, "sha256": image.sha256}
    for tooth in result.json_object()["teeth"]:
        said = said_of(tooth["flags"])
        yield {**identity, "visit": job.name, "version": __version__, **tooth, "warnings": said}


def table(rows: Iterable[Row]) -> str:
    """Write rows as CSV with every column; blank for what is unknown.

    Parameters
    ----------
    rows : iterable of dict
        As `rows_of` gives them.

    Returns
    -------
    str
        UTF-8 text with a header line; lists are joined by spaces.
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    for row in rows:
        writer.writerow([_cell(row.get(column)) for column in COLUMNS])
    return text.getvalue()


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, list | tuple):
        return " ".join(map(str, value))
    return str(value)
