"""Photos: upright by EXIF, sRGB by their profile, grey radiographs stay grey."""

import io
import struct
import zlib

import numpy as np
import pytest
from PIL import Image as Picture
from PIL import ImageCms

from perioview.errors import InputRefused
from perioview.files.reading import read_image
from perioview.image import FileSpacing, display

# EXIF 2.32, table of tag 274: where row 0 and column 0 of the stored picture are seen.
STORED_FROM_SHOWN = {
    1: lambda shown: shown,
    2: lambda shown: shown[:, ::-1],  # row 0 top, column 0 right
    3: lambda shown: shown[::-1, ::-1],  # bottom, right
    4: lambda shown: shown[::-1],  # bottom, left
    5: lambda shown: shown.swapaxes(0, 1),  # left, top
    6: lambda shown: shown.swapaxes(0, 1)[::-1],  # row 0 is the right side, column 0 the top
    7: lambda shown: shown.swapaxes(0, 1)[::-1, ::-1],  # right, bottom
    8: lambda shown: shown.swapaxes(0, 1)[:, ::-1],  # left, bottom
}


def exif(orientation):
    tags = Picture.Exif()
    tags[274] = orientation
    return tags


def blocks():
    """A picture whose four corners differ: red, green / blue, grey; 32 rows, 48 columns."""
    shown = np.zeros((32, 48, 3), np.uint8)
    shown[:16, :24], shown[:16, 24:] = (250, 10, 10), (10, 250, 10)
    shown[16:, :24], shown[16:, 24:] = (10, 10, 250), (128, 128, 128)
    return shown


@pytest.mark.parametrize("orientation", list(STORED_FROM_SHOWN))
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF"])
def test_orientation(tmp_path, orientation, kind):
    shown = blocks()
    stored = np.ascontiguousarray(STORED_FROM_SHOWN[orientation](shown))
    options = {"quality": 98, "subsampling": 0} if kind == "JPEG" else {}
    Picture.fromarray(stored).save(tmp_path / "p", kind, exif=exif(orientation), **options)
    image = read_image(tmp_path / "p")
    assert (image.rows, image.cols) == (32, 48)
    within = 4 if kind == "JPEG" else 0
    assert np.abs(image.pixels.astype(int) - shown).max() <= within


def test_orientation_6_means_the_stored_top_row_is_shown_on_the_right(tmp_path):
    stored = np.zeros((10, 20), np.uint8)
    stored[0] = 255
    Picture.fromarray(stored).save(tmp_path / "p.png", exif=exif(6))
    pixels = read_image(tmp_path / "p.png").pixels
    assert pixels.shape == (20, 10) and (pixels[:, -1] == 255).all() and pixels.sum() == 255 * 20


@pytest.mark.parametrize("orientation", [6, 3])
def test_orientation_of_16_bit_tiff(tmp_path, orientation):
    shown = np.arange(24, dtype=np.uint16).reshape(4, 6) * 2700
    stored = np.ascontiguousarray(STORED_FROM_SHOWN[orientation](shown))
    Picture.fromarray(stored).save(tmp_path / "p.tif", exif=exif(orientation))
    assert np.array_equal(read_image(tmp_path / "p.tif").pixels, shown)


@pytest.mark.parametrize(
    "damage", [b"", b"Exif\0\0", b"Exif\0\0MM\0*\xff\xff\xff\xff", b"nonsense"]
)
def test_damaged_exif_does_not_cost_the_photo(tmp_path, damage):
    Picture.fromarray(blocks()).save(tmp_path / "p.jpg", exif=damage)
    assert read_image(tmp_path / "p.jpg").rows == 32


def test_orientation_out_of_range_is_none(tmp_path):
    Picture.fromarray(blocks()).save(tmp_path / "p.jpg", exif=exif(9))
    assert read_image(tmp_path / "p.jpg").rows == 32


def exchanged_profile():
    """An sRGB profile with its red and green colorants exchanged, made by hand."""
    data = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    count = struct.unpack(">I", data[128:132])[0]
    where = {bytes(data[132 + 12 * i : 136 + 12 * i]): 132 + 12 * i for i in range(count)}
    data[where[b"rXYZ"] : where[b"rXYZ"] + 4] = b"gXYZ"
    data[where[b"gXYZ"] : where[b"gXYZ"] + 4] = b"rXYZ"
    return bytes(data)


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF"])
def test_colour_profile(tmp_path, kind):
    options = {"quality": 98, "subsampling": 0} if kind == "JPEG" else {}
    Picture.fromarray(blocks()).save(
        tmp_path / "p", kind, icc_profile=exchanged_profile(), **options
    )
    pixels = read_image(tmp_path / "p").pixels.astype(int)
    assert np.abs(pixels[4, 4] - [10, 250, 10]).max() <= 6
    assert np.abs(pixels[4, 40] - [250, 10, 10]).max() <= 6
    assert np.abs(pixels[28, 4] - [10, 10, 250]).max() <= 6
    assert np.abs(pixels[28, 40] - 128).max() <= 2


def test_srgb_profile_changes_nothing(tmp_path):
    ramp = np.arange(256, dtype=np.uint8).reshape(16, 16)
    pixels = np.dstack([ramp, ramp.T, ramp[::-1]])
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    Picture.fromarray(pixels).save(tmp_path / "p.png", icc_profile=profile)
    assert np.abs(read_image(tmp_path / "p.png").pixels.astype(int) - pixels).max() <= 1


def test_unusable_profile_is_noted(tmp_path):
    Picture.fromarray(blocks()).save(tmp_path / "p.png", icc_profile=b"no profile at all")
    image = read_image(tmp_path / "p.png")
    assert np.array_equal(image.pixels, blocks())
    assert "profile" in image.attributes["notes"][0]


@pytest.mark.parametrize("name", ["p.png", "p.tif", "p.jpg"])
def test_grey_stays_two_dimensional(tmp_path, name):
    grey = np.add.outer(np.arange(40), np.arange(50)).astype(np.uint8)
    Picture.fromarray(grey).save(tmp_path / name, quality=100)
    image = read_image(tmp_path / name)
    assert image.pixels.ndim == 2 and np.abs(image.pixels.astype(int) - grey).max() <= 2
    assert (image.modality, image.species, image.spacing) == (None, None, FileSpacing())


@pytest.mark.parametrize("name", ["p.png", "p.tif"])
def test_16_bit_grey_keeps_every_value(tmp_path, name):
    grey = np.arange(65536, dtype=np.uint16).reshape(256, 256)
    Picture.fromarray(grey).save(tmp_path / name)
    image = read_image(tmp_path / name)
    assert image.pixels.dtype == np.uint16 and np.array_equal(image.pixels, grey)


def tiff(pixels, photometric, *, big=False):
    """A plain TIFF 6.0 file, one strip, by hand: what Pillow cannot write."""
    order = ">" if big else "<"
    rows, cols = pixels.shape[:2]
    samples = 1 if pixels.ndim == 2 else 3
    body = pixels.astype(pixels.dtype.newbyteorder(order)).tobytes()
    bits = 8 * pixels.itemsize
    entries = [
        (256, 3, 1, cols),
        (257, 3, 1, rows),
        (258, 3, samples, bits if samples == 1 else 8),
        (259, 3, 1, 1),
        (262, 3, 1, photometric),
        (273, 4, 1, 14),
        (277, 3, 1, samples),
        (278, 3, 1, rows),
        (279, 4, 1, len(body)),
    ]
    extra = struct.pack(order + "3H", bits, bits, bits)
    directory = 14 + len(body)
    head = (b"MM" if big else b"II") + struct.pack(order + "HI", 42, directory) + extra
    out = struct.pack(order + "H", len(entries))
    for tag, kind, count, value in entries:
        if kind == 3 and count == 1:
            packed = struct.pack(order + "H2x", value)
        else:
            packed = struct.pack(order + "I", value)
        out += struct.pack(order + "HHI", tag, kind, count) + packed
    return head + body + out + bytes(4)


@pytest.mark.parametrize("big", [False, True])
def test_16_bit_rgb_tiff_becomes_8_bit(tmp_path, big):
    pixels = (blocks().astype(np.uint16) * 257).astype(np.uint16)
    (tmp_path / "p.tif").write_bytes(tiff(pixels, 2, big=big))
    image = read_image(tmp_path / "p.tif")
    assert image.pixels.dtype == np.uint8
    assert np.abs(image.pixels.astype(int) - blocks()).max() <= 1


def test_16_bit_rgb_png_becomes_8_bit(tmp_path):
    """A PNG by hand (PNG specification, colour type 2, depth 16): what Pillow cannot write."""
    pixels = blocks().astype(np.uint16) * 257
    rows = b"".join(b"\0" + row.astype(">u2").tobytes() for row in pixels)
    chunks = [(b"IHDR", struct.pack(">IIBBBBB", 48, 32, 16, 2, 0, 0, 0))]
    chunks += [(b"IDAT", zlib.compress(rows)), (b"IEND", b"")]
    body = b"".join(
        struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        for kind, data in chunks
    )
    (tmp_path / "p.png").write_bytes(b"\x89PNG\r\n\x1a\n" + body)
    assert np.array_equal(read_image(tmp_path / "p.png").pixels, blocks())


# Big-endian 16-bit white-is-zero is one that Pillow does not read: refused, not turned over.
@pytest.mark.parametrize(
    ("dtype", "big"), [(np.uint8, False), (np.uint8, True), (np.uint16, False)]
)
def test_white_is_zero_shows_as_its_inverse(tmp_path, dtype, big):
    top = np.iinfo(dtype).max
    ramp = np.linspace(0, top, 1600).astype(dtype).reshape(40, 40)
    for photometric in (0, 1):
        (tmp_path / f"{photometric}.tif").write_bytes(tiff(ramp, photometric, big=big))
    # TIFF 6.0, PhotometricInterpretation: 0 is WhiteIsZero, 1 is BlackIsZero.
    white, black = (display(read_image(tmp_path / f"{kind}.tif")).astype(int) for kind in (0, 1))
    assert black[0, 0] == 0 and white[0, 0] == 255
    assert np.abs(white + black - 255).max() <= 1


@pytest.mark.parametrize("name", ["p.png", "p.tif"])
def test_transparency_is_shown_on_black(tmp_path, name):
    pixels = np.dstack([blocks(), np.full((32, 48), 255, np.uint8)])
    pixels[:4, :4, 3] = 0
    Picture.fromarray(pixels).save(tmp_path / name)
    read = read_image(tmp_path / name).pixels
    assert read.shape == (32, 48, 3) and read[0, 0].tolist() == [0, 0, 0]
    assert np.array_equal(read[4:, 4:], blocks()[4:, 4:])


def test_cmyk_jpeg(tmp_path):
    Picture.fromarray(blocks()).convert("CMYK").save(tmp_path / "p.jpg", quality=98)
    assert np.abs(read_image(tmp_path / "p.jpg").pixels.astype(int) - blocks()).max() <= 25


def test_print_resolution_is_never_a_scale(tmp_path):
    Picture.fromarray(blocks()).save(tmp_path / "p.jpg", dpi=(254, 508))
    Picture.fromarray(blocks()).save(tmp_path / "p.tif", dpi=(254, 508))
    for name in ("p.jpg", "p.tif"):
        assert read_image(tmp_path / name).spacing == FileSpacing()


def test_when_the_photo_was_taken(tmp_path):
    tags = Picture.Exif()
    tags.get_ifd(0x8769)[36867] = "2026:03:05 10:20:30"
    Picture.fromarray(blocks()).save(tmp_path / "p.jpg", exif=tags)
    assert read_image(tmp_path / "p.jpg").attributes == {"taken": "2026-03-05T10:20:30"}


def refused(path, says):
    with pytest.raises(InputRefused, match=says) as fault:
        read_image(path)
    assert len(fault.value.faults) == 1


def test_unsupported_kinds(tmp_path):
    picture = Picture.fromarray(blocks())
    picture.convert("P").save(tmp_path / "p.png")
    refused(tmp_path / "p.png", "palette")
    picture.convert("1").save(tmp_path / "b.png")
    refused(tmp_path / "b.png", "unsupported kind")
    Picture.fromarray(np.zeros((4, 4), np.float32)).save(tmp_path / "f.tif")
    refused(tmp_path / "f.tif", "unsupported kind")
    picture.save(tmp_path / "two.tif", save_all=True, append_images=[picture])
    refused(tmp_path / "two.tif", "2 pictures")
    picture.save(tmp_path / "two.png", save_all=True, append_images=[picture.rotate(90)])
    refused(tmp_path / "two.png", "pictures")


def test_a_tiff_with_its_thumbnail_is_one_picture(tmp_path):
    picture, small = Picture.fromarray(blocks()), Picture.fromarray(blocks()[::4, ::4].copy())
    stream = io.BytesIO()
    small.encoderinfo = {"tiffinfo": {254: 1}}
    picture.save(stream, "TIFF", save_all=True, append_images=[small])
    (tmp_path / "p.tif").write_bytes(stream.getvalue())
    assert read_image(tmp_path / "p.tif").pixels.shape == (32, 48, 3)


def test_a_phones_jpeg_with_a_second_picture_inside_is_one_picture(tmp_path):
    picture = Picture.fromarray(blocks())
    picture.save(tmp_path / "p.jpg", "MPO", save_all=True, append_images=[picture.rotate(180)])
    pixels = read_image(tmp_path / "p.jpg").pixels.astype(int)
    assert np.abs(pixels[4, 4] - [250, 10, 10]).max() <= 6


@pytest.mark.parametrize("kind", ["JPEG", "PNG"])
def test_what_a_program_appends_behind_the_picture_does_no_harm(tmp_path, kind):
    Picture.fromarray(blocks()).save(tmp_path / "p", kind)
    with (tmp_path / "p").open("ab") as more:
        more.write(b"notes of some program " * 1000)
    assert read_image(tmp_path / "p").rows == 32


@pytest.mark.parametrize("name", ["p.png", "p.tif", "p.jpg"])
@pytest.mark.parametrize(("dpi", "said"), [((100, 200), True), ((300, 300), False)])
def test_pixels_stated_not_square_are_told(tmp_path, name, dpi, said):
    path = tmp_path / name
    Picture.fromarray(np.zeros((20, 30), np.uint8)).save(path, dpi=dpi)
    notes = read_image(path).attributes.get("notes", ())
    assert any("not square" in n for n in notes) == said
