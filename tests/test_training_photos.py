"""Photographs the networks are trained on: the same for the same seed, and true to themselves."""

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))
from plaque_phantoms import lit_mouths

SEEDS = range(4)


@pytest.mark.parametrize("dye", ["one-tone", "two-tone"])
def test_fields_agree_with_each_other(dye):
    for seed in SEEDS:
        scene = lit_mouths.scene(seed, dye=dye, teeth=4, size=80)
        shape = scene.regions.shape
        assert scene.rgb.shape == (*shape, 3)
        assert scene.rgb.dtype == np.uint8
        assert scene.regions.dtype == np.uint16
        assert set(scene.kinds) == set(np.unique(scene.regions[scene.regions > 0]))
        assert (
            scene.density.shape == scene.extra["age"].shape == scene.extra["brown"].shape == shape
        )
        assert 0 <= scene.density.min() <= scene.density.max() <= 2.01
        assert not scene.density[scene.regions == 0].any()
        assert (scene.stained == (scene.density > 0.15)).all()
        assert not (scene.older & ~scene.stained).any()
        assert (dye == "two-tone") or not scene.older.any()
        assert 0 <= scene.extra["age"].min() <= scene.extra["age"].max() <= 1
        assert scene.gum in ("up", "down", "left", "right")


def test_a_seed_makes_one_photo():
    first, again = (lit_mouths.scene(7, dye="two-tone", teeth=3, size=80) for _ in range(2))
    other = lit_mouths.scene(8, dye="two-tone", teeth=3, size=80)
    np.testing.assert_array_equal(first.rgb, again.rgb)
    np.testing.assert_array_equal(first.density, again.density)
    assert first.rgb.shape != other.rgb.shape or (first.rgb != other.rgb).any()


def test_without_dye_there_is_no_density():
    for seed in SEEDS:
        kinds = dict.fromkeys(range(5), "clean")
        assert not lit_mouths.scene(seed, teeth=5, size=80, kinds=kinds).density.any()


def test_dye_darkens_the_photo_where_it_is_said_to_lie():
    """Of one tooth, strongly dyed points against points without, in the most absorbed channel."""
    darker = []
    for seed in range(12):
        scene = lit_mouths.scene(seed, teeth=4, size=90, kinds=dict.fromkeys(range(4), "patches"))
        for tooth in scene.kinds:
            own = scene.density[scene.regions == tooth]
            levels = scene.rgb[scene.regions == tooth].astype(float)
            dyed, free = own > 0.4, own < 0.03
            if min(dyed.sum(), free.sum()) >= 100:
                drop = np.median(levels[free], axis=0) - np.median(levels[dyed], axis=0)
                darker.append(drop.max() > 10)
    assert len(darker) >= 6
    assert np.mean(darker) > 0.8


def test_training_photos_know_nothing_of_those_that_judge():
    judging = ("spectral", "painted_", "glazed_", "mouth_")
    code = (
        "import sys; sys.path.insert(0, 'tests'); sys.path.insert(0, 'tests/benchmarks')\n"
        "import train_outline, train_plaque, numpy as np\n"
        "for n in range(12):\n"
        "    train_plaque.varied(np.random.default_rng(n), n)\n"
        "    train_outline.varied(np.random.default_rng(n), n)\n"
        "print(*[m for m in sys.modules if m.startswith('plaque_phantoms.')])"
    )
    root = Path(__file__).parents[1]
    run = subprocess.run(
        [sys.executable, "-c", code], cwd=root, capture_output=True, text=True, check=True
    )
    loaded = [name.split(".")[1] for name in run.stdout.split()]
    assert "lit_mouths" in loaded
    assert not [name for name in loaded if name.startswith(judging)]
