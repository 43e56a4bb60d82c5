"""The brush on outlines in the real window: no key or control of napari's parts screen and file."""

import numpy as np
import pytest

pytest.importorskip("napari")

from perioview_napari.regions_kept import kept_at
from qtpy.QtCore import Qt
from qtpy.QtTest import QTest
from test_window import canvas

from perioview.files.regions import read_regions

pytestmark = pytest.mark.window
CONTROL = Qt.KeyboardModifier.ControlModifier
KEYS = (
    Qt.Key.Key_M, Qt.Key.Key_Equal, Qt.Key.Key_Minus, Qt.Key.Key_X, Qt.Key.Key_B, Qt.Key.Key_P,
    Qt.Key.Key_E, Qt.Key.Key_L, Qt.Key.Key_F, Qt.Key.Key_Z, *range(Qt.Key.Key_1, Qt.Key.Key_8),
)  # fmt: skip


@pytest.fixture
def plaque(marked, qtbot):
    """The plaque panel of the window, on the first photograph of its visit."""
    from perioview_napari.find_panel import open_plaque_panel

    made = open_plaque_panel(marked.viewer)
    qtbot.waitUntil(lambda: made.photos() != [])
    qtbot.wait(100)
    yield made
    photos = made.photos()
    marked.viewer.window.remove_dock_widget(made)
    made.close()
    for layer in list(marked.viewer.layers):
        if layer in photos or layer.name.startswith("tooth "):
            marked.viewer.layers.remove(layer)
    marked.show_layer(marked.marking.image_layers()[0])


def press(panel, key, modifier=Qt.KeyboardModifier.NoModifier):
    panel.viewer.window._qt_window.activateWindow()
    canvas(panel).setFocus()
    QTest.keyClick(canvas(panel), key, modifier)


def test_keys_and_controls_of_napari_leave_tooth_tool_and_file_alone(marked, plaque, qtbot):
    regions = plaque.regions()
    layer, number = regions.layer, regions.teeth[0]
    before = regions.data
    plaque.number.setValue(number)
    plaque.correct.brushes["paint"].click()
    size = layer.brush_size
    for key in (*KEYS, Qt.Key.Key_BracketRight):
        press(marked, key)
        assert (layer.mode, layer.selected_label) == ("paint", number), key
    assert layer.brush_size == size + 1 and plaque.correct.painting
    # As by napari's own controls.
    layer.selected_label, layer.preserve_labels = 5, False
    assert layer.selected_label == number and layer.preserve_labels
    row, col = np.argwhere(before == number)[0]
    layer.paint((row, col), number)
    layer.events.paint(value=[])
    painted = regions.data
    assert (painted == number).sum() > (before == number).sum()
    rows, cols = painted.shape
    for key, modifier, expected in (
        (Qt.Key.Key_Z, CONTROL, before),
        (Qt.Key.Key_Z, CONTROL | Qt.KeyboardModifier.ShiftModifier, painted),
        (Qt.Key.Key_U, Qt.KeyboardModifier.NoModifier, before),
    ):
        press(marked, key, modifier)
        assert (regions.data == expected).all()
        assert (read_regions(kept_at(regions.file), rows=rows, cols=cols) == expected).all()
    # What is shown anew leaves the brush in hand; another tool, or hiding, puts it away.
    plaque.show_own()
    assert layer.mode == "paint" and plaque.correct.painting
    layer.mode = "fill"
    assert not plaque.correct.painting and layer.mode == "pan_zoom"
    assert "put away" in plaque.message.text()
