"""DICOM images: pixels, display window, spacing and identity against outside references."""

import shutil
import subprocess
import warnings
from pathlib import Path

import numpy as np
import pydicom
import pytest
from pydicom.data import get_testdata_file
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.encaps import encapsulate
from pydicom.uid import ExplicitVRLittleEndian, generate_uid

from perioview.errors import InputRefused
from perioview.files.dicom_identity import species_in_words
from perioview.files.reading import read_image
from perioview.image import FileSpacing, display, display_limits


def sample(name):
    return Path(get_testdata_file(name, download=False))


def intraoral(pixels, stored=12, **attributes):
    """A small intra-oral image with the given stored values (PS3.3 A.28, not complete)."""
    dataset = Dataset()
    dataset.file_meta = FileMetaDataset()
    dataset.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    dataset.SOPClassUID = dataset.file_meta.MediaStorageSOPClassUID = "1.2.840.10008.5.1.4.1.1.1.3"
    dataset.SOPInstanceUID = dataset.file_meta.MediaStorageSOPInstanceUID = generate_uid()
    dataset.Modality = "IO"
    dataset.Rows, dataset.Columns = pixels.shape[:2]
    dataset.SamplesPerPixel = 1 if pixels.ndim == 2 else 3
    dataset.PhotometricInterpretation = "MONOCHROME2" if pixels.ndim == 2 else "RGB"
    if pixels.ndim == 3:
        dataset.PlanarConfiguration = 0
    dataset.BitsAllocated = 8 * pixels.itemsize
    dataset.BitsStored = min(stored, dataset.BitsAllocated)
    dataset.HighBit = dataset.BitsStored - 1
    dataset.PixelRepresentation = int(pixels.dtype.kind == "i")
    dataset.PixelData = pixels.tobytes() + b"\0" * (pixels.nbytes % 2)
    for keyword, value in attributes.items():
        setattr(dataset, keyword, value)
    return dataset


def opened(dataset, tmp_path, **how):
    path = tmp_path / "image.dcm"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # odd values are what some tests are about
        dataset.save_as(path, enforce_file_format=not how, **how)
    return read_image(path)


RAMP = np.arange(24, dtype=np.uint16).reshape(4, 6) * 170


# Pixels


def test_ct_small_by_its_own_header():
    image = read_image(sample("CT_small.dcm"))
    dataset = pydicom.dcmread(sample("CT_small.dcm"))
    stored = np.frombuffer(dataset.PixelData, "<i2").reshape(128, 128)
    # Its RescaleIntercept is -1024, its slope 1.
    assert np.array_equal(image.pixels, stored.astype(int) - 1024)
    assert (image.modality, image.inverted, image.colour) == ("CT", False, False)
    assert image.spacing.pixel_spacing == (0.661468, 0.661468)


@pytest.mark.parametrize("kind", ["RLE", "bigendian", "expb", "implicit", "jp2klossless", "padded"])
def test_lossless_encodings_of_one_image_agree(kind):
    plain = read_image(sample("MR_small.dcm")).pixels
    assert np.array_equal(read_image(sample(f"MR_small_{kind}.dcm")).pixels, plain)


def test_jpeg_ls_agrees():
    plain = read_image(sample("MR_small.dcm")).pixels
    assert np.array_equal(read_image(sample("MR_small_jpeg_ls_lossless.dcm")).pixels, plain)


# The bars that pydicom's own test suite checks in these files (tests/pixels reference data):
# row: colour, at column 50.
BARS = {5: (255, 0, 0), 15: (255, 128, 128), 25: (0, 255, 0), 45: (0, 0, 255)}
BARS |= {75: (64, 64, 64), 85: (192, 192, 192)}


@pytest.mark.parametrize(
    ("name", "within"),
    [
        ("SC_rgb_rle.dcm", 0),
        ("SC_rgb_rle_16bit.dcm", 0),
        ("SC_rgb_jpeg_gdcm.dcm", 0),  # JPEG lossless
        ("SC_rgb_gdcm_KY.dcm", 0),  # JPEG 2000
        ("SC_rgb_dcmtk_+eb+cr.dcm", 2),  # JPEG baseline, RGB
        ("SC_rgb_jpeg_dcmtk.dcm", 5),  # JPEG baseline, YBR_FULL
        ("SC_rgb_dcmtk_+eb+cy+np.dcm", 5),  # YBR_FULL_422
        ("SC_rgb_jls_lossy_line.dcm", 2),  # JPEG-LS near-lossless
        ("SC_ybr_full_422_uncompressed.dcm", 5),
    ],
)
def test_colour_bars(name, within):
    image = read_image(sample(name))
    assert image.pixels.dtype == np.uint8 and image.pixels.shape == (100, 100, 3)
    for row, colour in BARS.items():
        assert np.abs(image.pixels[row, 50].astype(int) - colour).max() <= within, (row, colour)


def test_real_radiographs_are_shown_dense_bright():
    # pydicom-data: a chest and an extremity, MONOCHROME1; low values are dense.
    for name, rows, cols in (("RG1_UNCR.dcm", 1955, 1841), ("RG3_UNCR.dcm", 1760, 1760)):
        image = read_image(sample(name))
        assert (image.rows, image.cols, image.modality, image.inverted) == (rows, cols, "CR", True)
        shown = display(image).astype(float)
        assert np.corrcoef(shown.ravel()[::97], image.pixels.ravel()[::97])[0, 1] < -0.9
        assert np.ptp(shown) > 200


@pytest.mark.parametrize("dtype", [np.uint8, np.int8, np.uint16, np.int16])
@pytest.mark.parametrize("stored", [8, 10, 12, 16])
def test_bit_depths_and_signs(tmp_path, dtype, stored):
    stored = min(stored, 8 * np.dtype(dtype).itemsize)
    lowest = -(2 ** (stored - 1)) if np.dtype(dtype).kind == "i" else 0
    values = np.linspace(lowest, lowest + 2**stored - 1, 35).astype(dtype).reshape(5, 7)
    assert np.array_equal(opened(intraoral(values, stored), tmp_path).pixels, values)


def test_bits_beyond_the_stored_ones_are_not_values(tmp_path):
    dirty = RAMP | np.uint16(0xF000)
    assert np.array_equal(opened(intraoral(dirty, 12), tmp_path).pixels, RAMP)


@pytest.mark.parametrize("dtype", [np.uint16, np.int16])
def test_values_that_end_above_bit_0_are_read_whole(tmp_path, dtype):
    """High Bit 15 of 12 stored bits (PS3.5 up to 2013 allowed it): the value is bits 4 to 15."""
    values = RAMP.astype(dtype) - (2000 if dtype is np.int16 else 0)
    dataset = intraoral((values << 4) | 5, 12, HighBit=15)
    assert np.array_equal(opened(dataset, tmp_path).pixels, values)


def test_colours_that_end_above_bit_0_keep_their_brightness(tmp_path):
    colours = np.full((6, 8, 3), (4000, 2000, 16), np.uint16)
    plain = opened(intraoral(colours, 12), tmp_path).pixels
    assert plain[0, 0].tolist() == [250, 125, 1]
    raised = intraoral(colours << 4, 12, HighBit=15)
    assert np.array_equal(opened(raised, tmp_path).pixels, plain)


def test_negative_values_in_twelve_bits_keep_their_sign(tmp_path):
    # -1 in 12 bits, unused bits zero as PS3.5 8.1.1 lets them be: anything.
    values = np.array([[0x0FFF, 0x0001]], np.int16)
    assert opened(intraoral(values, 12), tmp_path).pixels.tolist() == [[-1, 1]]


@pytest.mark.parametrize(
    ("slope", "intercept", "kind"), [("1", "-1024", "i"), ("2", "5", "i"), ("0.5", "0.25", "f")]
)
def test_rescale(tmp_path, slope, intercept, kind):
    image = opened(
        intraoral(RAMP, RescaleSlope=slope, RescaleIntercept=intercept, RescaleType="US"), tmp_path
    )
    assert image.pixels == pytest.approx(RAMP * float(slope) + float(intercept))
    assert image.pixels.dtype.kind == kind


@pytest.mark.parametrize(
    ("values", "slope", "expected"),
    [
        ({"PixelPaddingValue": 0}, "1", (0, 0)),
        ({"PixelPaddingValue": 4095, "PixelPaddingRangeLimit": 4000}, "1", (4000, 4095)),
        ({"PixelPaddingValue": 10}, "-2", (-20, -20)),
        ({}, "1", None),
    ],
)
def test_padding_is_known_and_does_not_dim_the_picture(tmp_path, values, slope, expected):
    """PS3.3 C.7.5.1.1.2: what pads is no part of the image, a stored value or a range of them."""
    pixels = np.full((60, 60), values.get("PixelPaddingValue", 0), np.uint16)
    pixels[:, :40] = np.linspace(1000, 1400, 2400).reshape(60, 40)
    header = {"RescaleSlope": slope, "RescaleIntercept": "0", "RescaleType": "US"}
    image = opened(intraoral(pixels, 12, **header, **values), tmp_path)
    assert image.padding == expected
    if expected:
        low, high = sorted(abs(v / float(slope)) for v in display_limits(image))
        assert 1000 <= low < 1010 and 1390 < high <= 1400
        assert image.pixels.shape == (60, 60)


def test_a_picture_said_to_be_all_padding_is_shown(tmp_path):
    pixels = np.full((60, 60), 7, np.uint16)
    pixels[0, 0] = 90
    image = opened(intraoral(pixels, 12, PixelPaddingValue=7), tmp_path)
    low, high = display_limits(image)
    assert low == 7 and high == 90


def test_modality_lut(tmp_path):
    lut = Dataset()
    lut.LUTDescriptor, lut.ModalityLUTType = [4, 0, 16], "OD"
    lut.LUTData = np.array([7, 5, 3, 1], "<u2").tobytes()
    image = opened(
        intraoral(np.array([[0, 1], [3, 9]], np.uint16), ModalityLUTSequence=[lut]), tmp_path
    )
    assert image.pixels.tolist() == [[7, 5], [1, 1]]


def test_unusable_rescale_is_noted_and_left_out(tmp_path):
    dataset = intraoral(RAMP, RescaleSlope="0", RescaleIntercept="0")
    image = opened(dataset, tmp_path)
    assert np.array_equal(image.pixels, RAMP)
    assert "RescaleSlope" in image.attributes["notes"][0]


@pytest.mark.parametrize("how", ["implicit", "explicit", "big"])
def test_files_without_preamble_and_header(tmp_path, how):
    dataset = intraoral(RAMP)
    if how == "big":
        dataset.PixelData = RAMP.astype(">u2").tobytes()
    del dataset.file_meta
    image = opened(dataset, tmp_path, implicit_vr=how == "implicit", little_endian=how != "big")
    assert np.array_equal(image.pixels, RAMP)


def test_jpeg_baseline_grey(tmp_path):
    import io

    from PIL import Image as Picture

    smooth = np.add.outer(np.arange(64), np.arange(64)).astype(np.uint8)
    jpeg = io.BytesIO()
    Picture.fromarray(smooth).save(jpeg, "JPEG", quality=95)
    dataset = intraoral(smooth, 8, PixelData=encapsulate([jpeg.getvalue()]))
    dataset["PixelData"].is_undefined_length = True
    dataset.file_meta.TransferSyntaxUID = "1.2.840.10008.1.2.4.50"
    dataset["PixelData"].VR = "OB"
    assert np.abs(opened(dataset, tmp_path).pixels.astype(int) - smooth).max() <= 3


@pytest.mark.validator
@pytest.mark.parametrize(
    ("command", "bits", "within"),
    [
        (("dcmcjpeg", "+e1"), 16, 0),  # JPEG lossless, first-order prediction
        (("dcmcjpeg", "+el"), 16, 0),  # JPEG lossless, any predictor
        (("dcmcjpeg", "+ee", "+q", "98"), 12, 20),  # JPEG extended, 12 bit
        (("dcmcjpls", "+el"), 16, 0),  # JPEG-LS lossless
        (("dcmcjpls", "+en", "+md", "2"), 12, 2),  # JPEG-LS, at most 2 off
        (("dcmcrle",), 16, 0),
        (("dcmconv", "+td"), 16, 0),  # deflated
        (("dcmconv", "+tb"), 16, 0),  # big-endian
    ],
)
def test_grey_as_dcmtk_encodes_it(tmp_path, command, bits, within):
    if not shutil.which(command[0]):
        pytest.skip("needs dcmtk")
    slope = np.add.outer(np.arange(48), np.arange(64)) / (48 + 64)
    values = (slope * (2**bits - 1)).astype(np.uint16)
    paths = [tmp_path / "plain.dcm", tmp_path / "coded.dcm"]
    intraoral(values, bits).save_as(paths[0], enforce_file_format=True)
    subprocess.run([*command, *paths], check=True, capture_output=True)
    assert paths[0].read_bytes() != paths[1].read_bytes()
    assert np.abs(read_image(paths[1]).pixels.astype(int) - values).max() <= within


@pytest.mark.validator
@pytest.mark.parametrize("command", [("dcmcjpeg", "+eb", "+q", "98"), ("dcmcrle",)])
def test_colour_as_dcmtk_encodes_it(tmp_path, command):
    if not shutil.which(command[0]):
        pytest.skip("needs dcmtk")
    pixels = np.zeros((32, 48, 3), np.uint8)
    pixels[:, :24], pixels[:, 24:] = (200, 60, 90), (240, 235, 225)
    paths = [tmp_path / "plain.dcm", tmp_path / "coded.dcm"]
    intraoral(pixels, 8).save_as(paths[0], enforce_file_format=True)
    subprocess.run([*command, *paths], check=True, capture_output=True)
    read = read_image(paths[1]).pixels.astype(int)
    assert np.abs(read[8, 8] - [200, 60, 90]).max() <= 3
    assert np.abs(read[8, 40] - [240, 235, 225]).max() <= 3


def test_rgb_with_a_colour_profile(tmp_path):
    # A profile whose red and green colorants are exchanged must exchange them.
    from tests.test_reading_photo import exchanged_profile

    pixels = np.zeros((4, 4, 3), np.uint8)
    pixels[..., 0] = 255
    dataset = intraoral(pixels, 8, ICCProfile=exchanged_profile())
    dataset.SOPClassUID = "1.2.840.10008.5.1.4.1.1.77.1.4"
    assert np.abs(opened(dataset, tmp_path).pixels[0, 0].astype(int) - [0, 255, 0]).max() <= 2


# Display window: PS3.3 C.11.2.1.2 and C.11.2.1.3.2


@pytest.mark.parametrize(
    ("function", "limits"),
    [
        # C.11.2.1.2.1: black at c - 0.5 - (w-1)/2, white at c - 0.5 + (w-1)/2; its own example,
        # centre 2048 and width 4096, spans 0 to 4095.
        (None, (0, 4095)),
        ("LINEAR", (0, 4095)),
        ("LINEAR_EXACT", (0, 4096)),
        # Tangent of 1/(1+exp(-4(x-c)/w)) at c: slope 1/w, so from c-w/2 to c+w/2.
        ("SIGMOID", (0, 4096)),
    ],
)
def test_window_functions(tmp_path, function, limits):
    window = {"WindowCenter": "2048", "WindowWidth": "4096"}
    if function:
        window["VOILUTFunction"] = function
    assert opened(intraoral(RAMP, **window), tmp_path).window == limits


def test_first_of_several_windows(tmp_path):
    window = {"WindowCenter": ["100.5", "50"], "WindowWidth": ["101", "20"]}
    assert opened(intraoral(RAMP, **window), tmp_path).window == (50, 150)


@pytest.mark.parametrize("width", ["0", "1", "-5", ""])
def test_windows_without_width_are_none(tmp_path, width):
    window = {"WindowCenter": "100", "WindowWidth": width}
    assert opened(intraoral(RAMP, **window), tmp_path).window is None


def test_voi_table(tmp_path):
    lut = Dataset()
    lut.LUTDescriptor = [5, 1000, 8]
    lut.LUTData = np.array([0, 50, 100, 200, 255], "<u2").tobytes()
    assert opened(intraoral(RAMP, VOILUTSequence=[lut]), tmp_path).window == (1001, 1003)


def test_monochrome1(tmp_path):
    image = opened(intraoral(RAMP, PhotometricInterpretation="MONOCHROME1"), tmp_path)
    assert image.inverted and display(image)[0, 0] == 255 and display(image)[-1, -1] == 0


# Spacing: tags as they stand; calibration judges them


@pytest.mark.parametrize(
    ("name", "pixel", "imager"),
    [
        ("dicomdirtests/77654033/CR1/6154", None, (0.1, 0.1)),
        # Row spacing first, PS3.3 10.7.1.3; not square.
        ("dicomdirtests/98892001/CT2N/6924", (0.545455, 0.596847), None),
        ("SC_rgb_small_odd.dcm", (33.333333, 33.333333), None),
        ("RG1_UNCR.dcm", (0.0, 0.0), None),
        ("RG3_UNCR.dcm", None, None),
    ],
)
def test_spacing_of_pydicoms_files(name, pixel, imager):
    if name.startswith("dicomdirtests"):
        path = sample("CT_small.dcm").parent / name
    else:
        path = sample(name)
    spacing = read_image(path).spacing
    assert (spacing.pixel_spacing, spacing.imager_pixel_spacing) == (pixel, imager)
    assert spacing.notes == ()


def test_every_spacing_tag(tmp_path):
    dataset = intraoral(
        RAMP,
        PixelSpacing=["0.03", "0.02"],
        ImagerPixelSpacing=["0.033", "0.022"],
        NominalScannedPixelSpacing=["0.05", "0.05"],
        PixelSpacingCalibrationType="FIDUCIAL",
        EstimatedRadiographicMagnificationFactor="1.1",
        PixelAspectRatio=["3", "2"],
    )
    assert opened(dataset, tmp_path).spacing == FileSpacing(
        (0.03, 0.02), "FIDUCIAL", (0.033, 0.022), (0.05, 0.05), 1.1, 1.5
    )


@pytest.mark.parametrize(
    ("keyword", "written", "field"),
    [
        ("PixelSpacing", b"0,02\\0,02 ", "pixel_spacing"),
        ("PixelSpacing", b"0.02", "pixel_spacing"),
        ("PixelSpacing", b"a\\b ", "pixel_spacing"),
        ("PixelSpacing", b"nan\\0.1 ", "pixel_spacing"),
        ("ImagerPixelSpacing", b"0.02\\ ", "imager_pixel_spacing"),
        ("ImagerPixelSpacing", b"0.1\\0.1\\0.1 ", "imager_pixel_spacing"),
        ("EstimatedRadiographicMagnificationFactor", b"1.1x", "magnification"),
        ("PixelAspectRatio", b"0\\1 ", "aspect_ratio"),
        ("PixelAspectRatio", b"1.5\\x ", "aspect_ratio"),
    ],
)
def test_malformed_spacing_is_noted_never_a_crash(tmp_path, keyword, written, field):
    dataset = intraoral(RAMP)
    tag = pydicom.tag.Tag(keyword)
    vr = "IS" if keyword == "PixelAspectRatio" else "DS"
    dataset[tag] = pydicom.dataelem.RawDataElement(tag, vr, len(written), written, 0, False, True)
    spacing = opened(dataset, tmp_path).spacing
    assert getattr(spacing, field) is None
    assert len(spacing.notes) == 1 and keyword in spacing.notes[0], spacing.notes


def test_negative_and_zero_spacing_are_kept_for_the_calibration_to_judge(tmp_path):
    dataset = intraoral(RAMP, PixelSpacing=["-0.1", "0"])
    assert opened(dataset, tmp_path).spacing.pixel_spacing == (-0.1, 0.0)


# Identity


def coded(value, scheme, meaning):
    item = Dataset()
    item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = value, scheme, meaning
    return [item]


@pytest.mark.parametrize(
    ("value", "scheme", "meaning", "expected"),
    [
        # CID 7454, and the concept dictionary of pydicom.
        ("448771007", "SCT", "Canis lupus familiaris", "dog"),
        ("448169003", "SCT", "Felis catus", "cat"),
        ("69986009", "SCT", "Canine species", "dog"),
        ("23826000", "SCT", "Feline species", "cat"),
        ("L-80700", "SRT", "Canine species", "dog"),
        ("L-80A00", "SRT", "Feline species", "cat"),
        ("388445009", "SCT", "Genus Equus", None),
        ("K1", "99CLINIC", "Dog", "dog"),
    ],
)
def test_species_codes(tmp_path, value, scheme, meaning, expected):
    dataset = intraoral(RAMP, PatientSpeciesCodeSequence=coded(value, scheme, meaning))
    image = opened(dataset, tmp_path)
    assert image.species == expected
    assert image.attributes["species_code"] == value
    assert image.attributes.get("species") == expected


def test_the_code_goes_before_the_words(tmp_path):
    dataset = intraoral(
        RAMP,
        PatientSpeciesDescription="Canine",
        PatientSpeciesCodeSequence=coded("448169003", "SCT", "Felis catus"),
    )
    assert opened(dataset, tmp_path).species == "cat"


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        ("Equus caballus", None, "neither dog nor cat"),
        (None, coded("388445009", "SCT", "Equus caballus"), "neither dog nor cat"),
        ("Canine", coded("448169003", "SCT", "Felis catus"), "code says cat"),
        ("Canine", coded("448771007", "SCT", "Canis lupus familiaris"), None),
        ("cat", None, None),
        (None, None, None),
    ],
)
def test_another_animal_is_never_taken_in_silence(tmp_path, words, code, said):
    named = {"PatientSpeciesDescription": words, "PatientSpeciesCodeSequence": code}
    image = opened(intraoral(RAMP, **{k: v for k, v in named.items() if v}), tmp_path)
    notes = " ".join(image.attributes.get("notes", ()))
    assert said in notes if said else notes == ""


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        *[(word, "dog") for word in ("Canine", "dog", "DOG ", "Canis familiaris", "K9")],
        *[(word, "dog") for word in ("Canis lupus familiaris", "Dog (domestic)", "Hund", "CANINE")],
        *[(word, "cat") for word in ("Felis catus", "cat", "FELINE", "Domestic cat", "Katze")],
        *[(word, "cat") for word in ("Felis silvestris catus", "Cat, domestic shorthair")],
        *[(word, None) for word in ("Canis lupus", "horse", "", None, "cat or dog", "prairie dog")],
        *[(word, None) for word in ("wild cat", "dogfish", "Felis", "Homo sapiens", "raccoon dog")],
    ],
)
def test_species_in_words(words, expected):
    assert species_in_words(words) == expected


def test_identity(tmp_path):
    dataset = intraoral(
        RAMP,
        SpecificCharacterSet="ISO_IR 192",
        PatientID="PV-0001 ",
        PatientName="Müller^Žofka",
        PatientBirthDate="20190402",
        PatientSex="F",
        PatientSexNeutered="ALTERED",
        PatientWeight="6.4",
        PatientSpeciesDescription="Canine",
        PatientBreedDescription="Dachshund",
        ResponsiblePerson="Müller^Eva",
        ResponsiblePersonRole="OWNER",
        StudyInstanceUID="1.2.3",
        SeriesInstanceUID="1.2.3.4",
        FrameOfReferenceUID="1.2.3.5",
        StudyDate="20260305",
        StudyTime="102030.5",
        StudyID="S1",
        AccessionNumber="A7",
        ImageLaterality="L",
        Manufacturer="Invented Ltd",
    )
    image = opened(dataset, tmp_path)
    expected = {
        "patient_id": "PV-0001",
        "patient_name": "Müller^Žofka",
        "birth_date": "2019-04-02",
        "sex": "F",
        "neutered": True,
        "weight_kg": 6.4,
        "species": "dog",
        "species_description": "Canine",
        "breed": "Dachshund",
        "responsible_person": "Müller^Eva",
        "responsible_person_role": "OWNER",
        "study_uid": "1.2.3",
        "series_uid": "1.2.3.4",
        "frame_of_reference_uid": "1.2.3.5",
        "study_date": "2026-03-05",
        "study_time": "10:20:30.5",
        "study_id": "S1",
        "accession": "A7",
        "laterality": "L",
        "manufacturer": "Invented Ltd",
        "modality": "IO",
        "sop_class_uid": "1.2.840.10008.5.1.4.1.1.1.3",
        "sop_uid": str(dataset.SOPInstanceUID),
    }
    assert dict(image.attributes) == expected


@pytest.mark.parametrize(
    ("date", "time", "seen"),
    [
        ("20260305", "102030.5", ("2026-03-05", "10:20:30.5")),
        ("20261345", "996199", ("20261345", "996199")),
        ("20250229", "240000", ("20250229", "240000")),
    ],
)
def test_dates_that_are_none_are_not_dressed_as_iso_8601(tmp_path, date, time, seen):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        known = opened(intraoral(RAMP, StudyDate=date, StudyTime=time), tmp_path).attributes
    assert (known["study_date"], known["study_time"]) == seen


def test_what_the_file_leaves_empty_is_left_out(tmp_path):
    dataset = intraoral(RAMP, PatientName="", PatientBirthDate="")
    written = b"yesterday "
    tag = pydicom.tag.Tag("StudyDate")
    dataset[tag] = pydicom.dataelem.RawDataElement(tag, "DA", 10, written, 0, False, True)
    attributes = opened(dataset, tmp_path).attributes
    assert "patient_name" not in attributes and "birth_date" not in attributes
    assert attributes["study_date"] == "yesterday"


def test_an_unknown_character_set_costs_nothing_but_letters(tmp_path):
    dataset = intraoral(RAMP, PatientID="PV-1")
    dataset.SpecificCharacterSet = "NONSENSE"
    assert opened(dataset, tmp_path).attributes["patient_id"] == "PV-1"


@pytest.mark.parametrize("written", [b"", b"L "])
def test_an_unknown_value_representation_costs_that_attribute_alone(tmp_path, written):
    path = tmp_path / "image.dcm"
    intraoral(RAMP, Laterality="L", PatientID="PV-1").save_as(path, enforce_file_format=True)
    good = b"\x20\x00\x60\x00CS\x02\x00L "
    bad = b"\x20\x00\x60\x00XQ" + bytes([len(written), 0]) + written
    data = path.read_bytes()
    assert data.count(good) == 1
    path.write_bytes(data.replace(good, bad))
    image = read_image(path)
    assert image.attributes["patient_id"] == "PV-1" and np.array_equal(image.pixels, RAMP)


def test_a_header_damaged_where_it_matters_is_refused(tmp_path):
    path = tmp_path / "image.dcm"
    intraoral(RAMP, RescaleIntercept="5").save_as(path, enforce_file_format=True)
    good = b"\x28\x00\x52\x10DS\x02\x005 "
    bad = b"\x28\x00\x00\x30XQ\x02\x005 "  # ModalityLUTSequence of no known kind
    data = path.read_bytes()
    assert data.count(good) == 1
    path.write_bytes(data.replace(good, bad))
    with pytest.raises(InputRefused, match="header is damaged"):
        read_image(path)
