"""`perioview view`: the window, or one line that says why there can be none."""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
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
    parser.add_argument(
        "paths", nargs="*", metavar="PATH", help="radiographs, photographs or one visit folder"
    )
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
    check_paths(paths)
    check_display()
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
