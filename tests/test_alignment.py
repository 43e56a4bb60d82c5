"""Alignment of pairs whose true map is known: invented jaws and a real radiograph, warped."""

from __future__ import annotations

import functools

import numpy as np
import pytest

from perioview.alignment import align, mapped
from perioview.errors import InputRefused
from tests.pairs import phantoms as ph

SHAPE = (450, 600)


@functools.cache
def jaw(seed: int = 1, **given) -> ph.Pair:
    pose = given.pop("pose", ph.Pose(turn=4.0, shift=(14.0, -9.0), scale=1.03, shear=0.01))
    return ph.pair(seed, SHAPE, pose, **given)


def error_px(found, pair: ph.Pair) -> np.ndarray:
    return np.hypot(
        *(found.earlier_from_later(pair.landmarks) - mapped(pair.transform, pair.landmarks)).T
    )


CASES = {
    "exposed the same": jaw,
    "other curve, dose and sharpness": lambda: jaw(
        exposure=ph.Exposure(dose=1000, gamma=0.7, blur=1.3, bits=8)
    ),
    "negative": lambda: jaw(2, exposure=ph.Exposure(inverted=True)),
    "mirrored": lambda: jaw(3, exposure=ph.Exposure(mirrored=True)),
    "smaller sensor": lambda: jaw(4, exposure=ph.Exposure(shape=(360, 480))),
    "perspective": lambda: jaw(5, pose=ph.Pose(turn=-8, tilt=(0.03, -0.02))),
    "turned by 90 degrees": lambda: jaw(6, pose=ph.Pose(turn=90.0, scale=1.1)),
    "bone lost": lambda: jaw(7, change=ph.Change(crest_px=25.0)),
    "tooth extracted": lambda: jaw(8, change=ph.Change(extracted=2)),
    "restoration": lambda: jaw(9, change=ph.Change(restored=1)),
}


@pytest.mark.parametrize("case", CASES)
def test_known_map_is_found_to_half_a_pixel(case):
    pair = CASES[case]()
    found = align(pair.later, pair.earlier)
    far = error_px(found, pair)
    assert np.median(far) < 0.3 and far.max() < 1.0
    assert found.mirrored is (case == "mirrored")
    assert found.inverted is (case == "negative")
    assert any("mirrored" in w for w in found.warnings) is (case == "mirrored")
    assert found.matches >= 12 and 0 < found.rms_px < 2


def test_real_radiograph_warped_and_exposed_again():
    from pydicom.data import get_testdata_file

    # A human ankle from pydicom's test data: the map is ours, the picture is real.
    image = get_testdata_file("RG3_UNCR.dcm", read=True).pixel_array[::2, ::2]
    pose = ph.Pose(turn=5, shift=(12, -20), scale=1.02)
    pair = ph.warped(image, 4, pose, ph.Exposure(gamma=1.2))
    found = align(pair.later, pair.earlier)
    assert np.median(error_px(found, pair)) < 0.5


def test_transform_maps_row_col_of_later_onto_earlier_analytic():
    rng = np.random.default_rng(0)
    scene = ph.texture(rng, (400, 400), 1.0)
    # The later view begins 30 rows further down and 12 columns further right.
    found = align(scene[50:330, 40:340], scene[20:300, 28:328])
    assert found.transform == pytest.approx(np.array([[1, 0, 30], [0, 1, 12], [0, 0, 1]]), abs=0.05)
    assert found.earlier_from_later([[100, 50]]) == pytest.approx(np.array([[130, 62]]), abs=0.05)
    assert found.later_from_earlier([[130, 62]]) == pytest.approx(np.array([[100, 50]]), abs=0.05)


@pytest.mark.parametrize("seed", range(2))
def test_two_different_jaws_are_refused_with_a_reason(seed):
    one, other = jaw(20), jaw(40 + seed)
    with pytest.raises(InputRefused, match=r"b\.png: cannot be aligned with a\.png: .+points"):
        align(other.later, one.earlier, names=("b.png", "a.png"))


def test_the_same_label_on_two_jaws_does_not_make_them_one():
    import cv2

    one, other = ((jaw(seed).earlier >> 4).astype(np.uint8) for seed in (20, 40))
    for image in (one, other):
        cv2.putText(image, "PV-0001 L 2026", (20, 40), cv2.FONT_HERSHEY_SIMPLEX, 1, 255, 2)
    with pytest.raises(InputRefused):
        align(other, one)


def test_depth_parallax_is_warned_of_and_its_absence_is_not():
    flat, deep = jaw(11), jaw(11, pose=ph.Pose(turn=2, parallax=(7.0, 5.0)))
    assert not any("parallax" in w for w in align(flat.later, flat.earlier).warnings)
    assert any("parallax" in w for w in align(deep.later, deep.earlier).warnings)


def test_residual_grows_with_what_no_single_map_explains():
    residual = [
        align(p.later, p.earlier).rms_px
        for p in (jaw(11), jaw(11, pose=ph.Pose(turn=2, parallax=(4.0, 3.0))))
    ]
    assert residual[1] > 1.5 * residual[0]


def test_nothing_to_align_is_refused():
    flat = np.full((200, 200), 7, np.uint16)
    with pytest.raises(InputRefused, match="every pixel is 7"):
        align(flat, jaw().earlier)
    with pytest.raises(InputRefused, match="one grey level per pixel"):
        align(np.zeros((200, 200, 3)), jaw().earlier)


@pytest.mark.parametrize("count", [2, 3, 4, 6])
def test_point_pairs_give_the_map_through_them_analytic(count):
    turn = np.deg2rad(7)
    true = np.array(
        [[np.cos(turn), -np.sin(turn), 12.0], [np.sin(turn), np.cos(turn), -5.0], [0, 0, 1]]
    )
    later = np.array([[50.0, 60], [400, 80], [60, 500], [380, 520], [200, 300], [120, 420]])[:count]
    pairs = [(tuple(a), tuple(b)) for a, b in zip(later, mapped(true, later), strict=True)]
    one, other = jaw(20), jaw(40)
    found = align(other.later, one.earlier, points=pairs)
    assert found.transform == pytest.approx(true, abs=1e-6)
    assert (found.method, found.matches) == ("points", count)
    # By hand it is done, but the reader is told that the pictures do not agree.
    assert any(w.startswith("points: ") for w in found.warnings)


@pytest.mark.parametrize(
    "pairs",
    [
        [((1, 1), (2, 2))],
        [((1, 1), (2, 2)), ((1, 1), (2, 2))],
        [((0, 0), (0, 0)), ((10, 10), (10, 10)), ((20, 20), (20, 20))],
        [((0, 0), (0, 0)), ((np.nan, 10), (10, 10))],
    ],
)
def test_point_pairs_that_fix_no_map_are_refused(pairs):
    pair = jaw(20)
    with pytest.raises(InputRefused):
        align(pair.later, pair.earlier, points=pairs)
