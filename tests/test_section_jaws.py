"""The section generator's truth: repeatable, in the picture, beside its root, at the margin."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

sys.path.insert(0, str(Path(__file__).parent))

from phantoms.scene import Key, Phantom
from phantoms.section_beam import bone_paths
from phantoms.section_jaws import section_phantom
from phantoms.section_scene import SIDES, section_scene

from perioview.marks import check_marks


def _rise(phantom: Phantom, key: Key) -> float | None:
    """Grey just apical of a truth less grey just coronal of it, beside the root, over its SD."""
    tooth, root, side = key
    at = np.array(phantom.truth[key])
    other = np.array(phantom.truth[tooth, root, SIDES[1 - SIDES.index(side)]])
    apex = phantom.marks.of(tooth=tooth, root=root, landmark="apex")[0]
    down = np.array([apex.row, apex.col]) - (at + other) / 2
    down /= np.hypot(*down)
    out = at - other
    out -= (out @ down) * down
    out /= np.hypot(*out)
    grey = phantom.image.pixels.astype(float)
    grey = -grey if phantom.image.inverted else grey
    mm = phantom.calibration.col_mm
    means: list[NDArray[np.float64]] = []
    for way in (1, -1):
        along, aside = np.mgrid[0.25:0.7:8j, 0.4:0.7:5j] / mm
        where = at[:, None, None] + way * along * down[:, None, None]
        where = where + aside * out[:, None, None]
        if where.min() < 0 or (where.max((1, 2)) > np.array(grey.shape) - 1).any():
            return None
        means.append(map_coordinates(grey, where, order=1))
    return float((means[0].mean() - means[1].mean()) / max(grey.std(), 1e-9))


def test_same_seed_same_picture() -> None:
    one, two, three = (section_phantom(s) for s in (5, 5, 6))
    assert np.array_equal(one.image.pixels, two.image.pixels)
    assert one.truth == two.truth and one.marks == two.marks
    assert one.image.pixels.shape != three.image.pixels.shape or one.truth != three.truth


def test_marks_are_accepted_and_truth_lies_inside_beside_its_root() -> None:
    for seed in range(6):
        phantom = section_phantom(seed)
        rows, cols = phantom.image.pixels.shape
        check_marks(phantom.marks, phantom.image.species or "", rows, cols)
        for row, col in phantom.truth.values():
            assert 0 <= row <= rows - 1 and 0 <= col <= cols - 1
        scene = section_scene(np.random.default_rng([77, seed]))
        across, tilt = scene.beam
        for root in (r for t in scene.teeth for r in t.roots):
            for k, side in enumerate(SIDES):
                u, v = scene.crests[root.tooth, root.name, side]
                assert abs(u - root.outline(v, k, across, tilt)) < 0.05
                assert root.top - 1 < v < root.end + 1


def test_bone_begins_at_the_truth() -> None:
    rises = []
    for seed in range(100, 106):
        phantom = section_phantom(seed)
        easy = [k for k, traits in phantom.traits.items() if not traits]
        rises += [r for k in easy if (r := _rise(phantom, k)) is not None]
    assert len(rises) >= 15
    assert np.mean(rises) > 0.2 and np.mean(np.array(rises) > 0) > 0.85


def test_of_plates_apart_the_more_apical_margin_counts() -> None:
    off = []
    for seed in range(30):
        scene = section_scene(np.random.default_rng([77, seed]))
        ligament, halves = scene.jaw.ligament, scene.jaw.halves
        for root in (r for t in scene.teeth for r in t.roots):
            for k, side in enumerate(SIDES):
                u, v = scene.crests[root.tooth, root.name, side]
                beside = u + (2 * k - 1) * (ligament + 0.06)
                edges = [float(np.interp(beside, scene.u, h.margin)) for h in halves]
                if abs(edges[0] - edges[1]) > 1.0:
                    off.append(v - max(edges))
    assert len(off) >= 20
    # Bone half risen may lie a little apical of a slanting edge's own tip.
    assert np.abs(off).max() < 0.7 and np.mean(np.abs(off) < 0.2) > 0.8


def test_holes_are_left_for_the_roots() -> None:
    scene = section_scene(np.random.default_rng([77, 13]))
    bone, marrow = bone_paths(scene.jaw, scene.teeth, scene.u, scene.y, scene.beam[0])
    without, _ = bone_paths(scene.jaw, [], scene.u, scene.y, scene.beam[0])
    assert (bone <= without + 1e-6).all() and (marrow <= bone + 1e-9).all()
    root = scene.teeth[0].roots[0]
    level = (scene.crests[root.tooth, root.name, "mesial"][1] + root.end) / 2
    row = int(np.searchsorted(scene.y, level))
    middle = (root.outline(level, 0, *scene.beam) + root.outline(level, 1, *scene.beam)) / 2
    col = int(np.searchsorted(scene.u, middle))
    assert bone[row, col] < 0.9 * without[row, col]
