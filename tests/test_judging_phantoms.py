"""The judging phantoms: repeatable, whole, and true where their own pictures can be asked.

The methods they judge are not called here. Contract: crest and stain as in interfaces.md.
"""

import functools
import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))
from phantoms.scene import Phantom
from phantoms.traced_teeth import Root
from phantoms.traced_volume import traced_phantom
from plaque_phantoms import painted_tissue, spectral

SEEDS = (11, 12, 15, 33)


@functools.cache
def jaw(seed: int) -> Phantom:
    return traced_phantom(seed)


@functools.cache
def photo(seed: int, dye: str) -> painted_tissue.Scene:
    return painted_tissue.scene(seed, dye=dye, teeth=4, size=90)


def places(phantom, landmark):
    found = {}
    for m in phantom.marks:
        if m.landmark == landmark:
            found[(m.tooth, m.root, m.side)] = np.array([m.row, m.col])
    return found


def test_same_seed_same_radiograph_and_another_another():
    first, second = jaw(12), traced_phantom(12)
    assert np.array_equal(first.image.pixels, second.image.pixels)
    assert first.marks == second.marks and first.truth == second.truth
    assert first.truth != jaw(11).truth


@pytest.mark.parametrize("seed", SEEDS)
def test_radiograph_is_whole(seed):
    phantom = jaw(seed)
    rows, cols = phantom.image.pixels.shape
    mm = phantom.calibration.pitch[0]
    assert 9.5 <= cols * mm <= 20.5
    assert 0.02 <= mm <= 0.05
    apices, cejs = places(phantom, "apex"), places(phantom, "cej")
    assert set(phantom.traits) == set(phantom.truth)
    for (tooth, root, _), at in phantom.truth.items():
        assert 0 < at[0] < rows and 0 < at[1] < cols
        assert (tooth, root, None) in apices
        own = {side for t, _, side in cejs if t == tooth}
        assert own == {"mesial", "distal"}


@pytest.mark.parametrize("seed", SEEDS)
def test_crest_lies_between_cej_and_apex_beside_its_root(seed):
    phantom = jaw(seed)
    apices, cejs = places(phantom, "apex"), places(phantom, "cej")
    for (tooth, root, side), at in phantom.truth.items():
        ends = [cejs[k] for k in cejs if k[0] == tooth]
        across = ends[1] - ends[0]
        down = np.array([-across[1], across[0]]) / np.linalg.norm(across)
        apex = apices[(tooth, root, None)]
        down = down * np.sign((apex - ends[0]) @ down)
        depth, length = (np.array(at) - ends[0]) @ down, (apex - ends[0]) @ down
        # The contract's crest is apical to the CEJ here: no phantom has bone above it.
        assert 0 < depth < length
        opposite = {"mesial": "distal", "distal": "mesial"}[side]
        other = np.array(phantom.truth.get((tooth, root, opposite), apex))
        distal = next(cejs[k] for k in cejs if k[0] == tooth and k[2] == "distal")
        mesial = next(cejs[k] for k in cejs if k[0] == tooth and k[2] == "mesial")
        way = (distal - mesial) * (1 if side == "distal" else -1)
        assert (np.array(at) - other) @ way > 0


def test_picture_darkens_coronal_to_the_crest():
    """Beside the root more light passes above the crest than below: the picture, not its maker."""
    brighter = []
    for seed in SEEDS:
        phantom = jaw(seed)
        grey = phantom.image.pixels.astype(float)
        grey = grey.max() - grey if phantom.image.inverted else grey
        mm = phantom.calibration.pitch[0]
        apices, cejs = places(phantom, "apex"), places(phantom, "cej")
        for (tooth, root, side), at in phantom.truth.items():
            if (tooth, root, side) not in cejs:
                continue
            down = apices[(tooth, root, None)] - cejs[(tooth, root, side)]
            down /= np.linalg.norm(down)
            away = np.array([-down[1], down[0]])
            inside = np.mean([cejs[k] for k in cejs if k[0] == tooth], axis=0)
            away *= np.sign((cejs[(tooth, root, side)] - inside) @ away)
            levels = []
            for along in (0.4, -0.7):
                r, c = np.round(np.array(at) + (along * down + 0.5 * away) / mm).astype(int)
                n = max(1, int(0.12 / mm))
                levels.append(grey[r - n : r + n + 1, c - n : c + n + 1].mean())
            brighter.append(levels[0] > levels[1])
    assert len(brighter) >= 15
    assert np.mean(brighter) > 0.85


def test_root_surface_is_where_its_distance_is_zero():
    root = Root("single", 0.2, 1.3, 1.7, 11, 0.3, -0.2, 1.0, 0.4, 0.45, 3.0, 2.3, 0.2, (True, True))
    p, q, z = root.surface()
    for i, j in ((30, 5), (100, 40), (180, 77)):
        point = [np.array([[v[i, j]]], np.float32) for v in (p, q)]
        outer, _ = root.distances(*point, float(z[i, j]))
        assert abs(float(outer[0, 0])) < 0.02
    outside = np.array([[p[100, 0] + 0.25]], np.float32)
    outer, _ = root.distances(outside, np.array([[q[100, 0]]], np.float32), float(z[100, 0]))
    assert float(outer[0, 0]) == pytest.approx(0.25, abs=0.03)


def test_same_seed_same_photo():
    again = painted_tissue.scene(3, dye="two-tone", teeth=4, size=90)
    assert np.array_equal(photo(3, "two-tone").rgb, again.rgb)
    assert np.array_equal(photo(3, "two-tone").stained, again.stained)
    assert not np.array_equal(photo(4, "two-tone").rgb.shape, photo(3, "two-tone").rgb.shape)


@pytest.mark.parametrize("dye", ["one-tone", "two-tone"])
def test_photo_offers_what_the_other_generator_does(dye):
    scene = photo(3, dye)
    other = spectral.scene(1, dye=dye, teeth=2, size=50)
    assert set(vars(other)) <= set(scene.__dataclass_fields__)
    for name in ("regions", "stained", "older", "density", "brown"):
        assert getattr(scene, name).shape == scene.rgb.shape[:2]
        assert getattr(scene, name).dtype.kind == getattr(other, name).dtype.kind
    assert scene.rgb.dtype == np.uint8 and scene.gum in ("up", "down")
    assert set(scene.kinds) == set(np.unique(scene.regions).tolist()) - {0}
    on = scene.regions > 0
    assert not (scene.stained & ~on).any() and not (scene.glare & ~on).any()
    assert np.array_equal(scene.older | scene.newer, scene.stained)
    assert not (scene.older & scene.newer).any()
    assert scene.older.any() == (dye == "two-tone")


def test_stain_by_the_contract_can_be_read_off_two_noise_free_photos():
    """0.15 of log10 linear light between the photo with dye and the same mouth without."""
    plain = {"teeth": 4, "size": 90, "blur": 0.0, "noise": 0.0, "jpeg": 0, "glare": 0.0}
    scene = painted_tissue.scene(3, exposure=0.4, **plain)
    dense = scene.density > 0.3
    bare = (scene.density < 0.01) & (scene.regions > 0)
    srgb = scene.rgb / 255.0
    linear = np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)
    tint = np.log10(linear[..., 0] + 1e-3) - np.log10(linear[..., 1] + 1e-3)
    assert tint[dense & scene.stained].mean() > tint[bare].mean() + 0.2
    assert np.array_equal(scene.stained, (scene.density > 0.15) & (scene.regions > 0))


def test_clean_and_stained_mouths():
    clean = painted_tissue.scene(2, case="clean", teeth=3, size=70)
    full = painted_tissue.scene(2, case="all", teeth=3, size=70)
    assert not clean.stained.any()
    assert full.stained[full.regions > 0].mean() > 0.8
