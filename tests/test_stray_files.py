"""Marks and tooth regions that no image of a visit reads: named, with what is probably wrong."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from perioview.cli import main
from perioview.closeout import closeout_lines
from perioview.files.stray_files import stray_files
from perioview.files.visit_folder import examine, read_visit, write_visit
from perioview.record.findings import findings

SAMPLE = Path(__file__).parents[1] / "sample_images" / "toy-dog-cleaning"
MARKS = "left-jaw.dcm.csv"


@pytest.fixture
def visit(tmp_path: Path) -> Path:
    folder = tmp_path / "visit"
    shutil.copytree(SAMPLE, folder)
    return folder


def renamed(visit: Path, name: str, file: str = f"marks/{MARKS}") -> str:
    path = visit / file
    path.rename(path.with_name(name))
    (stray,) = stray_files(visit)
    assert stray.file == f"{path.parent.name}/{name}"
    return stray.sentence


def test_a_visit_in_order_has_none(visit: Path) -> None:
    (visit / "marks" / "left-jaw.dcm.round.json").write_text("{}")
    (visit / "marks" / f"{MARKS}.bak").write_text("an earlier one")
    (visit / "marks" / ".left-jaw.dcm.csv.17.draft").write_text("half")
    (visit / "marks" / "notes.txt").write_text("exposed again")
    assert stray_files(visit) == ()


@pytest.mark.parametrize(
    ("name", "why", "advice"),
    [
        ("Left-Jaw.dcm.csv", "capital and small letters differ", f"rename it to {MARKS}."),
        ("left-jaw.dcm.CSV", "capital and small letters differ", f"rename it to {MARKS}."),
        ("left-jaw.csv", "the image's ending .dcm is left out", f"rename it to {MARKS}."),
        ("left-jaw.png.csv", "the image ends in .dcm", f"rename it to {MARKS}."),
        ("left-jaw.dcm.txt", "it must end in .csv", f"save it as {MARKS}."),
        ("left_jaw-1.dcm.csv", "called much the same and has none", f"rename it to {MARKS}."),
        ("exposure 17.tif.csv", "no image is called exposure 17.tif", "or take this file out."),
    ],
)
def test_a_near_miss_is_told_with_its_cause(visit: Path, name: str, why: str, advice: str) -> None:
    sentence = renamed(visit, name)
    assert sentence.startswith("belongs to no image of the visit and is not read; ")
    assert why in sentence and sentence.endswith(advice)


def test_letters_alone_are_no_matter_where_the_system_holds_them_for_the_same(
    visit: Path,
) -> None:
    # A second name of one file stands for a file system that does not tell capitals apart.
    (visit / "marks" / "Left-Jaw.dcm.csv").hardlink_to(visit / "marks" / MARKS)
    assert stray_files(visit) == ()


def test_where_the_right_name_is_taken_it_is_said(visit: Path) -> None:
    shutil.copyfile(visit / "marks" / MARKS, visit / "marks" / "LEFT-JAW.dcm.csv")
    (stray,) = stray_files(visit)
    assert stray.sentence.endswith("in place of the one there, if it is the right one.")


def test_a_renamed_image_is_found_and_one_not_listed(visit: Path) -> None:
    told = read_visit(visit)
    (visit / "images" / "left-jaw.dcm").rename(visit / "images" / "left-jaws.dcm")
    moved = ({**told.images[0], "file": "images/left-jaws.dcm"}, *told.images[1:])
    write_visit(visit, replace(told, images=moved))
    (stray,) = stray_files(visit)
    assert "if it is of left-jaws.dcm, rename it to left-jaws.dcm.csv." in stray.sentence
    write_visit(visit, replace(told, images=told.images[1:]))
    (visit / "images" / "left-jaws.dcm").rename(visit / "images" / "left-jaw.dcm")
    (stray,) = stray_files(visit)
    assert stray.sentence.endswith(
        "images/left-jaw.dcm is not in visit.toml; list it there as [[images]]."
    )


def test_marks_of_a_photograph_and_regions_twice(visit: Path) -> None:
    shutil.copyfile(visit / "marks" / MARKS, visit / "marks" / "left-lower-after.jpg.csv")
    regions = visit / "regions" / "left-lower-after.jpg.csv"
    regions.write_text("tooth,vertex,row,col\n")
    (visit / "regions" / "left-lower.jpg.png").write_bytes(b"")
    found = {s.file: s.sentence for s in stray_files(visit)}
    assert "left-lower-after.jpg is not listed as [[images]]" in found.pop(
        "marks/left-lower-after.jpg.csv"
    )
    assert found.pop("regions/left-lower-after.jpg.csv") == (
        "is not read, because left-lower-after.jpg.png is; keep one of them."
    )
    assert "no photograph is called left-lower.jpg" in found.pop("regions/left-lower.jpg.png")
    assert not found


def test_measure_report_and_attach_say_so_and_go_on(
    visit: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    told = renamed(visit, "left-jaw.csv")
    line = f"note: {visit / 'marks' / 'left-jaw.csv'}: {told}\n"
    canine = [str(visit / p) for p in (
        "images/right-lower-canine.dcm", "marks/right-lower-canine.dcm.csv"
    )]  # fmt: skip
    verbs = (
        ["measure", canine[0], "--marks", canine[1]],
        ["report", str(visit), "--out", str(tmp_path / "out")],
        ["attach", str(visit), "--to", str(tmp_path / "archive")],
        ["compare", str(visit), str(visit)],
    )
    capsys.readouterr()
    for words in verbs:
        assert main(words) == 0
        assert capsys.readouterr().err == line * (2 if words[0] == "compare" else 1)
    gaps = json.loads((tmp_path / "out" / "measurements.json").read_text())["gaps"]
    assert gaps[-1] == {
        "tooth": None, "kind": "file_without_image", "sentence": f"marks/left-jaw.csv: {told}"
    }  # fmt: skip


def test_the_close_out_lists_it_last(visit: Path) -> None:
    before = findings(examine(visit)).gaps
    renamed(visit, "left-jaw.csv")
    after = findings(examine(visit)).gaps
    assert after[-1].screen == "radiographs" and after[-1].target == "marks/left-jaw.csv"
    assert not [g for g in before if g.kind == "file_without_image"]
    lines = closeout_lines(after)
    assert lines[-2] == "file without image (1)" and "left-jaw.csv" in lines[-1]
