"""Window tests need Xvfb (or a display); on a build server their absence is a fault."""

import os
import shutil
import sys

import pytest

HINT = "no display and no Xvfb: apt-get install xvfb libgl1-mesa-dri libegl1 libxkbcommon-x11-0"


def pytest_collection_modifyitems(items):
    shown = os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")
    if shown or shutil.which("Xvfb") or not sys.platform.startswith("linux"):
        return
    for item in items:
        if item.get_closest_marker("window") and not os.environ.get("CI"):
            item.add_marker(pytest.mark.skip(reason=HINT))


@pytest.fixture(autouse=True)
def display(request):
    if (
        request.node.get_closest_marker("window")
        and sys.platform.startswith("linux")
        and not (os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY"))
    ):
        pytest.fail(HINT)


@pytest.fixture
def visit(tmp_path):
    """A copy of the sample visit whose first radiograph has no marks yet."""
    from perioview_napari.sample_data import sample_visit

    folder = tmp_path / "visit"
    shutil.copytree(sample_visit(), folder)
    shutil.rmtree(folder / "marks", ignore_errors=True)
    return folder


@pytest.fixture
def marked_visit(tmp_path):
    """A copy of the sample visit with its marks."""
    from perioview_napari.sample_data import sample_visit

    folder = tmp_path / "visit"
    shutil.copytree(sample_visit(), folder)
    return folder


@pytest.fixture
def window(make_napari_viewer, qtbot):
    """Open the panel on a visit or files, as `perioview view` does."""
    from perioview_napari.panel import MarkingPanel
    from perioview_napari.reader import layers

    panels = []

    def open_on(*paths, species=None):
        viewer = make_napari_viewer(show=True)
        viewer.window._qt_window.resize(1200, 800)
        panel = MarkingPanel(viewer)
        panels.append(panel)
        viewer.window.add_dock_widget(panel, name="Mark and measure teeth", area="right")
        panel.open_layers(layers([str(p) for p in paths]), species)
        viewer.window._qt_window.activateWindow()
        qtbot.wait(150)
        return panel

    yield open_on
    for panel in panels:
        panel.release()
