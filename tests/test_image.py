"""Images and how they are shown: bright is dense, whatever the file's convention."""

import numpy as np
import pytest

from perioview.image import FileSpacing, Image, display, display_limits, grey


def image(pixels, **more):
    return Image(np.asarray(pixels), "x.dcm", "0" * 64, **more)


def test_rows_and_columns_of_grey_and_colour():
    assert (image(np.zeros((3, 5))).rows, image(np.zeros((3, 5))).cols) == (3, 5)
    colour = image(np.zeros((3, 5, 3), np.uint8))
    assert (colour.rows, colour.cols, colour.colour) == (3, 5, True)


def test_window_maps_its_ends_to_black_and_white():
    shown = display(image([[0.0, 100.0], [200.0, 300.0]], window=(100.0, 200.0)))
    assert shown.tolist() == [[0, 0], [255, 255]]
    assert shown.dtype == np.uint8


def test_monochrome1_is_turned_over_so_that_dense_is_bright():
    values = np.array([[0, 50], [75, 100]], np.uint16)
    plain = display(image(values, window=(0.0, 100.0)))
    turned = display(image(values, window=(0.0, 100.0), inverted=True))
    assert plain.tolist() == [[0, 128], [191, 255]]
    assert (plain.astype(int) + turned == 255).all()


def test_without_a_window_a_hot_pixel_does_not_darken_the_rest():
    values = np.linspace(0, 1000, 10_000).reshape(100, 100)
    values[3, 3] = 65535
    low, high = display_limits(image(values))
    # The 0.5 and 99.5 percentiles of a ramp from 0 to 1000.
    assert low == pytest.approx(5, abs=1) and high == pytest.approx(995, abs=1)


@pytest.mark.parametrize(
    "window",
    [(5000.0, 9000.0), (np.nan, 10.0), (7.0, 7.0), (9.0, 1.0), (0.0, 1e9), (50.0, 50.001)],
)
def test_absurd_windows_are_not_used(window):
    values = np.linspace(0, 1000, 10_000).reshape(100, 100)
    assert display_limits(image(values, window=window)) == display_limits(image(values))


def test_a_narrow_window_that_holds_the_object_is_used():
    # As of a head: most of the range is air and bone, the window holds what matters.
    values = np.concatenate(
        [np.full(4000, -1000.0), np.full(1000, 1500.0), np.linspace(0, 80, 5000)]
    )
    window = (0.0, 80.0)
    assert display_limits(image(values.reshape(100, 100), window=window)) == window


@pytest.mark.parametrize("value", [0, 7, 65535])
def test_a_flat_image_shows_without_a_fault(value):
    assert display(image(np.full((4, 4), value, np.uint16))).shape == (4, 4)


def test_mostly_flat_image_still_shows_its_one_object():
    values = np.zeros((100, 100), np.uint16)
    values[:3, :3] = 500
    assert display(image(values))[0, 0] == 255


def test_colours_become_grey_by_their_luma():
    pixels = np.array([[[255, 255, 255], [0, 255, 0]], [[255, 0, 0], [0, 0, 255]]], np.uint8)
    # ITU-R BT.709: 0.2126, 0.7152, 0.0722.
    assert grey(image(pixels)).ravel() == pytest.approx([255, 182.376, 54.213, 18.411], abs=1e-3)
    assert display(image(pixels)).ravel().tolist() == [255, 182, 54, 18]


def test_images_cannot_be_changed_and_say_nothing_that_they_do_not_know():
    made = image(np.zeros((2, 2)))
    with pytest.raises(AttributeError):
        made.name = "other"
    assert made.spacing == FileSpacing()
    assert (made.window, made.species, made.modality, dict(made.attributes)) == (None,) * 3 + ({},)
