"""Opening any supported image, told apart by its content and never by its name."""

from __future__ import annotations

from pathlib import Path

from perioview.errors import InputRefused
from perioview.files.contents import contents
from perioview.image import Image

_PHOTO = (b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n", b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")

_UNSUPPORTED = {
    b"GIF8": "a GIF picture",
    b"BM": "a BMP picture",
    b"%PDF": "a PDF document",
    b"PK\x03\x04": "a ZIP archive or office document",
    b"\0\0\0\x0cjP  ": "a bare JPEG 2000 picture",
    b"\xff\x4f\xff\x51": "a bare JPEG 2000 picture",
}

# The first tag of a file without the 128-byte preamble: group 0002 or 0008.
_BARE_DICOM = (b"\x02\0", b"\x08\0", b"\0\x02", b"\0\x08")


def read_image(path: str | Path) -> Image:
    """Open one DICOM image or one photo, with all its file says about it.

    Parameters
    ----------
    path : str or Path
        DICOM, JPEG, PNG or TIFF; any file name.

    Returns
    -------
    Image
        Grey values with the file's rescale applied, or sRGB.

    Raises
    ------
    InputRefused
        If the file is missing, cut short, or holds anything else than one supported image.
    """
    path = Path(path)
    data = contents(path)
    if data[128:132] == b"DICM":
        return _dicom(data, path)
    if data.startswith(_PHOTO):
        # Each kind of file loads its own library only: starting up is most of the time.
        from perioview.files.photo import image_from_photo

        return image_from_photo(data, path)
    if data.startswith(_BARE_DICOM) and len(data) > 8:
        return _dicom(data, path)
    raise InputRefused(f"{path}: is {_kind(data)}; export it as DICOM, JPEG, PNG or TIFF.")


def _dicom(data: bytes, path: Path) -> Image:
    from perioview.files.dicom import image_from_dicom

    return image_from_dicom(data, path)


def _kind(data: bytes) -> str:
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "a WebP picture"
    if data[4:8] == b"ftyp":
        return "a HEIF, AVIF or video file"
    for start, kind in _UNSUPPORTED.items():
        if data.startswith(start):
            return kind
    return "not an image this program knows"
