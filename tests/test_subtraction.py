"""Grey matching against scikit-image, noise and crest change against phantoms with a truth."""

from __future__ import annotations

import functools
from dataclasses import replace

import cv2
import numpy as np
import pytest
from phantoms.mixed_looks import mixed_phantom
from phantoms.scanned_jaws import scanned_phantom
from phantoms.section_jaws import section_phantom

from perioview.alignment import Alignment, align
from perioview.comparison import Marked, compared
from perioview.marks import Mark, Marks
from perioview.subtraction import (
    GAIN_RGB,
    LOSS_RGB,
    difference,
    difference_picture,
    matched_grey,
)
from perioview.subtraction_crest import crest_change
from tests.pairs import phantoms as ph

SHAPE = (450, 600)
PX_PER_MM = 15.0
"""0.02 mm a pixel at 1500 x 2000, so 0.067 mm here."""
STILL = Alignment(np.eye(3), 0.0, 100)


@functools.cache
def visits(drop: float, seed: int = 1, **exposure):
    pose = ph.Pose(turn=2.0, shift=(5.0, -3.0))
    change = ph.Change(crest_px=drop) if drop else None
    pair = ph.pair(seed, SHAPE, pose, ph.Exposure(**exposure), change)
    alignment = align(pair.later, pair.earlier)
    return pair, alignment, difference(pair.later, pair.earlier, alignment)


def test_matching_undoes_any_rising_curve_ruttimann1986():
    rng = np.random.default_rng(0)
    scene = ph.texture(rng, (200, 240), 1.0)
    curved = 1000 / (1 + np.exp(-1.3 * scene))
    left = matched_grey(curved, scene) - scene
    # Success is measured, as there, by the spread of the subtraction image.
    assert left.std() < 0.01 * scene.std()


def test_matching_agrees_with_scikit_image():
    from skimage.exposure import match_histograms

    rng = np.random.default_rng(1)
    fixed = np.rint(40 * ph.texture(rng, (150, 160), 0.8) + 128)
    moving = np.rint(300 * np.sqrt(np.maximum(ph.texture(rng, (150, 160), 0.8) + 4, 0)))
    ours, theirs = matched_grey(moving, fixed), match_histograms(moving, fixed)
    # Their curve is read at every level of the image, ours at 513 ranks.
    assert np.abs(ours - theirs).mean() < 0.01 * fixed.std()


def test_matching_never_turns_the_order_of_levels_round():
    rng = np.random.default_rng(2)
    moving, fixed = rng.integers(0, 9, (2, 64, 64)).astype(float)
    moving[:40] = 3.0
    made = matched_grey(moving, fixed)
    order = np.argsort(moving, axis=None, kind="stable")
    assert (np.diff(made.ravel()[order]) >= 0).all()


def test_noise_level_is_that_of_two_exposures_analytic():
    rng = np.random.default_rng(3)
    scene = 100 * ph.texture(rng, (300, 320), 1.2)
    one, other = scene + rng.normal(0, 4.0, (2, 300, 320))
    found = difference(other, one, STILL)
    assert found.noise_sd == pytest.approx(4.0 * np.sqrt(2), rel=0.05)
    assert not found.gain.any() and not found.loss.any()


@pytest.mark.parametrize("gamma", [0.75, 1.4])
def test_unchanged_jaw_shows_next_to_nothing(gamma):
    _, _, found = visits(0.0, gamma=gamma)
    assert (found.gain | found.loss).sum() < 0.001 * found.known.sum()


def test_lost_bone_shows_where_it_was_lost_and_as_loss():
    pair, _, found = visits(12.0, seed=4)
    row, col = pair.crest[0]
    rows, cols = np.nonzero(found.loss)
    assert len(rows) > 150 and found.gain.sum() < 0.05 * len(rows)
    # Half the lowered crest's width is 0.22 of a fifth of the jaw's, with its soft ends.
    assert abs(np.median(rows) - row - 6) < 8
    assert abs(np.median(cols) - col) < 25
    picture = difference_picture(found, pair.earlier)
    orange, blue = (
        picture[found.loss].astype(int).mean(axis=0),
        np.array(GAIN_RGB),
    )
    assert orange[0] > orange[2] + 60 and blue[2] > blue[0] and LOSS_RGB[0] > LOSS_RGB[2]


def test_restored_crown_shows_as_gain():
    pose = ph.Pose(turn=1.0)
    pair = ph.pair(2, SHAPE, pose, None, ph.Change(restored=2))
    found = difference(pair.later, pair.earlier, align(pair.later, pair.earlier))
    assert found.gain.sum() > 300 and found.loss.sum() < 0.2 * found.gain.sum()


def read(pair, alignment, found, off=0.0):
    spot = pair.crest[0] + off * pair.axis
    away = (-float(pair.axis[1]), float(pair.axis[0]))
    return crest_change(
        found, pair.earlier, alignment, tuple(spot), tuple(pair.axis), away, px_per_mm=PX_PER_MM
    )


@pytest.mark.parametrize("drop", [0.0, 4.0, 12.0])
@pytest.mark.parametrize("off", [-4.0, 0.0, 4.0])
def test_crest_change_is_read_from_the_pair_wherever_near_it_was_marked(drop, off):
    moved = read(*visits(drop, seed=4), off)
    assert moved.unit == "px"
    assert moved.value == pytest.approx(drop, abs=1.0 + 0.15 * drop)
    assert abs(moved.value - drop) < 3 * moved.sd


@pytest.mark.parametrize(("seed", "moved"), [(101, 0.0), (102, 40.0)])
def test_crest_change_in_real_bone_texture(seed, moved):
    """A hand's or a chest's bone from pydicom's test data, a margin drawn in; 0.03 mm a pixel."""
    from tests.pairs.real_bone import MM_PER_PX, bone_pair

    pair = bone_pair(seed, moved)
    alignment = align(pair.later, pair.earlier)
    found = difference(pair.later, pair.earlier, alignment)
    place = (tuple(pair.crest), tuple(pair.apical), tuple(pair.away))
    read = crest_change(found, pair.earlier, alignment, *place, px_per_mm=1 / MM_PER_PX)
    # 0.1 mm, the aim, is 3.3 px.
    assert abs(read.value - moved) < 3.3
    assert read.sd < 1.0 + 0.05 * moved


def test_crest_change_without_a_margin_or_outside_says_so():
    pair, alignment, found = visits(0.0)
    flat = crest_change(found, np.zeros(SHAPE), alignment, (200, 300), (1, 0), (0, 1))
    assert flat.flags == ("no_step",)
    outside = crest_change(found, pair.earlier, alignment, (2, 2), (1, 0), (0, 1))
    assert outside.flags == ("outside",)


def test_air_that_one_film_shows_and_the_other_clips_is_no_change():
    rng = np.random.default_rng(6)
    scene = 60 * ph.texture(rng, (300, 320), 1.2) + 400
    scene[:150] = 20.0
    one, other = scene + rng.normal(0, 12.0, (2, 300, 320))
    # The later film's black point lies above the air: half of its grain is cut off.
    found = difference(np.maximum(other, 22.0), one, STILL)
    assert (found.gain | found.loss)[:150].sum() == 0
    # Bone that became air all the same is a loss.
    gone = other.copy()
    gone[200:230, 100:140] = 22.0
    found = difference(np.maximum(gone, 22.0), one, STILL)
    assert found.loss[200:230, 100:140].mean() > 0.9


def unchanged_crests(phantom, seed, noise, turn):
    """How far each crest moved, mm, between a phantom and a copy of it, perhaps noisy and moved."""
    rng = np.random.default_rng(seed)
    pixels, mm = phantom.image.pixels.astype(np.float32), phantom.calibration.col_mm
    spots = {key: np.array(at) + rng.normal(0, 0.05 / mm, 2) for key, at in phantom.truth.items()}
    crests = tuple(Mark("crest", float(r), float(c), *key) for key, (r, c) in spots.items())
    copy = pixels
    if turn:
        rows, cols = pixels.shape
        pose = cv2.getRotationMatrix2D((cols / 2, rows / 2), turn, 1.0)
        pose[:, 2] += (6, -4)
        copy = cv2.warpAffine(
            pixels, pose, (cols, rows), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
        )
    copy = np.clip(copy + rng.normal(0, noise * pixels.max(), copy.shape), 0, pixels.max())
    marks = Marks((*phantom.marks, *crests))
    found = compared(
        Marked(phantom.image, marks, phantom.calibration),
        Marked(replace(phantom.image, pixels=copy.astype(np.float32), name="copy")),
    )
    return [crest for crest in found.crests if crest.moved.known]


@pytest.mark.parametrize(
    ("make", "seeds"),
    # Their margins are wedges, humps and ramps, not steps.
    [(scanned_phantom, (8002,)), (section_phantom, (8005, 8007)), (mixed_phantom, (8000, 8011))],
)
def test_crest_that_did_not_move_raises_no_alarm(make, seeds):
    still, noisy = [], []
    for seed in seeds:
        phantom = make(seed)
        still += unchanged_crests(phantom, seed, noise=0.0, turn=0.0)
        noisy += unchanged_crests(phantom, seed, noise=0.008, turn=1.2)
    assert min(len(still), len(noisy)) >= 7
    # An image against itself reads 0, whatever its margin looks like.
    assert max(abs(c.moved.value) for c in still) < 0.01
    assert not any(c.detectable for c in still)
    assert sum(bool(c.detectable) for c in noisy) <= 0.05 * len(noisy)
