"""The bytes of an image file, or one clear line about why there are none."""

from __future__ import annotations

import hashlib
from pathlib import Path

from perioview.errors import InputRefused

# The largest grid that a DICOM SCOORD's float32 still addresses to 1/1024 px.
LARGEST_SIDE = 16383
LARGEST_BYTES = 2 * 1024**3


def contents(path: str | Path) -> bytes:
    """Read a whole file.

    Parameters
    ----------
    path : str or Path
        A regular file.

    Returns
    -------
    bytes
        At least one byte.

    Raises
    ------
    InputRefused
        If there is no such file, or it is a folder, empty, unreadable or over 2 GiB.
    """
    path = Path(path)
    try:
        if path.is_dir():
            raise InputRefused(f"{path}: is a folder, not an image; name one image file.")
        if path.exists() and not path.is_file():
            raise InputRefused(f"{path}: is not a regular file; name one image file.")
        size = path.stat().st_size
        if size > LARGEST_BYTES:
            raise InputRefused(
                f"{path}: is too large for one image ({size / 1024**3:.1f} GiB; "
                f"at most {LARGEST_BYTES // 1024**3}); name one image file."
            )
        data = path.read_bytes()
    except FileNotFoundError:
        raise InputRefused(f"{path}: no such file; check the name and the folder.") from None
    except InputRefused:
        raise
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise InputRefused(f"{path}: cannot be read ({reason}); check its permissions.") from error
    if not data:
        raise InputRefused(f"{path}: is empty (0 bytes); copy or export the image again.")
    return data


def sha256(data: bytes) -> str:
    """Return the SHA-256 of a file's bytes, in hexadecimal."""
    return hashlib.sha256(data).hexdigest()


def size_fault(path: Path, rows: int, cols: int) -> str | None:
    """Say why an image of this size is refused; None when it is not."""
    if rows < 1 or cols < 1:
        return f"{path}: has {rows} rows and {cols} columns, so no pixels; export the image again."
    if max(rows, cols) > LARGEST_SIDE:
        return (
            f"{path}: {rows} rows by {cols} columns is too large; "
            f"at most {LARGEST_SIDE} of each, so crop it or export it smaller."
        )
    return None
