"""Opening: the scale and contrast napari's own readers would lose."""

import numpy as np
import pydicom
import pytest
from perioview_napari.convert import layer_from_image, local_contrast
from perioview_napari.reader import layers, reader
from perioview_napari.sample_data import sample_layers, sample_visit
from PIL import Image as PillowImage
from pydicom.data import get_testdata_file

from perioview.files.reading import read_image


def test_visit_opens_as_its_radiographs_with_the_scale_of_their_headers():
    folder = sample_visit()
    opened = reader(str(folder))(str(folder))
    assert len(opened) >= 3
    for _, kwargs, kind in opened:
        assert kind == "image"
        header = pydicom.dcmread(kwargs["metadata"]["perioview"]["path"], stop_before_pixels=True)
        said = header.get("PixelSpacing") or header.get("ImagerPixelSpacing")
        assert kwargs["units"] == (("mm", "mm") if said else ("pixel", "pixel"))
        # A magnification factor divides the detector's spacing (DICOM C.8.7.10).
        factor = float(header.get("EstimatedRadiographicMagnificationFactor") or 1)
        if said:
            factor = 1 if header.get("PixelSpacing") else factor
            assert kwargs["scale"] == pytest.approx([float(mm) / factor for mm in said])
    assert [kwargs.get("visible", True) for _, kwargs, _ in opened].count(True) == 1


@pytest.mark.parametrize("name", ["RG1_UNCR.dcm", "RG3_UNCR.dcm"])
def test_real_radiograph_without_usable_spacing_opens_in_pixels(name):
    # pydicom-data: RG1 has a spacing of 0.000, RG3 none.
    path = get_testdata_file(name)
    if path is None:
        pytest.skip(f"pydicom-data has no {name}")
    (data, kwargs, _), *_ = layers(path)
    assert kwargs["units"] == ("pixel", "pixel")
    assert kwargs["scale"] == (1.0, 1.0)
    low, high = kwargs["contrast_limits"]
    shown = np.clip((data - low) / (high - low), 0, 1)
    # Sane contrast: the middle half of the greys is neither all black nor all white.
    assert 0.02 < np.median(shown) < 0.98
    assert np.percentile(shown, 90) - np.percentile(shown, 10) > 0.2


def test_monochrome1_is_shown_dense_bright():
    image = read_image(get_testdata_file("RG3_UNCR.dcm"))
    _, kwargs, _ = layer_from_image(image, None)
    assert kwargs["colormap"] == ("gray_r" if image.inverted else "gray")


def test_photo_opens_in_colour_and_in_pixels(tmp_path):
    path = tmp_path / "mouth photo é.png"
    pixels = np.random.default_rng(1).integers(0, 255, (30, 40, 3), np.uint8)
    PillowImage.fromarray(pixels).save(path, dpi=(300, 300))
    (data, kwargs, _), *_ = layers(str(path))
    assert kwargs["rgb"]
    np.testing.assert_array_equal(data, pixels)
    # Print resolution is never a scale.
    assert kwargs["units"] == ("pixel", "pixel")


def test_what_is_not_there_is_left_to_others(tmp_path):
    assert reader(str(tmp_path)) is None
    assert reader(str(tmp_path / "none.dcm")) is None


def test_sample_entry_opens():
    assert sample_layers()


def test_local_contrast_leaves_the_image_alone():
    image = read_image(sample_layers()[0][1]["metadata"]["perioview"]["path"])
    before = image.pixels.copy()
    shown = local_contrast(image)
    np.testing.assert_array_equal(image.pixels, before)
    assert shown.shape == image.pixels.shape
    assert shown.std() > 0
