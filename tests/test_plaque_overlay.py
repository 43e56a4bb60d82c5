"""The picture of plaque, and the verb that writes it."""

import json

import numpy as np
import pytest
from PIL import Image as Picture

from perioview.cli import main
from perioview.errors import InputRefused
from perioview.files.regions import write_regions
from perioview.image import Image
from perioview.plaque import plaque
from perioview.plaque_overlay import _colours, overlay, stain_layer


def two_teeth():
    pixels = np.full((140, 220, 3), 25, np.uint8)
    pixels[20:120, 20:100] = pixels[20:120, 120:200] = (204, 194, 178)
    pixels[20:70, 20:100] = (196, 105, 139)
    regions = np.zeros((140, 220), np.uint16)
    regions[20:120, 20:100], regions[20:120, 120:200] = 104, 108
    return pixels, regions


def test_overlay_paints_stain_only_and_adds_a_legend():
    pixels, regions = two_teeth()
    photo = Image(pixels, "p.png", "0")
    result = plaque(photo, regions)
    picture = overlay(photo, regions, result)
    assert picture.dtype == np.uint8
    assert picture.shape[1:] == (220, 3)
    assert picture.shape[0] > 140
    assert (picture[30, 30] != pixels[30, 30]).any()
    np.testing.assert_array_equal(picture[112, 30], pixels[112, 30])
    np.testing.assert_array_equal(photo.pixels, two_teeth()[0])
    # The chip over each tooth holds white letters on a dark ground.
    for left in (20, 120):
        chip = picture[50:95, left + 10 : left + 70]
        assert (chip == 255).all(axis=2).any()
        assert (chip.max(axis=2) < 70).any()


def test_overlay_of_another_size_is_refused():
    pixels, regions = two_teeth()
    photo = Image(pixels, "p.png", "0")
    result = plaque(photo, regions)
    with pytest.raises(InputRefused, match="sizes"):
        overlay(Image(pixels[:-2], "p.png", "0"), regions, result)


def test_stain_layer_is_clear_where_nothing_is_stained():
    layer = stain_layer(np.array([[0, 1, 100, 101, 200, 255]], np.uint8))
    assert layer[0, :, 3].tolist() == [0, 255, 255, 255, 255, 255]


def dichromat(srgb, kind):
    """Vienot, Brettel & Mollon 1999, Color Res Appl 24:243-252: protanope, deuteranope."""
    linear = (srgb / 255.0) ** 2.2
    to_lms = np.array(
        [[17.8824, 43.5161, 4.11935], [3.45565, 27.1554, 3.86714], [0.0299566, 0.184309, 1.46709]]
    )
    lost = {
        "protan": np.array([[0, 2.02344, -2.52581], [0, 1, 0], [0, 0, 1]]),
        "deutan": np.array([[1, 0, 0], [0.494207, 0, 1.24827], [0, 0, 1]]),
    }[kind]
    seen = np.linalg.inv(to_lms) @ lost @ to_lms @ linear.T
    return 255 * np.clip(seen.T, 0, 1) ** (1 / 2.2)


@pytest.mark.parametrize("kind", ["protan", "deutan"])
def test_newer_and_older_differ_for_colour_blind_eyes_vienot1999(kind):
    from skimage.color import deltaE_ciede2000, rgb2lab

    table = _colours().astype(float)
    newer, older = (rgb2lab(dichromat(table[a:b], kind) / 255) for a, b in ((15, 96), (115, 196)))
    assert deltaE_ciede2000(newer, older).min() > 10


def test_colours_darken_steadily_for_grey_print():
    grey = _colours().astype(float) @ [0.2126, 0.7152, 0.0722]
    assert (np.diff(grey[1:101]) <= 0.5).all()
    assert (np.diff(grey[101:201]) <= 0.5).all()


def test_verb_writes_json_and_overlay_and_leaves_the_photo(tmp_path, capsys):
    pixels, regions = two_teeth()
    photo, teeth = tmp_path / "mouth photo.png", tmp_path / "teeth.png"
    Picture.fromarray(pixels).save(photo)
    write_regions(teeth, regions)
    before = photo.read_bytes()
    out, picture = tmp_path / "out.json", tmp_path / "map.png"
    given = ["plaque", str(photo), "--teeth", str(teeth), "--gum", "up"]
    assert main([*given, "--json", str(out), "--overlay", str(picture)]) == 0
    found = json.loads(out.read_text())
    assert [t["tooth"] for t in found["teeth"]] == [104, 108]
    assert found["teeth"][0]["coverage_pct"] == pytest.approx(50, abs=1.5)
    assert found["teeth"][0]["gingival_half_pct"] == pytest.approx(100, abs=2)
    assert found["image"]["file"] == "mouth photo.png"
    with Picture.open(picture) as written:
        assert written.size[0] == 220
    assert photo.read_bytes() == before
    assert main(given) == 0
    assert "below the gum line" in capsys.readouterr().out


def test_verb_refuses_in_one_line(tmp_path, capsys):
    pixels, regions = two_teeth()
    photo, teeth = tmp_path / "p.png", tmp_path / "teeth.png"
    Picture.fromarray(pixels).save(photo)
    write_regions(teeth, regions[:-1])
    assert main(["plaque", str(photo), "--teeth", str(teeth), "--overlay", "x.png"]) == 2
    said = capsys.readouterr().err.strip().splitlines()
    assert len(said) == 1
    assert "139 x 220" in said[0]
    assert sorted(p.name for p in tmp_path.iterdir()) == ["p.png", "teeth.png"]
