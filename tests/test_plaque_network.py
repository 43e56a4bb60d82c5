"""The trained correction of dye density: its layers against scipy, and what it is good for."""

import sys
from pathlib import Path

import numpy as np
import pytest
from scipy.ndimage import correlate

from perioview import plaque_network as net
from perioview.image import Image
from perioview.plaque import plaque

sys.path.insert(0, str(Path(__file__).parent))
from plaque_phantoms import six_bands, varied_mouths


def test_convolution_against_scipy_analytic():
    rng = np.random.default_rng(3)
    x = rng.normal(size=(2, 6, 5, 3)).astype(np.float32)
    kernel = rng.normal(size=(3, 3, 3, 4)).astype(np.float32)
    bias = rng.normal(size=4).astype(np.float32)
    found = net._conv(x, {"a.weight": kernel.reshape(-1, 4), "a.bias": bias}, "a")
    for n in range(2):
        for out in range(4):
            parts = [
                correlate(x[n, ..., c], kernel[..., c, out], mode="constant") for c in (0, 1, 2)
            ]
            np.testing.assert_allclose(found[n, ..., out], sum(parts) + bias[out], atol=1e-4)


def test_small_tooth_averages_only_what_is_free():
    rgb = np.full((64, 96, 3), 200, np.uint8)
    region = np.ones((64, 96), bool)
    glare = np.zeros_like(region)
    glare[:, :48:2] = True
    rgb[glare] = 255
    region[:, 90:] = False
    rgb[~region] = 10
    mean, free, whole = net.small_tooth(rgb, region, glare)
    assert mean.shape == (net.GRID, net.GRID, 3)
    inside = whole == 1
    assert np.abs(mean[inside].astype(int) - 200).max() <= 2
    assert free[inside][:,].min() == pytest.approx(1 / 3, abs=0.01)
    assert free[:, -2:].max() == 0


def looks(seed=4):
    """Three teeth of noise, as the network sees them."""
    rng = np.random.default_rng(seed)
    seen = {}
    for tooth in (104, 105, 106):
        planes = rng.normal(0.3, 0.5, (net.GRID, net.GRID, 10)).astype(np.float32)
        planes[..., :2] = 1
        seen[tooth] = net.Seen(planes, rng.normal(size=15).astype(np.float32))
    return seen


def test_teeth_are_seen_together_in_any_order():
    seen = looks()
    turned = dict(reversed(seen.items()))
    first, second = net.corrections(seen, 0.3), net.corrections(turned, 0.3)
    alone = net.corrections({104: seen[104]}, 0.3)
    for tooth in seen:
        np.testing.assert_allclose(first[tooth].offset, second[tooth].offset, atol=1e-5)
    assert np.abs(first[104].offset - alone[104].offset).max() > 1e-4


def test_no_correction_where_no_dye_shows():
    for found in net.corrections(looks(), 0.005).values():
        assert not found.gain.any()
        assert not found.offset.any()
        assert found.sd.min() > 0


def test_correction_helps_where_hue_alone_errs(monkeypatch):
    # Generators C and D (both used in training, other seeds): older stain over brown, shade.
    scenes = [six_bands.scene(seed, dye="two-tone", tooth_px=90) for seed in (70, 71, 72)]
    scenes += [varied_mouths.scene(seed, dye="two-tone", teeth=5) for seed in (70, 71, 72)]

    def errors():
        found = []
        for scene in scenes:
            photo = Image(scene.rgb, "p", "0")
            for tooth in plaque(photo, scene.regions, dye="two-tone", gum="up").teeth:
                truth = 100 * scene.stained[scene.regions == tooth.tooth].mean()
                found.append(abs(tooth.coverage.value - truth))
        return np.array(found)

    corrected = errors()
    monkeypatch.setattr("perioview.plaque.corrections", lambda seen, shown: {})
    optics = errors()
    assert np.nanmean(corrected) < 0.9 * np.nanmean(optics)


def test_training_phantom_is_repeatable_and_whole():
    first, again = (varied_mouths.scene(9, dye="two-tone", teeth=3, size=80) for _ in range(2))
    other = varied_mouths.scene(10, dye="two-tone", teeth=3, size=80)
    assert np.array_equal(first.rgb, again.rgb)
    assert first.rgb.shape != other.rgb.shape or not np.array_equal(first.rgb, other.rgb)
    assert len(np.unique(first.regions)) == 4
    assert not first.density[first.regions == 0].any()
    assert np.array_equal(first.stained, first.density > 0.15)
    assert not (first.older & ~first.stained).any()
