"""The command `perioview`: one verb per act; thin, each verb in its own module."""

from __future__ import annotations

import argparse
import importlib
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import NoReturn

from perioview import __version__
from perioview.errors import InputRefused

VERBS = {
    "demo": "the whole main job on a sample visit, from images to record",
    "new": "make a visit folder and copy images into it",
    "view": "open the window on images or on a visit folder",
    "measure": "bone loss per site, tooth and stage of one radiograph",
    "propose": "crest marks proposed for the clinician to accept or move",
    "plaque": "plaque coverage per tooth of a stained photograph",
    "compare": "two visits, or before and after cleaning, aligned and subtracted",
    "report": "everything of a visit: chart, measurements, stages, pictures, PDF",
    "attach": "the visit as DICOM to a folder, DICOMweb or an archive",
    "history": "earlier measurements of a patient, read back from the record",
    "repeatability": "an observer's own mark repeatability",
    "batch": "measure every visit or photo under a folder",
}


class _Parser(argparse.ArgumentParser):
    """Refuses wrong words in one line, as every other input is refused."""

    def error(self, message: str) -> NoReturn:
        raise InputRefused(f"{self.prog}: {message}; see {self.prog} --help.")


def _check_json_target(target: str | None) -> None:
    """Refuse an impossible --json before any work, so that nothing half-written is left."""
    if not target or target == "-":
        return
    folder = Path(target).parent
    if not folder.is_dir() or not os.access(folder, os.W_OK):
        raise InputRefused(f"{target}: {folder} is no folder to write in; choose another file.")
    if Path(target).is_dir():
        raise InputRefused(f"{target}: is a folder; name a file.")


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(
        prog="perioview",
        description="Calibrated bone-loss and plaque measurements of dog and cat teeth. "
        "A measuring aid: the clinician decides.",
    )
    parser.add_argument("--version", action="version", version=f"perioview {__version__}")
    verbs = parser.add_subparsers(dest="verb", metavar="VERB", required=True)
    for name, summary in VERBS.items():
        verbs.add_parser(name, help=summary)
    return parser


def _run_verb(verb: str, words: Sequence[str]) -> None:
    # Only the verb in use is loaded: start-up time is what a user feels.
    module = importlib.import_module(f"perioview.verbs.{verb}")
    summary = VERBS[verb]
    parser = _Parser(prog=f"perioview {verb}", description=summary[0].upper() + summary[1:] + ".")
    module.add_arguments(parser)
    # Options may stand between the files: perioview new VISIT --species dog IMAGE ...
    args = parser.parse_intermixed_args(list(words))
    _check_json_target(getattr(args, "json", None))
    module.run(args)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one verb.

    Parameters
    ----------
    arguments : sequence of str, optional
        The command line after the program's name; the process's own by default.

    Returns
    -------
    int
        0 done, 2 the input was refused, 1 a fault of the program.
    """
    given = list(sys.argv[1:] if arguments is None else arguments)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")
    try:
        if given and given[0] in VERBS:
            _run_verb(given[0], given[1:])
        else:
            _parser().parse_args(given)
    except InputRefused as error:
        print(*error.faults, sep="\n", file=sys.stderr)
        return 2
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except KeyboardInterrupt:
        print("stopped.", file=sys.stderr)
        return 1
    except Exception as error:
        if os.environ.get("PERIOVIEW_DEBUG") == "1":
            raise
        print(
            f"perioview failed: {type(error).__name__}: {' '.join(str(error).split())} "
            "(set PERIOVIEW_DEBUG=1 to see where).",
            file=sys.stderr,
        )
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
