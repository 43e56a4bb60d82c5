"""Before and after cleaning: what stays, where, how much less, and the photo options of compare."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest

from perioview.alignment import Alignment
from perioview.cli import main
from perioview.comparison_map import GLARE, NEW, REMOVED, STAYS, change_map
from perioview.comparison_places import stained_places
from perioview.comparison_table import comparison_table
from perioview.files.regions import write_regions

sys.path.insert(0, str(Path(__file__).parent))
from test_compare import photo
from test_plaque_verb import CARD, CAST, under_cast

SIZE = (420, 600)


def crowns():
    """Regions of `photo`: 104 on the left, 103 on the right."""
    regions = np.zeros(SIZE, np.uint16)
    for number, col in ((104, 190), (103, 410)):
        mask = np.zeros(SIZE, np.uint8)
        cv2.ellipse(mask, (col, 210), (90, 135), 0, 0, 360, 1, -1)
        regions[mask > 0] = number
    return regions


def saved(folder, **pictures):
    """Write sRGB pictures and return their paths."""
    for name, picture in pictures.items():
        cv2.imwrite(str(folder / f"{name}.png"), picture[..., ::-1])
    return [str(folder / f"{name}.png") for name in pictures]


def run(capsys, *given):
    assert main(["compare", *given, "--json", "-"]) == 0
    return json.loads(capsys.readouterr().out)


@pytest.fixture
def cleaned(tmp_path):
    """A mouth cleaned but for one patch at 104's gum, on the side away from 103."""
    after = photo(False)
    after[110:190, 110:150] = np.where(
        (crowns() == 104)[110:190, 110:150, None], (214, 96, 150), after[110:190, 110:150]
    )
    files = saved(tmp_path, before=photo(True), after=after)
    write_regions(tmp_path / "teeth.png", crowns())
    return [*files, "--teeth", str(tmp_path / "teeth.png"), "--gum", "up"]


def test_what_stays_is_named_by_place_and_shown(cleaned, tmp_path, capsys):
    found = run(capsys, *cleaned, "--out", str(tmp_path / "out"))
    by_tooth = {t["tooth"]: t for t in found["teeth"]}
    assert by_tooth[103]["go_back"] == []
    (place,) = by_tooth[104]["go_back"]
    # Distal is away from the tooth of the lower number.
    assert (place["half"], place["third"]) == ("gum", "distal")
    assert 20 < place["stained_pct"] < 100
    picture = cv2.imread(str(tmp_path / "out" / "go-back.png"))[..., ::-1].astype(int)
    assert np.abs(picture[150, 130] - (213, 94, 0)).max() < 60
    # Removed is lighter than what stays, also in grey.
    assert picture[130, 420].mean() > picture[150, 130].mean() + 40
    assert main(["compare", *cleaned]) == 0
    said = capsys.readouterr().out
    assert "gum distal" in said and "plaque against before, teeth in both photos: coverage" in said


def test_reduction_of_a_mouth_vohc(cleaned, capsys):
    # Veterinary Oral Health Council: 100 x (control - test) / control, here of pooled coverage.
    found = run(capsys, *cleaned)
    # Both crowns are equally large and hold no glare: their mean is the mouth's.
    before, after = (
        np.mean([t[key] for t in found["teeth"]]) for key in ("before_pct", "after_pct")
    )
    assert found["reduction"]["coverage"]["reduction_pct"] == pytest.approx(
        100 * (1 - after / before), abs=0.5
    )
    # The standard's limits are for groups of mouths.
    assert found["reduction"]["index"]["reaches_mean_limit"] is None
    assert not any("One mouth" in w for w in found["warnings"])


def test_nothing_before_leaves_the_reduction_open():
    from types import SimpleNamespace

    from perioview.comparison_object import plaque_lessened
    from perioview.measurement import Measurement

    def mouth(stained):
        known = Measurement(stained / 10, 0.1, "%")
        tooth = SimpleNamespace(
            tooth=104, coverage=known, index=0.0, region_px=1000, glare_px=0, stained_px=stained
        )
        return SimpleNamespace(teeth=[tooth], index_name="n", dye="one-tone", density=0.15)

    found, said = plaque_lessened([SimpleNamespace(before=mouth(0), after=mouth(100))])
    assert found is None and "mean is 0" in said[0]


def test_change_map_analytic():
    regions = np.full((60, 80), 104, np.uint16)
    before, after = np.zeros((2, 60, 80), np.uint8)
    before[:, :40], after[:, 20:30], after[20:40, 60:75] = 50, 50, 50
    after[:5] = 255
    regions[50:] = 0
    found = change_map(before, after, regions, Alignment(np.eye(3), 0.5, 100))
    assert (found[5:50, :20] == REMOVED).all() and (found[5:50, 30:40] == REMOVED).all()
    assert (found[5:50, 20:30] == STAYS).all() and (found[20:40, 60:75] == NEW).all()
    assert (found[:5] == GLARE).all() and not found[50:].any()
    # A misfit of the alignment is no new plaque.
    shifted = np.roll(before, 2, axis=1)
    found = change_map(before, shifted, regions, Alignment(np.eye(3), 1.0, 100))
    assert not (found[:, 2:] == NEW).any()


@pytest.mark.parametrize("turns", range(4))
def test_places_turn_with_the_photo(turns):
    side = ("up", "left", "down", "right")[turns]
    regions, stain = np.zeros((2, 90, 200), np.uint16)
    regions[10:70, 10:70], regions[10:70, 100:160] = 306, 307
    stain[10:30, 10:30] = 50
    turned = [np.rot90(grid, turns).copy() for grid in (regions, stain.astype(np.uint8))]
    (place,) = stained_places(turned[0], turned[1], 306, side)
    # 307 lies to the right and is distal. 20 of 30 rows, all 20 columns of the sixth.
    assert (place.half, place.third) == ("gum", "mesial")
    assert place.stained_pct == pytest.approx(100 * 20 / 30)
    alone = np.where(turned[0] == 306, 306, 0).astype(np.uint16)
    (place,) = stained_places(alone, turned[1], 306, side)
    assert place.third == ("left", "lower", "right", "upper")[turns]


def test_outlines_of_a_third_photo_are_carried_to_the_earlier_one(tmp_path, capsys):
    turn = cv2.getRotationMatrix2D((300, 210), 4, 1.0)
    third = cv2.warpAffine(photo(False), turn, SIZE[::-1], borderMode=cv2.BORDER_REFLECT)
    files = saved(tmp_path, before=photo(True), after=photo(False), third=third)
    drawn = cv2.warpAffine(crowns(), turn, SIZE[::-1], flags=cv2.INTER_NEAREST)
    write_regions(tmp_path / "teeth.png", drawn)
    given = ["--teeth", str(tmp_path / "teeth.png"), "--teeth-from", files[2], "--gum", "up"]
    found = run(capsys, *files[:2], *given)
    assert [t["tooth"] for t in found["teeth"]] == [103, 104]
    assert all(t["before_pct"] == pytest.approx(50, abs=4) for t in found["teeth"])
    for t in found["teeth"]:
        both = np.hypot(t["before_pct_sd"], t["after_pct_sd"])
        assert 0 < t["before_pct_sd"] < 10 and t["removed_pct_sd"] == pytest.approx(both)
        said = f"{t['before_pct']:.1f} ± {t['before_pct_sd']:.1f}"
        assert any(said in line for line in comparison_table(found | {"reduction": None}))
    assert any("carried from third.png" in w for w in found["warnings"])


def textured(pixels):
    """Something to align by, everywhere but on the teeth and the card."""
    noise = np.random.default_rng(3).integers(-25, 25, pixels.shape[:2])
    noise = cv2.GaussianBlur(noise.astype(np.float32), (0, 0), 1.5) * 3
    return np.clip(pixels + noise[..., None], 0, 255).astype(np.uint8)


def test_grey_cards_take_out_the_cast_of_either_photo(tmp_path, capsys):
    earlier, regions = under_cast(CAST)
    pixels = textured(earlier.pixels)
    quiet = (regions > 0) | (np.arange(len(regions))[:, None] < 20)
    pixels[quiet] = earlier.pixels[quiet]
    files = saved(tmp_path, before=pixels, after=pixels)
    write_regions(tmp_path / "teeth.png", regions)
    given = [*files, "--teeth", str(tmp_path / "teeth.png"), "--gum", "up"]
    points = tmp_path / "points.csv"
    corners = ((5, 5), (5, 210), (150, 5), (150, 210))
    points.write_text(
        "earlier_row,earlier_col,later_row,later_col\n"
        + "".join(f"{r},{c},{r},{c}\n" for r, c in corners)
    )
    given += ["--points", str(points)]
    without = run(capsys, *given)
    assert all(t["before_pct"] is None for t in without["teeth"])
    assert without["grey_cards"] == [None, None]
    card = ",".join(map(str, CARD))
    found = run(capsys, *given, "--grey-card", card, "--grey-card-later", card)
    for key in ("before_pct", "after_pct"):
        assert [t[key] for t in found["teeth"]] == pytest.approx([50, 0], abs=1.5)
    assert found["grey_cards"][1]["red_over_green"] == pytest.approx(2.0, rel=0.03)


def test_what_the_visit_states_of_its_photos_is_taken(cleaned, tmp_path, capsys):
    folder = tmp_path / "visit"
    (folder / "images").mkdir(parents=True)
    for name in ("before.png", "after.png"):
        (folder / "images" / name).write_bytes((tmp_path / name).read_bytes())
    (folder / "visit.toml").write_text(
        '[patient]\nid = "PV-9003"\nspecies = "dog"\n'
        + "".join(
            f'[[photos]]\nfile = "images/{name}.png"\ndye = "two-tone"\ngum = "left"\n'
            for name in ("before", "after")
        )
    )
    photos = [str(folder / "images" / name) for name in ("before.png", "after.png")]
    found = run(capsys, *photos, *cleaned[2:4])
    # Gum on the left: the stained upper half lies to one side of it.
    (place, *_) = next(t for t in found["teeth"] if t["tooth"] == 104)["go_back"]
    assert place["half"] == "gum"
    told = run(capsys, *photos, *cleaned[2:])
    assert found["warnings"] != told["warnings"] or found["teeth"] != told["teeth"]
    text = (folder / "visit.toml").read_text()
    (folder / "visit.toml").write_text(text + "grey_card = [1, 2, 3]\n")
    assert main(["compare", *photos, *cleaned[2:4]]) == 2
    assert "grey_card is [1, 2, 3]" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (["--grey-card", "5,5,14"], "--grey-card is '5,5,14'"),
        (["--grey-card-later", "5,5,14,x"], "--grey-card-later is '5,5,14,x'"),
        (["--grey-card", "5,5,9000,60"], "before.png: grey card"),
        (["--grey-card-later", "5,5,9000,60"], "after.png: grey card"),
        (["--teeth-from", "gone.png"], "gone.png"),
    ],
)
def test_photo_options_are_refused_in_one_line(cleaned, capsys, more, said):
    assert main(["compare", *cleaned, *more]) == 2
    lines = capsys.readouterr().err.strip().splitlines()
    assert len(lines) == 1 and said in lines[0]


@pytest.mark.parametrize("option", ["--teeth-from", "--grey-card", "--grey-card-later"])
def test_photo_options_belong_to_photographs(cleaned, tmp_path, capsys, option):
    assert main(["compare", *cleaned[:2], option, "1,2,3,4"]) == 2
    assert "give --teeth too" in capsys.readouterr().err
    assert main(["compare", str(tmp_path), str(tmp_path), option, "1,2,3,4"]) == 2
    assert "visit.toml" in capsys.readouterr().err
