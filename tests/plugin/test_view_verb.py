"""`perioview view` where no window can be: one line and exit status 2, never an abort of Qt."""

import os
import subprocess
import sys


def view(*args, **environment):
    kept = {
        k: v
        for k, v in os.environ.items()
        if k not in ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM")
    }
    return subprocess.run(
        [sys.executable, "-m", "perioview", "view", *args],
        env=kept | environment,
        capture_output=True,
        text=True,
        timeout=60,
    )


def one_line(done, *words):
    assert done.returncode == 2, done
    assert done.stderr.count("\n") == 1, done.stderr
    for word in words:
        assert word in done.stderr


def test_no_display_is_said_in_one_line():
    if not sys.platform.startswith("linux"):
        return
    one_line(view(), "no display", "perioview measure")


def test_display_that_does_not_answer_is_said_in_one_line():
    one_line(view(DISPLAY=":9876"), "OpenGL")


def test_path_that_is_not_there_is_said_before_any_window(tmp_path):
    one_line(view(str(tmp_path / "no such.dcm")), "no such.dcm", "check the path")


def test_folder_that_is_no_visit_is_said(tmp_path):
    one_line(view(str(tmp_path)), "visit.toml", "perioview new")
