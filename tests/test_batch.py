"""A folder of visits as one table: every site a row, every fault a row, the rest unharmed."""

import csv
import hashlib
import io
import json
import os
import subprocess
import sys

import numpy as np
import pytest
from PIL import Image as Picture

import perioview
from perioview.batch import COLUMNS, IDENTITY, Job, jobs_under, rows_of, table
from perioview.cli import main
from perioview.errors import InputRefused
from perioview.verbs.batch import on_this_computer
from tests.test_reading_dicom import intraoral

# One root upright: the CEJ at row 10, the apex at row 60, so 1 row is 2 percent.
MARKS = """tooth,root,side,landmark,row,col,mm
404,single,mesial,cej,10,20,
404,single,distal,cej,10,40,
404,single,mesial,crest,{mesial},19,
404,single,distal,crest,20,41,
404,single,,apex,60,30,
"""


def visit(folder, *, mesial=15, patient="PV-9001", marks=True, image=True):
    """A visit of one radiograph, 0.1 mm a pixel, its mesial crest at the given row."""
    (folder / "images").mkdir(parents=True)
    (folder / "marks").mkdir()
    (folder / "visit.toml").write_text(
        f'[patient]\nid = "{patient}"\nspecies = "dog"\n[[images]]\nfile = "images/jaw.dcm"\n'
    )
    if image:
        grey = np.arange(70 * 60, dtype=np.uint16).reshape(70, 60) % 4096
        dataset = intraoral(grey, PixelSpacing=["0.1", "0.1"])
        dataset.save_as(folder / "images" / "jaw.dcm", enforce_file_format=True)
    if marks:
        (folder / "marks" / "jaw.dcm.csv").write_text(MARKS.format(mesial=mesial))
    return folder


def rows_in(text):
    return list(csv.DictReader(io.StringIO(text)))


def test_rows_by_hand(tmp_path):
    folder = visit(tmp_path / "a")
    rows = rows_in(table(rows_of(Job(str(folder), "a"))))
    assert [(row["tooth"], row["root"], row["side"]) for row in rows] == [
        ("404", "single", "mesial"),
        ("404", "single", "distal"),
    ]
    # 5 and 10 of 50 rows, 0.1 mm each.
    assert [float(row["bone_loss_pct"]) for row in rows] == pytest.approx([10, 20])
    assert [float(row["bone_loss_mm"]) for row in rows] == pytest.approx([0.5, 1.0])
    assert {row["scale_method"] for row in rows} == {"pixel_spacing"}
    digest = hashlib.sha256((folder / "images" / "jaw.dcm").read_bytes()).hexdigest()
    for row in rows:
        assert [row[key] for key in IDENTITY] == [
            *("a", "PV-9001", "images/jaw.dcm", digest, perioview.__version__, "")
        ]


def test_a_row_carries_the_warnings_of_its_tooth_and_of_its_image(tmp_path):
    """A root of 5 mm is sound; crest and CEJ swapped on one side, a tooth of a furcation alone."""
    folder = visit(tmp_path / "a", mesial=1)
    path = folder / "marks" / "jaw.dcm.csv"
    path.write_text(path.read_text() + "409,,,furcation,30,30,\n")
    rows = rows_in(table(rows_of(Job(str(folder), "a"))))
    by_tooth = {row["tooth"]: row for row in rows}
    assert "coronal to the CEJ" in by_tooth["404"]["warnings"]
    assert "no root is marked" in by_tooth["409"]["warnings"]
    assert by_tooth["409"]["flags"] == "incomplete" and by_tooth["409"]["bone_loss_pct"] == ""
    assert "404" not in by_tooth["409"]["warnings"]
    assert "unusual for an intra-oral receptor" not in rows[0]["warnings"]


def test_the_columns_named_in_the_contract_come_first_and_agree_with_measure(tmp_path, capsys):
    folder = visit(tmp_path / "a")
    assert COLUMNS[:6] == ("visit", "patient", "image", "sha256", "version", "fault")
    image, marks = folder / "images" / "jaw.dcm", folder / "marks" / "jaw.dcm.csv"
    assert main(["measure", str(image), "--marks", str(marks), "--json", "-"]) == 0
    measured = json.loads(capsys.readouterr().out)
    assert main(["batch", str(tmp_path)]) == 0
    rows = rows_in(capsys.readouterr().out)
    for row, site in zip(rows, measured["sites"], strict=True):
        for key, value in site.items():
            if key != "flags":
                assert row[key] == ("" if value is None else str(value)), key
        assert row["flags"].split() == site["flags"]
        tooth = measured["teeth"][0]
        # The stage is the tooth's and stands at the site that decides.
        decides = (site["root"], site["side"]) == (tooth["root"], tooth["side"])
        assert row["radiographic_stage"] == (tooth["radiographic_stage"] if decides else "")


def test_bad_visits_become_rows_and_the_good_ones_stay(tmp_path, capsys):
    visit(tmp_path / "1 good")
    visit(tmp_path / "2 image gone", image=False)
    visit(tmp_path / "3 no marks", marks=False)
    broken = visit(tmp_path / "4 broken")
    (broken / "visit.toml").write_text("[patient\n")
    outside = visit(tmp_path / "5 mark outside", mesial=500)
    cut = visit(tmp_path / "6 cut")
    data = (cut / "images" / "jaw.dcm").read_bytes()
    (cut / "images" / "jaw.dcm").write_bytes(data[: len(data) // 2])
    bare = visit(tmp_path / "7 nothing")
    (bare / "visit.toml").write_text('[patient]\nid = "PV-9007"\n')
    visit(tmp_path / "deeper" / "8 good")
    out = tmp_path / "all.csv"
    assert main(["batch", str(tmp_path), "--out", str(out), "--workers", "1"]) == 0
    assert "8 visits or photos, 10 rows, 6 with a fault" in capsys.readouterr().out
    rows = rows_in(out.read_text("utf-8"))
    by_visit = {
        name: [r for r in rows if r["visit"] == name] for name in {r["visit"] for r in rows}
    }
    for good in ("1 good", "deeper/8 good"):
        assert [row["fault"] for row in by_visit[good]] == ["", ""]
    says = {
        "2 image gone": "no such file",
        "3 no marks": "no roots are marked",
        "4 broken": "TOML",
        "5 mark outside": "outside",
        "6 cut": "cut short",
        "7 nothing": "no images",
    }
    for name, words in says.items():
        (row,) = by_visit[name]
        assert words in row["fault"] and row["tooth"] == "" and row["version"], row
    assert by_visit["6 cut"][0]["sha256"] and by_visit["6 cut"][0]["patient"] == "PV-9001"
    assert outside.is_dir()


def test_one_bad_image_leaves_the_others_of_its_visit(tmp_path):
    folder = visit(tmp_path / "a")
    with (folder / "visit.toml").open("a") as more:
        more.write('[[images]]\nfile = "images/gone.dcm"\n')
    rows = rows_of(Job(str(folder), "a"))
    assert [bool(row.get("fault")) for row in rows] == [False, False, True]
    assert rows[2]["image"] == "images/gone.dcm"


def test_the_root_may_be_a_visit_itself(tmp_path):
    folder = visit(tmp_path / "přední zub")
    assert [job.name for job in jobs_under(folder)] == ["přední zub"]


def test_what_lies_inside_a_visit_or_is_hidden_is_not_another_visit(tmp_path):
    visit(tmp_path / "a")
    visit(tmp_path / "a" / "record" / "copy")
    visit(tmp_path / ".trash" / "b")
    assert [job.name for job in jobs_under(tmp_path)] == ["a"]


def stained_photo(folder):
    """A white tooth on dark gums, its left half dyed, and the tooth's region beside it."""
    folder.mkdir(parents=True)
    pixels = np.full((60, 80, 3), (90, 30, 30), np.uint8)
    pixels[10:50, 10:70] = (235, 232, 225)
    pixels[10:50, 10:40] = (225, 60, 120)
    Picture.fromarray(pixels).save(folder / "left.png")
    labels = np.zeros((60, 80), np.uint16)
    labels[10:50, 10:70] = 208
    Picture.fromarray(labels).save(folder / "left.png.png")
    return folder / "left.png"


def test_a_photo_outside_any_visit_is_measured_by_its_regions(tmp_path):
    photo = stained_photo(tmp_path / "photos")
    Picture.new("RGB", (5, 5)).save(tmp_path / "photos" / "other.png")
    (job,) = jobs_under(tmp_path)
    (row,) = rows_of(job)
    assert (row["visit"], row["image"], row["tooth"]) == ("photos/left.png", "left.png", 208)
    assert row["sha256"] == hashlib.sha256(photo.read_bytes()).hexdigest()
    assert "gum_side_assumed" in row["flags"]
    assert "assumed from the jaw; state it" in row["warnings"]
    assert row["region_px"] == 40 * 60


def test_regions_that_the_window_left_beside_a_photo_serve(tmp_path):
    photo = stained_photo(tmp_path / "photos")
    os.replace(f"{photo}.png", f"{photo}.regions.png")
    (job,) = jobs_under(tmp_path)
    assert [row["tooth"] for row in rows_of(job)] == [208]


def test_photos_of_a_visit(tmp_path):
    folder = visit(tmp_path / "a")
    os.replace(stained_photo(tmp_path / "p"), folder / "images" / "left.png")
    (folder / "regions").mkdir()
    with (folder / "visit.toml").open("a") as more:
        more.write('[[photos]]\nfile = "images/left.png"\ndye = "one-tone"\ngum = "up"\n')
    rows = rows_of(Job(str(folder), "a"))
    assert "no tooth regions" in rows[-1]["fault"]
    os.replace(tmp_path / "p" / "left.png.png", folder / "regions" / "left.png.png")
    rows = rows_of(Job(str(folder), "a"))
    assert (rows[-1]["tooth"], rows[-1].get("fault", "")) == (208, "")
    assert "assumed" not in rows[-1]["warnings"]


def photo_visit(folder, *, dyed=40, when="before"):
    """A visit with one stained photo and its regions; columns 10 to `dyed` of 70 are dyed."""
    (folder / "regions").mkdir(parents=True)
    file = stained_photo(folder / "images")
    pixels = np.array(Picture.open(file))
    pixels[10:50, 10:70] = (235, 232, 225)
    pixels[10:50, 10:dyed] = (225, 60, 120)
    Picture.fromarray(pixels).save(file)
    os.replace(f"{file}.png", folder / "regions" / "left.png.png")
    (folder / "visit.toml").write_text(
        '[patient]\nid = "PV-9002"\nspecies = "dog"\n[[photos]]\nfile = "images/left.png"\n'
        f'when = "{when}"\ndye = "one-tone"\ngum = "up"\n'
    )
    return folder


def test_reduction_against_an_earlier_table_vohc(tmp_path, capsys):
    # Veterinary Oral Health Council: 100 x (control mean - test mean) / control mean.
    for number, (before, after) in enumerate(((50, 30), (60, 40), (40, 20))):
        photo_visit(tmp_path / "control" / str(number), dyed=before)
        photo_visit(tmp_path / "test" / str(number), dyed=after)
    # Photos after cleaning, and a visit without photos, are no mouths.
    photo_visit(tmp_path / "test" / "cleaned", dyed=70, when="after")
    visit(tmp_path / "test" / "film")
    earlier = tmp_path / "control.csv"
    assert main(["batch", str(tmp_path / "control"), "--out", str(earlier)]) == 0
    given = ["batch", str(tmp_path / "test"), "--before", str(earlier)]
    given += ["--out", str(tmp_path / "test.csv"), "--workers", "1"]
    out = tmp_path / "r.json"
    assert main([*given, "--json", str(out)]) == 0
    found = json.loads(out.read_text())["reduction"]
    assert (found["mouths_before"], found["mouths_after"]) == (3, 3)
    # Mean columns dyed: 40 and 20 of 60.
    assert found["coverage"]["reduction_pct"] == pytest.approx(50, abs=1.5)
    assert found["coverage"]["reduction_pct_sd"] > 0
    assert found["coverage"]["reaches_mean_limit"] is True
    capsys.readouterr()
    assert main(given) == 0
    assert "% less than before (3 against 3)" in capsys.readouterr().out
    assert {r["when"] for r in rows_in((tmp_path / "test.csv").read_text())} == {
        *("", "before", "after")
    }


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (None, "cannot be read"),
        ("a,b\n1,2\n", "no table of batch"),
        ("", "no table of batch"),
        (",".join(COLUMNS) + "\n", "holds no plaque"),
    ],
)
def test_earlier_tables_that_cannot_serve_are_refused(tmp_path, capsys, text, said):
    photo_visit(tmp_path / "v")
    table_before = tmp_path / "before.csv"
    if text is not None:
        table_before.write_text(text)
    out = tmp_path / "out.csv"
    given = ["batch", str(tmp_path / "v"), "--before", str(table_before), "--out", str(out)]
    assert main(given) == 2
    lines = capsys.readouterr().err.strip().splitlines()
    assert len(lines) == 1 and said in lines[0] and not out.exists()


def test_outlines_are_carried_within_a_visit_only_when_asked(tmp_path):
    sys.path.insert(0, os.path.dirname(__file__))
    from test_plaque_verb import textured_mouth

    pixels, regions = textured_mouth()
    folder = photo_visit(tmp_path / "v")
    for name in ("left.png", "again.png"):
        Picture.fromarray(pixels).save(folder / "images" / name)
    Picture.fromarray(regions).save(folder / "regions" / "left.png.png")
    with (folder / "visit.toml").open("a") as more:
        more.write('[[photos]]\nfile = "images/again.png"\ndye = "one-tone"\ngum = "up"\n')
    (job,) = jobs_under(tmp_path)
    assert "no tooth regions" in rows_of(job)[-1]["fault"]
    (job,) = jobs_under(tmp_path, carry_teeth=True)
    rows = rows_of(job)
    assert [r["tooth"] for r in rows] == [104, 107, 104, 107]
    assert [("outlines_carried" in r["flags"]) for r in rows] == [False, False, True, True]
    assert rows[2]["coverage_pct"] == pytest.approx(rows[0]["coverage_pct"], abs=1)
    noise = np.random.default_rng(9).integers(0, 255, pixels.shape, np.uint8)
    Picture.fromarray(noise).save(folder / "images" / "again.png")
    assert "again.png" in rows_of(job)[-1]["fault"]


def test_grey_cards_of_the_visit_and_of_the_stand(tmp_path):
    sys.path.insert(0, os.path.dirname(__file__))
    from test_plaque_verb import CARD, CAST, under_cast

    photo, regions = under_cast(CAST)
    folder = photo_visit(tmp_path / "v")
    Picture.fromarray(photo.pixels).save(folder / "images" / "left.png")
    Picture.fromarray(regions).save(folder / "regions" / "left.png.png")
    (job,) = jobs_under(tmp_path)
    assert all(row["coverage_pct"] is None for row in rows_of(job))
    (job,) = jobs_under(tmp_path, card=CARD)
    assert [r["coverage_pct"] for r in rows_of(job)] == pytest.approx([50, 0], abs=1.5)
    with (folder / "visit.toml").open("a") as more:
        more.write(f"grey_card = {list(CARD)}\n")
    # What the visit says goes before the stand's.
    (job,) = jobs_under(tmp_path, card=(1, 1, 2, 2))
    assert [r["coverage_pct"] for r in rows_of(job)] == pytest.approx([50, 0], abs=1.5)
    text = (folder / "visit.toml").read_text()
    (folder / "visit.toml").write_text(text.replace("60]", "'x']"))
    assert "grey_card" in rows_of(job)[0]["fault"]


def test_refusals(tmp_path, capsys, monkeypatch):
    monkeypatch.setattr("perioview.verbs.batch.ANSWER_SECONDS", 0.3)
    empty = tmp_path / "empty"
    empty.mkdir()
    visit(tmp_path / "visits" / "a")
    for arguments, words in (
        ([str(empty)], "holds no visit"),
        ([str(tmp_path / "gone")], "is no folder"),
        ([str(tmp_path / "visits"), "--workers", "0"], "1 or more"),
        ([str(tmp_path / "visits"), "--mark-sd", "x"], "no SD"),
        ([str(tmp_path / "visits"), "--grey-card", "1,2,3"], "--grey-card is '1,2,3'"),
        ([str(tmp_path / "visits"), "--json", "x.json"], "needs --before"),
        ([str(tmp_path / "visits"), "--before", "x.csv", "--json", "-"], "give --out"),
        ([str(tmp_path / "visits"), "--out", str(tmp_path / "no" / "a.csv")], "does not exist"),
        ([str(tmp_path / "visits"), "--scheduler", "nonsense://x"], "does not answer"),
        ([str(tmp_path / "visits"), "--scheduler", "tcp://127.0.0.1:9"], "does not answer"),
    ):
        assert main(["batch", *arguments]) == 2, arguments
        said = capsys.readouterr()
        assert words in said.err and said.out == "" and said.err.count("\n") == 1, said.err


def test_mark_sd_reaches_every_visit(tmp_path):
    folder = visit(tmp_path / "a")
    (job,) = jobs_under(folder, mark_sd="0")
    assert {row["bone_loss_pct_sd"] for row in rows_of(job)} == {0.0}


def test_processes_give_the_same_table_as_one(tmp_path):
    for number in range(5):
        visit(tmp_path / str(number), mesial=12 + number)
    jobs = jobs_under(tmp_path)
    alone = on_this_computer(jobs, 1)
    assert on_this_computer(jobs, 2) == alone
    assert [rows[0]["bone_loss_pct"] for rows in alone] == pytest.approx([4, 6, 8, 10, 12])


class Crashing(Job):
    """A job whose process dies, as a decoder's fault would make it."""

    def __reduce__(self):
        return os._exit, (9,)


def test_a_crash_costs_only_its_own_visit(tmp_path):
    jobs = [Job(str(visit(tmp_path / str(number))), str(number)) for number in range(5)]
    jobs[2] = Crashing(jobs[2].path, "crash")
    results = on_this_computer(jobs, 2)
    assert [bool(rows[0].get("fault")) for rows in results] == [False, False, True, False, False]
    assert "worker failed" in results[2][0]["fault"]


CLUSTER = """
import sys
from distributed import LocalCluster
from perioview.cli import main
if __name__ == "__main__":
    with LocalCluster(
        n_workers=1, threads_per_worker=2, processes=False, protocol="tcp", dashboard_address=None
    ) as cluster:
        sys.exit(main(["batch", sys.argv[1], "--out", sys.argv[2],
                       "--scheduler", cluster.scheduler_address]))
"""


def test_a_dask_cluster_gives_the_same_table(tmp_path):
    pytest.importorskip("distributed")
    visit(tmp_path / "v" / "a")
    visit(tmp_path / "v" / "b", image=False)
    run = subprocess.run(
        [sys.executable, "-c", CLUSTER, str(tmp_path / "v"), str(tmp_path / "c.csv")],
        capture_output=True,
        text=True,
        check=False,
    )
    assert run.returncode == 0, run.stderr
    assert main(["batch", str(tmp_path / "v"), "--out", str(tmp_path / "l.csv")]) == 0
    assert (tmp_path / "c.csv").read_bytes() == (tmp_path / "l.csv").read_bytes()
    assert len(rows_in((tmp_path / "c.csv").read_text())) == 3


def test_originals_stay_as_they_are(tmp_path):
    folder = visit(tmp_path / "a")
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    rows_of(Job(str(folder), "a"))
    assert {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()} == before


def test_jobs_of_a_file_are_refused(tmp_path):
    (tmp_path / "x.csv").touch()
    with pytest.raises(InputRefused, match="is no folder"):
        jobs_under(tmp_path / "x.csv")
