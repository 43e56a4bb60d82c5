"""The sample patients: legal DICOM, marks that lie in their images and on what they name, small."""

import csv
import os
import shutil
import subprocess
import tomllib
from pathlib import Path

import numpy as np
import pydicom
import pytest
from PIL import Image

SAMPLES = Path(__file__).resolve().parent.parent / "sample_images"
RADIOGRAPHS = sorted(SAMPLES.glob("*/images/*.dcm"))
VISITS = sorted(path.parent for path in SAMPLES.glob("*/visit.toml"))
INTRA_ORAL = "1.2.840.10008.5.1.4.1.1.1.3"  # PS3.4 table B.5-1
# Facts of anatomy: Soltero-Rivera, "Dentition, dog", Merck Veterinary Manual; cats: Bellows.
ROOTS = {
    ("dog", 404): 1, ("dog", 304): 1, ("dog", 107): 2, ("dog", 308): 2, ("dog", 309): 2,
    ("dog", 408): 2, ("dog", 409): 2, ("dog", 108): 3, ("dog", 208): 3,
    ("cat", 107): 2, ("cat", 108): 3, ("cat", 408): 2, ("cat", 409): 2,
}  # fmt: skip


def _name(path: Path) -> str:
    return f"{path.parent.parent.name}/{path.name}" if path.suffix else path.name


def _marks(image: Path) -> list[dict[str, str]]:
    path = image.parent.parent / "marks" / f"{image.name}.csv"
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def _visit(folder: Path) -> dict[str, list[dict[str, str]]]:
    return tomllib.loads((folder / "visit.toml").read_text(encoding="utf-8"))


def _spread(image: Path) -> list[tuple[str, str, str]]:
    return [(m["tooth"], m["root"], m["side"]) for m in _marks(image)]


def test_there_are_enough_of_each_kind() -> None:
    sets = [pydicom.dcmread(path, stop_before_pixels=True) for path in RADIOGRAPHS]
    assert sum(data.SOPClassUID == INTRA_ORAL for data in sets) >= 8
    assert {data.PatientID for data in sets} >= {"PV-0101", "PV-0102", "PV-0103"}
    assert all(12 <= data.BitsStored <= 16 for data in sets)
    assert len({data.SOPInstanceUID for data in sets}) == len(sets)
    assert all(data.SOPInstanceUID.startswith("2.25.") for data in sets)
    bare = [p for p, d in zip(RADIOGRAPHS, sets, strict=True) if "ImagerPixelSpacing" not in d]
    assert len(bare) == 1
    assert [m["mm"] for m in _marks(bare[0]) if m["landmark"] == "ruler"] == [*"0369", "12"]
    uneven = [d for d in sets if "ImagerPixelSpacing" in d and len(set(d.ImagerPixelSpacing)) == 2]
    assert uneven
    assert any(m["landmark"] == "defect_base" for path in RADIOGRAPHS for m in _marks(path))
    assert any("apex" not in {m["landmark"] for m in _marks(path)} for path in RADIOGRAPHS)


def test_size_at_most_25_megabytes() -> None:
    size = sum(
        path.stat().st_size for path in SAMPLES.rglob("*") if "__pycache__" not in path.parts
    )
    assert size <= 25e6


@pytest.mark.validator
@pytest.mark.parametrize("path", RADIOGRAPHS, ids=_name)
def test_no_errors_by_dciodvfy(path: Path) -> None:
    if shutil.which("dciodvfy") is None:
        if os.environ.get("CI"):
            pytest.fail("dciodvfy is missing: install dicom3tools")
        pytest.skip("dciodvfy is missing: install dicom3tools")
    done = subprocess.run(
        ["dciodvfy", "-new", str(path)], capture_output=True, text=True, check=False
    )
    said = (done.stdout + done.stderr).splitlines()
    assert [line for line in said if line.startswith("Error")] == []
    assert any("Image" in line for line in said), "dciodvfy did not recognise the object"


@pytest.mark.parametrize("path", RADIOGRAPHS, ids=_name)
def test_marks_lie_inside_the_image_on_a_grid_of_1024ths(path: Path) -> None:
    data = pydicom.dcmread(path, stop_before_pixels=True)
    marks = _marks(path)
    assert marks
    for mark in marks:
        row, col = float(mark["row"]), float(mark["col"])
        assert -0.5 <= row <= data.Rows - 0.5
        assert -0.5 <= col <= data.Columns - 0.5
        assert (row * 1024).is_integer()
        assert (col * 1024).is_integer()
        assert mark["how"] == "placed"


@pytest.mark.parametrize("path", RADIOGRAPHS, ids=_name)
def test_every_root_is_marked_merck_bellows(path: Path) -> None:
    folder = path.parent.parent
    species = _visit(folder)["patient"]["species"]  # type: ignore[call-overload]
    listed = next(i for i in _visit(folder)["images"] if i["file"].endswith(path.name))
    marks = [m for m in _marks(path) if m["tooth"]]
    assert sorted({int(m["tooth"]) for m in marks}) == sorted(listed["teeth"])
    for tooth in listed["teeth"]:
        roots = {m["root"] for m in marks if m["tooth"] == str(tooth)} - {""}
        assert len(roots) == ROOTS[species, int(tooth)]


def _grey(path: Path) -> np.ndarray:
    data = pydicom.dcmread(path)
    grey = data.pixel_array / (2**data.BitsStored - 1)
    return 1 - grey if data.PhotometricInterpretation == "MONOCHROME1" else grey


def _patch(grey: np.ndarray, row: float, col: float) -> float:
    r, c = round(row), round(col)
    return float(np.median(grey[max(r - 3, 0) : r + 4, max(c - 3, 0) : c + 4]))


@pytest.mark.parametrize("path", RADIOGRAPHS, ids=_name)
def test_the_root_is_denser_than_air_and_the_apex_is_in_bone(path: Path) -> None:
    # Dentine and enamel stop more of the beam than bone, bone more than gum, gum more than air.
    grey = _grey(path)
    marks = _marks(path)
    air = float(np.percentile(grey, 1))
    for mark in marks:
        if mark["landmark"] == "apex":
            row, col = float(mark["row"]), float(mark["col"])
            cej = [m for m in marks if m["tooth"] == mark["tooth"] and m["landmark"] == "cej"]
            middle = [np.mean([float(m[k]) for m in cej]) for k in ("row", "col")]
            inside = _patch(grey, row + 0.25 * (middle[0] - row), col + 0.25 * (middle[1] - col))
            assert inside > air + 0.3


@pytest.mark.parametrize("path", RADIOGRAPHS, ids=_name)
def test_below_the_crest_mark_is_more_attenuation_than_above(path: Path) -> None:
    grey = _grey(path)
    marks = _marks(path)
    teeth = {m["tooth"] for m in marks if m["landmark"] == "apex"}
    steps = []
    for mark in marks:
        if mark["landmark"] == "crest" and mark["tooth"] in teeth:
            cej = [m for m in marks if m["tooth"] == mark["tooth"] and m["landmark"] == "cej"]
            apex = next(m for m in marks if m["tooth"] == mark["tooth"] and m["landmark"] == "apex")
            out = -1 if float(apex["row"]) > float(cej[0]["row"]) else 1
            row, col = float(mark["row"]), float(mark["col"])
            steps.append(_patch(grey, row - out * 16, col) - _patch(grey, row + out * 16, col))
    if steps:
        # Defects and the trunk's edge can mask one site, not the film.
        assert np.median(steps) > 0.02


@pytest.mark.parametrize("folder", VISITS, ids=lambda p: p.name)
def test_visit_folder_is_whole(folder: Path) -> None:
    visit = _visit(folder)
    for image in visit["images"]:
        assert (folder / image["file"]).is_file()
        assert (folder / "marks" / f"{Path(image['file']).name}.csv").is_file()
    for photo in visit.get("photos", []):
        name = Path(photo["file"]).name
        labels = np.asarray(Image.open(folder / "regions" / f"{name}.png"))
        with Image.open(folder / photo["file"]) as picture:
            assert labels.shape == picture.size[::-1]
        assert set(np.unique(labels)) >= {0, 308, 309}
    with (folder / "chart.csv").open(newline="", encoding="utf-8") as file:
        assert list(csv.DictReader(file))


def test_recheck_differs_only_where_bone_was_lost() -> None:
    def share(visit: str, image: str, tooth: str, root: str, side: str) -> float:
        marks = _marks(SAMPLES / visit / "images" / image)
        spot = {
            (m["root"], m["side"], m["landmark"]): np.array([float(m["row"]), float(m["col"])])
            for m in marks
            if m["tooth"] == tooth
        }
        mine = [p for (_, _, what), p in spot.items() if what == "cej"]
        apex = spot[root, "", "apex"]
        # Depth from the CEJ line in its own direction: a ratio that an affine map leaves alone.
        line = mine[1] - mine[0]
        normal = np.array([-line[1], line[0]])
        depth = (spot[root, side, "crest"] - mine[0]) @ normal
        return float(100 * depth / ((apex - mine[0]) @ normal))

    before, after = "toy-dog-cleaning", "toy-dog-recheck"
    for tooth, root, side, change in (
        ("309", "distal", "distal", 100 * 1.0 / 8.4),
        ("309", "mesial", "mesial", 0.0),
        ("308", "distal", "distal", 0.0),
    ):
        found = [share(v, "left-jaw.dcm", tooth, root, side) for v in (before, after)]
        # The films differ by a turn, a shift and a stretch, all affine; 1/1024 px is 0.001 points.
        assert found[1] - found[0] == pytest.approx(change, abs=0.05)
