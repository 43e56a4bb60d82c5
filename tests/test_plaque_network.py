"""The trained correction of dye density: its layers against scipy, and what it is good for."""

import sys
from pathlib import Path

import numpy as np
import pytest
from scipy.ndimage import correlate

from perioview import plaque_network as net

sys.path.insert(0, str(Path(__file__).parent))


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
