"""Gum sides of turned photos, teeth the photo's edge cuts, photos that were not stained."""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image as Picture

from perioview.alignment import Alignment
from perioview.cli import main
from perioview.comparison_object import plaque_lessened
from perioview.comparison_photos import compared_photos
from perioview.files.regions import write_regions
from perioview.files.visit_folder import examine
from perioview.image import Image
from perioview.plaque import plaque
from perioview.plaque_gum import later_sides
from perioview.plaque_reduction import less_or_more, reduction_object

sys.path.insert(0, str(Path(__file__).parent))
from plaque_phantoms import six_bands


@pytest.fixture(scope="module")
def mouth():
    return six_bands.scene(3)


def image(rgb, name="p.png"):
    return Image(np.ascontiguousarray(rgb), name, name)


def turning(quarters, rows=100, cols=200):
    """Alignment of a photo turned by quarter turns to the left onto the photo it was."""
    turn = np.array(
        {0: [[1, 0, 0], [0, 1, 0]], 1: [[0, 1, 0], [-1, 0, cols - 1]]}.get(
            quarters, [[-1, 0, rows - 1], [0, -1, cols - 1]]
        ),
        float,
    )
    return Alignment(np.vstack([turn, [0, 0, 1]]), 0.1, 50, False, False, 1.0, 1.0, ())


@pytest.mark.parametrize(
    ("quarters", "gum", "upper", "lower"),
    [
        (0, None, "up", "down"),
        (2, None, "down", "up"),
        (1, None, "left", "right"),
        (1, "left", "down", "down"),
    ],
)
def test_gum_turns_with_the_photo_analytic(quarters, gum, upper, lower):
    # Turning a picture a quarter to the left brings its upper edge to the left.
    regions = np.zeros((100, 200), np.uint16)
    regions[10:40, 20:60], regions[60:90, 120:160] = 104, 304
    sides = later_sides(regions, turning(quarters), gum)
    assert (sides[104], sides[304]) == (upper, lower)
    assert set(later_sides(regions, turning(quarters), gum, "right").values()) == {"right"}


def test_halves_stay_with_the_crown_when_the_later_photo_is_turned(mouth):
    straight = compared_photos(image(mouth.rgb), image(mouth.rgb, "q"), mouth.regions, gum="up")
    turned = compared_photos(
        image(mouth.rgb), image(mouth.rgb[::-1, ::-1], "q"), mouth.regions, gum="up"
    )
    for one, other in zip(straight.after.teeth, turned.after.teeth, strict=True):
        assert other.gingival_half_pct == pytest.approx(one.gingival_half_pct, abs=2)
        assert other.coronal_half_pct == pytest.approx(one.coronal_half_pct, abs=2)


def test_a_tooth_cut_by_the_photos_edge_has_no_halves_and_no_index(mouth):
    whole = plaque(image(mouth.rgb), mouth.regions, gum="up")
    first = min(whole.teeth, key=lambda t: np.nonzero(mouth.regions == t.tooth)[1].min()).tooth
    cols = np.nonzero(mouth.regions == first)[1]
    at = int(np.median(cols))
    cropped = plaque(image(mouth.rgb[:, at:]), mouth.regions[:, at:], gum="up")
    assert not any("cut_off" in t.flags for t in whole.teeth)
    by_tooth = {t.tooth: t for t in cropped.teeth}
    assert "cut_off" in by_tooth[first].flags
    assert np.isnan([by_tooth[first].index, by_tooth[first].gingival_half_pct]).all()
    assert by_tooth[first].turesky is None
    assert first not in cropped.index_teeth
    assert np.isfinite(by_tooth[first].coverage.value)
    assert any(w.startswith("The photo's edge cuts the tooth") for w in cropped.warnings)


@pytest.mark.parametrize("unstained", ["before", "after"])
def test_a_photo_recorded_as_not_stained_is_not_measured(mouth, tmp_path, capsys, unstained):
    (tmp_path / "images").mkdir()
    rows = []
    for name in ("before", "after"):
        Picture.fromarray(mouth.rgb).save(tmp_path / "images" / f"{name}.png")
        dye = "none" if name == unstained else "one-tone"
        rows.append(f'[[photos]]\nfile = "images/{name}.png"\ndye = "{dye}"\nwhen = "{name}"\n')
    (tmp_path / "visit.toml").write_text('[patient]\nid = "7"\n' + "\n".join(rows))
    write_regions(tmp_path / "teeth.png", mouth.regions)
    photos = [str(tmp_path / "images" / f"{name}.png") for name in ("before", "after")]
    teeth = ["--teeth", str(tmp_path / "teeth.png"), "--gum", "up"]
    for given in (["compare", *photos, *teeth], ["plaque", photos[unstained == "after"], *teeth]):
        assert main(given) == 2
        said = capsys.readouterr().err.strip()
        assert len(said.splitlines()) == 1
        assert f"{unstained}.png: visit.toml says that it was not stained" in said
    assert main(["compare", *photos, *teeth, "--dye", "one-tone"]) == 0


def test_a_tooth_one_photo_cuts_off_takes_no_part_in_the_index_of_either(mouth):
    teeth = np.unique(mouth.regions[mouth.regions > 0])
    first = min(teeth, key=lambda t: np.nonzero(mouth.regions == t)[1].min())
    at = int(np.median(np.nonzero(mouth.regions == first)[1]))
    # The earlier photo lacks half of the first tooth; nothing else differs.
    found = compared_photos(
        image(mouth.rgb[:, at:]), image(mouth.rgb, "q"), mouth.regions[:, at:], gum="up"
    )
    lessened, doubt = plaque_lessened([found])
    assert not doubt
    assert lessened["index"]["reduction_pct"] == pytest.approx(0, abs=3)


def test_an_outline_just_short_of_the_edge_is_cut_off_too(mouth):
    first = min(
        np.unique(mouth.regions[mouth.regions > 0]),
        key=lambda t: np.nonzero(mouth.regions == t)[1].min(),
    )
    at = int(np.median(np.nonzero(mouth.regions == first)[1]))
    regions = mouth.regions[:, at:].copy()
    regions[:, :2] = 0
    found = plaque(image(mouth.rgb[:, at:]), regions, gum="up")
    assert "cut_off" in next(t for t in found.teeth if t.tooth == first).flags


def test_a_visit_is_found_from_within_its_own_folder(mouth, tmp_path, monkeypatch, capsys):
    (tmp_path / "images").mkdir()
    Picture.fromarray(mouth.rgb).save(tmp_path / "images" / "p.png")
    (tmp_path / "visit.toml").write_text(
        '[patient]\nid = "7"\n[[photos]]\nfile = "images/p.png"\ndye = "none"\n'
    )
    write_regions(tmp_path / "teeth.png", mouth.regions)
    monkeypatch.chdir(tmp_path / "images")
    assert main(["plaque", "p.png", "--teeth", "../teeth.png"]) == 2
    assert "was not stained" in capsys.readouterr().err


def test_a_visit_whose_outlines_are_only_proposed_is_read(mouth, tmp_path):
    for folder in ("images", "regions"):
        (tmp_path / folder).mkdir()
    Picture.fromarray(mouth.rgb).save(tmp_path / "images" / "p.png")
    (tmp_path / "visit.toml").write_text(
        '[patient]\nid = "7"\nspecies = "dog"\n[[photos]]\nfile = "images/p.png"\n'
    )
    write_regions(tmp_path / "regions" / "p.png.png", np.zeros_like(mouth.regions))
    (photo,) = examine(tmp_path).photos
    assert photo.regions is None


def test_a_caution_that_one_photo_has_names_it(mouth):
    blurred = mouth.rgb.copy()
    blurred[mouth.regions == mouth.regions.max()] = 255
    found = compared_photos(
        image(mouth.rgb, "before.png"), image(blurred, "after.png"), mouth.regions, gum="up"
    )
    standing = found.before.warnings[0]
    assert standing in found.warnings
    own = [w for w in found.after.warnings if w not in found.before.warnings]
    assert own
    assert all(f"after.png: {w}" in found.warnings for w in own)


def test_a_mean_over_other_teeth_is_said(mouth):
    result = plaque(image(mouth.rgb), mouth.regions, gum="up", index_teeth=())
    fewer = replace(result, teeth=result.teeth[1:])
    one, two = ({"p": r.json_object()} for r in (result, fewer))
    scored = {"index": 3.0, "coverage_pct": 20.0}
    for given in (one, two):
        given["p"]["mouth"] |= scored
    said = json.dumps(reduction_object(one, two)["warnings"])
    assert "Not the same teeth were measured" in said
    assert "Not the same teeth were measured" not in json.dumps(
        reduction_object(one, one)["warnings"]
    )


def test_more_is_not_less_than_nothing():
    assert less_or_more(24.0) == "24 % less"
    assert less_or_more(-325.04, 1, " ± 3.0") == "325.0 ± 3.0 % more"
