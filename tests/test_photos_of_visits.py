"""Photographs of two visits: which belong together, what is said of them, what is taken back."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import numpy as np
import pytest
from PIL import Image as Pillow

from perioview.cli import main
from perioview.files.atomic import write_atomically
from perioview.files.visit_folder import examine, read_visit
from perioview.record.course import site_courses
from perioview.record.findings import findings
from perioview.record.objects import record_objects
from perioview.record.owner_page import owner_page
from tests.plaque_phantoms import spectral

SAMPLE = Path(__file__).parents[1] / "sample_images" / "toy-dog-cleaning"
STAINED, CLEANED = "left-lower-before.jpg", "left-lower-after.jpg"
PARTS = {"front": (306, 307, 308), "rear": (308, 309, 310)}


def visit_with(folder: Path, date: str, photos: list[tuple[str, str, str, str]]) -> Path:
    """A visit of photographs: part of the sample's row of teeth, of which photo, when, dye."""
    for name in ("images", "regions", "marks"):
        (folder / name).mkdir(parents=True)
    text = (
        f"[patient]\nid = 'PV-0101'\nname = 'Sample^Pip'\nspecies = 'dog'\n[visit]\ndate = {date}\n"
    )
    for part, source, when, dye in photos:
        pixels = np.array(Pillow.open(SAMPLE / "images" / source))
        regions = np.array(Pillow.open(SAMPLE / "regions" / f"{source}.png"))
        regions[~np.isin(regions, PARTS.get(part, np.unique(regions)))] = 0
        cols = np.flatnonzero(regions.any(axis=0))
        box = np.s_[:, max(0, cols[0] - 60) : cols[-1] + 60]
        file = f"{part}-{when}.png"
        Pillow.fromarray(pixels[box]).save(folder / "images" / file)
        Pillow.fromarray(regions[box]).save(folder / "regions" / f"{file}.png")
        text += (
            f"[[photos]]\nfile = 'images/{file}'\nwhen = '{when}'\ndye = '{dye}'\ngum = 'down'\n"
        )
    (folder / "visit.toml").write_text(text)
    return folder


def compared(capsys, tmp_path: Path, *visits: Path) -> dict:
    out = tmp_path / "found.json"
    assert main(["compare", *map(str, visits), "--json", str(out)]) == 0, capsys.readouterr().err
    return json.loads(out.read_text())


def test_photos_are_paired_by_most_teeth_whatever_their_order(tmp_path, capsys):
    first = visit_with(
        tmp_path / "a",
        "2026-01-01",
        [(p, STAINED, "before", "one-tone") for p in ("front", "rear")],
    )
    second = visit_with(
        tmp_path / "b",
        "2026-07-01",
        [(p, CLEANED, "before", "one-tone") for p in ("rear", "front")],
    )
    found = compared(capsys, tmp_path, first, second)
    assert [p["files"] for p in found["pairs"]] == [
        [f"images/{p}-before.png"] * 2 for p in ("rear", "front")
    ]
    assert sorted(t["tooth"] for t in found["teeth"]) == [306, 307, 308, 308, 309, 310]
    assert any("shows 308; each of them counts" in w for w in found["warnings"])
    # The whole row in one photo gives about the same reduction.
    whole = [
        visit_with(tmp_path / n, d, [("row", s, "before", "one-tone")])
        for n, d, s in (("c", "2026-01-01", STAINED), ("d", "2026-07-01", CLEANED))
    ]
    one = compared(capsys, tmp_path, *whole)["reduction"]["coverage"]["reduction_pct"]
    assert found["reduction"]["coverage"]["reduction_pct"] == pytest.approx(one, abs=5)


def test_what_the_cleaning_left_is_not_mixed_with_what_grew(tmp_path, capsys):
    both = [("row", STAINED, "before", "one-tone"), ("row", CLEANED, "after", "one-tone")]
    turned = [("row", CLEANED, "before", "one-tone"), ("row", STAINED, "after", "one-tone")]
    found = compared(
        capsys,
        tmp_path,
        visit_with(tmp_path / "a", "2026-01-01", both),
        visit_with(tmp_path / "b", "2026-07-01", turned),
    )
    assert {t["when"] for t in found["teeth"]} == {"before", "after"}
    before = [t for t in found["teeth"] if t["when"] == "before"]
    assert found["reduction"]["coverage"]["reduction_pct"] > 50
    assert all(t["after_pct"] < t["before_pct"] for t in before)
    assert main(["compare", str(tmp_path / "a"), str(tmp_path / "b")]) == 0
    shown = capsys.readouterr().out
    assert "photos taken before cleaning" in shown and "photos taken after cleaning" in shown


def test_two_dyes_or_stages_are_not_compared(tmp_path, capsys):
    first = visit_with(tmp_path / "a", "2026-01-01", [("row", STAINED, "before", "one-tone")])
    dyed = visit_with(tmp_path / "b", "2026-07-01", [("row", STAINED, "before", "two-tone")])
    later = visit_with(tmp_path / "c", "2026-07-01", [("row", STAINED, "after", "one-tone")])
    for second, words in ((dyed, "two-tone dye"), (later, "taken after cleaning")):
        assert main(["compare", str(first), str(second)]) == 2
        assert words in capsys.readouterr().err
    assert main(["compare", str(first), str(dyed), "--dye", "two-tone"]) == 2
    assert "--dye: a visit folder states this itself" in capsys.readouterr().err


def test_rates_leave_out_what_a_cleaning_left():
    rows = [
        {"date": d, "tooth": 306, "root": None, "side": None, "quantity": "coverage_pct",
         "value": v, "sd": 1.0, "unit": "%", "stage": None, "when": w}
        for d, v, w in (("2026-01-01", 60.0, "before"), ("2026-02-01", 3.0, "after"))
    ]  # fmt: skip
    (course,) = site_courses(rows)
    assert len(course.days) == 1


def test_a_tooth_the_species_does_not_have_is_refused(tmp_path, capsys):
    visit = visit_with(tmp_path / "a", "2026-01-01", [("row", STAINED, "before", "one-tone")])
    text = (visit / "visit.toml").read_text()
    (visit / "visit.toml").write_text(text.replace("'dog'", "'cat'"))
    assert main(["report", str(visit)]) == 2
    told = capsys.readouterr().err
    assert "a cat has no tooth 306" in told and "a cat has no tooth 310" in told


def test_photos_without_numbers_say_so(tmp_path, capsys):
    """A two-tone dye called one-tone: nothing is known, and nowhere is it 0 %."""
    scene = spectral.scene(4002, dye="two-tone", kinds=dict.fromkeys(range(10), "all"))
    visit = tmp_path / "a"
    for name in ("images", "regions", "marks"):
        (visit / name).mkdir(parents=True)
    Pillow.fromarray(scene.rgb).save(visit / "images" / "p.png")
    Pillow.fromarray(scene.regions).save(visit / "regions" / "p.png.png")
    (visit / "visit.toml").write_text(
        "[patient]\nid = 'PV-1'\nname = 'A^B'\nspecies = 'dog'\n[visit]\ndate = 2026-01-01\n"
        "[[photos]]\nfile = 'images/p.png'\nwhen = 'before'\ndye = 'one-tone'\ngum = 'down'\n"
    )
    examined = examine(visit)
    result = examined.photos[0].result
    unknown = {t.tooth for t in result.teeth if not t.coverage.known}
    assert unknown, "the phantom no longer shows what this test is of"
    held = (result.stain_map > 0) & (result.stain_map < 255)
    assert not held[np.isin(scene.regions, list(unknown))].any()
    if len(unknown) == len(result.teeth):
        assert not any("plaque covered" in line for line in owner_page(findings(examined)).found)
    segmented = [o for o in record_objects(examined) if o.Modality == "SEG"]
    labels = [s.SegmentLabel for o in segmented for s in o.SegmentSequence]
    assert not {f"Plaque {t}" for t in unknown} & set(labels)


def test_withdrawn_measurements_leave_the_record(tmp_path, capsys):
    visit, record = tmp_path / "visit", tmp_path / "record"
    shutil.copytree(SAMPLE, visit)
    assert main(["attach", str(visit), "--to", str(record)]) == 0
    shutil.rmtree(visit / "regions")
    (visit / "regions").mkdir()
    (visit / "marks" / "left-jaw.dcm.csv").unlink()

    def current() -> set[tuple[str, int]]:
        out = tmp_path / "history.json"
        assert main(["history", "PV-0101", "--from", str(record), "--json", str(out)]) == 0
        rows = json.loads(out.read_text())["measurements"]
        return {(r["quantity"], r["tooth"]) for r in rows}

    capsys.readouterr()
    assert main(["attach", str(visit), "--to", str(record)]) == 0
    told = capsys.readouterr().err
    assert told.count("--withdraw takes them back") == 3
    assert ("coverage_pct", 308) in current()
    for again in (False, True):
        assert main(["attach", str(visit), "--to", str(record), "--withdraw"]) == 0
        found = capsys.readouterr()
        assert found.err == ""
        assert found.out.startswith("0 objects stored") == again
    left = current()
    assert not any(quantity == "coverage_pct" for quantity, _ in left)
    assert ("bone_loss_pct", 108) in left
    again = tmp_path / "again"
    words = ["--from", str(record), "--patient", "PV-0101", "--marks"]
    assert main(["new", str(again), *words]) == 0
    assert len(list((again / "marks").glob("*.csv"))) == 2
    assert not list((again / "regions").iterdir())
    assert len(read_visit(again).photos) == 2


def test_devices_and_links_are_written_into(tmp_path):
    pipe, link, file = tmp_path / "pipe", tmp_path / "link.json", tmp_path / "real.json"
    os.mkfifo(pipe)
    reader = os.open(pipe, os.O_RDONLY | os.O_NONBLOCK)
    try:
        write_atomically(pipe, b"told")
        assert os.read(reader, 10) == b"told"
    finally:
        os.close(reader)
    assert pipe.is_fifo()
    file.write_bytes(b"old")
    link.symlink_to(file)
    write_atomically(link, b"new")
    assert link.is_symlink() and file.read_bytes() == b"new"


def test_a_result_counts_once_and_unscored_teeth_are_told(tmp_path, capsys):
    photo, teeth = SAMPLE / "images" / STAINED, SAMPLE / "regions" / f"{STAINED}.png"
    out = tmp_path / "b.json"
    said = ["plaque", str(photo), "--teeth", str(teeth)]
    assert main([*said, "--index-teeth", "104,204", "--json", str(out)]) == 0
    found = json.loads(out.read_text())
    assert found["mouth"]["index"] is None
    assert any("No mean index" in w for w in found["warnings"])
    assert main([*said, "--before", str(out), f"{out.parent}/./{out.name}"]) == 2
    assert "named twice" in capsys.readouterr().err


def test_a_grey_picture_is_no_stained_photograph(tmp_path, capsys):
    grey = tmp_path / "grey.png"
    Pillow.fromarray(np.zeros((40, 40), np.uint8)).save(grey)
    words = ["--patient", "PV-1", "--name", "A^B", "--species", "dog", "--photo", str(grey)]
    assert main(["new", str(tmp_path / "v"), *words]) == 2
    assert "no colour photograph" in capsys.readouterr().err


def test_a_report_that_compares_is_a_document_of_its_own(tmp_path, capsys):
    earlier = visit_with(tmp_path / "a", "2026-01-01", [("row", STAINED, "before", "one-tone")])
    visit = visit_with(tmp_path / "b", "2026-07-01", [("row", CLEANED, "before", "one-tone")])
    to = ["attach", str(visit), "--to", str(tmp_path / "record")]
    stored = []
    for more in ([], ["--previous", str(earlier)], ["--previous", str(earlier)]):
        assert main([*to, *more]) == 0
        stored.append(int(capsys.readouterr().out.split()[0]))
    assert stored[1:] == [1, 0]


def test_the_gum_side_can_be_said_when_the_visit_is_made(tmp_path, capsys):
    words = ["--patient", "PV-1", "--name", "A^B", "--species", "dog", "--gum", "left"]
    photo = str(SAMPLE / "images" / STAINED)
    assert main(["new", str(tmp_path / "v"), *words, "--photo", photo]) == 0
    assert read_visit(tmp_path / "v").photos[0]["gum"] == "left"
    assert main(["new", str(tmp_path / "w"), *words, "--from", str(tmp_path)]) == 2
    assert "--gum left" in capsys.readouterr().err
