"""Showing a result: a table for a person, JSON for a program."""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import Any

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
