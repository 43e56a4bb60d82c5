"""What a first user runs into: places that will not do are refused before any work is done."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from perioview.cli import main
from perioview.files.samples import sample_visits
from perioview.files.visit_folder import new_visit
from tests.test_record_folder import contents


def sample(name: str) -> Path:
    return next(p for p in sample_visits() if p.name == name)


def refusal(capsys: pytest.CaptureFixture[str], *words: object) -> str:
    """The line a refused command writes; anything printed or more than one line fails."""
    assert main([str(w) for w in words]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert told.err.count("\n") == 1
    return told.err


@pytest.fixture(scope="module")
def marked(tmp_path_factory):
    folder = tmp_path_factory.mktemp("visits") / "visit"
    shutil.copytree(sample("cat"), folder, ignore=shutil.ignore_patterns("record"))
    return folder


@pytest.mark.parametrize("place", [".", "record", "record/archive"])
def test_record_is_not_attached_into_its_own_visit_folder(marked, place, capsys):
    before = contents(marked)
    said = refusal(capsys, "attach", marked, "--to", marked / place)
    assert "inside the visit folder" in said
    assert contents(marked) == before


def test_a_file_or_nothing_as_destination_is_refused_before_any_work(marked, tmp_path, capsys):
    file = tmp_path / "letter.txt"
    file.write_text("kept")
    before = contents(marked)
    assert "is a file" in refusal(capsys, "attach", marked, "--to", file)
    assert "is a file" in refusal(capsys, "history", "PV-0103", "--from", file)
    assert "is empty" in refusal(capsys, "attach", marked, "--to", "")
    assert contents(marked) == before
    assert file.read_text() == "kept"


def test_history_from_a_folder_that_is_not_there_says_so(tmp_path, capsys):
    said = refusal(capsys, "history", "PV-0101", "--from", tmp_path / "typing-eror")
    assert "no such folder" in said
    assert not (tmp_path / "typing-eror").exists()


@pytest.mark.parametrize(
    ("option", "value", "word"),
    [
        ("--weight-kg", "-3", "no weight"),
        ("--weight-kg", "0", "no weight"),
        ("--weight-kg", "nan", "no weight"),
        ("--weight-kg", "inf", "no weight"),
        ("--birth-date", "2026-03-06", "after the visit"),
    ],
)
def test_new_refuses_what_no_animal_is(tmp_path, capsys, option, value, word):
    words = ("new", tmp_path / "v", "--patient", "PV-1", "--name", "Birch^Juniper")
    said = refusal(capsys, *words, "--species", "dog", "--date", "2026-03-05", f"{option}={value}")
    assert word in said
    assert not (tmp_path / "v").exists()


def test_new_counts_in_plain_words(tmp_path, capsys):
    words = ["new", str(tmp_path / "v"), "--patient", "PV-1", "--name", "Birch^Juniper"]
    film = sample("toy-dog-cleaning") / "images" / "left-jaw.dcm"
    assert main([*words, "--species", "dog", str(film)]) == 0
    assert capsys.readouterr().out.endswith("1 radiograph and 0 photographs copied.\n")


def test_repeatability_leaves_no_plot_behind_when_the_profile_cannot_be_written(tmp_path, capsys):
    marks = sample("cat") / "marks" / "right-lower-molar.dcm.csv"
    again = tmp_path / "again.csv"
    shutil.copy(marks, again)
    plot = tmp_path / "plot.png"
    said = refusal(
        capsys, "repeatability", marks, again, "--plot", plot, "--out", tmp_path / "no" / "p.json"
    )
    assert "no folder to write in" in said
    assert not plot.exists()


def test_marks_file_without_marks_is_told_not_shown_as_an_empty_table(tmp_path, capsys):
    film = sample("toy-dog-cleaning") / "images" / "left-jaw.dcm"
    marks = tmp_path / "none.csv"
    marks.write_text("tooth,root,side,landmark,row,col,mm\n")
    assert main(["measure", str(film), "--marks", str(marks)]) == 0
    assert "nothing is measured" in capsys.readouterr().out


def test_demo_keeps_a_visit_someone_worked_in(tmp_path, capsys):
    out = tmp_path / "demo"
    out.mkdir()
    (out / ".made-by-perioview-demo").touch()
    shutil.copytree(sample("toy-dog-cleaning"), out / "visit")
    marks = out / "visit" / "marks" / "left-jaw.dcm.csv"
    changed = marks.read_text() + "310,mesial,,apex,500,900,,placed,\n"
    marks.write_text(changed)
    assert "changed or added" in refusal(capsys, "demo", "--out", out)
    assert marks.read_text() == changed


def test_plaque_before_and_after_cleaning_are_told_apart_in_the_history(tmp_path, capsys):
    visit, archive = tmp_path / "visit", tmp_path / "archive"
    source = sample("toy-dog-cleaning")
    photos = [source / "images" / f"left-lower-{when}.jpg" for when in ("before", "after")]
    new_visit(visit, patient="PV-1", name="Birch^Juniper", species="dog", photos=photos)
    text = (visit / "visit.toml").read_text().replace("[[photos]]", '[[photos]]\ngum = "down"')
    text = text.replace('after.jpg"\nwhen = "before"', 'after.jpg"\nwhen = "after"')
    (visit / "visit.toml").write_text(text)
    shutil.copytree(source / "regions", visit / "regions", dirs_exist_ok=True)
    assert main(["attach", str(visit), "--to", str(archive)]) == 0
    capsys.readouterr()
    assert main(["history", "PV-1", "--from", str(archive), "--json", "-"]) == 0
    rows = json.loads(capsys.readouterr().out)["measurements"]
    covered = {(r["when"], r["tooth"]): r["value"] for r in rows if r["quantity"] == "coverage_pct"}
    assert covered["before", 309] > 60 > covered["after", 309]
    assert main(["history", "PV-1", "--from", str(archive)]) == 0
    table = capsys.readouterr().out
    assert table.count("plaque before") == table.count("plaque after") == 5
