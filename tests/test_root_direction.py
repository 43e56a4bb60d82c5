"""Which way roots point, on a picture drawn so that it is known, and on generator A's phantoms."""

import numpy as np
import pytest

from perioview.calibration import Calibration
from perioview.image import Image
from perioview.root_direction import root_direction
from tests.phantoms.thickness_maps import thickness_phantom

SCALE = Calibration(0.02, 0.02, 0.0, "given", (), 1.0)


def film(turned=False, inverted=False):
    """A bright tooth across the middle, bone below its neck, air above."""
    grey = np.full((400, 400), 20, np.uint8)
    grey[200:] = 120
    grey[60:360, 150:250] = 200
    if turned:
        grey = grey[::-1].copy()
    return Image(255 - grey if inverted else grey, "film.png", "0" * 64, inverted=inverted)


@pytest.mark.parametrize("inverted", [False, True])
def test_roots_point_into_the_bone(inverted):
    # Normal of (row, col) difference (0, 100) is (-100, 0): upward.
    assert root_direction(film(inverted=inverted), (200, 150), (200, 250), SCALE) == -1
    assert root_direction(film(inverted=inverted), (200, 250), (200, 150), SCALE) == 1
    assert root_direction(film(True, inverted), (199, 150), (199, 250), SCALE) == 1


def test_nothing_is_said_where_nothing_is_seen():
    even = Image(np.full((400, 400), 90, np.uint8), "film.png", "0" * 64)
    assert root_direction(even, (200, 150), (200, 250), SCALE) == 0
    assert root_direction(film(), (200, 150), (200, 150), SCALE) == 0
    assert root_direction(film(), (5, 150), (5, 250), SCALE) == 0


def test_phantoms():
    said = []
    for seed in range(7000, 7006):
        phantom = thickness_phantom(seed)
        for tooth in phantom.marks.teeth():
            mesial = phantom.marks.of(tooth=tooth, landmark="cej", side="mesial")
            distal = phantom.marks.of(tooth=tooth, landmark="cej", side="distal")
            apex = phantom.marks.of(tooth=tooth, landmark="apex")
            if not (mesial and distal and apex):
                continue
            a, b, c = (np.array((m[0].row, m[0].col)) for m in (mesial, distal, apex))
            way = root_direction(phantom.image, tuple(a), tuple(b), phantom.calibration)
            normal = np.array([-(b - a)[1], (b - a)[0]])
            said.append(way * np.sign((c - (a + b) / 2) @ normal))
    assert len(said) >= 8
    assert np.mean(np.array(said) > 0) >= 0.85 and np.mean(np.array(said) < 0) <= 0.1
