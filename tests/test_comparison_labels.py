"""Words on pictures of a comparison: readable in print, beside the teeth, never on them."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from perioview.alignment import Alignment
from perioview.comparison_labels import COLUMN_MM, LEAST_PT, labelled, line_px, type_for
from perioview.comparison_pictures import photos_side_by_side, side_by_side
from perioview.comparison_room import label_places
from perioview.subtraction import difference

STILL = Alignment(np.eye(3), 0.1, 100)
GUM = (150, 60, 70)


def crowns(rows: int, cols: int, count: int, top: float = 0.45) -> np.ndarray:
    """Crowns side by side from one edge of a photo to the other; Triadan numbers."""
    regions = np.zeros((rows, cols), np.uint16)
    wide = cols / count
    for n in range(count):
        left, right = round(n * wide + 0.06 * wide), round((n + 1) * wide - 0.06 * wide)
        regions[round(top * rows) : round((top + 0.35) * rows), left:right] = 301 + n
    return regions


def photo(rows: int, cols: int) -> np.ndarray:
    return np.full((rows, cols, 3), GUM, np.uint8)


def letters_of(bar: np.ndarray) -> float:
    """Height of the capitals in a line of letters on black, px: of its highest column."""
    lit = bar.max(axis=2) > 127
    rows = np.flatnonzero(lit.any(axis=1))
    return float(rows[-1] - rows[0] + 1)


@pytest.mark.parametrize("cols", [200, 640, 900, 1500, 4000, 6000])
def test_letters_are_of_seven_points_at_least_in_print(cols: int) -> None:
    letters = type_for(cols)
    canvas = np.zeros((round(3 * letters.capital_px), cols, 3), np.uint8)
    letters.write(canvas, "H", 4, round(2 * letters.capital_px))
    points = letters_of(canvas) / cols * COLUMN_MM / 25.4 * 72 / 0.72
    assert points >= LEAST_PT
    # On a small picture they are as large as a screen asks for, else hardly larger.
    assert points < 8.5 or letters_of(canvas) <= 11
    assert line_px(cols, 0.18) / cols * COLUMN_MM < 0.3 or line_px(cols, 0.18) == 1


@pytest.mark.parametrize("shape", [(300, 400), (600, 900), (1800, 2400), (1200, 800)])
def test_captions_are_of_seven_points_at_least(shape: tuple[int, int]) -> None:
    grey = np.random.default_rng(0).normal(120, 20, shape).astype(np.float32)
    film = side_by_side(difference(grey, grey, STILL), grey)
    pair = photos_side_by_side(photo(*shape), photo(*shape), STILL)
    for picture, count in ((film, 3), (pair, 2)):
        scaled = min(shape[1], 900) / shape[1]
        bar = picture[: len(picture) - round(shape[0] * scaled)]
        first = bar[:, : picture.shape[1] // count]
        # "earlier" and "before" both reach from the foot of the line to a high letter.
        points = letters_of(first) / picture.shape[1] * COLUMN_MM / 25.4 * 72 / 0.76
        assert points >= LEAST_PT


@pytest.mark.parametrize(
    ("rows", "cols", "count"), [(760, 1500, 5), (300, 560, 3), (3000, 4000, 9), (500, 900, 11)]
)
def test_no_label_covers_a_tooth(rows: int, cols: int, count: int) -> None:
    regions = crowns(rows, cols, count)
    labels = {301 + n: (str(301 + n), f"{7 * n} % left") for n in range(count)}
    before = photo(rows, cols)
    after = labelled(before, regions, labels, cols)
    assert after.shape[1] == cols and len(after) >= rows
    rim = 3 * line_px(cols, 0.18) + 2
    inner = cv2.erode((regions > 0).astype(np.uint8), np.ones((2 * rim + 1, 2 * rim + 1))) > 0
    # The eroded crown leaves out the end of the line that points at it.
    assert inner.any() and (after[:rows][inner] == before[inner]).all()
    chips = (after == 20).all(axis=2).astype(np.uint8)
    _, _, stats, _ = cv2.connectedComponentsWithStats(chips, connectivity=4)
    # Each label is a piece of its own, larger than the inside of any letter.
    least = 4 * type_for(cols).capital_px ** 2
    assert (stats[1:, cv2.CC_STAT_AREA] > least).sum() == count


def test_teeth_that_fill_the_photo_are_named_below_it() -> None:
    regions = np.full((200, 900), 308, np.uint16)
    after = labelled(photo(200, 900), regions, {308: ("308", "12 %")}, 900)
    assert len(after) > 200 and (after[205:] != 0).any()


def test_a_region_of_one_pixel_beside_a_larger_tooth_has_its_label() -> None:
    # In the coarser grid in which places are sought, its square is the neighbour's too.
    regions = np.zeros((300, 2000), np.uint16)
    regions[100:200, 600:1200] = 308
    regions[100, 600] = 307
    places, rows = label_places(regions, {307: (60, 90), 308: (60, 90)}, 8, (photo(300, 2000),))
    assert set(places) == {307, 308} and rows == 300


def test_teeth_that_nobody_outlined_stay_free_where_there_is_room() -> None:
    regions = np.zeros((600, 900), np.uint16)
    regions[250:330, 400:500] = 308
    picture = photo(600, 900)
    # Enamel above the tooth, gum below it.
    picture[60:245, 300:600] = (235, 225, 205)
    after = labelled(picture, regions, {308: ("308", "12 %")}, 900)
    assert (after[60:245, 300:600] == picture[60:245, 300:600]).all()
    turned = labelled(picture[::-1], regions[::-1], {308: ("308", "12 %")}, 900)[::-1]
    assert (turned[60:245, 300:600] == picture[60:245, 300:600]).all()


def test_both_photos_are_labelled_alike() -> None:
    regions = crowns(400, 900, 4)
    shares = {301: (5.0, 100.0), 302: (math.nan, 3.0), 303: (100.0, 0.0), 304: (1.0, math.nan)}
    picture = photos_side_by_side(photo(400, 900), photo(400, 900), STILL, (regions, shares))
    # Below the captions: the first row and column of each label in either photo.
    chips = [
        cv2.connectedComponentsWithStats((part == 20).all(axis=2).astype(np.uint8))[2]
        for part in (picture[-400:, :898], picture[-400:, 900:1798])
    ]
    boxes = [{tuple(s[:4]) for s in part[1:] if s[4] > 500} for part in chips]
    assert boxes[0] == boxes[1] and len(boxes[0]) == 4
