"""Plaque panel: keys and wheel go to the photograph, by real mouse and key events."""

import pytest
from qtpy.QtCore import QPoint, QPointF, Qt
from qtpy.QtGui import QWheelEvent
from qtpy.QtTest import QTest
from qtpy.QtWidgets import QApplication, QPushButton
from test_states import press
from test_window import canvas

pytestmark = pytest.mark.window
DOWN = QPoint(0, -120)


def turn_wheel(field):
    middle = field.rect().center()
    turned = QWheelEvent(
        QPointF(middle), QPointF(field.mapToGlobal(middle)), QPoint(), DOWN,
        Qt.MouseButton.NoButton, Qt.KeyboardModifier.NoModifier,
        Qt.ScrollPhase.NoScrollPhase, False,
    )  # fmt: skip
    QApplication.sendEvent(field, turned)


def test_keys_work_after_a_button_and_the_wheel_chooses_nothing(marked, qtbot):
    from perioview_napari.find_panel import docked_plaque_panel

    marked.viewer.window._qt_window.resize(1280, 800)
    press(marked, Qt.Key.Key_F11)
    plaque = docked_plaque_panel(marked.viewer)
    qtbot.waitUntil(lambda: "Outlined" in plaque.message.text() and canvas(marked).hasFocus())
    regions = plaque.regions()
    before = regions.data
    # The keyboard may be in a field when the button is pressed.
    plaque.number.setFocus()
    plaque.number.setValue(306)
    wider = next(b for b in plaque.findChildren(QPushButton) if b.text() == "Wider")
    QTest.mouseClick(wider, Qt.MouseButton.LeftButton)
    assert not (regions.data == before).all()
    QTest.keyClick(QApplication.focusWidget(), Qt.Key.Key_U)
    assert (regions.data == before).all()
    kept = (marked.folder / "visit.toml").read_bytes()
    fields = (plaque.gum, plaque.dye, plaque.other.chosen)
    chosen = [field.currentText() for field in fields]
    for field in (*fields, plaque.number):
        turn_wheel(field)
    assert [field.currentText() for field in fields] == chosen and plaque.number.value() == 306
    assert (marked.folder / "visit.toml").read_bytes() == kept
    QTest.keyClick(QApplication.focusWidget(), Qt.Key.Key_PageDown)
    qtbot.waitUntil(lambda: plaque.photo_layer().name == "left-lower-after.jpg")
    plaque.close()
