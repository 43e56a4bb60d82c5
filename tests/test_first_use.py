"""What a first user runs into: places that will not do are refused before any work is done."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import PIL.Image
import pytest

from perioview.care import care_rules
from perioview.cli import main
from perioview.errors import InputRefused
from perioview.files.samples import sample_visits
from perioview.files.visit_folder import new_visit, read_visit
from perioview.verbs.report import write_record
from tests.test_record_folder import contents
from tests.test_report import pdf_text


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


def cut_out(source: Path, to: Path, when: str) -> Path:
    """309 alone of a sample photo, with its region beside it."""
    from PIL import Image

    name = f"left-lower-{when}.jpg"
    regions = Image.open(source / "regions" / f"{name}.png")
    inside = np.argwhere(np.asarray(regions) == 309)
    (top, left), (bottom, right) = inside.min(0) - 20, inside.max(0) + 20
    box = tuple(int(v) for v in (left, top, right, bottom))
    Image.open(source / "images" / name).crop(box).save(to / name, quality=95)
    cut = np.asarray(regions.crop(box))
    # Slivers of the neighbours would be teeth of their own.
    Image.fromarray(np.where(cut == 309, 309, 0).astype(np.uint16)).save(to / f"{name}.png")
    return to / name


def test_plaque_before_and_after_cleaning_are_told_apart_in_the_history(tmp_path, capsys):
    visit, archive = tmp_path / "visit", tmp_path / "archive"
    photos = [cut_out(sample("toy-dog-cleaning"), tmp_path, when) for when in ("before", "after")]
    new_visit(visit, patient="PV-1", name="Birch^Juniper", species="dog", photos=photos)
    text = (visit / "visit.toml").read_text().replace("[[photos]]", '[[photos]]\ngum = "down"')
    text = text.replace('after.jpg"\nwhen = "before"', 'after.jpg"\nwhen = "after"')
    (visit / "visit.toml").write_text(text)
    for photo in photos:
        shutil.copy(photo.with_name(f"{photo.name}.png"), visit / "regions")
    assert main(["attach", str(visit), "--to", str(archive)]) == 0
    capsys.readouterr()
    assert main(["history", "PV-1", "--from", str(archive), "--json", "-"]) == 0
    rows = json.loads(capsys.readouterr().out)["measurements"]
    covered = {r["when"]: r["value"] for r in rows if r["quantity"] == "coverage_pct"}
    assert covered["before"] > 60 > covered["after"]
    assert main(["history", "PV-1", "--from", str(archive)]) == 0
    table = capsys.readouterr().out
    assert table.count("plaque before") == table.count("plaque after") == 1


@pytest.fixture(scope="module")
def reported(tmp_path_factory):
    folder = tmp_path_factory.mktemp("reports") / "visit"
    shutil.copytree(sample("toy-dog-cleaning"), folder)
    assert main(["report", str(folder)]) == 0
    return folder


def test_owner_sees_the_films_of_the_worst_teeth_each_with_words(reported):
    """108 has lost the most bone (64.5 %), then 309 (44.0 %); the canine is left out."""
    page = (reported / "record" / "owner.html").read_text("utf-8")
    assert page.index("right-upper-carnassial.dcm") < page.index("left-jaw.dcm")
    assert "right-lower-canine.dcm" not in page
    assert page.count("<figure>") == page.count("<figcaption>") == 4
    assert "how much of each root has lost its bone" in page
    assert "Each circle is a tooth" in page


def test_owner_is_told_what_was_decided_and_is_not_done(reported):
    record = reported / "record"
    said = " ".join(pdf_text((record / "owner.pdf").read_bytes()).split())
    for told in (said, (record / "owner.html").read_text("utf-8")):
        assert "What is still to be done" in told
        assert "Right upper fourth premolar (tooth 108): discuss extraction." in told
    assert "Invented practice" in said


def test_plaque_pages_name_the_index_and_hold_every_warning(reported):
    found = json.loads((reported / "record" / "measurements.json").read_text("utf-8"))
    said = " ".join(pdf_text((reported / "record" / "report.pdf").read_bytes()).split())
    assert len(found["photos"]) == 2
    for photo in found["photos"]:
        assert f"Index: {photo['index_name']}." in said
        assert f"{photo['mouth']['coverage_pct']:.1f} ± " in said
        assert all(warning in said for warning in photo["warnings"])


def test_picture_of_a_photo_taken_out_of_the_visit_leaves_the_record(reported, tmp_path):
    record = tmp_path / "record"
    shutil.copytree(reported / "record", record)
    (record / "letter.txt").write_text("mine")
    outside = tmp_path / "left-alone.png"
    outside.write_text("mine")
    held = contents(record)
    told = json.loads(held["measurements.json"])
    assert set(told["files"]) == set(held) - {"letter.txt"}
    gone = "left-lower-after.jpg.plaque.png"
    kept = {n: held[n] for n in told["files"] if n != gone}
    # A list that someone tampered with must not reach out of the folder.
    tampered = told | {"files": [*told["files"], "../left-alone.png", "", ".", ".."]}
    (record / "measurements.json").write_text(json.dumps(tampered))
    write_record(record, kept)
    assert set(contents(record)) == {*kept, "letter.txt"}
    assert outside.read_text() == "mine"


def test_report_into_a_file_is_refused_before_any_work(reported, tmp_path, capsys, monkeypatch):
    from perioview.files import visit_folder

    monkeypatch.setattr(visit_folder, "examine", lambda *a, **k: pytest.fail("it measured first"))
    file = tmp_path / "letter.txt"
    file.write_text("kept")
    assert "is a file" in refusal(capsys, "report", reported, "--out", file)
    assert "is a file" in refusal(capsys, "report", reported, "--out", file / "below")
    assert file.read_text() == "kept"


def test_flags_in_a_note_are_words_and_file_names_stay():
    from perioview.record.report import _in_words

    said = _in_words("304: no percentage for single root (no_apex, side_from_bone) of left_jaw.dcm")
    assert said == "304: no percentage for single root (no apex, side from bone) of left_jaw.dcm"


@pytest.mark.parametrize(
    ("written", "by_hand", "named"),
    [
        ("weight_kg = 3.1", "weight_kg = nan", "weight_kg nan is no weight"),
        ("weight_kg = 3.1", "weight_kg = -3.1", "weight_kg -3.1 is no weight"),
        ("weight_kg = 3.1", 'weight_kg = "3,1 kg"', "weight_kg '3,1 kg' is no weight"),
        ("date = 2026-03-05", 'date = "5.3.2026"', "date '5.3.2026' is no date"),
        ("birth_date = 2017-05-14", 'birth_date = "May 2017"', "birth_date 'May 2017' is no date"),
    ],
)
def test_a_field_written_by_hand_that_is_none_is_named(tmp_path, capsys, written, by_hand, named):
    visit = tmp_path / "visit"
    visit.mkdir()
    text = (sample("toy-dog-cleaning") / "visit.toml").read_text("utf-8")
    head = text.split("[[images]]")[0]
    assert head.count(written) == 1 or written.startswith("date")
    (visit / "visit.toml").write_text(head.replace(f"\n{written}", f"\n{by_hand}"), "utf-8")
    assert named in refusal(capsys, "report", visit)
    assert named in refusal(capsys, "attach", visit, "--to", tmp_path / "archive")
    assert not (visit / "record").exists() and not (tmp_path / "archive").exists()


def test_a_visit_dated_in_text_keeps_its_own_day():
    from perioview.record.visit_faults import day_from

    assert str(day_from("2026-03-05")) == "2026-03-05"
    assert day_from("5.3.2026") is None and day_from(None) is None


def test_owner_is_told_in_words_what_changed_since_the_earlier_visit(reported):
    """By hand from the sites: 309 rose beyond 1.96 SD, 404 fell, 308 did not move."""
    from perioview.files.visit_folder import examine
    from perioview.record.findings import findings
    from perioview.record.owner_page import owner_page
    from perioview.record.since_last import SinceLast

    keys = ("tooth", "root", "side", "change_pct", "change_pct_sd", "detectable")
    sites = [
        dict(zip(keys, values, strict=True))
        for values in (
            (308, "mesial", "mesial", 0.4, 4.0, False),
            (309, "mesial", "mesial", 0.2, 4.0, False),
            (309, "distal", "distal", 11.9, 4.1, True),
            (404, "single", "distal", -12.0, 3.0, True),
            (107, "mesial", "mesial", None, None, None),
        )
    ]
    since = SinceLast("2025-09-01", {"sites": sites}, {}, (), days=185)
    page = owner_page(findings(examine(reported), since), pictures={})
    told = [line for line in page.found if "since 1 September 2025" in line]
    assert told == [
        "More bone was lost since 1 September 2025: left lower first molar (tooth 309).",
        "No sure sign of more bone loss since 1 September 2025: left lower fourth premolar "
        "(tooth 308); right lower canine (tooth 404).",
    ]


@pytest.mark.parametrize(
    ("p", "told"), [(0.8999, "89.9"), (0.896, "89.6"), (0.9, "90"), (0.894, "89"), (0.9049, "90")]
)
def test_a_chance_below_the_limit_of_borderline_never_reads_as_ninety(p, told):
    from perioview.record.chances import chances

    assert chances({"0-1": 0.001, "3": p, "4": 0.05}, "; ") == f"3: {told} %; 4: 5 %"
    assert chances(None) == ""


def test_photographs_before_and_after_cleaning_are_told_apart(tmp_path):
    photos = [tmp_path / "stained.jpg", tmp_path / "cleaned.jpg"]
    for photo in photos:
        PIL.Image.fromarray(np.zeros((20, 30, 3), np.uint8)).save(photo)
    words = ("--patient", "PV-1", "--name", "Birch^Juniper", "--species", "dog")
    given = ("--photo", photos[0], "--photo-after", photos[1])
    assert main([str(w) for w in ("new", tmp_path / "visit", *words, *given)]) == 0
    when = {p["file"]: p["when"] for p in read_visit(tmp_path / "visit").photos}
    assert when == {"images/stained.jpg": "before", "images/cleaned.jpg": "after"}
    assert {p["dye"] for p in read_visit(tmp_path / "visit").photos} == {"one-tone"}
    told = ("new", tmp_path / "other", *words, *given, "--dye", "two-tone")
    assert main([str(w) for w in told]) == 0
    assert {p["dye"] for p in read_visit(tmp_path / "other").photos} == {"two-tone"}


def test_what_cannot_be_read_is_said_in_plain_words(tmp_path, capsys):
    table = sample("cat") / "marks"
    image = next((sample("cat") / "images").glob("*.dcm"))
    marks = table / f"{image.name}.csv"
    said = refusal(capsys, "measure", image, "--marks", marks, "--mark-sd", "mine.json")
    assert "there is no such file" in said
    (tmp_path / "visit").mkdir()
    (tmp_path / "visit" / "visit.toml").mkdir()
    with pytest.raises(InputRefused) as told:
        read_visit(tmp_path / "visit")
    assert "Errno" not in str(told.value)
    with pytest.raises(InputRefused, match="name the visit folder"):
        read_visit(image)
    with pytest.raises(InputRefused) as told:
        care_rules(tmp_path / "none.toml")
    assert "Errno" not in str(told.value)
