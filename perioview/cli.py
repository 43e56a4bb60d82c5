"""The command `perioview`: one verb per act; thin, each verb in its own module."""

from __future__ import annotations

import argparse
import importlib
import os
import sys
from collections.abc import Sequence

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


def _parser(verb: str | None) -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="perioview",
        description="Calibrated bone-loss and plaque measurements of dog and cat teeth. "
        "A measuring aid: the clinician decides.",
    )
    parser.add_argument("--version", action="version", version=f"perioview {__version__}")
    verbs = parser.add_subparsers(dest="verb", metavar="VERB", required=True)
    for name, summary in VERBS.items():
        sub = verbs.add_parser(
            name, help=summary, description=summary[0].upper() + summary[1:] + "."
        )
        if name == verb:
            # Only the verb in use is loaded: start-up time is what a user feels.
            module = importlib.import_module(f"perioview.verbs.{name}")
            module.add_arguments(sub)
            sub.set_defaults(run=module.run)
    return parser


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
    verb = next((a for a in given if a in VERBS), None)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")
    try:
        args = _parser(verb).parse_args(given)
        args.run(args)
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
            f"perioview failed: {type(error).__name__}: {error} "
            "(set PERIOVIEW_DEBUG=1 to see where).",
            file=sys.stderr,
        )
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
