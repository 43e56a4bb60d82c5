"""The plaque verb: grey card, outlines carried from another photo, reduction since a visit."""

import json
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image as Picture

from perioview.cli import main
from perioview.files.regions import write_regions
from perioview.image import Image
from perioview.plaque import plaque

sys.path.insert(0, str(Path(__file__).parent))
from test_plaque import encoded, flat_photo

CARD = (5, 5, 14, 60)
# A lamp that gives much red and little green, as narrow-band lamps do.
CAST = np.array([1.0, 0.5, 0.8])


def linear(pixels):
    level = pixels / 255
    return np.where(level <= 0.04045, level / 12.92, ((level + 0.055) / 1.055) ** 2.4)


def under_cast(cast=CAST, card=0.35):
    """A half stained and a clean tooth with a grey card above, under a strong cast."""
    half = np.zeros((120, 80))
    half[:60] = 0.5
    photo, regions = flat_photo([half, 0.0])
    light = linear(photo.pixels.astype(float))
    light[5:15, 5:61] = card
    return Image(encoded(light * cast), "cast.png", "0"), regions


def test_grey_card_takes_out_a_strong_cast():
    photo, regions = under_cast()
    refused = plaque(photo, regions, gum="up").teeth
    assert all("no_clean_enamel" in t.flags for t in refused)
    found = plaque(photo, regions, gum="up", card=CARD)
    assert [t.coverage.value for t in found.teeth] == pytest.approx([50, 0], abs=1.5)
    card = found.json_object()["grey_card"]
    assert card["red_over_green"] == pytest.approx(2.0, rel=0.03)
    assert card["blue_over_green"] == pytest.approx(1.6, rel=0.03)


def test_with_a_grey_card_dyed_enamel_is_not_taken_for_clean():
    # All teeth dyed alike: without a card the cast could be the lamp's.
    photo, regions = flat_photo([0.12, 0.12, 0.13])
    light = linear(photo.pixels.astype(float))
    light[5:15, 5:61] = 0.35
    photo = Image(encoded(light), "dyed.png", "0")
    assert plaque(photo, regions).teeth[0].coverage.known
    assert not plaque(photo, regions, card=CARD).teeth[0].coverage.known


@pytest.mark.parametrize(
    ("corners", "card", "said"),
    [
        ("5,5,14,60", 1.5, "overexposed"),
        ("5,5,14,60", 0.004, "dark"),
        ("5,5,14,90", 0.35, "uneven"),
        ("5,5,40,60", 0.35, "tooth"),
        ("5,5,7,7", 0.35, "at least"),
        ("-5,5,14,60", 0.35, "outside"),
        ("5,5,14", 0.35, "ROW,COL,ROW,COL"),
        ("5,5,nan,60", 0.35, "rectangle"),
    ],
)
def test_grey_card_that_cannot_serve_is_refused(tmp_path, capsys, corners, card, said):
    photo, regions = under_cast((1, 1, 1), card)
    Picture.fromarray(photo.pixels).save(tmp_path / "p.png")
    write_regions(tmp_path / "t.png", regions)
    given = ["plaque", str(tmp_path / "p.png"), "--teeth", str(tmp_path / "t.png")]
    assert main([*given, f"--grey-card={corners}"]) == 2
    lines = capsys.readouterr().err.strip().splitlines()
    assert len(lines) == 1 and said in lines[0]


def textured_mouth():
    rng = np.random.default_rng(4)
    pixels = cv2.GaussianBlur(rng.integers(0, 255, (360, 480, 3), np.uint8), (0, 0), 5)
    pixels = cv2.normalize(pixels, None, 40, 150, cv2.NORM_MINMAX)
    regions = np.zeros((360, 480), np.uint16)
    for tooth, left in ((104, 120), (107, 260)):
        pixels[120:240, left : left + 90] = (204, 194, 178)
        pixels[120:180, left : left + 90] = (196, 105, 139)
        regions[120:240, left : left + 90] = tooth
    pixels = pixels + rng.normal(0, 3, pixels.shape)
    return np.clip(pixels, 0, 255).astype(np.uint8), regions


def test_outlines_are_carried_from_another_photo(tmp_path, capsys):
    pixels, regions = textured_mouth()
    turn = cv2.getRotationMatrix2D((240, 180), 4, 1.0)
    moved = cv2.warpAffine(pixels, turn, (480, 360), borderMode=cv2.BORDER_REFLECT)
    truth = cv2.warpAffine(regions, turn, (480, 360), flags=cv2.INTER_NEAREST)
    files = {name: tmp_path / f"{name}.png" for name in ("first", "second", "other", "teeth")}
    Picture.fromarray(pixels).save(files["first"])
    Picture.fromarray(moved).save(files["second"])
    noise = np.random.default_rng(9).integers(0, 255, pixels.shape, np.uint8)
    Picture.fromarray(noise).save(files["other"])
    write_regions(files["teeth"], regions)
    out = tmp_path / "out.json"
    given = ["--teeth", str(files["teeth"]), "--teeth-from", str(files["first"]), "--gum", "up"]
    assert main(["plaque", str(files["second"]), *given, "--json", str(out)]) == 0
    found = json.loads(out.read_text())
    assert [t["tooth"] for t in found["teeth"]] == [104, 107]
    for tooth in found["teeth"]:
        assert tooth["coverage_pct"] == pytest.approx(50, abs=3)
        assert tooth["region_px"] == pytest.approx((truth == tooth["tooth"]).sum(), rel=0.03)
    assert any("carried from first.png" in w for w in found["warnings"])
    capsys.readouterr()
    assert main(["plaque", str(files["other"]), *given]) == 2
    assert len(capsys.readouterr().err.strip().splitlines()) == 1


def result(index, coverage, **more):
    mouth = {"index": index, "coverage_pct": coverage, "index_teeth": [104]}
    return {"mouth": mouth, "index_name": "n", "dye": "one-tone", "density": 0.15} | more


def test_reduction_between_visits_vohc(tmp_path, capsys):
    # Veterinary Oral Health Council: 100 x (control - test) / control, at least 20 % on average.
    photo, regions = under_cast((1, 1, 1))
    Picture.fromarray(photo.pixels).save(tmp_path / "p.png")
    write_regions(tmp_path / "t.png", regions)
    given = ["plaque", str(tmp_path / "p.png"), "--teeth", str(tmp_path / "t.png"), "--gum", "up"]
    out = tmp_path / "now.json"
    assert main([*given, "--json", str(out)]) == 0
    now = json.loads(out.read_text())["mouth"]
    before = tmp_path / "before.json"
    before.write_text(json.dumps(result(now["index"] / 0.76, 40.0)))
    assert main([*given, "--json", str(out), "--before", str(before)]) == 0
    found = json.loads(out.read_text())["reduction"]
    assert found["index"]["reduction_pct"] == pytest.approx(24.0)
    assert found["index"]["reaches_mean_limit"] is None
    assert found["coverage"]["reduction_pct"] == pytest.approx(100 * (1 - now["coverage_pct"] / 40))
    assert found["index"]["reduction_pct_sd"] is None
    group = [tmp_path / f"g{k}.json" for k in range(3)]
    for k, file in enumerate(group):
        file.write_text(json.dumps(result(now["index"] * (1 + 0.1 * k), 30.0)))
    capsys.readouterr()
    test = ["--together-with", str(group[1])]
    assert main([*given, "--before", *map(str, group), *test]) == 0
    said = capsys.readouterr().out
    # Means 1.1 and 1.05 of the index: (1.1 - 1.05) / 1.1.
    assert "4.5 ±" in said and "(2 against 3)" in said


@pytest.mark.parametrize(
    "text", ["{}", "[1]", "no", '{"mouth": {"index": null, "coverage_pct": 3}}']
)
def test_reduction_refuses_what_is_no_result(tmp_path, capsys, text):
    photo, regions = under_cast((1, 1, 1))
    Picture.fromarray(photo.pixels).save(tmp_path / "p.png")
    write_regions(tmp_path / "t.png", regions)
    (tmp_path / "b.json").write_text(text)
    given = ["plaque", str(tmp_path / "p.png"), "--teeth", str(tmp_path / "t.png")]
    assert main([*given, "--before", str(tmp_path / "b.json")]) == 2
    assert len(capsys.readouterr().err.strip().splitlines()) == 1
