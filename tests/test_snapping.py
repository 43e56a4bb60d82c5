"""Marks that settle on edges: analytic edges at known places between pixels, and noise."""

import math

import numpy as np
import pytest

from perioview.calibration import Calibration
from perioview.image import Image
from perioview.snapping import settled

SCALE = Calibration(0.02, 0.02, 0.0, "given", (), 1.0)
AXIS = ((40.0, 100.0), (190.0, 100.0))  # straight down


def picture(pixels, inverted=False):
    return Image(np.asarray(pixels), "film.png", "0" * 64, inverted=inverted)


def edge(angle, offset=0.0, noise=0.0, rise=1.0):
    """A blurred straight edge through (100 + offset, 100), turned by `angle` degrees."""
    from scipy.special import erf

    row, col = np.mgrid[:200, :200].astype(float)
    a = math.radians(angle)
    across = (row - 100 - offset) * math.cos(a) + (col - 100) * math.sin(a)
    grey = 2000 + 800 * rise * erf(across / (2 * math.sqrt(2)))
    grey += np.random.default_rng(3).normal(0, noise, grey.shape)
    return grey.astype(np.float32)


@pytest.mark.parametrize("angle", [0, 20, -35])
@pytest.mark.parametrize("offset", [0.0, 0.25, 0.6])
@pytest.mark.parametrize("noise", [0, 60])
def test_settles_on_the_edge_between_pixels(angle, offset, noise):
    row, col = settled(
        picture(edge(angle, offset, noise)), (106.0, 103.0), "crest", SCALE, axis=AXIS
    )
    a = math.radians(angle)
    # The straight edge is the analytic truth: distance of the settled mark from its line.
    apart = (row - 100 - offset) * math.cos(a) + (col - 100) * math.sin(a)
    assert abs(apart) < (0.15 if noise == 0 else 0.6)
    # Straight along the root: as far beside it as the hand put it.
    assert col == pytest.approx(103.0, abs=1e-9)


@pytest.mark.parametrize("tilt", [-40, 15, 70])
@pytest.mark.parametrize("pitch", [(0.02, 0.02), (0.015, 0.03)])
def test_a_crest_moves_along_the_roots_own_axis_and_a_cej_across_it(tilt, pitch):
    """However the root lies in the image; in mm, where pixels are not square."""
    rows, cols = (np.arange(400) - 200) * pitch[0], (np.arange(300) - 150) * pitch[1]
    y, x = np.meshgrid(rows, cols, indexing="ij")
    t = math.radians(tilt)
    along, across = y * math.cos(t) + x * math.sin(t), x * math.cos(t) - y * math.sin(t)
    scale = Calibration(*pitch, 0.0, "given", (), pitch[0] / pitch[1])
    axis = ((200.0, 150.0), (200 + math.cos(t) / pitch[0], 150 + math.sin(t) / pitch[1]))
    start = (200 + 0.3 / pitch[0], 150.0)  # 0.3 mm down the image
    was = 0.3 * math.cos(t), -0.3 * math.sin(t)
    for landmark, depth, level in (("crest", along, 0), ("cej", across, 1)):
        # An edge through the middle, 25 degrees off a right angle to the way the mark may go.
        skew = math.radians(25)
        aside = across if level == 0 else along
        grey = 2000 + 800 * np.tanh((depth * math.cos(skew) + aside * math.sin(skew)) / 0.04)
        row, col = settled(picture(grey), start, landmark, scale, axis=axis)
        y1, x1 = (row - 200) * pitch[0], (col - 150) * pitch[1]
        now = y1 * math.cos(t) + x1 * math.sin(t), x1 * math.cos(t) - y1 * math.sin(t)
        off = now[level] * math.cos(skew) + now[1 - level] * math.sin(skew)
        assert off == pytest.approx(0, abs=0.004), landmark  # on the edge
        assert now[1 - level] == pytest.approx(was[1 - level], abs=1e-6), landmark  # no slide


def test_crest_gets_denser_toward_the_apex_and_inverted_files_too():
    falling = edge(0, rise=-1.0)
    assert settled(picture(falling), (104.0, 100.0), "crest", SCALE, axis=AXIS) is None
    assert settled(picture(falling, inverted=True), (104.0, 100.0), "crest", SCALE, axis=AXIS)
    # An outline runs along the root, so a level edge is none of its.
    assert settled(picture(falling), (104.0, 100.0), "cej", SCALE, axis=AXIS) is None
    assert settled(picture(edge(90)), (104.0, 104.0), "cej", SCALE, axis=AXIS)
    assert settled(picture(edge(90)), (104.0, 104.0), "cej", SCALE)


def test_stays_where_there_is_no_edge_within_the_radius():
    noise = np.random.default_rng(1).normal(2000, 100, (200, 200)).astype(np.float32)
    found = [
        settled(picture(noise), (float(r), float(c)), "cej", SCALE)
        for r in range(40, 160, 30)
        for c in range(40, 160, 30)
    ]
    assert sum(f is not None for f in found) <= 1
    assert settled(picture(edge(0)), (140.0, 100.0), "crest", SCALE, axis=AXIS) is None
    assert settled(picture(edge(0)), (140.0, 100.0), "crest", SCALE, radius_mm=0.9, axis=AXIS)
    assert settled(picture(edge(0)), (104.0, 100.0), "apex", SCALE, axis=AXIS) is None
    assert settled(picture(np.full((200, 200), 7, np.uint8)), (50.0, 50.0), "cej", SCALE) is None


def test_oblong_pixels_and_no_scale():
    oblong = Calibration(0.01, 0.02, 0.0, "given", (), 0.5)
    row, _ = settled(picture(edge(0, 0.4)), (110.0, 100.0), "crest", oblong, axis=AXIS)
    assert row == pytest.approx(100.4, abs=0.2)
    bare = Calibration(None, None, None, "none")
    row, _ = settled(picture(edge(0, 0.4)), (108.0, 100.0), "crest", bare, axis=AXIS)
    assert row == pytest.approx(100.4, abs=0.2)
    assert settled(picture(edge(0)), (114.0, 100.0), "crest", bare, axis=AXIS) is None


def test_at_the_rim_of_the_image():
    assert settled(picture(edge(0)[98:]), (0.0, 100.0), "cej", SCALE) is not None
    assert settled(picture(edge(0)[:3]), (1.0, 100.0), "cej", SCALE) is None
    colour = np.repeat(np.clip(edge(90) / 16, 0, 255).astype(np.uint8)[..., None], 3, 2)
    assert settled(picture(colour), (100.0, 103.0), "cej", SCALE) is not None
