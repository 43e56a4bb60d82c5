"""Writing a file whole or not at all."""

from __future__ import annotations

import os
from pathlib import Path

from perioview.errors import InputRefused


def write_atomically(path: Path, data: bytes) -> None:
    """Write a file whole or not at all; once it returns, a power cut cannot take it back.

    Raises
    ------
    InputRefused
        If the folder does not exist or cannot be written; what was there stays.
    """
    if path.exists() and not path.is_file():
        # A device or a pipe takes what is written; to replace it would take it from everybody.
        _write_into(path, data)
        return
    # What a link points at changes, not the link.
    path = path.resolve() if path.is_symlink() else path
    draft = path.with_name(f".{path.name}.{os.getpid()}.draft")
    try:
        with draft.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.replace(draft, path)
    except OSError as error:
        draft.unlink(missing_ok=True)
        raise _refused(path, error) from error


def _write_into(path: Path, data: bytes) -> None:
    try:
        with path.open("wb", buffering=0) as file:
            file.write(data)
    except OSError as error:
        raise _refused(path, error) from error


def _refused(path: Path, error: OSError) -> InputRefused:
    reason = error.strerror or str(error)
    return InputRefused(
        f"{path}: cannot be written ({reason}); choose a folder that exists and is writable."
    )
