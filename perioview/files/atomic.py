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
    draft = path.with_name(f".{path.name}.{os.getpid()}.draft")
    try:
        with draft.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.replace(draft, path)
    except OSError as error:
        draft.unlink(missing_ok=True)
        reason = error.strerror or str(error)
        raise InputRefused(
            f"{path}: cannot be written ({reason}); choose a folder that exists and is writable."
        ) from error
