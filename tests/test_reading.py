"""What is no whole, supported image is refused in one clear line, and nothing leaks."""

import hashlib
import os
import subprocess
import sys
import zlib
from pathlib import Path

import numpy as np
import pydicom
import pytest
from PIL import Image as Picture
from pydicom.data import get_testdata_file
from pydicom.encaps import encapsulate, get_frame

from perioview.errors import InputRefused
from perioview.files.reading import read_image


def sample(name):
    return Path(get_testdata_file(name, download=False))


def refusal(path):
    with pytest.raises(InputRefused) as refused:
        read_image(path)
    for fault in refused.value.faults:
        assert "\n" not in fault and str(path) in fault and fault.endswith("."), fault
    return refused.value


def test_missing_folder_and_empty(tmp_path):
    empty = tmp_path / "empty.dcm"
    empty.touch()
    assert "no such file" in str(refusal(tmp_path / "none.dcm"))
    assert "folder" in str(refusal(tmp_path))
    assert "empty" in str(refusal(empty))


@pytest.mark.skipif(getattr(os, "geteuid", int)() == 0, reason="root may read everything")
def test_unreadable_file(tmp_path):
    shut = tmp_path / "shut.dcm"
    shut.write_bytes(b"x")
    shut.chmod(0)
    assert "permission" in str(refusal(shut))


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_not_a_regular_file(tmp_path):
    os.mkfifo(tmp_path / "pipe.dcm")
    assert "regular" in str(refusal(tmp_path / "pipe.dcm"))


@pytest.mark.parametrize(
    ("start", "kind"),
    [
        (b"hello, this is a note", "not an image"),
        (b"GIF89a" + bytes(40), "GIF"),
        (b"BM" + bytes(40), "BMP"),
        (b"%PDF-1.7" + bytes(40), "PDF"),
        (b"PK\x03\x04" + bytes(40), "ZIP"),
        (b"\0\0\0\x18ftypheic" + bytes(40), "HEIF"),
        (b"RIFF\0\0\0\0WEBPVP8 ", "WebP"),
        (b"\0", "not an image"),
        (b"\x08\0\x05\0garbage that starts like a tag", "DICOM"),
        (bytes(128) + b"DICM", "DICOM"),
        (bytes(128) + b"DICM" + b"\xff" * 200, "cut short"),
        (b"\xff\xd8\xff", "cut short"),
        (b"\x89PNG\r\n\x1a\n", "cut short"),
        (b"II*\0", "damaged"),
    ],
)
def test_other_contents_are_named(tmp_path, start, kind):
    path = tmp_path / "image.dcm"
    path.write_bytes(start)
    assert kind in str(refusal(path))


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("examples_palette.dcm", "palette"),
        ("examples_ybr_color.dcm", "multi-frame image (30 frames"),
        ("SC_rgb_rle_2frame.dcm", "multi-frame image (2 frames"),
        ("SC_rgb_rle_32bit.dcm", "32-bit"),
        ("liver_1frame.dcm", "1-bit"),
        ("rtplan.dcm", "RT Plan"),
        ("test-SR.dcm", "Comprehensive SR"),
        ("waveform_ecg.dcm", "Waveform"),
        ("MR_truncated.dcm", "cut short"),
        ("badVR.dcm", "'1A'"),
    ],
)
def test_pydicoms_files_that_hold_no_supported_image(name, says):
    assert says in str(refusal(sample(name)))


@pytest.mark.parametrize(
    "name",
    [
        "CT_small.dcm",
        "RG3_UNCR.dcm",
        "MR_small_RLE.dcm",
        "MR_small_jp2klossless.dcm",
        "MR_small_jpeg_ls_lossless.dcm",
        "JPGExtended.dcm",
        "SC_rgb_jpeg_gdcm.dcm",
        "SC_rgb_jpeg_dcmtk.dcm",
    ],
)
@pytest.mark.parametrize("share", [0.05, 0.5, 0.9, 0.99])
def test_truncated_dicom(tmp_path, name, share):
    whole = sample(name)
    data = whole.read_bytes()
    # Some end in DataSetTrailingPadding, whose loss costs nothing.
    padding = pydicom.dcmread(whole, force=True).get("DataSetTrailingPadding", b"")
    data = data[: len(data) - len(padding) - 12 * bool(padding)]
    cut = tmp_path / name
    cut.write_bytes(data[: int(len(data) * share)])
    refusal(cut)


@pytest.mark.parametrize(
    "name", ["MR_small_jp2klossless.dcm", "JPGExtended.dcm", "MR_small_RLE.dcm"]
)
@pytest.mark.parametrize("share", [0.3, 0.8, 0.98])
def test_truncated_stream_in_a_whole_dicom_file(tmp_path, name, share):
    dataset = pydicom.dcmread(sample(name))
    frame = get_frame(dataset.PixelData, 0, number_of_frames=1)
    dataset.PixelData = encapsulate([frame[: int(len(frame) * share) // 2 * 2]])
    dataset.save_as(tmp_path / name)
    refusal(tmp_path / name)


@pytest.mark.parametrize("kind", ["JPEG", "JPEG-progressive", "PNG", "TIFF", "TIFF-lzw"])
@pytest.mark.parametrize("share", [0.02, 0.3, 0.7, 0.95, 0.999])
def test_truncated_photo(tmp_path, kind, share):
    rng = np.random.default_rng(1)
    picture = Picture.fromarray(rng.integers(0, 255, (120, 160, 3), np.uint8))
    path = tmp_path / "photo"
    options = {
        "JPEG-progressive": {"progressive": True},
        "TIFF-lzw": {"compression": "tiff_lzw"},
    }.get(kind, {})
    picture.save(path, kind.split("-")[0], **options)
    read_image(path)
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * share)])
    refusal(path)
    # A half-copied file is often of full length, its rest zeros.
    if not kind.startswith("TIFF"):
        path.write_bytes(data[: int(len(data) * share)].ljust(len(data), b"\0"))
        refusal(path)


def test_truncated_jpeg_with_a_whole_thumbnail(tmp_path):
    rng = np.random.default_rng(1)
    path = tmp_path / "photo.jpg"
    small, large = (
        Picture.fromarray(rng.integers(0, 255, size, np.uint8)) for size in ((20, 30), (90, 90))
    )
    small.save(path, "JPEG")
    thumbnail = path.read_bytes()
    large.save(path, "JPEG", exif=b"Exif\0\0MM\0*\0\0\0\x08\0\0\0\0\0\0" + thumbnail)
    data = path.read_bytes()
    assert data.count(b"\xff\xd9") == 2
    read_image(path)
    path.write_bytes(data[:-2])
    assert "end marker" in str(refusal(path))


@pytest.mark.parametrize("size", [(16384, 2), (2, 16384)])
def test_too_large_photos_and_dicom(tmp_path, size):
    Picture.new("L", size).save(tmp_path / "long.png")
    assert "16383" in str(refusal(tmp_path / "long.png"))
    Picture.new("L", (16383, 2)).save(tmp_path / "just.png")
    assert read_image(tmp_path / "just.png").cols == 16383
    dataset = pydicom.dcmread(sample("CT_small.dcm"))
    dataset.Columns, dataset.Rows = size
    dataset.PixelData = bytes(2 * size[0] * size[1])
    dataset.save_as(tmp_path / "long.dcm")
    assert "16383" in str(refusal(tmp_path / "long.dcm"))


def test_a_small_file_that_claims_huge_pixels_is_refused_before_decoding(tmp_path):
    Picture.new("L", (8, 8)).save(tmp_path / "bomb.png")
    data = bytearray((tmp_path / "bomb.png").read_bytes())
    data[16:24] = (60000).to_bytes(4, "big") * 2
    data[29:33] = zlib.crc32(data[12:29]).to_bytes(4, "big")
    (tmp_path / "bomb.png").write_bytes(data)
    assert "60000 rows" in str(refusal(tmp_path / "bomb.png"))
    dataset = pydicom.dcmread(sample("CT_small.dcm"))
    dataset.Columns = dataset.Rows = 16383
    dataset.save_as(tmp_path / "bomb.dcm")
    assert "less than expected" in str(refusal(tmp_path / "bomb.dcm"))


def test_a_file_of_gigabytes_is_refused_unread(tmp_path):
    with (tmp_path / "film.dcm").open("wb") as film:
        film.truncate(3 * 1024**3)
    assert "3.0 GiB" in str(refusal(tmp_path / "film.dcm"))


def test_name_and_sha256_are_of_the_file(tmp_path):
    whole = sample("CT_small.dcm")
    path = tmp_path / "zub č. 4 – левый.jpg"
    path.write_bytes(whole.read_bytes())
    opened = read_image(str(path))
    assert opened.name == path.name
    assert opened.sha256 == hashlib.sha256(whole.read_bytes()).hexdigest()
    assert path.read_bytes() == whole.read_bytes()


def test_any_damaged_byte_is_read_or_refused_but_never_crashes(tmp_path):
    rng = np.random.default_rng(5)
    path = tmp_path / "damaged"
    picture = Picture.fromarray(rng.integers(0, 255, (12, 16, 3), np.uint8))
    for source in ("CT_small.dcm", "MR_small_RLE.dcm", "JPEG", "PNG", "TIFF"):
        if source.endswith(".dcm"):
            data = sample(source).read_bytes()
        else:
            picture.save(path, source)
            data = path.read_bytes()
        for _ in range(60):
            damaged = bytearray(data)
            where = rng.integers(0, min(len(data), 2500), 3)
            damaged[where[0]], damaged[where[1]] = rng.integers(0, 256, 2)
            del damaged[where[2] : where[2] + int(rng.integers(0, 4))]
            path.write_bytes(damaged)
            try:
                read_image(path)
            except InputRefused as refused:
                assert all("\n" not in fault for fault in refused.faults)


def _run(code, *args):
    return subprocess.run(
        [sys.executable, "-c", code, *map(str, args)], capture_output=True, text=True, check=False
    )


READ = """
import sys
from perioview.files.reading import read_image
from perioview.errors import InputRefused
for path in sys.argv[1:]:
    try:
        read_image(path)
    except InputRefused:
        pass
"""


def test_nothing_leaks_to_the_terminal(tmp_path):
    data = sample("JPEG2000.dcm").read_bytes()
    (tmp_path / "cut.dcm").write_bytes(data[: len(data) // 2])
    Picture.fromarray(np.zeros((64, 64), np.uint8)).save(tmp_path / "a.tif", compression="tiff_lzw")
    tiff = bytearray((tmp_path / "a.tif").read_bytes())
    tiff[10:40] = b"\xff" * 30
    (tmp_path / "bad.tif").write_bytes(tiff)
    odd = ["badVR.dcm", "J2K_pixelrep_mismatch.dcm", "MR_truncated.dcm", "JPEG-lossy.dcm"]
    odd += ["ExplVR_BigEndNoMeta.dcm", "rtplan_truncated.dcm", "SC_rgb_jpeg_gdcm.dcm"]
    run = _run(READ, *map(sample, odd), tmp_path / "cut.dcm", tmp_path / "bad.tif")
    assert (run.returncode, run.stdout, run.stderr) == (0, "", "")


def test_each_kind_loads_only_its_own_library():
    # Beyond what pydicom loads by itself (which includes Pillow's core).
    listed = "print(*sys.modules)"
    alone = set(_run(f"import sys, pydicom, numpy; {listed}").stdout.split())
    loaded = set(_run(READ + listed, sample("CT_small.dcm")).stdout.split()) - alone
    roots = {name.split(".")[0] for name in loaded}
    assert "perioview" in roots
    assert not {"PIL", "scipy", "skimage", "cv2", "highdicom", "napari"} & roots
