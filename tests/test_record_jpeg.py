"""Photographs kept as the camera's own JPEG stream, and read back to the last bit."""

from __future__ import annotations

import dataclasses
import io
import re
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
import pytest
from PIL import Image as Pillow
from PIL import ImageCms
from pydicom.encaps import generate_frames
from pydicom.uid import ExplicitVRLittleEndian, JPEGBaseline8Bit

from perioview.files.photo import read_photo
from perioview.files.reading import read_image
from perioview.record.destination import destination_from
from perioview.record.objects import record_objects
from perioview.record.outbox import send, write_outbox
from perioview.visit import PhotoResult
from tests.orthanc import free_port, orthanc_at
from tests.record_validators import DCMTK, output, remarks, saved
from tests.test_record_archive import sockets_collected  # noqa: F401
from tests.test_record_objects import all_objects, example_examination, of

ORIENTATION = 274


def smooth_picture(rows: int = 120, cols: int = 160) -> np.ndarray:
    """A picture as a lens would make it: no jumps from one pixel to the next."""
    row, col = np.mgrid[:rows, :cols]
    planes = [90 + 60 * np.sin(row / 17 + k) * np.cos(col / (13 + 4 * k)) for k in range(3)]
    return np.stack(planes, axis=-1).astype(np.uint8)


def jpeg(path: Path, **options: Any) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    grey = options.pop("grey", False)
    picture = Pillow.fromarray(smooth_picture()).convert("L" if grey else "RGB")
    picture.save(path, "JPEG", quality=92, **options)
    return path


def photo_objects(visit: Path, file: str) -> tuple[pydicom.Dataset, ...]:
    image = dataclasses.replace(read_photo(visit / file), species="dog")
    photo = PhotoResult(file, image, "before", "one-tone")
    exam = dataclasses.replace(
        example_examination(), radiographs=(), photos=(photo,), folder=str(visit)
    )
    return record_objects(exam)


def oriented() -> Any:
    exif = Pillow.Exif()
    exif[ORIENTATION] = 6
    return exif


@pytest.mark.validator
@pytest.mark.parametrize(
    ("options", "photometric"),
    [
        ({"subsampling": 2}, "YBR_FULL_422"),
        ({"subsampling": 0}, "YBR_FULL_422"),
        ({"grey": True}, "MONOCHROME2"),
    ],
)
def test_a_baseline_stream_is_kept_bit_for_bit(
    tmp_path: Path, options: dict[str, Any], photometric: str
) -> None:
    file = jpeg(tmp_path / "visit" / "images" / "before.jpg", **options)
    (wrapped,) = photo_objects(tmp_path / "visit", "images/before.jpg")
    (path,) = saved([wrapped], tmp_path)
    read = pydicom.dcmread(path)
    assert read.file_meta.TransferSyntaxUID == JPEGBaseline8Bit
    assert read.PhotometricInterpretation == photometric
    (stream,) = generate_frames(read.PixelData, number_of_frames=1)
    data = file.read_bytes()
    assert stream == data + b"\0" * (len(data) % 2)  # PS3.5 A.4: fragments of even length
    # PS3.3 C.7.6.1.1.5: lossy once, it stays lossy.
    assert (read.LossyImageCompression, read.LossyImageCompressionMethod) == ("01", "ISO_10918_1")
    raw = 120 * 160 * (1 if "grey" in options else 3)
    assert float(read.LossyImageCompressionRatio) == pytest.approx(raw / len(data), abs=0.01)
    assert remarks(path) == []
    dumped = output("dcmdump", DCMTK, str(path))
    assert dumped.returncode == 0 and not re.search(r"^[WE]:", dumped.stderr, re.M)
    again, photo = read_image(path), read_photo(file)
    assert again.pixels.shape == photo.pixels.shape
    difference = np.abs(again.pixels.astype(int) - photo.pixels.astype(int))
    assert difference.max() == 0


@pytest.mark.validator
@pytest.mark.parametrize("kind", ["progressive", "turned", "profile", "png"])
def test_what_is_no_upright_baseline_stream_is_kept_pixel_for_pixel(
    tmp_path: Path, kind: str
) -> None:
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    options: dict[str, Any] = {
        "progressive": {"progressive": True},
        "turned": {"exif": oriented()},
        "profile": {"icc_profile": profile},
        "png": {},
    }[kind]
    name = "before.png" if kind == "png" else "before.jpg"
    file = tmp_path / "visit" / "images" / name
    if kind == "png":
        file.parent.mkdir(parents=True)
        Pillow.fromarray(smooth_picture()).save(file)
    else:
        jpeg(file, **options)
    (wrapped,) = photo_objects(tmp_path / "visit", f"images/{name}")
    (path,) = saved([wrapped], tmp_path)
    read = pydicom.dcmread(path)
    assert read.file_meta.TransferSyntaxUID == ExplicitVRLittleEndian
    np.testing.assert_array_equal(read.pixel_array, read_photo(file).pixels)
    assert read.LossyImageCompression == ("00" if kind == "png" else "01")
    assert remarks(path) == []


def test_a_file_changed_since_it_was_measured_is_not_taken(tmp_path: Path) -> None:
    file = jpeg(tmp_path / "visit" / "images" / "before.jpg")
    image = dataclasses.replace(read_photo(file), species="dog")
    photo = PhotoResult("images/before.jpg", image, "before", "one-tone")
    exam = dataclasses.replace(
        example_examination(), radiographs=(), photos=(photo,), folder=str(tmp_path / "visit")
    )
    file.write_bytes(file.read_bytes() + b"\0\0")
    (wrapped,) = record_objects(exam)
    np.testing.assert_array_equal(wrapped.pixel_array, image.pixels)


def test_a_drawn_picture_stays_close_to_what_was_drawn() -> None:
    picture = of(all_objects(), "OT")[1]
    assert picture.file_meta.TransferSyntaxUID == JPEGBaseline8Bit
    drawn = np.full((30, 51, 3), 90, np.uint8)
    shown = pydicom.pixels.pixel_array(picture)
    assert np.abs(shown.astype(int) - drawn).max() <= 2


@pytest.mark.server
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.parametrize("way", ["dimse", "web"])
@pytest.mark.parametrize("takes_jpeg", [True, False])
def test_the_stream_goes_there_and_back(tmp_path: Path, way: str, takes_jpeg: bool) -> None:
    if way == "web" and not takes_jpeg:
        pytest.skip("Orthanc takes every syntax by STOW; see the archive of our own below")
    file = jpeg(tmp_path / "visit" / "images" / "before.jpg", subsampling=2)
    objects = photo_objects(tmp_path / "visit", "images/before.jpg")
    accepted = {} if takes_jpeg else {"AcceptedTransferSyntaxes": ["1.2.840.10008.1.2.1"]}
    with orthanc_at(tmp_path / "orthanc", **accepted) as server:
        there = destination_from(getattr(server, way))
        send(write_outbox(tmp_path / "o", objects), there, outbox=tmp_path / "o")
        (back,) = there.objects("PV-0001", str(objects[0].StudyInstanceUID))
    assert back.SOPInstanceUID == objects[0].SOPInstanceUID
    if takes_jpeg:
        (stream,) = generate_frames(back.PixelData, number_of_frames=1)
        assert stream.rstrip(b"\0") == file.read_bytes().rstrip(b"\0")
    else:
        assert not back.file_meta.TransferSyntaxUID.is_compressed
        assert back.LossyImageCompression == "01" and back.PhotometricInterpretation == "RGB"
        shown = pydicom.pixels.pixel_array(objects[0])
        np.testing.assert_array_equal(pydicom.pixels.pixel_array(back), shown)


@pytest.fixture
def plain_archive() -> Iterator[tuple[str, list[pydicom.Dataset]]]:
    """A web archive that holds nothing but what is uncompressed."""
    held: list[pydicom.Dataset] = []

    class Archive(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            start, end = body.index(b"\r\n\r\n") + 4, body.rindex(b"\r\n--")
            dataset = pydicom.dcmread(io.BytesIO(body[start:end]))
            packed = dataset.file_meta.TransferSyntaxUID.is_compressed
            if not packed:
                held.append(dataset)
            self.answer(409 if packed else 200, b"{}")

        def do_GET(self) -> None:
            rows = [pydicom.Dataset() for _ in held]
            for row, dataset in zip(rows, held, strict=True):
                row.SOPInstanceUID = dataset.SOPInstanceUID
            # One page of answers, then none.
            more = "offset=0" not in self.path and "offset" in self.path
            text = "[" + ",".join(r.to_json() for r in rows if not more) + "]"
            self.answer(200, text.encode())

        def answer(self, status: int, body: bytes) -> None:
            self.send_response(status)
            self.send_header("Content-Type", "application/dicom+json")
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_: object) -> None:
            pass

    server = HTTPServer(("127.0.0.1", free_port()), Archive)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    yield f"http://127.0.0.1:{server.server_port}", held
    server.shutdown()
    server.server_close()


def test_a_web_archive_without_jpeg_gets_pixels(
    tmp_path: Path, plain_archive: tuple[str, list[pydicom.Dataset]]
) -> None:
    address, held = plain_archive
    jpeg(tmp_path / "visit" / "images" / "before.jpg")
    objects = photo_objects(tmp_path / "visit", "images/before.jpg")
    sent = send(write_outbox(tmp_path / "o", objects), destination_from(address))
    assert sent.stored == (objects[0].SOPInstanceUID,)
    (stored,) = held
    shown = pydicom.pixels.pixel_array(objects[0])
    np.testing.assert_array_equal(pydicom.pixels.pixel_array(stored), shown)
