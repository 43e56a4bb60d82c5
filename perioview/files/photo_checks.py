"""Whether a photo is whole, and one grey or true-colour picture."""

from __future__ import annotations

from pathlib import Path

from PIL import Image as Picture

from perioview.errors import InputRefused
from perioview.files.contents import size_fault

# Pillow's names of the pixel kinds that are read.
GREY = ("L", "I;16", "I;16L", "I;16B", "I;16N")
COLOUR = ("RGB", "YCbCr", "CMYK")
ALPHA = ("LA", "La", "RGBA", "RGBa")
_THUMBNAIL = 254


def check_end(data: bytes) -> None:
    """Look for the end marker itself: decoders fill in what is missing at the very end.

    Parameters
    ----------
    data : bytes
        The whole file.

    Raises
    ------
    ValueError
        If a JPEG or PNG has none.
    """
    if data.startswith(b"\xff\xd8") and data.rfind(b"\xff\xd9") < _scan_start(data):
        raise ValueError("truncated: the JPEG has no end marker")
    if data.startswith(b"\x89PNG") and data.rfind(b"IEND\xaeB`\x82") < 0:
        raise ValueError("truncated: the PNG has no end marker")


def _scan_start(data: bytes) -> int:
    """Offset of a JPEG's first scan; markers before it may hold a whole thumbnail."""
    at = 2
    while at + 4 <= len(data):
        if data[at] != 0xFF:
            raise ValueError("the JPEG's header is damaged")
        if data[at + 1] == 0xDA:
            return at
        if data[at + 1] == 0xFF:
            at += 1
        else:
            at += 2 + int.from_bytes(data[at + 2 : at + 4], "big")
    raise ValueError("truncated: the JPEG has no picture data")


def check_picture(picture: Picture.Image, path: Path) -> None:
    """Refuse what is no single grey or true-colour picture.

    Parameters
    ----------
    picture : PIL.Image.Image
        Opened, not decoded.
    path : Path
        For messages.

    Raises
    ------
    InputRefused
        With every fault.
    """
    faults = []
    pages = _pages(picture)
    if pages > 1:
        faults.append(f"holds {pages} pictures (multi-frame)")
    if picture.mode in ("P", "PA"):
        faults.append("is a palette colour picture")
    elif picture.mode not in GREY + COLOUR + ALPHA:
        faults.append(f"has pixels of an unsupported kind ({picture.mode!r})")
    lines = [f"{path}: {fault}; export one 8 or 16 bit grey or RGB picture." for fault in faults]
    too_large = size_fault(path, picture.height, picture.width)
    if too_large:
        lines.append(too_large)
    if lines:
        raise InputRefused(*lines)


def _pages(picture: Picture.Image) -> int:
    """Pictures of their own: not the thumbnails of a TIFF, nor the extras of a phone's JPEG."""
    if picture.format == "MPO":
        return 1
    count = getattr(picture, "n_frames", 1)
    if picture.format != "TIFF" or count == 1:
        return int(count)
    own = 0
    for page in range(count):
        picture.seek(page)
        own += not int(picture.tag_v2.get(_THUMBNAIL, 0)) & 1  # type: ignore[attr-defined]
    picture.seek(0)
    return own
