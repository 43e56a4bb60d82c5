"""What the window says and offers in each of its states, by real mouse and key events."""

import shutil
import threading
import tomllib

import numpy as np
import pytest
from perioview_napari import keys
from perioview_napari.docking import dock_of
from perioview_napari.proposed import Proposed
from qtpy.QtCore import Qt
from qtpy.QtTest import QTest
from test_window import canvas, click, drag

from perioview.marking_round import Step
from perioview.marks import Mark

pytestmark = pytest.mark.window
SHIFT = Qt.KeyboardModifier.ShiftModifier


def press(panel, key, modifier=Qt.KeyboardModifier.NoModifier):
    panel.viewer.window._qt_window.activateWindow()
    canvas(panel).setFocus()
    QTest.keyClick(canvas(panel), key, modifier)


@pytest.fixture
def on_photo(marked, qtbot):
    """The window on the first photograph of its visit, as F11 on a radiograph brings it up."""
    from perioview_napari.find_panel import docked_plaque_panel

    window = marked.viewer.window._qt_window
    size = window.size()
    window.resize(1280, 800)
    qtbot.wait(50)
    press(marked, Qt.Key.Key_F11)
    qtbot.wait(200)
    plaque = docked_plaque_panel(marked.viewer)
    yield marked, plaque
    photos = plaque.photos()
    marked.viewer.window.remove_dock_widget(plaque)
    plaque.close()
    for layer in list(marked.viewer.layers):
        if layer in photos or layer.name.startswith("tooth "):
            marked.viewer.layers.remove(layer)
    marked.show_layer(marked.marking.image_layers()[0])
    window.resize(size)


def test_photograph_has_words_and_keys_of_its_own_and_the_panel_stays_on_the_screen(
    on_photo, qtbot
):
    panel, plaque = on_photo
    marking = panel.marking
    assert marking.photo and marking.session is None
    assert marking.layer.name == "left-lower-before.jpg"
    assert "Outline teeth" in panel.next.text() == marking.overlay.drawing.banner
    # A second panel below the first would have pushed the window off a small screen.
    dock, other = dock_of(plaque), dock_of(panel)
    window = panel.viewer.window._qt_window
    qtbot.waitUntil(lambda: dock in window.tabifiedDockWidgets(other), timeout=5000)
    qtbot.waitUntil(lambda: plaque.height() > 0.8 * window.height(), timeout=5000)
    assert panel.viewer.window._qt_window.height() <= 800
    for part in (plaque.message, plaque.outline, plaque.table):
        assert part.isVisible()
        assert part.mapTo(plaque, part.rect().bottomLeft()).y() <= plaque.height()
    words = [w for _, w in keys.lines(marking.overlay.keys.state)]
    assert words and not any("proposals" in w or "loss" in w for w in words)
    enabled = {a for a, b in panel.buttons.buttons.items() if b.isEnabled()}
    assert enabled == {"undo", "redo"}
    click(panel, 300, 300)
    assert panel.status.text() == ""
    press(panel, Qt.Key.Key_K)
    assert "photograph" in panel.status.text()
    press(panel, Qt.Key.Key_PageDown)
    press(panel, Qt.Key.Key_PageDown)
    assert not marking.photo and marking.state == keys.MARKING
    assert "keep proposals" in " ".join(w for _, w in keys.lines(marking.overlay.keys.state))


def test_u_takes_an_outline_back_with_its_number_and_its_doubt(on_photo):
    panel, plaque = on_photo
    regions = plaque.regions()
    square = np.zeros(regions.layer.data.shape, bool)
    square[10:60, 10:60] = True
    teeth = regions.teeth
    number = next(n for n in (301, 302, 303) if n not in teeth)
    regions.take(number, square, sure=False)
    plaque.number.setValue(number + 1)
    regions.nudge(number, 1)
    assert number not in regions.doubtful
    press(panel, Qt.Key.Key_U)
    assert number in regions.doubtful and number in regions.teeth
    regions.accept(number)
    press(panel, Qt.Key.Key_U)
    assert number in regions.doubtful
    press(panel, Qt.Key.Key_U)
    assert regions.teeth == teeth and plaque.number.value() == number


def test_keys_listed_are_those_of_what_is_shown(fresh):
    of_marks = {"K, Shift+K", "N, Shift+N", "Q", "W", "Shift+arrows", "G", "Insert", "Up, Down"}
    of_any_image = {"PgUp, PgDown", "F2, F3", "F5, F6", "F11", "H"}
    of_radiographs = {"J", ".", "/", "F7", "F12"}
    shown = {s: {k for k, _ in keys.lines(s)} for s in (keys.MARKING, keys.UNREADY, keys.PHOTO)}
    assert shown[keys.MARKING] > of_marks | of_any_image | of_radiographs
    assert shown[keys.UNREADY] > of_any_image | of_radiographs
    assert not shown[keys.UNREADY] & of_marks
    assert shown[keys.PHOTO] > of_any_image
    assert not shown[keys.PHOTO] & (of_marks | of_radiographs)
    for action in ("keep", "skip", "no_loss", "remove", "defect"):
        assert not keys.works(action, keys.PHOTO) and not keys.works(action, keys.UNREADY)
    assert keys.lines(keys.NOTHING) == []
    fresh.marks_on.setChecked(False)
    try:
        assert fresh.marking.overlay.keys_height() == 0
        assert "Marking on" in fresh.next.text()
    finally:
        fresh.marks_on.setChecked(True)
    assert fresh.marking.overlay.keys_height() > 0


def test_doubtful_proposals_are_not_left_behind(fresh, qtbot):
    session = fresh.marking.session
    fresh.choose_teeth((308, 309))
    fresh.actions.jump(308)
    sure = Proposed(Mark("crest", 300, 200, 308, "mesial", "mesial"), 0.1, 0.9)
    doubtful = Proposed(Mark("crest", 300, 260, 308, "mesial", "distal"), 0.9, 0.2)
    session.propose = lambda tooth: (sure, doubtful) if tooth == 308 else ()
    click(fresh, 280, 200)
    qtbot.waitUntil(lambda: len(session.proposals) == 2, timeout=5000)
    press(fresh, Qt.Key.Key_K)
    # The doubtful one is asked for, not forgotten behind the next tooth.
    assert session.round.state.cursor == Step("crest", 308, "mesial", "distal")
    press(fresh, Qt.Key.Key_K, SHIFT)
    assert {m.side for m in session.round.marks.of(landmark="crest")} == {"mesial", "distal"}


def test_a_margin_that_does_not_show_is_asked_for_and_no_key_keeps_it(fresh, qtbot):
    session = fresh.marking.session
    fresh.choose_teeth((308, 309))
    fresh.actions.jump(308)
    unseen = Proposed(
        Mark("crest", 300, 260, 308, "mesial", "distal"), 1.9, 0.05, ("margin_not_seen",)
    )
    session.propose = lambda tooth: (unseen,) if tooth == 308 else ()
    click(fresh, 280, 200)
    qtbot.waitUntil(lambda: session.proposals == (unseen,), timeout=5000)
    drawing = fresh.marking.overlay.drawing
    assert "1 not seen: click, drag, or skip" in drawing.note
    assert any(chip.text.startswith("margin not seen") for chip in drawing.chips)
    press(fresh, Qt.Key.Key_K, SHIFT)
    assert not session.round.marks.of(landmark="crest")
    assert "margin was not seen" in fresh.status.text()
    session.round.go_to(Step("crest", 308, "mesial", "distal"))
    click(fresh, 310, 262)
    (crest,) = session.round.marks.of(landmark="crest")
    assert crest.how == "placed" and abs(crest.row - 310) < 2


def test_marks_no_jaw_has_are_told_over_the_radiograph(fresh):
    session = fresh.marking.session
    fresh.choose_teeth((308, 309))
    fresh.actions.jump(308)
    assert fresh.marking.overlay.drawing.doubt == ""
    for step, place in (
        (Step("cej", 308, "mesial", "mesial"), (330, 180)),
        (Step("apex", 308, "mesial"), (600, 230)),
        (Step("crest", 308, "mesial", "mesial"), (200, 180)),
    ):
        session.round.go_to(step)
        click(fresh, *place)
    doubt = fresh.marking.overlay.drawing.doubt
    assert doubt.startswith("308 mesial root, mesial side") and "swapped" in doubt


def test_messages_say_what_was_done_and_how_it_is_taken_back(fresh):
    press(fresh, Qt.Key.Key_N)
    assert fresh.status.text().startswith("Left out (not visible): 308, mesial root")
    assert "U takes it back" in fresh.status.text()
    press(fresh, Qt.Key.Key_U)
    assert fresh.status.text().startswith("Taken back")
    press(fresh, Qt.Key.Key_Q)
    assert fresh.status.text().startswith("308: no radiographic loss. U")
    press(fresh, Qt.Key.Key_Up)
    assert fresh.status.text() == ""


def test_no_loss_is_refused_where_loss_is_measured(marked):
    session = marked.marking.session
    marked.actions.jump(309)
    press(marked, Qt.Key.Key_Q)
    assert 309 not in session.round.state.sound
    worst = max(s.bone_loss_pct.value for s in session.sites(309))
    assert f"{worst:.0f} ±" in marked.status.text() and "is loss" in marked.status.text()


def test_scale_is_asked_for_and_told_in_words(fresh):
    fresh.ask_for_ruler("0 3 6 9")  # thought better of
    assert "edge at 0 mm (1 of 4)" in fresh.next.text()
    fresh.ask_for_ruler("0 10")
    assert "one end of the 10 mm" in fresh.next.text()
    click(fresh, 200, 100)
    assert "other end of the 10 mm" in fresh.next.text()
    click(fresh, 200, 300)
    assert fresh.status.text().startswith("Scale now: 0.0") and "±" in fresh.status.text()
    fresh.run("undo")
    assert "Taken back" in fresh.status.text() and "Scale now" in fresh.status.text()
    fresh.use_scale(0.02)
    try:
        assert "in this window only" in fresh.status.text()
    finally:
        fresh.use_scale(None)
    assert fresh.status.text().startswith("Scale back to")


def test_millimetres_have_their_sd_and_names_of_roots_are_whole(marked):
    marked.show_layer(marked.marking.image_layers()[2])
    table = marked.table
    for row in range(table.rowCount()):
        site = table.item(row, 3).text()
        assert "±" in site and " ± 0.0" not in site
        for column in (1, 2, 3):
            text = table.item(row, column).text()
            wrapped = table.fontMetrics().boundingRect(
                0, 0, table.columnWidth(column) - 8, 1000, Qt.TextFlag.TextWordWrap, text
            )
            assert wrapped.height() <= table.rowHeight(row), text
            assert wrapped.width() <= table.columnWidth(column) - 6, text


def test_while_marks_are_looked_for_no_click_is_asked_for(fresh, qtbot):
    session = fresh.marking.session
    go = threading.Event()
    session.propose = lambda tooth: () * go.wait(20)
    fresh.point_on.setChecked(True)
    try:
        click(fresh, 460, 200)
        assert fresh.next.text().startswith("Looking for marks")
        go.set()
        qtbot.waitUntil(lambda: not fresh.marking.waiting, timeout=5000)
        qtbot.waitUntil(lambda: fresh.next.text().startswith("Point at"), timeout=5000)
    finally:
        go.set()
        fresh.point_on.setChecked(False)


def test_what_is_dragged_into_the_window_is_shown(marked, qtbot, tmp_path):
    from perioview_napari.reader import layers

    first = marked.marking.layer
    copy = shutil.copy(marked.visits.marks_path(marked.folder / "images" / "left-jaw.dcm").parent
                       .parent / "images" / "left-jaw.dcm", tmp_path / "again.dcm")  # fmt: skip
    data, kwargs, _ = layers(str(copy))[0]
    added = marked.viewer.add_image(data, **kwargs)
    try:
        qtbot.waitUntil(lambda: marked.marking.layer is added, timeout=5000)
        assert added.visible and not first.visible
    finally:
        marked.marking.forget(added)
        marked.viewer.layers.remove(added)


def test_an_answer_about_other_images_is_not_shown(marked, qtbot, monkeypatch):
    from perioview_napari import compare_panel

    asked = []
    monkeypatch.setattr(
        compare_panel, "in_background", lambda task, done, refused: asked.append(refused)
    )
    panel = compare_panel.ComparePanel(marked.viewer)
    qtbot.addWidget(panel)
    try:
        panel.align()
        panel.later.setCurrentIndex(2)
        panel.align()
        asked[0]("of the pair chosen before")
        assert panel.message.text() == "aligning…"
        asked[1]("of this pair")
        assert panel.message.text() == "of this pair"
    finally:
        panel.close()


def test_a_tick_taken_back_has_its_time_again(visit, qtbot, monkeypatch):
    from perioview_napari.procedure_list import ProcedureList

    from perioview.errors import InputRefused
    from perioview.files.visit_folder import read_visit

    def refused(folder, visit):
        raise InputRefused("the disk is full.")

    ticks = ProcedureList(lambda visit: None)
    qtbot.addWidget(ticks)
    ticks.show_visit(visit, read_visit(visit))
    before = tomllib.loads((visit / "visit.toml").read_text("utf-8"))["steps"]
    pack = next(s for s in ticks.steps if s.asks == "count")
    assert not ticks.back.isEnabled()
    ticks.untick(pack)
    assert tomllib.loads((visit / "visit.toml").read_text("utf-8"))["steps"] != before
    # What cannot be written now can be taken back later.
    with monkeypatch.context() as full:
        full.setattr("perioview.files.visit_folder.write_visit", refused)
        ticks.back.click()
    assert ticks.message.text() == "the disk is full." and ticks.back.isEnabled()
    ticks.back.click()
    assert tomllib.loads((visit / "visit.toml").read_text("utf-8"))["steps"] == before
    assert not ticks.back.isEnabled()


def test_one_open_point_is_told_as_one(visit, qtbot, monkeypatch):
    from perioview_napari import report_button

    monkeypatch.setattr(report_button, "in_background", lambda task, done, refused: done(5))
    button = report_button.ReportButton(lambda: (visit, 1))
    qtbot.addWidget(button)
    button.make.click()
    assert "1 point was still open" in button.message.text()


def test_report_is_made_from_within_the_window(visit, qtbot, monkeypatch):
    from perioview_napari.report_button import ReportButton
    from qtpy.QtGui import QDesktopServices

    text = (visit / "visit.toml").read_text("utf-8")
    (visit / "visit.toml").write_text(text.replace("[[photos]]", "[[other]]"), "utf-8")
    button = ReportButton(lambda: (visit, 3))
    qtbot.addWidget(button)
    button.make.click()
    qtbot.waitUntil(button.make.isEnabled, timeout=60_000)
    assert (visit / "record" / "report.pdf").read_bytes().startswith(b"%PDF")
    assert "3 points were still open" in button.message.text()
    opened = []
    monkeypatch.setattr(QDesktopServices, "openUrl", lambda url: bool(opened.append(url)))
    button.show_it.click()
    assert opened[0].toLocalFile() == str(visit / "record" / "report.pdf")
    assert "No program opens PDF" in button.message.text()


def test_an_unknown_sd_is_not_written_as_nought():
    from perioview_napari.plaque_table import with_sd

    assert with_sd(89.2, 1.2) == "89 ± 1" and with_sd(89.2, None) == "89 ± ?"
    assert with_sd(None, None) == "-"


def test_a_dragged_mark_says_so(marked):
    session = marked.marking.session
    crest = session.round.marks.of(tooth=309, root="mesial", side="mesial", landmark="crest")[0]
    for _ in drag(marked, (crest.row, crest.col), (crest.row + 20, crest.col)):
        pass
    assert marked.status.text().startswith("Saved: ")
    marked.run("undo")
