"""Outlines proposed from a click, and regions read from files."""

import sys
from pathlib import Path

import numpy as np
import pytest

from perioview.errors import InputRefused
from perioview.files.regions import read_regions, write_regions
from perioview.regions import tooth_outline

sys.path.insert(0, str(Path(__file__).parent))
from plaque_phantoms import three_channel


def overlap(found, truth):
    return (found & truth).sum() / (found | truth).sum()


@pytest.fixture(scope="module")
def clean_row():
    return three_channel.scene(31, teeth=3, kinds=dict.fromkeys(range(3), "clean"), tartar=0)


def clicked(scene, tooth):
    return np.argwhere(scene.regions == tooth).mean(axis=0)


def test_outline_of_a_tooth_with_gaps(clean_row):
    # Phantom, no clinical truth; figures over many in benchmarks/bench_plaque.py.
    for tooth in (104, 105, 106):
        found = tooth_outline(clean_row.rgb, *clicked(clean_row, tooth))
        assert found.mask.shape == clean_row.regions.shape
        assert overlap(found.mask, clean_row.regions == tooth) > 0.93
        assert found.contrast > 0.5


def flat_crown(gum, stain, top, slant):
    """An ellipse without shading on flat gum, stained below a straight edge."""
    rows, cols = np.mgrid[:240, :320]
    photo = np.full((240, 320, 3), gum, np.uint8)
    crown = ((rows - 120) / 80) ** 2 + ((cols - 160) / 60) ** 2 < 1
    photo[crown] = (225, 220, 205)
    photo[crown & (rows > top + slant * (cols - 160))] = stain
    noise = np.random.default_rng(top).normal(0, 3, photo.shape)
    return np.clip(photo + noise, 0, 255).astype(np.uint8), crown


@pytest.mark.parametrize(
    ("gum", "stain", "top", "slant"),
    [
        ((150, 60, 70), (205, 90, 130), 150, 0),
        ((150, 60, 70), (205, 90, 130), 170, 0),
        ((150, 60, 70), (205, 90, 130), 130, -0.5),
        ((150, 60, 70), (130, 80, 160), 150, 0.3),
        ((70, 25, 28), (80, 90, 160), 150, 0),
        ((12, 12, 14), (80, 90, 160), 150, 0.3),
        ((200, 95, 85), (205, 90, 130), 150, 0.3),
    ],
)
def test_outline_goes_past_a_straight_edge_of_stain(gum, stain, top, slant):
    photo, crown = flat_crown(gum, stain, top, slant)
    assert overlap(tooth_outline(photo, 110, 160).mask, crown) >= 0.95


@pytest.mark.parametrize("top", [150, 170])
def test_outline_is_not_sure_on_gum_of_the_stains_colour(top):
    photo, crown = flat_crown((205, 120, 125), (205, 90, 130), top, 0)
    found = tooth_outline(photo, 110, 160)
    assert overlap(found.mask, crown) > 0.95 or not found.sure


def test_outline_is_the_same_wherever_the_tooth_lies(clean_row):
    row, col = clicked(clean_row, 105)
    first = tooth_outline(clean_row.rgb, row, col).mask
    turned = tooth_outline(clean_row.rgb[::-1].copy(), len(first) - 1 - row, col).mask[::-1]
    assert overlap(first, turned) > 0.95


def test_outline_keeps_off_a_tooth_already_drawn(clean_row):
    taken = np.where(clean_row.regions == 105, 105, 0).astype(np.uint16)
    found = tooth_outline(clean_row.rgb, *clicked(clean_row, 104), taken=taken).mask
    assert not (found & (taken > 0)).any()
    with pytest.raises(InputRefused, match="tooth 105"):
        tooth_outline(clean_row.rgb, *clicked(clean_row, 105), taken=taken)


def test_click_outside_is_refused(clean_row):
    with pytest.raises(InputRefused, match="outside the photo"):
        tooth_outline(clean_row.rgb, -3, 10)


def test_label_image_comes_back_as_written(tmp_path):
    regions = np.zeros((20, 30), np.uint16)
    regions[2:9, 3:12], regions[10:15, 3:20] = 104, 308
    write_regions(tmp_path / "r.png", regions)
    np.testing.assert_array_equal(read_regions(tmp_path / "r.png", rows=20, cols=30), regions)


def test_polygons_cover_the_pixels_whose_centres_they_hold(tmp_path):
    # Pixel centres at whole numbers: a square from 1.5 to 5.5 holds rows and columns 2 to 5.
    path = tmp_path / "r.csv"
    path.write_text(
        "tooth,vertex,row,col,note\r\n108,2,5.5,5.5,\r\n108,1,1.5,5.5,\r\n108,0,1.5,1.5,x\r\n"
        "108,3,5.5,1.5,\r\n",
        encoding="utf-8-sig",
    )
    expected = np.zeros((10, 12), np.uint16)
    expected[2:6, 2:6] = 108
    np.testing.assert_array_equal(read_regions(path, rows=10, cols=12), expected)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("tooth,vertex,row\n108,0,1\n", "column col"),
        ("tooth;vertex;row;col\n108;0;1;1\n", "commas"),
        ("tooth,vertex,row,col\n108,0,1,1\n108,1,2,x\n", "line 3"),
        ("tooth,vertex,row,col\n108,0,1,1\n108,1,2,nan\n", "line 3"),
        ("tooth,vertex,row,col\n108,0,1,1\n108,1,2,99\n", "outside the photo"),
        ("tooth,vertex,row,col\n108,0,1,1\n108,0,2,2\n", "twice"),
        ("tooth,vertex,row,col\n108,0,1,1\n108,1,2,2\n", "at least 3"),
        ("tooth,vertex,row,col\n", "no tooth region"),
        ("tooth,vertex,row,col\n112,0,1,1\n112,1,1,8\n112,2,8,8\n", "112 is no tooth"),
        ("\x00\x01", "column"),
    ],
)
def test_faulty_polygons_are_refused_by_line(tmp_path, text, said):
    path = tmp_path / "r.csv"
    path.write_text(text)
    with pytest.raises(InputRefused, match=said) as refused:
        read_regions(path, rows=10, cols=12)
    assert all(str(path) in fault for fault in refused.value.faults)


def test_every_faulty_line_is_named(tmp_path):
    path = tmp_path / "r.csv"
    path.write_text("tooth,vertex,row,col\n108,0,1,99\n108,1,a,1\n108,2,3,-9\n")
    with pytest.raises(InputRefused) as refused:
        read_regions(path, rows=10, cols=12)
    assert len(refused.value.faults) >= 3


def test_faulty_label_images_are_refused(tmp_path):
    from PIL import Image as Picture

    path = tmp_path / "r.png"
    regions = np.full((10, 12), 104, np.uint16)
    write_regions(path, regions)
    with pytest.raises(InputRefused, match="10 x 12"):
        read_regions(path, rows=12, cols=10)
    write_regions(path, np.zeros((10, 12), np.uint16))
    with pytest.raises(InputRefused, match="no tooth region"):
        read_regions(path, rows=10, cols=12)
    write_regions(path, np.full((10, 12), 999, np.uint16))
    with pytest.raises(InputRefused, match="999 is no tooth"):
        read_regions(path, rows=10, cols=12)
    Picture.new("RGB", (12, 10)).save(path)
    with pytest.raises(InputRefused, match="channels"):
        read_regions(path, rows=10, cols=12)
    path.write_bytes(path.read_bytes()[:40])
    with pytest.raises(InputRefused, match="decoded"):
        read_regions(path, rows=10, cols=12)
    with pytest.raises(InputRefused, match="cannot be read"):
        read_regions(tmp_path / "none.png", rows=10, cols=12)


@pytest.mark.parametrize("name", ["r.tif", "r.tiff"])
def test_tiff_labels(tmp_path, name):
    from PIL import Image as Picture

    regions = np.zeros((10, 12), np.uint16)
    regions[2:5, 2:5] = 208
    Picture.fromarray(regions).save(tmp_path / name)
    np.testing.assert_array_equal(read_regions(tmp_path / name, rows=10, cols=12), regions)


@pytest.mark.parametrize(
    ("done", "taken", "species", "offered"),
    [
        ([308], (), "dog", 309),
        ([104], (), "dog", 105),
        ([308, 307], (), "dog", 306),
        ([302, 301], (), "dog", 401),
        ([202, 201], (), "dog", 101),
        ([308, 309], (310,), "dog", 311),
        ([310, 311], (), "dog", None),
        ([308, 309], (), "cat", None),
        # A cat has no 305 and no 306 (modified Triadan system): from the canine to 307.
        ([304], (), "cat", 307),
        ([807], (), "dog", 808),
        ([207, 108], (), "dog", 109),
    ],
)
def test_next_tooth_goes_on_along_the_arcade_floyd1991(done, taken, species, offered):
    # Floyd 1991, J Vet Dent 8(4):18-19: numbering, as data/teeth.toml has it.
    from perioview.regions_order import offered_tooth

    assert offered_tooth(done, taken=taken, species=species) == offered


def test_network_takes_no_ray_for_the_first():
    # Halved four times in all, the grid of rays turns by 16 without a difference.
    from perioview.regions_network import ANGLES, STEPS, chance_from

    rng = np.random.default_rng(2)
    planes = rng.normal(0, 0.3, (ANGLES, STEPS, 3)).astype(np.float32)
    outside = rng.random((ANGLES, STEPS)) < 0.1
    found = chance_from(planes, outside)
    assert found.shape == (ANGLES, STEPS)
    # A probability along every ray.
    np.testing.assert_allclose(np.exp(found).sum(axis=1), 1, rtol=1e-4)
    turned = chance_from(np.roll(planes, 16, axis=0), np.roll(outside, 16, axis=0))
    np.testing.assert_allclose(turned, np.roll(found, 16, axis=0), atol=1e-3)


@pytest.mark.parametrize("shape", [(2, 2), (3, 50), (40, 30)])
def test_picture_without_a_tooth_gives_nothing_sure(shape):
    rng = np.random.default_rng(1)
    for photo in (np.full((*shape, 3), 120), rng.integers(0, 255, (*shape, 3))):
        found = tooth_outline(photo.astype(np.uint8), shape[0] / 2, shape[1] / 2)
        assert found.mask.shape == shape and not found.sure


def test_clicks_off_the_middle_find_the_same_tooth(clean_row):
    truth = clean_row.regions == 105
    middle, size = clicked(clean_row, 105), np.ptp(np.argwhere(truth), axis=0)
    for side in ((-0.3, 0), (0.3, 0), (0, -0.3), (0, 0.3)):
        found = tooth_outline(clean_row.rgb, *(middle + side * size))
        assert overlap(found.mask, truth) > 0.93
        assert found.sure


@pytest.mark.parametrize("deep", [40, 110])
def test_valley_between_two_cusps_is_no_tooth_or_is_doubtful(deep):
    # From one place the far cusp hides the valley before it.
    rows, cols = np.mgrid[:260, :420].astype(float)
    photo = np.full((260, 420, 3), (70, 30, 35), float)
    cusps = np.maximum(150 - 1.6 * np.abs(cols - 140), 190 - 2.2 * np.abs(cols - 260))
    cusps = np.maximum(cusps, 130 - deep)
    crown = (rows > 230 - cusps) & (rows < 215 + 15 * np.cos((cols - 200) / 80))
    crown &= (cols > 70) & (cols < 340)
    photo[crown] = (225, 220, 205)
    photo += np.random.default_rng(0).normal(0, 3, photo.shape)
    found = tooth_outline(np.clip(photo, 0, 255).astype(np.uint8), 180, 170)
    assert overlap(found.mask, crown) > 0.93 or not found.sure
