"""Scale: the standard's rules for spacing, and foreshortened rulers."""

import math

import numpy as np
import pytest

from perioview.calibration import calibration
from perioview.errors import InputRefused
from perioview.geometry import ruler_scale
from perioview.image import FileSpacing, Image
from perioview.marks import Mark, Marks


def image(modality="DX", shape=(100, 120), **tags):
    return Image(np.zeros(shape, np.uint8), "x.dcm", "0" * 64, modality, FileSpacing(**tags))


P, D = (0.03, 0.03), (0.032, 0.032)


@pytest.mark.parametrize(
    ("tags", "method", "sd", "col"),
    [
        (
            {"pixel_spacing": P, "calibration_type": "FIDUCIAL"},
            "pixel_spacing_calibrated", 0.02, 0.03,
        ),
        ({"pixel_spacing": P, "imager_pixel_spacing": D}, "pixel_spacing_calibrated", 0.02, 0.03),
        ({"pixel_spacing": D, "imager_pixel_spacing": D}, "imager_pixel_spacing", 0.05, 0.032),
        (
            {"imager_pixel_spacing": D, "magnification": 1.05},
            "imager_pixel_spacing_demagnified", 0.02, 0.032 / 1.05,
        ),
        ({"imager_pixel_spacing": D, "magnification": 0.9}, "imager_pixel_spacing", 0.05, 0.032),
        ({"imager_pixel_spacing": D}, "imager_pixel_spacing", 0.05, 0.032),
        ({"pixel_spacing": P}, "pixel_spacing", 0.05, 0.03),
        ({"pixel_spacing": (0.0, 0.0)}, "none", None, None),
        ({"pixel_spacing": (-0.03, 0.03)}, "none", None, None),
        ({"pixel_spacing": (33.333, 33.333)}, "none", None, None),
        ({"nominal_spacing": P}, "none", None, None),
        ({}, "none", None, None),
    ],
)  # fmt: skip
def test_spacing_rules_ps3_3_section_10_7(tags, method, sd, col):
    """DICOM PS3.3 10.7.1.1 (which spacing means what); the SDs are our convention."""
    found = calibration(image(**tags))
    assert (found.method, found.relative_sd) == (method, sd)
    assert found.col_mm == (None if col is None else pytest.approx(col))
    assert found.notes


def test_worked_magnification():
    """facts 9 no. 29: imager spacing 0.1 mm, factor 1.05: 0.095238 mm."""
    found = calibration(image(imager_pixel_spacing=(0.1, 0.1), magnification=1.05))
    assert found.col_mm == pytest.approx(0.095238, abs=1e-6)


def test_receptor_of_310_mm_is_absurd_iso3665():
    """ISO 3665 (from memory): size 2 is 31 x 41 mm; 1550 x 2050 px of 0.2 mm cannot be."""
    found = calibration(image("IO", (1550, 2050), pixel_spacing=(0.2, 0.2)))
    assert found.method == "none" and "cannot be" in found.notes[0]


def test_given_keeps_the_files_ratio():
    found = calibration(image(pixel_spacing=(0.2, 0.1)), mm_per_px=0.05)
    assert (found.row_mm, found.col_mm, found.relative_sd) == (pytest.approx(0.1), 0.05, 0)
    assert calibration(image(aspect_ratio=1.5)).ratio == 1.5


@pytest.mark.parametrize("value", [0.0, -1.0, math.nan, math.inf])
def test_given_nonsense_is_refused(value):
    with pytest.raises(InputRefused, match="mm-per-px"):
        calibration(image(), mm_per_px=value)


def probe(tilt_deg, distances=(0, 3, 6, 9, 12), mm_px=0.03, source_mm=250.0):
    """Image of a probe tilted toward the beam, in perspective: positions in px."""
    tilt = math.radians(tilt_deg)
    d = np.array(distances, float)
    along, depth = d * math.cos(tilt), d * math.sin(tilt)
    return along * source_mm / (source_mm - depth) / mm_px


@pytest.mark.parametrize("tilt", [0, 10, 25])
def test_tilted_probe_analytic(tilt):
    """Pinhole projection: local scale midway is read within 1 % by the projective map."""
    px = probe(tilt)
    fit = ruler_scale(px, [0, 3, 6, 9, 12], 0.5)
    eps = 1e-4
    near = probe(tilt, (6 - eps, 6 + eps))
    assert fit.slope == pytest.approx(2 * eps / (near[1] - near[0]), rel=1e-6)
    for t, d in zip(px, (0, 3, 6, 9, 12), strict=True):
        # Distances along the probe read back through the map.
        m = (fit.b - t) / (fit.c * t - fit.a)
        assert 6 + 6 * m == pytest.approx(d, abs=0.01 * max(d, 1))


def test_ruler_scale_sd_against_simulation():
    rng = np.random.default_rng(3)
    px = probe(25)
    slopes = [
        ruler_scale(px + rng.normal(0, 0.5, 5), [0, 3, 6, 9, 12], 0.5).slope for _ in range(4000)
    ]
    assert ruler_scale(px, [0, 3, 6, 9, 12], 0.5).slope_sd == pytest.approx(
        np.std(slopes), rel=0.05
    )


def ruler(px, mm, label="", row=50.0):
    return tuple(
        Mark("ruler", row, 5 + p, mm=float(m), object=label) for p, m in zip(px, mm, strict=True)
    )


def test_two_marks_give_a_plain_ratio():
    found = calibration(image(pixel_spacing=P), Marks(ruler([0, 100], [0, 10])))
    assert found.method == "ruler" and found.col_mm == pytest.approx(0.1)
    # 0.5 px at both ends of 100 px, and 3 % for tilt.
    assert found.relative_sd == pytest.approx(math.hypot(math.sqrt(0.5) / 100, 0.03))


def test_mean_of_rulers_with_their_spread():
    marks = Marks(ruler([0, 100], [0, 10], "a") + ruler([0, 50], [0, 6], "b", 80.0))
    found = calibration(image(), marks)
    assert found.col_mm == pytest.approx(0.11)
    assert found.relative_sd > 0.02 / math.sqrt(2) / 0.11


def test_one_mark_warns_and_the_file_serves():
    found = calibration(image(pixel_spacing=P), Marks(ruler([0], [3])))
    assert found.method == "pixel_spacing"
    assert any("one mark only" in n for n in found.notes)


def test_a_mark_that_does_not_fit_is_named():
    px = probe(10)
    px[2] += 12
    found = calibration(image(shape=(100, 500)), Marks(ruler(px, [0, 3, 6, 9, 12])))
    assert any("6 mm" in n for n in found.notes)


def test_other_digits_of_one_spacing_are_no_calibration_ps3_3_section_10_7():
    """Equal spacings and no type: uncalibrated, also where one was written from a float32."""
    found = calibration(
        image(
            pixel_spacing=(0.0185, 0.0185),
            imager_pixel_spacing=(0.018500000238418579, 0.018500000238418579),
        )
    )
    assert (found.method, found.relative_sd) == ("imager_pixel_spacing", 0.05)


@pytest.mark.parametrize(
    ("tags", "said"),
    [
        ({"nominal_spacing": P}, "that of a scan"),
        ({"pixel_spacing": P, "nominal_spacing": P}, "film as scanned"),
        ({"imager_pixel_spacing": D, "magnification": 3.0}, "unusual for teeth"),
        ({"pixel_spacing": (0.04, 0.04), "imager_pixel_spacing": P}, "magnification of 0.75"),
        (
            {
                "pixel_spacing": (0.01, 0.01),
                "imager_pixel_spacing": P,
                "calibration_type": "GEOMETRY",
            },
            "magnification of 3",
        ),
        ({"aspect_ratio": 0.05}, "taken as square"),
        ({"aspect_ratio": 0.05, "pixel_spacing": P}, None),
    ],
)
def test_notes_say_what_the_file_holds(tags, said):
    notes = " ".join(calibration(image(**tags)).notes)
    assert "the file holds no spacing" not in notes or not {"nominal_spacing"} & set(tags)
    assert said in notes if said else "square" not in notes


def test_a_usual_magnification_raises_no_doubt():
    """facts 9 no. 30: 0.0190 beside 0.0200 mm implies 1.0526."""
    found = calibration(image(pixel_spacing=(0.019, 0.019), imager_pixel_spacing=(0.02, 0.02)))
    assert found.method == "pixel_spacing_calibrated"
    assert not any("check" in n for n in found.notes)


def test_a_given_scale_that_makes_the_receptor_too_large_says_so_iso3665():
    """0.2 for 0.02: 1500 x 2000 px would be 300 x 400 mm."""
    found = calibration(image("IO", (1500, 2000)), mm_per_px=0.2)
    assert found.method == "given" and any("400 mm" in n for n in found.notes)
    assert len(calibration(image("IO", (1500, 2000)), mm_per_px=0.02).notes) == 1
    marks = Marks(ruler([0, 15], [0, 3]))
    assert any("unusual" in n for n in calibration(image("IO", (100, 120)), marks).notes)


@pytest.mark.parametrize(
    ("px", "mm"),
    [((0, 100, 200), (0, 3, 9)), ((0, 100, 130), (0, 3, 6)), ((0, 10, 300), (0, 3, 6))],
)
def test_three_ruler_marks_with_a_wrong_one_are_named(px, mm):
    """Three marks leave no residual: a wrong one shows as perspective no tilt can make."""
    found = calibration(image(shape=(100, 500)), Marks(ruler(px, mm)))
    assert any("tilt toward the beam can;" in n for n in found.notes)


@pytest.mark.parametrize("tilt", [0, 25, 60])
def test_true_perspective_is_not_called_wrong(tilt):
    """Pinhole projection of a probe, source 150 mm away, 0.5 px of placement: 4 SD are kept."""
    rng = np.random.default_rng(tilt)
    px = probe(tilt, (0, 3, 6), source_mm=150.0)
    for _ in range(500):
        placed = px + rng.normal(0, 0.5, 3)
        found = calibration(image(shape=(100, 500)), Marks(ruler(placed, (0, 3, 6))))
        assert not any("wrong" in n for n in found.notes)


@pytest.mark.parametrize(("mm_px", "said"), [(0.03, False), (0.034, False), (0.036, True)])
def test_a_scale_that_contradicts_the_files_says_so(mm_px, said):
    """The file says 0.03 mm, good to 5 %: three of that are 0.0345 mm."""
    film = image(pixel_spacing=P)
    given = calibration(film, mm_per_px=mm_px)
    assert any("which is right" in n for n in given.notes) == said
    far = calibration(film, Marks(ruler([0, 100], [0, 100 * (0.04 if said else mm_px)])))
    assert far.method == "ruler" and any("which is right" in n for n in far.notes) == said
