"""Visit folders: made, filled, read back; originals untouched, nothing half-made left."""

import datetime as dt
import tomllib

import numpy as np
import pytest
from PIL import Image

from perioview.cli import main
from perioview.errors import InputRefused
from perioview.files.visit_folder import examine, read_visit, visit_text, write_visit
from perioview.marking_round import RoundState, Skip, Step, round_text
from perioview.record.findings import findings
from perioview.record.report import left_out
from perioview.visit import Visit, agreed_species


@pytest.fixture
def pictures(tmp_path):
    rng = np.random.default_rng(0)
    film, photo = tmp_path / "left jaw ß.png", tmp_path / "stained.jpg"
    Image.fromarray(rng.integers(0, 255, (60, 80), np.uint8)).save(film)
    Image.fromarray(rng.integers(0, 255, (60, 80, 3), np.uint8)).save(photo)
    return film, photo


def new(folder, *words):
    return main(["new", str(folder), "--patient", "PV-1", "--name", "Ünlü^Mögli", *words])


def test_new_copies_and_sorts_images(tmp_path, pictures):
    folder = tmp_path / "visit of today"
    done = new(
        folder, "--species", "dog", "--birth-date", "2019-04-02", "--weight-kg", "6.4",
        "--neutered", *map(str, pictures),
    )  # fmt: skip
    assert done == 0
    visit = read_visit(folder)
    assert [r["file"] for r in visit.images] == ["images/left jaw ß.png"]
    assert [r["file"] for r in visit.photos] == ["images/stained.jpg"]
    assert visit.patient["birth_date"] == dt.date(2019, 4, 2) and visit.patient["neutered"] is True
    for source in pictures:
        assert (folder / "images" / source.name).read_bytes() == source.read_bytes()
    assert examine(folder).species == "dog"


def test_new_never_overwrites_and_leaves_nothing_half_made(tmp_path, pictures, capsys):
    folder = tmp_path / "visit"
    assert new(folder, "--species", "dog") == 0
    before = (folder / "visit.toml").read_bytes()
    assert new(folder, "--species", "cat") == 2
    assert (folder / "visit.toml").read_bytes() == before
    broken = tmp_path / "broken.dcm"
    broken.write_bytes(b"no image")
    missing = tmp_path / "missing.dcm"
    capsys.readouterr()
    assert new(tmp_path / "other", "--species", "dog", str(broken), str(missing)) == 2
    assert capsys.readouterr().err.count("\n") == 2
    assert not (tmp_path / "other").exists()
    assert not list(tmp_path.glob(".*draft"))


def test_toml_is_read_back_by_the_standard_library():
    """TOML 1.0 as Python's own tomllib reads it."""
    visit = Visit(
        {"id": 'a"b\\c\n', "name": "Ünlü^Mögli", "weight_kg": 6.4, "neutered": True},
        {"name": "x"},
        {"date": dt.date(2026, 3, 5), "at": dt.datetime(2026, 3, 5, 10, 20)},
        ({"file": "images/a b.dcm", "teeth": [308, 309]},),
        (),
        ({"name": "pack in", "done": True, "nested": {"odd key": 1}},),
        {"note": "kept"},
    )
    data = tomllib.loads(visit_text(visit))
    assert data["patient"] == visit.patient and data["visit"] == visit.visit
    assert data["images"][0]["teeth"] == [308, 309]
    assert data["steps"][0]["nested"] == {"odd key": 1} and data["note"] == "kept"


def test_writing_and_reading_is_the_same(tmp_path):
    visit = Visit({"id": "1", "species": "cat"}, photos=({"file": "images/x.png"},))
    write_visit(tmp_path, visit)
    assert read_visit(tmp_path) == visit


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[patient\n", "no valid TOML"),
        ("[patient]\nname = 'x'\n", "no id"),
        ("[patient]\nid = '1'\n[[images]]\nview = 'x'\n", "without its file"),
        ("patient = 3\n", "must be a table"),
    ],
)
def test_faults_of_the_visit_file(tmp_path, text, said):
    (tmp_path / "visit.toml").write_text(text, "utf-8")
    with pytest.raises(InputRefused, match=said):
        read_visit(tmp_path)


def test_species_must_agree():
    assert agreed_species({"a": None, "b": "cat"}) == "cat"
    for sources in ({"a": None}, {"a": "dog", "b": "cat"}, {"a": "horse"}):
        with pytest.raises(InputRefused):
            agreed_species(sources)


def test_what_was_judged_by_eye_or_left_out_reaches_stage_close_out_and_report(tmp_path, pictures):
    new(tmp_path / "v", "--species", "dog", str(pictures[0]))
    noted = RoundState(
        roots=((304, ("single",)), (308, ("mesial", "distal"))),
        skips=(Skip(Step("apex", 308, "mesial"), "overlapped"),),
        sound=(304,),
    )
    (tmp_path / "v" / "marks" / f"{pictures[0].name[:-4]}.png.round.json").write_text(
        round_text(noted)
    )
    exam = examine(tmp_path / "v")
    assert exam.radiographs[0].sound == (304,)
    found = findings(exam)
    tooth = next(a for a in found.assessments if a.tooth == 304)
    # Nothing lost on the film: stage 0 or 1, which only the gums tell apart (AVDC stages).
    assert tooth.stage == "0-1" and not tooth.bone_loss_pct.known
    assert "by eye" in tooth.evidence[0].reason
    assert not [g for g in found.gaps if g.tooth == 304 and g.kind == "not_filmed"]
    assert [g for g in found.gaps if g.tooth == 308 and g.kind == "not_filmed"]
    told = " ".join(left_out(exam.radiographs[0]))
    assert "304" in told and "308, mesial root: root apex (overlapped)" in told
