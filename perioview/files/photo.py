"""A photo (JPEG, PNG, TIFF) upright and in sRGB, or a radiograph exported as one."""

from __future__ import annotations

import io
import logging
import os
import re
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image as Picture
from PIL import (
    ImageCms,
    ImageOps,
    JpegImagePlugin,
    PngImagePlugin,
    TiffImagePlugin,
    UnidentifiedImageError,
)

from perioview.errors import InputRefused
from perioview.files.contents import contents, sha256
from perioview.files.photo_checks import ALPHA, GREY, check_end, check_picture
from perioview.image import Image

# Without a handler of its own, Pillow's complaints about damage end on standard error.
logging.getLogger("PIL").addHandler(logging.NullHandler())

# Naming the plugins loads them, and no others.
_FORMATS = (
    JpegImagePlugin.JpegImageFile.format,
    PngImagePlugin.PngImageFile.format,
    TiffImagePlugin.TiffImageFile.format,
)

_WHITE_IS_ZERO, _TAKEN = 262, 36867


def read_photo(path: str | Path) -> Image:
    """Open one photo.

    Parameters
    ----------
    path : str or Path
        A JPEG, PNG or TIFF file.

    Returns
    -------
    Image
        Upright by its EXIF orientation; uint8 sRGB, or the grey values as they are.

    Raises
    ------
    InputRefused
        If it is not one whole grey or true-colour picture.
    """
    path = Path(path)
    return image_from_photo(contents(path), path)


def image_from_photo(data: bytes, path: Path) -> Image:
    """Make an image from the bytes of a photo.

    Parameters
    ----------
    data : bytes
        The whole file.
    path : Path
        Where it came from, for its name and for messages.

    Returns
    -------
    Image
        As `read_photo` gives it.

    Raises
    ------
    InputRefused
        If it is not one whole grey or true-colour picture.
    """
    notes: list[str] = []
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            check_end(data)
            picture = _opened(data)
            check_picture(picture, path)
            notes += _shape_notes(picture)
            pixels, inverted = _pixels(picture, notes)
            attributes = _attributes(picture)
        except InputRefused:
            raise
        except UnidentifiedImageError as error:
            raise InputRefused(
                f"{path}: is damaged or of an unsupported kind; "
                "export one 8 or 16 bit grey or RGB picture again."
            ) from error
        except Exception as error:  # decoders raise whatever the damage leads to
            reason = " ".join(str(error).split())[:160] or type(error).__name__
            raise InputRefused(
                f"{path}: cannot be decoded, the file may be cut short ({reason}); "
                "copy or export it again."
            ) from error
    if notes:
        attributes["notes"] = tuple(notes)
    return Image(pixels, path.name, sha256(data), inverted=inverted, attributes=attributes)


def _opened(data: bytes) -> Picture.Image:
    # Opening reads the header only; `check_picture` limits the size before anything is decoded.
    kept = Picture.MAX_IMAGE_PIXELS
    Picture.MAX_IMAGE_PIXELS = None
    try:
        return Picture.open(io.BytesIO(data), formats=list(_FORMATS))
    finally:
        Picture.MAX_IMAGE_PIXELS = kept


def _shape_notes(picture: Picture.Image) -> list[str]:
    """Say that a picture states pixels that are not square; they are taken as square."""
    known = picture.info
    stated = known.get("aspect") or known.get("jfif_density") or known.get("dpi")
    try:
        across, down = (float(v) for v in stated or (1, 1))
    except (TypeError, ValueError):
        return []
    if not (across > 0 and down > 0) or 0.99 <= across / down <= 1.01:
        return []
    return [
        f"the file states {across:g} by {down:g} pixels to one length: pixels that are not "
        "square; they are taken as square, check."
    ]


def _pixels(picture: Picture.Image, notes: list[str]) -> tuple[NDArray[Any], bool]:
    """Upright pixels, and whether low values stand for bright ones."""
    profile = picture.info.get("icc_profile")
    # Pillow turns 8-bit white-is-zero pictures over by itself, 16-bit ones it does not.
    tags = getattr(picture, "tag_v2", {})
    inverted = picture.mode.startswith("I;16") and tags.get(_WHITE_IS_ZERO) == 0
    with _silent_libtiff(picture):
        picture.load()
    upright = _upright(picture, notes)
    if upright.mode in ALPHA:
        upright = _without_alpha(upright)
    if upright.mode in GREY:
        grey = np.array(upright)
        return (grey.astype(np.uint16) if grey.dtype.itemsize == 2 else grey), inverted
    if profile and upright.mode in ("RGB", "CMYK"):
        return _converted(upright, profile, notes), False
    return np.array(upright.convert("RGB")), False


@contextmanager
def _silent_libtiff(picture: Picture.Image) -> Iterator[None]:
    # libtiff writes of damage to the process's own standard error; the refusal says it once.
    try:
        kept = os.dup(2) if picture.format == "TIFF" else -1
    except OSError:  # a window without a console has no standard error
        kept = -1
    if kept < 0:
        yield
        return
    with open(os.devnull, "wb") as nowhere:
        os.dup2(nowhere.fileno(), 2)
    try:
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)


def _upright(picture: Picture.Image, notes: list[str]) -> Picture.Image:
    try:
        return ImageOps.exif_transpose(picture)
    except Exception as error:  # damaged EXIF must not cost the picture
        notes.append(f"EXIF orientation ignored ({error})")
        return picture


def _without_alpha(picture: Picture.Image) -> Picture.Image:
    grey = picture.mode in ("LA", "La")
    colours = picture.convert("RGBA")
    black = Picture.new("RGBA", colours.size, (0, 0, 0, 255))
    return Picture.alpha_composite(black, colours).convert("L" if grey else "RGB")


def _converted(picture: Picture.Image, profile: bytes, notes: list[str]) -> NDArray[np.uint8]:
    try:
        converted = ImageCms.profileToProfile(
            picture,
            ImageCms.ImageCmsProfile(io.BytesIO(profile)),
            ImageCms.createProfile("sRGB"),
            renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
            outputMode="RGB",
        )
    except (ImageCms.PyCMSError, OSError, ValueError, TypeError) as error:
        notes.append(f"colour profile ignored ({error}); colours taken as sRGB")
        converted = None
    return np.array(converted if converted is not None else picture.convert("RGB"))


def srgb_from_profile(
    pixels: NDArray[np.uint8], profile: bytes, notes: list[str]
) -> NDArray[np.uint8]:
    """Convert colours from their own ICC profile to sRGB.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, cols, 3)
        RGB in the profile's space.
    profile : bytes
        The ICC profile.
    notes : list of str
        Gets a line when the profile cannot be used; the colours then stay.

    Returns
    -------
    ndarray of uint8, shape (rows, cols, 3)
        sRGB, relative colorimetric.
    """
    return _converted(Picture.fromarray(pixels), profile, notes)


def _attributes(picture: Picture.Image) -> dict[str, Any]:
    try:
        taken = str(picture.getexif().get_ifd(0x8769).get(_TAKEN, "")).strip(" \0")
    except Exception:  # damaged EXIF says nothing
        taken = ""
    stamp = re.fullmatch(r"(\d{4}):(\d{2}):(\d{2}) (\d{2}:\d{2}:\d{2})", taken)
    if not stamp:
        return {}
    return {"taken": f"{stamp[1]}-{stamp[2]}-{stamp[3]}T{stamp[4]}"}
