"""Showing a result: a table for a person, JSON for a program."""

from __future__ import annotations

import argparse
import json
import math
import os
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from perioview.errors import InputRefused
from perioview.files.atomic import write_atomically


def add_json_argument(parser: argparse.ArgumentParser) -> None:
    """Give a verb the option `--json`."""
    parser.add_argument(
        "--json",
        metavar="FILE",
        help="write the result as JSON to FILE, or to standard output with '-'",
    )


def finite(value: float | None) -> float | None:
    """Return the number for JSON: null instead of NaN or infinity."""
    return value if value is not None and math.isfinite(value) else None


def check_targets(*targets: str | None) -> None:
    """Refuse files that cannot be written before any work, so that none is left half-way.

    Parameters
    ----------
    *targets : str or None
        Files that options name; None where an option was left out.

    Raises
    ------
    InputRefused
        One line per file whose folder does not exist or is not writable, or that is a folder.
    """
    faults = []
    for path in (Path(t) for t in targets if t is not None):
        folder = path.parent
        if path.is_dir():
            faults.append(f"{path}: is a folder; name a file.")
        elif not folder.is_dir() or not os.access(folder, os.W_OK):
            faults.append(f"{path}: {folder} is no folder to write in; choose another file.")
    if faults:
        raise InputRefused(*faults)


def check_folder(folder: Path) -> None:
    """Refuse a folder that cannot be made or written in, before any work.

    Parameters
    ----------
    folder : Path
        Need not exist yet.

    Raises
    ------
    InputRefused
        If it is a file, or neither it nor the folder to make it in can be written.
    """
    there = folder
    while not os.path.exists(there) and there != there.parent:
        there = there.parent
    if os.path.isfile(there):
        raise InputRefused(f"{folder}: {there} is a file; choose another folder with --out.")
    if not os.access(there, os.W_OK):
        raise InputRefused(
            f"{folder}: cannot be written (Permission denied); choose another folder with --out."
        )


def emit(args: argparse.Namespace, result: dict[str, Any], table: Iterable[str]) -> None:
    """Write the JSON where `--json` says, else print the table."""
    if not args.json:
        print("\n".join(table))
        return
    text = json.dumps(result, indent=2, allow_nan=False, ensure_ascii=False) + "\n"
    if args.json == "-":
        sys.stdout.write(text)
    else:
        write_atomically(Path(args.json), text.encode())
