"""Real images that others packed (pydicom, pydicom-data), from file to number.

None shows teeth: the marks are placed at will, and only the scale and the arithmetic are checked.
"""

import json
from pathlib import Path

import pytest
from pydicom.data import get_testdata_file

from perioview.calibration import calibration
from perioview.cli import main
from perioview.files.reading import read_image

# CEJ at row 2, apex at row 12, crests at rows 5 and 7: 30 and 50 percent by hand.
MARKS = """tooth,root,side,landmark,row,col,mm
404,single,mesial,cej,2,4,
404,single,distal,cej,2,8,
404,single,mesial,crest,5,4,
404,single,distal,crest,7,8,
404,single,,apex,12,6,
"""


def sample(name):
    folder = Path(get_testdata_file("CT_small.dcm", download=False)).parent
    path = folder / name
    return path if path.is_file() else Path(get_testdata_file(name, download=False))


def measured(name, tmp_path, capsys):
    (tmp_path / "marks.csv").write_text(MARKS)
    arguments = ["measure", str(sample(name)), "--marks", str(tmp_path / "marks.csv")]
    assert main([*arguments, "--species", "dog", "--json", "-"]) == 0
    said = capsys.readouterr()
    assert said.err == ""
    return json.loads(said.out)


@pytest.mark.parametrize("name", ["RG1_UNCR.dcm", "RG3_UNCR.dcm"])
def test_without_a_usable_spacing_there_are_percentages_but_no_millimetres(name, tmp_path, capsys):
    # pydicom-data 1.0: a chest with PixelSpacing 0.000\0.000, an extremity with none.
    result = measured(name, tmp_path, capsys)
    assert result["scale"]["method"] == "none" and result["scale"]["col_mm"] is None
    assert bool(result["scale"]["notes"]) or name.startswith("RG3")
    for site, expected in zip(result["sites"], (30, 50), strict=True):
        assert site["bone_loss_pct"] == pytest.approx(expected, abs=1e-6)
        assert site["bone_loss_mm"] is site["bone_loss_mm_sd"] is site["root_length_mm"] is None
    assert result["image"]["modality"] == "CR"


def test_imager_spacing_alone_is_the_detector_plane(tmp_path, capsys):
    # CR with ImagerPixelSpacing 0.1000\0.1000 only, PS3.3 10.7.1.1.
    result = measured("dicomdirtests/77654033/CR1/6154", tmp_path, capsys)
    assert result["scale"]["method"] == "imager_pixel_spacing"
    assert (result["scale"]["row_mm"], result["scale"]["col_mm"]) == (0.1, 0.1)
    assert [site["bone_loss_mm"] for site in result["sites"]] == pytest.approx([0.3, 0.5])


def test_rows_and_columns_of_unequal_spacing_are_not_exchanged(tmp_path, capsys):
    # CT with PixelSpacing 0.545455\0.596847: row spacing first, PS3.3 10.7.1.3.
    result = measured("dicomdirtests/98892001/CT2N/6924", tmp_path, capsys)
    assert (result["scale"]["row_mm"], result["scale"]["col_mm"]) == (0.545455, 0.596847)
    # The axis runs along the rows, so millimetres are rows times the row spacing.
    expected = [3 * 0.545455, 5 * 0.545455]
    assert [site["bone_loss_mm"] for site in result["sites"]] == pytest.approx(expected)


def test_a_ruler_gives_real_radiographs_their_scale(tmp_path):
    from perioview.files.tables import read_marks

    image = read_image(sample("RG3_UNCR.dcm"))
    rulers = "".join(f",,,ruler,{100 + 50 * k},200,{3 * k}\n" for k in range(4))
    (tmp_path / "m.csv").write_text(MARKS + rulers)
    marks = read_marks(tmp_path / "m.csv", species="dog", rows=image.rows, cols=image.cols)
    scale = calibration(image, marks)
    assert scale.method == "ruler" and scale.row_mm == pytest.approx(3 / 50)
