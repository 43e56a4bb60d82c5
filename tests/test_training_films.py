"""The training generator H: repeatable, whole, true where its own pictures can be asked."""

from __future__ import annotations

import ast
from pathlib import Path

import numpy as np
import pytest

from perioview.proposals_frame import side_frames
from perioview.proposals_strip import LANES, dense_high, straightened
from tests.phantoms.jaw_model import Jaw, jaw, jaw_phantom

PHANTOMS = Path(__file__).parent / "phantoms"
JUDGES = ("oblique_layers", "painted", "profile_film")  # and all of traced_* and film_*


@pytest.fixture(scope="module")
def jaws() -> list[Jaw]:
    return [jaw(seed) for seed in range(30)]


def test_a_seed_is_one_picture() -> None:
    one, again, other = jaw_phantom(3), jaw_phantom(3), jaw_phantom(4)
    np.testing.assert_array_equal(one.image.pixels, again.image.pixels)
    assert one.truth == again.truth
    assert one.marks == again.marks
    assert one.truth != other.truth


def test_every_marked_side_has_a_truth_inside_the_picture(jaws: list[Jaw]) -> None:
    for drawn in jaws:
        phantom = drawn.phantom
        frames = side_frames(phantom.marks, phantom.calibration, "dog")
        assert {(f.tooth, f.root, f.side) for f in frames} == set(phantom.truth)
        assert 6 <= len(phantom.truth) <= 16
        rows, cols = phantom.image.pixels.shape
        for row, col in phantom.truth.values():
            assert 0 <= row <= rows - 1
            assert 0 <= col <= cols - 1


def test_bone_of_sound_furcations_reaches_the_roof(jaws: list[Jaw]) -> None:
    depths = []
    for drawn in jaws:
        for tooth in (t for t in drawn.teeth if t.known and len(t.ends) == 2):
            for root, side, k in ((tooth.ends[0], "distal", 1), (tooth.ends[1], "mesial", 0)):
                key = (tooth.number, root.name, side)
                if "sound_furcation" in drawn.phantom.traits[key]:
                    at = np.array(drawn.phantom.truth[key])
                    roof = np.array(drawn.place(root.edge(tooth.roof, k), tooth.roof))
                    down = np.array(drawn.place(root.edge(root.end, k), root.end)) - roof
                    mm = drawn.phantom.calibration.pitch[0]
                    depths.append(mm * float((at - roof) @ down / np.hypot(*down)))
    assert len(depths) > 40
    assert np.median(depths) < 1.0
    assert np.quantile(depths, 0.95) < 1.6
    assert min(depths) > -0.1


def test_bone_is_denser_apical_to_the_truth(jaws: list[Jaw]) -> None:
    rises = []
    for drawn in jaws:
        phantom = drawn.phantom
        pixels = dense_high(phantom.image)
        for frame in side_frames(phantom.marks, phantom.calibration, "dog"):
            at, _ = frame.along_out(*phantom.truth[frame.tooth, frame.root, frame.side])
            strip = straightened(pixels, frame)
            beside = strip.grey[:, (LANES > 0.25) & (LANES < 1.0)]
            apical = beside[(strip.along > at + 0.2) & (strip.along < at + 1.0)]
            coronal = beside[(strip.along < at - 0.2) & (strip.along > at - 1.0)]
            if np.isfinite(apical).any() and np.isfinite(coronal).any():
                rises.append(float(np.nanmean(apical) - np.nanmean(coronal)))
    assert len(rises) > 250
    assert np.mean(rises) > 0.1
    assert np.mean(np.array(rises) > 0) > 0.8


def test_independent_of_the_judging_generators() -> None:
    seen, waiting = set(), ["jaw_model"]
    while waiting:
        name = waiting.pop()
        seen.add(name)
        for node in ast.walk(ast.parse((PHANTOMS / f"{name}.py").read_text())):
            if isinstance(node, ast.ImportFrom) and node.level == 1:
                waiting += [m for m in [str(node.module)] if m not in seen]
    assert "jaw_bone" in seen
    assert not seen & set(JUDGES)
    assert not [name for name in seen if name.startswith(("traced_", "film_"))]
