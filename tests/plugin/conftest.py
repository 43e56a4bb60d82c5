"""Window tests need Xvfb (or a display); on a build server their absence is a fault."""

import gc
import os
import shutil
import sys

import pytest

HINT = "no display and no Xvfb: apt-get install xvfb libgl1-mesa-dri libegl1 libxkbcommon-x11-0"


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items):
    # napari's own fixture puts an application of its own in place of the real one; once a real
    # one has registered the plugins, coming back from that registers them twice and fails.
    items.sort(key=lambda item: "make_napari_viewer" not in getattr(item, "fixturenames", ()))
    shown = os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")
    if shown or shutil.which("Xvfb") or not sys.platform.startswith("linux"):
        return
    for item in items:
        if item.get_closest_marker("window") and not os.environ.get("CI"):
            item.add_marker(pytest.mark.skip(reason=HINT))


@pytest.fixture(scope="module", autouse=True)
def quick_collections():
    """Leave what is loaded already out of garbage collection.

    napari's own fixture collects eight times a test; looking each time through all modules and
    layers of earlier tests took most of the time of the tests that use it.
    """
    gc.collect()
    gc.freeze()


def check_display():
    shown = os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")
    if sys.platform.startswith("linux") and not shown:
        # Qt would abort the whole test run.
        pytest.fail(HINT)


@pytest.fixture
def visit(tmp_path):
    """A copy of the sample visit whose first radiograph has no marks yet."""
    from perioview_napari.sample_data import sample_visit

    folder = tmp_path / "visit"
    shutil.copytree(sample_visit(), folder)
    shutil.rmtree(folder / "marks", ignore_errors=True)
    return folder


@pytest.fixture(scope="module")
def panel(tmp_path_factory):
    """The panel on a visit, as `perioview view` opens it; once, since it is slow."""
    check_display()
    from napari._qt.qt_event_loop import get_qapp
    from perioview_napari.launch import open_window
    from perioview_napari.panel import MarkingPanel
    from perioview_napari.sample_data import sample_visit

    app = get_qapp()
    folder = tmp_path_factory.mktemp("window") / "visit"
    shutil.copytree(sample_visit(), folder)
    viewer = open_window([folder])
    viewer.window._qt_window.resize(1100, 700)
    opened = next(w for w in app.allWidgets() if isinstance(w, MarkingPanel) and w.viewer is viewer)
    opened.folder = folder
    yield opened
    opened.release()
    viewer.close()


def begin_again(panel, qtbot):
    from perioview_napari.orientation import Orientation

    panel.marking.sessions.clear()
    panel.marking.seeing.orient(Orientation())
    panel.show_layer(panel.marking.image_layers()[0])
    panel.viewer.window._qt_window.activateWindow()
    qtbot.wait(50)


@pytest.fixture
def marked(panel, qtbot):
    """The window on the first radiograph of the sample visit, with its marks."""
    from perioview_napari.sample_data import sample_visit

    shutil.rmtree(panel.folder / "marks", ignore_errors=True)
    shutil.copytree(sample_visit() / "marks", panel.folder / "marks")
    begin_again(panel, qtbot)
    return panel


@pytest.fixture
def fresh(panel, qtbot):
    """The window on the first radiograph of the sample visit, without marks or proposals."""
    shutil.rmtree(panel.folder / "marks", ignore_errors=True)
    begin_again(panel, qtbot)
    panel.choose_teeth((308,))
    panel.marking.session.propose = lambda tooth: ()
    return panel
