"""The verb `compare`: its JSON, its files and its refusals."""

from __future__ import annotations

import json

import cv2
import numpy as np
import pytest

from perioview.alignment import mapped
from perioview.cli import main
from tests.pairs import phantoms as ph

SHAPE = (450, 600)
HEADER = "tooth,root,side,landmark,row,col,mm"


def marks_file(path, points):
    rows = [f"308,distal,distal,{k},{r},{c}," for k, (r, c) in points.items() if k != "apex"]
    row, col = points["apex"]
    path.write_text("\n".join([HEADER, *rows, f"308,distal,,apex,{row},{col},"]) + "\n")
    return str(path)


@pytest.fixture(scope="module")
def visits(tmp_path_factory):
    """Two radiographs with 12 px of crest lost beside the distal root of 308, and marks."""
    folder = tmp_path_factory.mktemp("visits")
    pair = ph.pair(4, SHAPE, ph.Pose(turn=2, shift=(5, -3)), None, ph.Change(crest_px=12))
    names = {}
    for name, image in (("earlier", pair.earlier), ("later", pair.later)):
        names[name] = str(folder / f"{name}.png")
        cv2.imwrite(names[name], image * 16)
    crest = pair.crest[0]
    spots = {"cej": crest - [30, 0], "crest": crest, "apex": np.add(crest, [120, -20])}
    names["marks_earlier"] = marks_file(folder / "earlier.csv", spots)
    spots["crest"] = np.add(crest, [12, 0])
    back = np.linalg.inv(pair.transform)
    later = {k: mapped(back, v)[0] for k, v in spots.items()}
    names["marks_later"] = marks_file(folder / "later.csv", later)
    return pair, names


def marks_given(names):
    return ["--marks-earlier", names["marks_earlier"], "--marks-later", names["marks_later"]]


def test_radiographs_with_marks(visits, tmp_path, capsys):
    pair, names = visits
    out = tmp_path / "out"
    given = ["compare", names["earlier"], names["later"], *marks_given(names), "--species", "dog"]
    assert main([*given, "--mark-sd", "0.5", "--out", str(out), "--json", "-"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert {"transform", "alignment_rms_px", "matches", "sites", "teeth", "warnings"} <= set(found)
    landed = mapped(np.array(found["transform"]), pair.landmarks)
    assert np.median(np.hypot(*(landed - mapped(pair.transform, pair.landmarks)).T)) < 0.3
    site = next(s for s in found["sites"] if s["change_pct"] is not None)
    # CEJ to apex 150 px down and 20 across; the crest moved 12 px down.
    axis = np.array([150, -20]) / np.hypot(150, 20)
    assert site["change_pct"] == pytest.approx(100 * 12 * axis[0] / np.hypot(150, 20), abs=0.3)
    assert site["detectable"] is (abs(site["change_pct"]) > 1.96 * site["change_pct_sd"]) is True
    (crest,) = [c for c in found["crests"] if c["moved"] is not None]
    assert crest["moved"] == pytest.approx(12, abs=2.5) and crest["detectable"]
    assert {p.name for p in out.iterdir()} == {
        "side-by-side.png",
        "difference.png",
        "proposals.json",
    }
    proposals = json.loads((out / "proposals.json").read_text())["proposals"]
    back = mapped(np.linalg.inv(pair.transform), pair.crest)[0]
    at = next(p for p in proposals if p["landmark"] == "crest")
    assert (at["row"], at["col"]) == pytest.approx(tuple(back), abs=0.5)
    assert cv2.imread(str(out / "difference.png")).shape[:2] == SHAPE


def test_default_repeatability_holds_back_what_two_markings_cannot_tell(visits, capsys):
    _, names = visits
    given = ["compare", names["earlier"], names["later"], *marks_given(names), "--species", "dog"]
    assert main([*given, "--mm-per-px", "0.01", "--json", "-"]) == 0
    sites = json.loads(capsys.readouterr().out)["sites"]
    assert [s["detectable"] for s in sites if s["change_pct"] is not None] == [False]


def test_without_marks_the_images_are_aligned_and_a_table_shown(visits, capsys):
    _, names = visits
    assert main(["compare", names["earlier"], names["later"]]) == 0
    assert capsys.readouterr().out.startswith("aligned: ")


def test_refusals_name_file_and_reason(visits, tmp_path, capsys):
    _, names = visits
    other = str(tmp_path / "other.png")
    cv2.imwrite(other, ph.pair(40, SHAPE, ph.Pose()).earlier * 16)
    out = tmp_path / "out"
    assert main(["compare", names["earlier"], other, "--out", str(out), "--json", "-"]) == 2
    shown = capsys.readouterr()
    assert "other.png: cannot be aligned" in shown.err and not shown.out and not out.exists()
    given = ["compare", names["earlier"], names["later"]]
    assert main([*given, "--marks-later", names["marks_later"]]) == 2
    assert main([*given, *marks_given(names)]) == 2
    assert "species" in capsys.readouterr().err
    assert main(["compare", str(tmp_path), names["later"]]) == 2


def points_file(path, earlier, later):
    rows = [",".join(map(str, (*a, *b))) for a, b in zip(earlier, later, strict=True)]
    path.write_text("earlier_row,earlier_col,later_row,later_col\n" + "\n".join(rows) + "\n")
    return str(path)


@pytest.mark.parametrize("error_px", [0.0, 4.0])
def test_point_pairs_serve_and_are_improved_on_where_the_images_agree(
    visits, tmp_path, capsys, error_px
):
    pair, names = visits
    spots = np.array([[60.0, 60], [380, 90], [70, 520], [370, 500], [200, 300]])
    wrong = np.random.default_rng(2).normal(0, error_px, spots.shape)
    path = points_file(tmp_path / "p.csv", mapped(pair.transform, spots), spots + wrong)
    given = ["compare", names["earlier"], names["later"], "--points", path, "--json", "-"]
    assert main(given) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["matches"] == 5
    landed = mapped(np.array(found["transform"]), pair.landmarks)
    off = np.hypot(*(landed - mapped(pair.transform, pair.landmarks)).T)
    assert np.median(off) < 0.5 and found["alignment_rms_px"] is not None


def test_point_pairs_of_images_that_do_not_agree_give_their_residual(visits, tmp_path, capsys):
    _, names = visits
    other = str(tmp_path / "other.png")
    cv2.imwrite(other, ph.pair(40, SHAPE, ph.Pose()).earlier * 16)
    spots = np.array([[60.0, 60], [380, 90], [70, 520], [370, 500], [200, 300], [100, 200]])
    # A shift, and 3 px of error of either sign that no projective map explains.
    moved = spots + [10, 5] + 3.0 * np.array([[1], [-1], [-1], [1], [1], [-1]])
    given = ["compare", names["earlier"], other, "--points"]
    assert main([*given, points_file(tmp_path / "p.csv", moved, spots), "--json", "-"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert 0.5 < found["alignment_rms_px"] < 3.0 * np.sqrt(2)
    assert any("aligned by hand" in w for w in found["warnings"])
    assert main([*given, points_file(tmp_path / "q.csv", moved[:4], spots[:4]), "--json", "-"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["alignment_rms_px"] is None
    assert any("error is not known" in w for w in found["warnings"])
    assert main([*given, points_file(tmp_path / "r.csv", moved[:1], spots[:1])]) == 2
    assert "at least two" in capsys.readouterr().err


def photo(stained: bool, seed: int = 5) -> np.ndarray:
    """Two white teeth in pink gum, textured; the gum half of both stained on demand."""
    rng = np.random.default_rng(seed)
    image = np.full((420, 600, 3), (188, 96, 104), float)
    image += 9 * ph.texture(rng, (420, 600), 0.9)[..., None]
    for col in (190, 410):
        tooth = np.zeros((420, 600), np.uint8)
        cv2.ellipse(tooth, (col, 210), (95, 140), 0, 0, 360, 1, -1)
        image[tooth > 0] = (226, 220, 205)
        if stained:
            half = tooth.copy()
            half[210:] = 0
            image[half > 0] = (214, 96, 150)
    image += 2 * ph.texture(np.random.default_rng(seed + stained), (420, 600), 0.4)[..., None]
    image += 4 * ph.texture(np.random.default_rng(seed), (420, 600), 0.7)[..., None]
    return np.clip(image, 0, 255).astype(np.uint8)


def test_photos_before_and_after_cleaning(tmp_path, capsys):
    before, after = photo(True), photo(False)
    turn = cv2.getRotationMatrix2D((300, 210), 3, 1.0)
    after = cv2.warpAffine(after, turn, (600, 420), borderMode=cv2.BORDER_REFLECT)
    regions = np.zeros((420, 600), np.uint16)
    for number, col in ((104, 190), (103, 410)):
        mask = np.zeros((420, 600), np.uint8)
        cv2.ellipse(mask, (col, 210), (90, 135), 0, 0, 360, 1, -1)
        regions[mask > 0] = number
    names = [str(tmp_path / n) for n in ("before.png", "after.png", "teeth.png")]
    for name, image in zip(names, (before[..., ::-1], after[..., ::-1], regions), strict=True):
        cv2.imwrite(name, image)
    given = ["compare", *names[:2], "--teeth", names[2], "--gum", "up"]
    assert main([*given, "--out", str(tmp_path / "out"), "--json", "-"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert [t["tooth"] for t in found["teeth"]] == [103, 104]
    for tooth in found["teeth"]:
        assert tooth["before_pct"] == pytest.approx(50, abs=4)
        assert tooth["after_pct"] < 4
        assert tooth["removed_pct"] == pytest.approx(tooth["before_pct"] - tooth["after_pct"])
        assert tooth["residual_pct"] == pytest.approx(
            100 * tooth["after_pct"] / tooth["before_pct"]
        )
    assert (tmp_path / "out" / "side-by-side.png").is_file()
    # Legend below the photo.
    assert cv2.imread(str(tmp_path / "out" / "go-back.png")).shape[0] > 420
    assert found["reduction"]["coverage"]["reduction_pct"] > 90
    assert all(t["gum_line_pct"] is None for t in found["teeth"])
    # The same outlines, carried to the later photo: the gum stands where it stood.
    again = str(tmp_path / "out" / "regions-later.png")
    assert main([*given, "--teeth-later", again, "--json", "-"]) == 0
    for tooth in json.loads(capsys.readouterr().out)["teeth"]:
        assert tooth["gum_line_pct"] == pytest.approx(0, abs=1)
        assert tooth["gum_line_detectable"] is False


def test_large_crest_change_is_not_read_too_long(capsys):
    """The sample patient's second visit: distal of 404 lower by 1.4 mm, mesial as it was."""
    from pathlib import Path

    folders = [Path(__file__).parents[1] / "sample_images" / f"toy-dog-{v}" for v in
               ("cleaning", "recheck")]  # fmt: skip
    name = "right-lower-canine.dcm"
    given = ["compare", *(str(f / "images" / name) for f in folders), "--species", "dog"]
    marks = str(folders[0] / "marks" / f"{name}.csv")
    # No marks of the later visit: nothing but the pictures can tell.
    assert main([*given, "--marks-earlier", marks, "--json", "-"]) == 0
    crests = {c["side"]: c for c in json.loads(capsys.readouterr().out)["crests"]}
    # The file's spacing is the detector's: the jaw is magnified 1.03 times.
    assert crests["distal"]["moved"] == pytest.approx(1.4 * 1.03, abs=0.1)
    assert crests["distal"]["detectable"] and not crests["mesial"]["detectable"]
    assert crests["mesial"]["moved"] == pytest.approx(0, abs=0.06)


def test_visit_folders_pair_images_that_share_teeth(visits, tmp_path, capsys):
    import shutil

    _, names = visits
    for name in ("earlier", "later"):
        folder = tmp_path / name
        (folder / "images").mkdir(parents=True)
        (folder / "marks").mkdir()
        shutil.copy(names[name], folder / "images" / "left.png")
        shutil.copy(names[f"marks_{name}"], folder / "marks" / "left.png.csv")
        (folder / "visit.toml").write_text(
            '[patient]\nid = "PV-0001"\nspecies = "dog"\n'
            '[[images]]\nfile = "images/left.png"\nteeth = [308]\n'
        )
    given = ["compare", str(tmp_path / "earlier"), str(tmp_path / "later")]
    assert main([*given, "--mark-sd", "0.5", "--json", "-"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["pairs"][0]["files"] == ["images/left.png", "images/left.png"]
    assert [s["detectable"] for s in found["sites"] if s["change_pct"] is not None] == [True]
    assert not any("order" in w for w in found["warnings"])
    text = (tmp_path / "later" / "visit.toml").read_text()
    for name, date in (("earlier", "2026-04-02"), ("later", "2026-03-05")):
        (tmp_path / name / "visit.toml").write_text(text + f"[visit]\ndate = {date}\n")
    assert main([*given, "--json", "-"]) == 0
    assert any("wrong sign" in w for w in json.loads(capsys.readouterr().out)["warnings"])
    (tmp_path / "later" / "visit.toml").write_text(text.replace('"dog"', '"cat"'))
    assert main(given) == 2
    assert "of a cat" in capsys.readouterr().err
    (tmp_path / "later" / "visit.toml").write_text(text.replace("PV-0001", "PV-0002"))
    assert main(given) == 2
    assert "PV-0002" in capsys.readouterr().err


def test_one_image_given_twice_is_said(visits, capsys):
    _, names = visits
    earlier = ["compare", names["earlier"], names["earlier"], "--species", "dog"]
    marks = ["--marks-earlier", names["marks_earlier"], "--marks-later", names["marks_earlier"]]
    assert main([*earlier, *marks, "--json", "-"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert any("one and the same image" in w for w in found["warnings"])
    assert all(s["change_pct"] == 0 for s in found["sites"] if s["change_pct"] is not None)
    assert not any(s["detectable"] for s in found["sites"])
