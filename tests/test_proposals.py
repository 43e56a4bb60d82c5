"""Crest proposals: against phantoms of known crest, and against what must not change them."""

from __future__ import annotations

import argparse
import csv
import json
import math
import sys
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from scipy import ndimage

sys.path.insert(0, str(Path(__file__).parent))

from phantoms.oblique_layers import oblique_phantom
from phantoms.painted import painted_phantom
from phantoms.scene import Phantom

from perioview.calibration import Calibration
from perioview.errors import InputRefused
from perioview.marks import LOW_CONFIDENCE, Mark, Marks
from perioview.proposals import MARGIN_NOT_SEEN, Proposal, crest_proposals
from perioview.proposals_context import unlinked
from perioview.proposals_frame import side_frames
from perioview.proposals_network import LONGEST, WIDTH, recurved
from perioview.proposals_posterior import (
    EVEN,
    SURE_MASS,
    TAUGHT_MM,
    confidence,
    peak,
    posteriors,
    spread,
)
from perioview.proposals_strip import LANES, STEP

# The yardstick: published repeatability of a CEJ-crest distance marked by hand, SD 0.18 mm
# (Hildebolt et al. 2009, Oral Surg 108(3):e96-107).
HUMAN_SD_MM = 0.18


@cache
def painted(seed: int) -> Phantom:
    return painted_phantom(seed)


def proposed(phantom: Phantom) -> tuple[Proposal, ...]:
    return crest_proposals(phantom.image, phantom.marks, phantom.calibration, "dog")


def apart_mm(a: tuple[Proposal, ...], b: tuple[Proposal, ...], mm: float) -> np.ndarray:
    assert [(p.tooth, p.root, p.side) for p in a] == [(p.tooth, p.root, p.side) for p in b]
    return np.array(
        [mm * math.hypot(p.row - q.row, p.col - q.col) for p, q in zip(a, b, strict=True)]
    )


def errors_mm(phantom: Phantom) -> list[tuple[float, float]]:
    frames = {
        (f.tooth, f.root, f.side): f for f in side_frames(phantom.marks, phantom.calibration, "dog")
    }
    found = []
    for p in proposed(phantom):
        key = (p.tooth, p.root, p.side)
        truth = frames[key].along_out(*phantom.truth[key])[0]
        found.append((abs(frames[key].along_out(p.row, p.col)[0] - truth), p.confidence))
    return found


def test_crests_of_phantoms_not_used_in_training() -> None:
    # Few phantoms keep the suite short; bench_proposals.py has the figures on 1,000 sites.
    phantoms = [painted(s) for s in range(6)] + [oblique_phantom(s) for s in range(2)]
    rows = np.array([r for p in phantoms for r in errors_mm(p)])
    assert len(rows) == sum(len(p.truth) for p in phantoms)
    sure = rows[:, 1] >= 0.8
    assert np.median(rows[:, 0]) < 0.6 * HUMAN_SD_MM
    assert sure.mean() > 0.5
    assert (rows[sure, 0] > 1.0).mean() < 0.03
    assert rows[sure, 0].mean() < rows[~sure, 0].mean()


def test_inverted_grey_changes_nothing() -> None:
    phantom = painted(3)
    image = phantom.image
    turned = replace(image, pixels=255 - image.pixels, inverted=not image.inverted)
    other = crest_proposals(turned, phantom.marks, phantom.calibration, "dog")
    assert apart_mm(proposed(phantom), other, phantom.calibration.pitch[0]).max() < 1e-3


def test_wrong_polarity_is_noticed_and_survived() -> None:
    phantom = painted(3)
    lying = replace(phantom.image, inverted=not phantom.image.inverted)
    other = crest_proposals(lying, phantom.marks, phantom.calibration, "dog")
    assert apart_mm(proposed(phantom), other, phantom.calibration.pitch[0]).max() < 1e-3
    assert all("polarity_reversed" in p.flags for p in other)


@pytest.mark.parametrize("gamma", [0.6, 1.6])
def test_contrast_curve_moves_proposals_little(gamma: float) -> None:
    phantom = painted(0)
    curved = 4095 * (phantom.image.pixels / 255.0) ** gamma
    other = crest_proposals(
        replace(phantom.image, pixels=curved), phantom.marks, phantom.calibration, "dog"
    )
    moved = apart_mm(proposed(phantom), other, phantom.calibration.pitch[0])
    assert np.quantile(moved, 0.75) < HUMAN_SD_MM


def test_proposals_turn_with_the_image_analytic() -> None:
    phantom = painted(0)
    cols = phantom.image.cols
    turned = Marks(tuple(replace(m, row=cols - 1 - m.col, col=m.row) for m in phantom.marks))
    image = replace(phantom.image, pixels=np.ascontiguousarray(np.rot90(phantom.image.pixels)))
    other = crest_proposals(image, turned, phantom.calibration, "dog")
    back = tuple(replace(p, row=p.col, col=cols - 1 - p.row) for p in other)
    assert apart_mm(proposed(phantom), back, phantom.calibration.pitch[0]).max() < 0.01


def test_half_a_pixel_is_followed_analytic() -> None:
    phantom = painted(0)
    smooth = ndimage.gaussian_filter(phantom.image.pixels.astype(float), 1.0)
    shifted = ndimage.shift(smooth, (0.5, -0.25), order=3, mode="nearest")
    marks = Marks(tuple(replace(m, row=m.row + 0.5, col=m.col - 0.25) for m in phantom.marks))
    a = crest_proposals(
        replace(phantom.image, pixels=smooth), phantom.marks, phantom.calibration, "dog"
    )
    b = crest_proposals(replace(phantom.image, pixels=shifted), marks, phantom.calibration, "dog")
    offsets = np.array([(q.row - p.row, q.col - p.col) for p, q in zip(a, b, strict=True)])
    np.testing.assert_allclose(np.median(offsets, axis=0), (0.5, -0.25), atol=0.05)


def test_oblong_pixels_give_the_same_place() -> None:
    phantom = painted(0)
    mm = phantom.calibration.pitch[0]
    pixels = phantom.image.pixels.astype(np.float32)
    thin = np.repeat(pixels, 2, axis=0)
    # Row r of the square image covers rows 2r and 2r + 1, so its centre is 2r + 0.5.
    marks = Marks(tuple(replace(m, row=2 * m.row + 0.5) for m in phantom.marks))
    scale = Calibration(mm / 2, mm, 0.0, "given", (), 0.5)
    other = crest_proposals(replace(phantom.image, pixels=thin), marks, scale, "dog")
    back = tuple(replace(p, row=(p.row - 0.5) / 2) for p in other)
    assert np.quantile(apart_mm(proposed(phantom), back, mm), 0.8) < 0.1


def test_without_a_scale_places_stay_and_millimetres_are_unknown() -> None:
    phantom = painted(0)
    bare = Calibration(None, None, None, "none", (), 1.0)
    other = crest_proposals(phantom.image, phantom.marks, bare, "dog")
    assert all(math.isnan(p.sd_mm) and "no_scale" in p.flags for p in other)
    moved = apart_mm(proposed(phantom), other, phantom.calibration.pitch[0])
    assert np.median(moved) < HUMAN_SD_MM


@pytest.mark.parametrize("times", [0.5, 2.7])
def test_roots_of_other_sizes_are_searched_alike(times: float) -> None:
    # The same pictures as of a toy breed's roots of 5 mm, and of canines of 25 mm and more.
    phantoms = [painted(0), painted(2)]
    errors = []
    for phantom in phantoms:
        mm = phantom.calibration.pitch[0] * times
        scale = Calibration(mm, mm, 0.0, "given", (), 1.0)
        errors += errors_mm(replace(phantom, calibration=scale))
    lengths = np.array(
        [f.length * f.unit_mm for p in phantoms for f in side_frames(p.marks, scale, "dog")]
    )
    assert lengths.max() > 25 if times > 1 else lengths.min() < 5.5
    assert np.median([e for e, _ in errors]) / times < HUMAN_SD_MM


def test_crest_is_sought_to_the_root_end_analytic() -> None:
    along = np.stack([-2.4 + STEP * np.arange(LONGEST)] * 2)
    x = np.zeros((2, LONGEST, WIDTH), np.float32)
    live = np.ones((2, LONGEST), np.float32)
    found = posteriors(x, live, along, np.array([9.0, 12.0]), unlinked(2))
    np.testing.assert_allclose(found.sum(axis=1), 1)
    for row, at, length in zip(found, along, (9.0, 12.0), strict=True):
        assert (row[at < length] > 0).all()
        assert (row[at >= length] == 0).all()


def test_wiped_out_crest_is_not_trusted() -> None:
    phantom = painted(1)
    flat = replace(phantom.image, pixels=np.full_like(phantom.image.pixels, 90))
    grain = np.random.default_rng(0).normal(0, 4, flat.pixels.shape)
    noisy = replace(flat, pixels=flat.pixels + grain)
    for image in (flat, noisy):
        for p in crest_proposals(image, phantom.marks, phantom.calibration, "dog"):
            assert "low_confidence" in p.flags, p


def test_a_margin_that_is_not_there_is_said_to_be_unseen() -> None:
    """Generator C, which was never trained on, and noise in place of its pictures."""
    seen, unseen = [], []
    for seed in range(8):
        phantom = painted(seed)
        grain = np.random.default_rng(seed).normal(90, 4, phantom.image.pixels.shape)
        seen += [MARGIN_NOT_SEEN in p.flags for p in proposed(phantom)]
        noise = replace(phantom, image=replace(phantom.image, pixels=grain))
        unseen += [MARGIN_NOT_SEEN in p.flags for p in proposed(noise)]
    assert np.mean(seen) < 0.05
    assert np.mean(unseen) > 0.8


def test_which_sites_are_proposed() -> None:
    phantom = painted(0)
    keys = {(p.tooth, p.root, p.side) for p in proposed(phantom)}
    assert keys == set(phantom.truth)
    number = phantom.marks.teeth()[0]
    apex = phantom.marks.of(tooth=number, landmark="apex")[0]
    without = phantom.marks.without(apex)
    left = {
        (p.tooth, p.root)
        for p in crest_proposals(phantom.image, without, phantom.calibration, "dog")
    }
    assert (number, apex.root) not in left
    assert crest_proposals(phantom.image, Marks(()), phantom.calibration, "dog") == ()


def test_side_named_by_the_cej_line_even_beyond_the_apex() -> None:
    # Distal root whose apex lies distal of its own CEJ: mesial is still toward the mesial mark.
    marks = Marks(
        (
            Mark("cej", 10, 10, 308, "mesial", "mesial"),
            Mark("cej", 10, 60, 308, "distal", "distal"),
            Mark("apex", 80, 66, 308, "distal"),
        )
    )
    frames = side_frames(marks, Calibration(0.1, 0.1, 0.0, "given", (), 1.0), "dog")
    distal = next(f for f in frames if f.root == "distal" and f.side == "distal")
    assert distal.outward[1] > 0.99
    assert distal.cej is not None
    assert distal.cej[1] == pytest.approx(-0.6)


def test_unknown_species_is_refused() -> None:
    phantom = painted(0)
    with pytest.raises(InputRefused, match="ferret"):
        crest_proposals(phantom.image, phantom.marks, phantom.calibration, "ferret")


def test_peak_of_a_known_posterior_analytic() -> None:
    along = np.arange(0, 10, 0.08)
    near = np.exp(-0.5 * ((along - 4.03) / 0.2) ** 2)
    one = peak(near / near.sum(), along)
    assert one.along == pytest.approx(4.03, abs=0.01)
    assert one.sd == pytest.approx(0.2, abs=0.01)
    # Normal mass within 2.5 SD is 0.9876.
    assert one.confidence == pytest.approx(confidence(0.9876), abs=0.03)
    assert confidence(SURE_MASS) == pytest.approx(LOW_CONFIDENCE)
    assert (confidence(0.0), confidence(1.0)) == (0.0, 1.0)
    assert math.isnan(one.second)
    blurred = float(np.hypot(0.15, TAUGHT_MM))
    assert spread(blurred) == pytest.approx(0.15)
    far = np.exp(-0.5 * ((along - 7.0) / 0.2) ** 2)
    two = peak((0.6 * near + 0.4 * far) / (0.6 * near + 0.4 * far).sum(), along)
    assert two.second == pytest.approx(7.0, abs=0.1)
    # The median: 0.5 / 0.6 of the nearer peak's mass lies below it (normal quantile 0.967).
    assert two.along == pytest.approx(4.03 + 0.967 * 0.2, abs=0.02)
    assert two.confidence == pytest.approx(confidence(0.6), abs=0.05)
    # Between two equal peaks there is nothing to be seen; the proposal stays on one of them.
    thirds = 0.4 * near + 0.35 * far + 0.25 * np.exp(-0.5 * ((along - 5.5) / 0.2) ** 2)
    three = peak(thirds / thirds.sum(), along)
    assert three.along == pytest.approx(4.03, abs=0.02)
    assert three.confidence < confidence(EVEN)


def test_the_median_of_a_skewed_posterior_has_the_least_mean_error_analytic() -> None:
    along = np.arange(0, 10, 0.08)
    # Exponential from 4 mm on, mean 0.2: its mode is 4, its median 4 + 0.2 ln 2.
    skewed = np.exp(-(along - 4) / 0.2) * (along >= 4)
    skewed /= skewed.sum()
    found = peak(skewed, along).along
    # Sampled every 0.08 mm, the mean lies half a step nearer to the first position.
    assert found == pytest.approx(4 + 0.2 * np.log(2) - 0.04, abs=0.02)
    errors = [float(skewed @ np.abs(along - at)) for at in (found - 0.1, found, found + 0.1)]
    assert errors[1] == min(errors)


def test_another_contrast_curve_of_the_inputs() -> None:
    rng = np.random.default_rng(4)
    x = rng.uniform(-1.5, 1.5, (2, 5, WIDTH)).astype(np.float32)
    x[0, 0] = 0  # outside the image
    brighter = recurved(x, 0.5)
    grey, was = brighter[..., : len(LANES)] / 3 + 0.5, x[..., : len(LANES)] / 3 + 0.5
    inside = x[..., : len(LANES)] != 0
    assert grey[inside] == pytest.approx(np.sqrt(was[inside]), abs=1e-5)
    assert (brighter[0, 0] == 0).all()
    # What is no grey value stays: share outside the image, places, lengths.
    np.testing.assert_array_equal(brighter[..., -8:], x[..., -8:])
    np.testing.assert_array_equal(brighter[..., len(LANES)], x[..., len(LANES)])


def test_verb_writes_the_keys_of_the_contract(tmp_path: Path) -> None:
    import cv2

    from perioview.verbs import propose

    phantom = painted(0)
    picture = tmp_path / "film.png"
    cv2.imwrite(str(picture), phantom.image.pixels)
    table = tmp_path / "marks.csv"
    with table.open("w", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(["tooth", "root", "side", "landmark", "row", "col", "mm"])
        for m in phantom.marks:
            writer.writerow([m.tooth, m.root, m.side or "", m.landmark, m.row, m.col, ""])
    parser = argparse.ArgumentParser()
    propose.add_arguments(parser)
    out = tmp_path / "out.json"
    given = ["--marks", str(table), "--species", "dog", "--mm-per-px", "0.05"]
    propose.run(parser.parse_args([str(picture), *given, "--json", str(out)]))
    result = json.loads(out.read_text())
    assert set(result) == {"proposals"}
    assert len(result["proposals"]) == len(phantom.truth)
    keys = ["tooth", "root", "side", "landmark", "row", "col", "sd_mm", "confidence", "flags"]
    assert all(list(p) == keys for p in result["proposals"])
    with pytest.raises(InputRefused, match="species"):
        propose.run(parser.parse_args([str(picture), "--marks", str(table)]))
