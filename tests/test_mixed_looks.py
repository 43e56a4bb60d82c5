"""Generator M: repeatable, its truth beside the roots, at the margin that the contract names."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from phantoms.mixed_bone import BESIDE, COUNTS, crest_levels
from phantoms.mixed_looks import mixed_layout, mixed_phantom
from phantoms.mixed_teeth import Root, Tooth
from phantoms.scene import Phantom

from perioview.marks import check_marks


def test_a_seed_makes_one_picture():
    one, two, other = mixed_phantom(3), mixed_phantom(3), mixed_phantom(4)
    assert np.array_equal(one.image.pixels, two.image.pixels)
    assert one.truth == two.truth
    assert list(one.marks) == list(two.marks)
    assert one.truth != other.truth


@pytest.mark.parametrize("seed", range(8))
def test_marks_and_truth_lie_where_they_can(seed):
    phantom = mixed_phantom(seed)
    rows, cols = phantom.image.pixels.shape
    check_marks(phantom.marks, phantom.image.species, rows, cols)
    assert phantom.truth.keys() == phantom.traits.keys()
    for (number, name, side), (row, col) in phantom.truth.items():
        assert 0 <= row <= rows - 1
        assert 0 <= col <= cols - 1
        assert phantom.marks.of(tooth=number, root=name, landmark="apex")
        outer = "furcal" not in phantom.traits[number, name, side]
        assert bool(phantom.marks.of(tooth=number, root=name, side=side, landmark="cej")) is outer


@pytest.mark.parametrize("seed", range(30))
def test_crest_is_on_its_root_and_not_in_the_furcation(seed):
    canvas = mixed_layout(seed).canvas
    for (t, r, k), level in canvas.crest.items():
        tooth = canvas.teeth[t]
        root = tooth.roots[r]
        assert root.cej[k] - 0.7 * canvas.scale < level < root.top + 0.95 * root.length
        if not root.outer[k]:
            assert level > float(tooth.arch_at(root.edge(level, k))) - 0.15 * canvas.scale


def _straight(x: float) -> Root:
    ys = np.linspace(-3, 10, 50)
    half = np.where(ys < 10, 0.8, 0.0)
    return Root(301, "single", (0.0, 0.0), 0.0, 10.0, ys, np.full(50, x), half, (True, True))


def test_the_more_apical_plate_decides_and_haze_does_not():
    plan = mixed_layout(0)
    x, site = np.arange(-5, 15, 0.05), (0, 0, 0)
    teeth = [Tooth(301, [_straight(5.0)], 4.0)]
    plate = replace(plan.sheets[0], share=0.3, margin=np.full(x.shape, 3.0))
    plate = replace(plate, wanted={site: 3.0, (0, 0, 1): 3.0})
    sloping = replace(plate, share=COUNTS, margin=5.0 + 0.2 * (x - 5.0))
    haze = replace(plate, share=COUNTS - 0.05, margin=np.full(x.shape, 7.0))
    found = crest_levels(x, teeth, [plate, sloping, haze])
    assert found[site] == pytest.approx(5.0 - 0.2 * (0.8 + BESIDE), abs=0.02)
    assert found[0, 0, 1] == pytest.approx(5.0 + 0.2 * (0.8 + BESIDE), abs=0.02)
    assert crest_levels(x, teeth, [plate, haze])[site] == pytest.approx(3.0, abs=0.02)


def test_plates_apart_meet_the_root_where_the_truth_says():
    off, apart = [], 0
    for seed in range(40):
        plan = mixed_layout(seed)
        plates = [s for s in plan.sheets if s.share >= COUNTS]
        for (t, r, k), level in plan.canvas.crest.items():
            root = plan.canvas.teeth[t].roots[r]
            at = float(root.edge(level, k)) + (2 * k - 1) * BESIDE
            levels = [float(np.interp(at, plan.canvas.x, s.margin)) for s in plates]
            off.append(abs(max(levels) - level))
            apart += max(levels) - min(levels) > 0.4
    assert apart > 60  # or nothing was tested
    assert np.quantile(off, 0.97) < 0.05


def _rises(phantom: Phantom, shift_mm: float) -> list[float]:
    """Grey 0.5 mm apical less coronal of easy truths moved apically, in SDs of the picture."""
    grey = phantom.image.pixels.astype(np.float32)
    grey = -grey if phantom.image.inverted else grey
    grey = cv2.GaussianBlur(grey, (0, 0), 2) / max(float(grey.std()), 1e-6)
    mm, found = phantom.calibration.row_mm, []
    for (number, name, side), at in phantom.truth.items():
        cejs = phantom.marks.of(tooth=number, root=name, landmark="cej")
        if phantom.traits[number, name, side] or len(cejs) < 2:
            continue
        apex = phantom.marks.of(tooth=number, root=name, landmark="apex")[0]
        own = next(c for c in cejs if c.side == side)
        other = next(c for c in cejs if c.side != side)
        down = np.array([apex.row, apex.col]) - np.mean([[c.row, c.col] for c in cejs], 0)
        down = down / np.linalg.norm(down)
        out = np.array([own.row - other.row, own.col - other.col])
        out = out - (out @ down) * down
        spot = np.array(at) + (0.45 * out / np.linalg.norm(out) + shift_mm * down) / mm
        pair = [np.round(spot + way * 0.5 / mm * down).astype(int) for way in (1, -1)]
        if all((p >= 0).all() and (p < grey.shape).all() for p in pair):
            found.append(float(grey[tuple(pair[0])] - grey[tuple(pair[1])]))
    return found


def test_grey_rises_apically_across_easy_truths():
    phantoms = [mixed_phantom(s) for s in range(100, 135)]
    here = [v for p in phantoms for v in _rises(p, 0.0)]
    deeper = [v for p in phantoms for v in _rises(p, 1.5)]
    assert len(here) >= 20
    assert np.mean(here) > 0.35
    assert np.mean(np.array(here) > 0.1) > 0.8
    assert np.mean(deeper) < 0.4 * np.mean(here)
