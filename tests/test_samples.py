"""The sample patients: legal DICOM, marks that lie in their images and on what they name, small."""

import csv
import os
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

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


def _visit(folder: Path) -> dict[str, Any]:
    return tomllib.loads((folder / "visit.toml").read_text(encoding="utf-8"))


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
    species = _visit(folder)["patient"]["species"]
    listed = next(i for i in _visit(folder)["images"] if i["file"].endswith(path.name))
    marks = [m for m in _marks(path) if m["tooth"]]
    assert sorted({int(m["tooth"]) for m in marks}) == sorted(int(n) for n in listed["teeth"])
    for tooth in listed["teeth"]:
        roots = {m["root"] for m in marks if m["tooth"] == str(tooth)} - {""}
        assert len(roots) == ROOTS[species, int(tooth)]


def _grey(path: Path) -> np.ndarray:
    data = pydicom.dcmread(path)
    grey = np.asarray(data.pixel_array / (2**data.BitsStored - 1))
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
            middle = [float(np.mean([float(m[k]) for m in cej])) for k in ("row", "col")]
            inside = _patch(grey, row + 0.25 * (middle[0] - row), col + 0.25 * (middle[1] - col))
            assert inside > air + 0.3


def _spots(path: Path, tooth: str) -> dict[tuple[str, str, str], np.ndarray]:
    return {
        (m["root"], m["side"], m["landmark"]): np.array([float(m["row"]), float(m["col"])])
        for m in _marks(path)
        if m["tooth"] == tooth
    }


@pytest.mark.parametrize("path", RADIOGRAPHS, ids=_name)
def test_bone_begins_at_the_crest_marks(path: Path) -> None:
    # Just outside the root more of the beam is stopped apical of the mark than coronal of it.
    grey = _grey(path)
    steps = []
    for tooth in {m["tooth"] for m in _marks(path)} - {""}:
        spots = _spots(path, tooth)
        cejs = [p for (_, _, what), p in spots.items() if what == "cej"]
        middle = np.mean(cejs, axis=0)
        across = (cejs[1] - cejs[0]) / np.linalg.norm(cejs[1] - cejs[0])
        down = np.array([-across[1], across[0]])
        crests = [p for (_, _, what), p in spots.items() if what == "crest"]
        down = down * np.sign((np.mean(crests, axis=0) - middle) @ down)
        for (root, side, what), spot in spots.items():
            outer = (root, side, "cej") in spots and (root, side, "defect_base") not in spots
            if what == "crest" and outer and root != "mesiopalatal":
                outward = across * np.sign((spot - middle) @ across)
                beside = spot + 7 * outward
                steps.append(
                    _patch(grey, *(beside + 12 * down)) - _patch(grey, *(beside - 12 * down))
                )
    assert len(steps) >= 1
    assert np.mean(np.array(steps) > 0.02) >= 0.75


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
    def share(visit: str, tooth: str, root: str, side: str) -> float:
        spots = _spots(SAMPLES / visit / "images" / "left-jaw.dcm", tooth)
        first, second = (p for (_, _, what), p in spots.items() if what == "cej")
        # Depth below the CEJ line over the apex's: a ratio that an affine map leaves alone.
        normal = np.array([first[1] - second[1], second[0] - first[0]])
        depth = (spots[root, side, "crest"] - first) @ normal
        return float(100 * depth / ((spots[root, "", "apex"] - first) @ normal))

    before, after = "toy-dog-cleaning", "toy-dog-recheck"
    for tooth, root, side, change in (
        ("309", "distal", "distal", 100 * 1.0 / 8.4),
        ("309", "mesial", "mesial", 0.0),
        ("308", "distal", "distal", 0.0),
    ):
        found = [share(v, tooth, root, side) for v in (before, after)]
        # The films differ by a turn, a shift and a stretch, all affine; 1/1024 px is 0.001 points.
        assert found[1] - found[0] == pytest.approx(change, abs=0.05)


@pytest.mark.parametrize(
    ("visit", "image", "root", "side", "bone_loss_mm", "root_length_mm"),
    # The depths the phantom was built with (sample_images/patients.py), not read off its marks.
    [
        ("toy-dog-cleaning", "left-jaw.dcm", (309, "mesial"), "mesial", 2.6, 8.8),
        ("toy-dog-cleaning", "left-jaw.dcm", (309, "distal"), "distal", 3.7, 8.4),
        ("toy-dog-cleaning", "left-jaw.dcm", (308, "distal"), "mesial", 1.75, 6.3),
        ("large-dog", "right-lower-carnassial.dcm", (409, "mesial"), "mesial", 7.6, 17.5),
        ("cat", "right-lower-molar.dcm", (409, "distal"), "distal", 0.7, 6.4),
    ],
)
def test_measured_depth_is_the_depth_built_in(
    visit: str,
    image: str,
    root: tuple[int, str],
    side: str,
    bone_loss_mm: float,
    root_length_mm: float,
) -> None:
    from perioview.bone_loss import MarkSd, sites
    from perioview.calibration import calibration
    from perioview.files.reading import read_image
    from perioview.files.tables import read_marks

    path = SAMPLES / visit / "images" / image
    film = read_image(path)
    marks = read_marks(
        path.parent.parent / "marks" / f"{image}.csv",
        species=film.species or "", rows=film.rows, cols=film.cols,
    )  # fmt: skip
    scale = calibration(film, marks)
    found = next(
        s for s in sites(marks, scale, MarkSd(0, 0, 0, 0, 0, 0.5))
        if (s.tooth, s.root, s.side) == (*root, side)
    )  # fmt: skip
    # 1/1024 px is 4e-5 mm here; the file's spacing has 8 digits.
    assert found.bone_loss.value == pytest.approx(bone_loss_mm, abs=3e-4)
    assert found.root_length.value == pytest.approx(root_length_mm, abs=3e-4)


@pytest.mark.parametrize("when", ["before", "after"])
def test_plaque_of_the_photographs_is_the_dye_painted_on(when: str) -> None:
    from perioview.files.reading import read_image
    from perioview.files.regions import read_regions
    from perioview.plaque import plaque

    folder, name = SAMPLES / "toy-dog-cleaning", f"left-lower-{when}.jpg"
    with (folder / "truth" / "coverage.csv").open(newline="", encoding="utf-8") as file:
        truth = {
            int(row["tooth"]): float(row["coverage_matt_pct"])
            for row in csv.DictReader(file)
            if row["photo"] == name
        }
    photo = read_image(folder / "images" / name)
    regions = read_regions(folder / "regions" / f"{name}.png", rows=photo.rows, cols=photo.cols)
    result = plaque(photo, regions, dye="one-tone", gum="down")
    found = {t["tooth"]: t["coverage_pct"] for t in result.json_object()["teeth"]}
    assert found.keys() == truth.keys()
    # Two points is the bound set for changes of light; dye and light are this phantom's own.
    for tooth, coverage in truth.items():
        assert found[tooth] == pytest.approx(coverage, abs=2.0)


def test_the_script_still_gives_these_marks_charts_and_visits(tmp_path: Path) -> None:
    # A word no film's path holds: everything but the pictures, which take minutes.
    script = [sys.executable, str(SAMPLES / "make_radiographs.py"), "--out", str(tmp_path)]
    subprocess.run([*script, "--only", "no picture"], check=True)
    made = [path for path in tmp_path.rglob("*") if path.suffix in (".csv", ".toml")]
    assert len(made) == len(RADIOGRAPHS) + 2 * len(VISITS)
    for path in made:
        assert path.read_bytes() == (SAMPLES / path.relative_to(tmp_path)).read_bytes(), path.name
