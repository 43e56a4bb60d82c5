"""`perioview view`: the window, or one line that says why there can be none."""

from __future__ import annotations

import argparse
import contextlib
import os
import subprocess
import sys
import tempfile
from pathlib import Path

from perioview.errors import InputRefused

# Qt ends the whole process where it finds no display or OpenGL, so another process tries first.
_PROBE = """
from qtpy.QtGui import QGuiApplication, QOffscreenSurface, QOpenGLContext
app = QGuiApplication([])
surface = QOffscreenSurface(); surface.create()
context = QOpenGLContext()
made = context.create() and context.makeCurrent(surface)
version = context.format().version() if made else (0, 0)
import os
os._exit(0 if tuple(version) >= (2, 1) else 3)
"""
_PROBE_SECONDS = 30


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `view`."""
    from perioview.verbs.new import add_source_arguments

    parser.add_argument(
        "paths", nargs="*", metavar="PATH", help="radiographs, photographs or one visit folder"
    )
    add_source_arguments(parser)
    parser.add_argument("--patient", metavar="ID", help="with --from: number of the patient")
    parser.add_argument("--date", metavar="YYYY-MM-DD", help="with --from: of the study")
    parser.add_argument("--species", choices=("dog", "cat"), help="when no file names it")
    parser.add_argument("--teeth", default="", help="teeth in view, as 308,309 or 404-407")


def check_paths(paths: list[Path]) -> None:
    """Refuse what cannot be opened before a window is made.

    Raises
    ------
    InputRefused
        With one line per path.
    """
    faults = [
        f"{p}: there is no such file or folder; check the path." for p in paths if not p.exists()
    ]
    faults += [
        f"{p}: is no visit folder (no visit.toml); make one with perioview new."
        for p in paths
        if p.is_dir() and not (p / "visit.toml").is_file()
    ]
    if faults:
        raise InputRefused(*faults)


def check_display() -> None:
    """Refuse to start where there is no display at all.

    Raises
    ------
    InputRefused
        On Linux without an X11 or Wayland display.
    """
    offered = ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM")
    if sys.platform.startswith("linux") and not any(os.environ.get(name) for name in offered):
        raise InputRefused(
            "view: no display (DISPLAY and WAYLAND_DISPLAY are not set); run it at a desktop, "
            "or use perioview measure and report, which need none."
        )


def visit_from_record(args: argparse.Namespace, paths: list[Path]) -> Path:
    """Make a visit folder of a study and the marks of its newest reports, from the record alone.

    Parameters
    ----------
    args : Namespace
        ``source``, ``patient``, ``study``, ``date`` and ``species``.
    paths : list of Path
        The folder to make; a temporary one, told on standard error, where there is none.

    Returns
    -------
    Path

    Raises
    ------
    InputRefused
        If no study fits or the folder cannot be made.
    """
    from perioview.record.archive_visit import visit_from_archive
    from perioview.record.destination import source_from
    from perioview.verbs.new import parsed_date

    if not args.patient:
        raise InputRefused("--from needs the patient's number; give it as --patient ID.")
    if len(paths) > 1:
        raise InputRefused("--from makes one visit folder; name one at most.")
    with contextlib.ExitStack() as refused:
        folder = paths[0] if paths else Path(tempfile.mkdtemp(prefix="perioview-"), "visit")
        if not paths:
            refused.callback(folder.parent.rmdir)
        visit_from_archive(
            folder,
            source_from(args.source),
            args.patient,
            study=args.study,
            date=parsed_date(args.date, "--date") if args.date else None,
            species=args.species,
            marks=True,
            told=lambda line: print(f"{folder}: {line}", file=sys.stderr),
        )
        refused.pop_all()
    if not paths:
        print(f"{folder}: opened from the record; name a folder to keep it.", file=sys.stderr)
    return folder


def start_probe() -> subprocess.Popen[bytes]:
    """Try for OpenGL in a process of its own, while this one loads napari."""
    return subprocess.Popen(
        [sys.executable, "-c", _PROBE],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


def check_probe(probe: subprocess.Popen[bytes]) -> None:
    """Refuse when the probe found no display it can use or no OpenGL.

    Raises
    ------
    InputRefused
        If the window would not open.
    """
    try:
        status = probe.wait(_PROBE_SECONDS)
    except subprocess.TimeoutExpired:
        probe.kill()
        probe.wait()
        status = -1
    if status:
        what = "no OpenGL 2.1" if status == 3 else "no display that works, or no OpenGL"
        raise InputRefused(
            f"view: {what} (remote desktop, or no graphics driver?); run it at a desktop with "
            "OpenGL, or use perioview measure and report, which need none."
        )


def run(args: argparse.Namespace) -> None:
    """Open the window.

    Raises
    ------
    InputRefused
        If a path cannot be opened, the window is not installed or cannot be shown.
    """
    paths = [Path(p) for p in args.paths]
    if not args.source:
        check_paths(paths)
    check_display()
    if args.source:
        paths = [visit_from_record(args, paths)]
    try:
        import qtpy  # noqa: F401
    except Exception as fault:
        raise InputRefused(_not_installed(fault)) from fault
    probe = start_probe()
    try:
        import napari
        from perioview_napari.launch import open_window
    except ImportError as fault:
        probe.kill()
        probe.wait()
        raise InputRefused(_not_installed(fault)) from fault
    check_probe(probe)
    open_window(paths, args.species, args.teeth)
    napari.run()


def _not_installed(fault: Exception) -> str:
    return (
        f"view: the window is not installed ({fault}); "
        'install it with pip install "perioview[window]".'
    )
