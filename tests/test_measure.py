"""The verb `measure`, as a user of the command line meets it."""

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from PIL import Image as Picture

import perioview
from perioview.cli import main
from tests.test_worked_examples import WORKED


@pytest.fixture
def film(tmp_path):
    path = tmp_path / "Zähne links.png"
    Picture.fromarray(np.random.default_rng(0).integers(0, 255, (400, 400), np.uint8)).save(path)
    return path


def test_json_and_exit_status(film, capsys):
    marks = WORKED / "03-furcal-sides.csv"
    arguments = ["measure", str(film), "--marks", str(marks), "--species", "dog"]
    assert main([*arguments, "--mm-per-px", "0.1", "--json", "-"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["scale"]["method"] == "given" and found["image"]["file"] == film.name
    assert found["image"]["modality"] is None
    assert any("under-read" in w for w in found["warnings"])
    assert main(arguments) == 0
    assert "furcation_exposed" in capsys.readouterr().out


def test_mark_sd_forms(film, tmp_path, capsys):
    marks = WORKED / "01-single-rooted.csv"
    base = ["measure", str(film), "--marks", str(marks), "--species", "dog", "--mm-per-px", "0.1"]

    def sd(given):
        assert main([*base, "--mark-sd", given, "--json", "-"]) == 0
        return json.loads(capsys.readouterr().out)["sites"][0]["bone_loss_pct_sd"]

    assert sd("0") == 0
    assert sd("0.2") == pytest.approx(2 * sd("0.1"))
    assert sd("cej=0.1,crest=0.1,apex=0.1") == pytest.approx(sd("0.1"))
    profile = tmp_path / "me.json"
    rows = [{"landmark": k, "n": 5, "sd_mm": 0.1, "sd_px": 1.0} for k in ("cej", "crest", "apex")]
    profile.write_text(json.dumps({"landmarks": rows, "bone_loss_pct": {}}))
    assert sd(str(profile)) == pytest.approx(sd("0.1"))
    assert main([*base, "--mark-sd", "cejj=1"]) == 2
    assert main([*base, "--mark-sd", "-1"]) == 2


@pytest.mark.parametrize(
    "change",
    [["--species"], ["--marks", "nowhere.csv"], ["--mm-per-px", "0"]],
)
def test_refusals_are_one_line_and_status_2(film, capsys, change, tmp_path):
    marks = str(WORKED / "01-single-rooted.csv")
    arguments = {"--marks": marks, "--species": "dog"}
    if len(change) == 1:
        del arguments[change[0]]
    else:
        arguments[change[0]] = change[1]
    out = tmp_path / "out.json"
    words = [w for pair in arguments.items() for w in pair]
    assert main(["measure", str(film), *words, "--json", str(out)]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1 and "Traceback" not in said
    assert not out.exists()


def test_core_loads_no_qt_napari_or_dicom_library():
    """Every module of rows 1 to 4 (all that lie in perioview itself, less the command line)."""
    folder = Path(perioview.__file__).parent
    names = [p.stem for p in folder.glob("*.py") if p.stem not in ("__main__", "cli", "batch")]
    assert len(names) > 30
    code = (
        "import sys, " + ", ".join(f"perioview.{n}" for n in names if n != "__init__") + ";"
        "bad = {'qtpy', 'PySide6', 'napari', 'pydicom', 'highdicom'};"
        "sys.exit(', '.join(bad & set(sys.modules)) or 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize(
    "words",
    [["measure"], ["measure", "x.png", "--species", "horse"], ["nonsense"], []],
)
def test_wrong_words_are_refused_in_one_line(words, capsys):
    assert main(words) == 2
    assert capsys.readouterr().err.count("\n") == 1


def test_an_impossible_json_file_is_refused_before_any_work(film, tmp_path, capsys):
    words = ["plaque", str(film), "--teeth", "x.png", "--overlay", str(tmp_path / "o.png")]
    assert main([*words, "--json", str(tmp_path / "nowhere" / "x.json")]) == 2
    assert "nowhere" in capsys.readouterr().err and not (tmp_path / "o.png").exists()


def test_a_ruler_that_cannot_be_gives_no_millimetres():
    from perioview.calibration import calibration
    from perioview.marks import Mark, Marks
    from tests.cases import blank

    marks = Marks((Mark("ruler", 5, 5, mm=0.0), Mark("ruler", 5, 6, mm=300.0)))
    found = calibration(blank(spacing=None), marks)
    assert found.method == "none" and "cannot be" in found.notes[0]
