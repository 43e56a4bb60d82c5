"""No mark is lost: one session a file, what failed to be written is written later, faults told."""

import os
import shutil
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from perioview_napari.convert import image_of_layer
from perioview_napari.proposed import Proposed
from perioview_napari.reader import layers
from perioview_napari.session import Session
from perioview_napari.sessions import Sessions
from perioview_napari.visits import Visits
from PIL import Image as Picture

from perioview.errors import InputRefused
from perioview.files.reading import read_image
from perioview.files.tables import read_marks
from perioview.marks import Mark

FILM = "left-jaw.dcm"


def opened_layer(path):
    """A stand-in for napari's layer: a file read anew."""
    return SimpleNamespace(metadata={"perioview": {"image": read_image(path), "path": str(path)}})


def place(session, *places):
    if not session.round.state.roots:
        session.act(lambda: session.round.choose_teeth([308]))
    for row, col in places:
        session.act(lambda at=(row, col): session.round.place(*at))


def on_disk(folder):
    image = read_image(folder / "images" / FILM)
    path = folder / "marks" / f"{FILM}.csv"
    return read_marks(path, species="dog", rows=image.rows, cols=image.cols)


def spellings(visit, tmp_path):
    (tmp_path / "film.dcm").symlink_to(visit / "images" / FILM)
    (tmp_path / "folder").symlink_to(visit)
    relative = Path(os.path.relpath(visit / "images" / FILM))
    return (
        visit / "images" / FILM,
        visit / "images" / FILM,
        tmp_path / "film.dcm",
        tmp_path / "folder" / "images" / FILM,
        relative,
    )


def test_what_another_program_wrote_is_not_written_over(visit):
    sessions = Sessions(Visits().marks_path)
    session = sessions.open(opened_layer(visit / "images" / FILM))
    place(session, (100, 200))
    path = visit / "marks" / f"{FILM}.csv"
    theirs = path.read_text().replace("100.0", "104.0").replace("100,", "104,")
    path.write_text(theirs)
    for _ in range(2):
        with pytest.raises(InputRefused, match="changed by another program or window"):
            place(session, (110, 200))
        assert path.read_text() == theirs
    own = path.with_name(f"{path.name}.unsaved")
    assert len(own.read_text().splitlines()) == 1 + len(session.round.marks)
    assert sessions.unsaved() == [session]
    assert sessions.save_unsaved() == []
    # Ours, put in place of theirs by hand, is what was to be saved.
    own.replace(path)
    assert sessions.save_unsaved() == [session]
    assert len(on_disk(visit)) == len(session.round.marks)


def test_a_species_chosen_wrong_can_be_corrected(visit):
    film = visit / "images" / "film.png"
    Picture.fromarray(np.zeros((300, 400), np.uint8)).save(film)
    sessions = Sessions(Visits().marks_path)
    layer = opened_layer(film)
    session = sessions.open(layer, "dog", (109, 305))
    session.act(lambda: session.round.no_loss(305))
    sessions.forget(layer)
    cat = sessions.open(layer, "cat")
    assert [n for n, _ in cat.round.state.roots] == [109]
    cat.act(lambda: cat.round.place(100, 100))
    assert len(cat.round.marks) == 1


def test_one_file_is_one_session_however_its_path_is_spelled(visit, tmp_path):
    sessions = Sessions(Visits().marks_path)
    opened = [opened_layer(path) for path in spellings(visit, tmp_path)]
    for i, layer in enumerate((*opened, opened[0])):
        place(sessions.open(layer), (100 + i, 200))
        assert len(on_disk(visit)) == i + 1
    assert not list(tmp_path.glob("*.csv"))
    # Each knows its scale; one closed, the others go on; all closed, the file is read anew.
    session = sessions.open(opened[0])
    session.use_scale(0.01)
    assert {sessions.scale_of(layer).col_mm for layer in opened} == {0.01}
    sessions.close(opened[0])
    assert sessions.open(opened[1]) is session
    for layer in opened:
        sessions.close(layer)
    again = sessions.open(opened[0])
    assert again is not session
    assert again.round.marks == session.round.marks


def test_a_loose_file_and_a_link_to_it_have_one_marks_file(visit, tmp_path):
    film = Path(shutil.copy(visit / "images" / FILM, tmp_path / "film.dcm"))
    link = tmp_path / "link.dcm"
    link.symlink_to(film)
    assert Visits().marks_path(link) == tmp_path / "film.dcm.csv"
    # Marks that lie beside the link already are not left behind.
    (tmp_path / "link.dcm.csv").write_text("")
    assert Visits().marks_path(link) == tmp_path / "link.dcm.csv"


def test_a_link_in_a_visit_is_marked_in_that_visit(visit, tmp_path):
    shutil.move(visit / "images" / FILM, tmp_path / "1.2.3.dcm")
    (visit / "images" / FILM).symlink_to(tmp_path / "1.2.3.dcm")
    assert Visits().marks_path(visit / "images" / FILM) == visit / "marks" / f"{FILM}.csv"
    assert Visits().species(visit / "images" / FILM) == "dog"


@pytest.mark.parametrize("chance", ["skip", "key without effect", "retry"])
def test_a_mark_that_was_not_written_is_written_at_the_next_chance(visit, chance):
    sessions = Sessions(Visits().marks_path)
    session = sessions.open(opened_layer(visit / "images" / FILM))
    place(session, (100, 200))
    (visit / "marks").rename(visit / "away")
    with pytest.raises(InputRefused, match="No such file"):
        place(session, (120, 210))
    assert sessions.unsaved() == [session]
    assert not (visit / "marks").exists()
    (visit / "away").rename(visit / "marks")
    if chance == "skip":
        session.act(lambda: session.round.skip("not visible"))
    elif chance == "retry":
        assert sessions.save_unsaved() == [session]
    else:
        session.act(lambda: None)
    assert not sessions.unsaved()
    assert len(on_disk(visit)) == 2
    image = read_image(visit / "images" / FILM)
    assert Session(image, session.marks_path).round.state == session.round.state


def test_what_is_not_saved_outlives_its_layer(visit):
    sessions = Sessions(Visits().marks_path)
    layer = opened_layer(visit / "images" / FILM)
    session = sessions.open(layer)
    place(session, (100, 200))
    (visit / "marks").rename(visit / "away")
    with pytest.raises(InputRefused):
        place(session, (120, 210))
    sessions.close(layer)
    assert sessions.open(opened_layer(visit / "images" / FILM)) is session
    sessions.forget(layer)
    (visit / "away").rename(visit / "marks")
    assert sessions.save_unsaved() == [session]
    assert len(on_disk(visit)) == 2


def test_a_session_that_was_let_go_writes_nothing_over_the_next_one(visit):
    sessions = Sessions(Visits().marks_path)
    layer = opened_layer(visit / "images" / FILM)
    before = sessions.open(layer)
    place(before, (100, 200))
    found = Proposed(Mark("crest", 300, 200, 308, "mesial", "mesial"), 0.1, 0.9)
    sessions.forget(layer)
    after = sessions.open(layer)
    after.act(lambda: after.round.skip("overlapped"))
    written = after.round_path.read_text()
    before.take_proposals(308, [found])
    assert after.round_path.read_text() == written


def damaged(visit):
    """A marks file with two faults, the last good copy with two marks beside it."""
    session = Session(read_image(visit / "images" / FILM), visit / "marks" / f"{FILM}.csv")
    place(session, (100, 200), (120, 210), (140, 220))
    text = session.marks_path.read_text()
    session.marks_path.write_text(text.replace(",100", ",1OO").replace(",120", ",12O"))
    return session.marks_path


def contents(folder):
    return {p.name: p.read_bytes() for p in folder.iterdir()}


def test_a_damaged_file_is_told_in_one_line_with_its_good_copy(visit):
    path = damaged(visit)
    kept = contents(path.parent)
    layer = opened_layer(visit / "images" / FILM)
    with pytest.raises(InputRefused) as refused:
        Sessions(Visits().marks_path).open(layer, "dog")
    (line,) = refused.value.faults
    assert "\n" not in line
    assert line.startswith(f"{path}: line 2: row '1OO")
    assert "1 more fault" in line
    assert f"The last good copy (2 marks) is {path}.bak" in line
    assert contents(path.parent) == kept
    # A copy that is damaged as well is not called good.
    Path(f"{path}.bak").write_text("tooth")
    with pytest.raises(InputRefused) as refused:
        Sessions(Visits().marks_path).open(layer, "dog")
    assert "good copy" not in str(refused.value)


@pytest.mark.window
class TestWindow:
    """The same as it is seen and done in the window."""

    def add(self, panel, qtbot, path):
        data, kwargs, _ = layers(str(path))[0]
        added = panel.viewer.add_image(data, **kwargs)
        qtbot.waitUntil(lambda: panel.marking.layer is added, timeout=5000)
        return added

    def test_the_same_file_opened_twice_loses_no_mark(self, fresh, qtbot):
        first = fresh.marking.layer
        fresh.marking.place(300, 300)
        added = self.add(fresh, qtbot, fresh.folder / "images" / FILM)
        try:
            assert len(fresh.marking.points.layer.data) == 1
            fresh.marking.place(310, 300)
            fresh.marking.place(320, 300)
            fresh.show_layer(first)
            fresh.marking.place(330, 300)
            assert [m.row for m in on_disk(fresh.folder)] == [300, 310, 320, 330]
        finally:
            fresh.viewer.layers.remove(added)
        assert fresh.marking.layer is first
        assert len(fresh.marking.session.round.marks) == 4

    def test_the_banner_says_not_saved_until_it_is(self, fresh, qtbot, monkeypatch):
        marks, away = fresh.folder / "marks", fresh.folder / "away"
        fresh.marking.place(300, 300)
        fresh.marking.saving.timer.setInterval(50)
        marks.rename(away)
        try:
            fresh.marking.place(310, 300)
            assert "cannot be written" in fresh.status.text()
            for _ in range(2):
                assert fresh.next.text().startswith("Not saved (No such file or directory). Next:")
                assert fresh.marking.overlay.drawing.banner.startswith("Not saved (")
                # The retry in between changes nothing.
                qtbot.wait(150)
            fresh.run("next_image")
            assert fresh.next.text().startswith(f"{FILM} is not saved (")
            fresh.run("previous_image")
        finally:
            away.rename(marks)
        qtbot.waitUntil(lambda: len(on_disk(fresh.folder)) == 2, timeout=3000)
        assert fresh.next.text().startswith("Next:")
        assert fresh.marking.overlay.drawing.banner.startswith("Next:")
        assert "saved now" in fresh.status.text()

    def test_what_is_not_saved_is_written_on_turning_to_the_window_and_asked_on_closing(
        self, fresh, qtbot, monkeypatch
    ):
        from perioview_napari import session_saving
        from qtpy.QtCore import QEvent
        from qtpy.QtWidgets import QApplication, QMessageBox

        asked = []

        def question(window, title, text, *_):
            asked.append(text)
            return QMessageBox.StandardButton.No

        monkeypatch.setattr(session_saving.QMessageBox, "question", question)
        monkeypatch.setattr(fresh.marking.saving, "watch", lambda: None)
        fresh.marking.saving.timer.stop()
        marks, away = fresh.folder / "marks", fresh.folder / "away"
        window = fresh.viewer.window._qt_window
        marks.rename(away)
        try:
            fresh.marking.place(300, 300)
            closing = QEvent(QEvent.Type.Close)
            assert fresh.marking.saving.eventFilter(window, closing)
            assert len(asked) == 1
            assert str(marks / f"{FILM}.csv") in asked[0]
        finally:
            away.rename(marks)
        QApplication.sendEvent(window, QEvent(QEvent.Type.WindowActivate))
        assert len(on_disk(fresh.folder)) == 1
        assert not fresh.marking.saving.eventFilter(window, QEvent(QEvent.Type.Close))
        assert len(asked) == 1

    def test_a_visit_that_cannot_be_written_opens_and_says_so(self, fresh, monkeypatch):
        def refuse(path, *_, **__):
            raise PermissionError(13, "Permission denied", str(path))

        shutil.rmtree(fresh.folder / "marks")
        fresh.marking.sessions.clear()
        with monkeypatch.context() as patched:
            patched.setattr(Path, "mkdir", refuse)
            patched.setattr(os, "access", lambda *_: False)
            layer = fresh.marking.image_layers()[0]
            fresh.show_layer(layer)
            assert fresh.marking.session is not None
            assert "marks cannot be saved here" in fresh.status.text()
            assert "\n" not in fresh.status.text()
            assert fresh.next.text().startswith("Marks cannot be saved here (it is read-only).")
            assert not fresh.marking.opened.unsaved()
            fresh.choose_teeth((308,))
            assert fresh.next.text().startswith("Not saved (Permission denied).")
        fresh.marking.place(300, 300)
        assert len(on_disk(fresh.folder)) == 1
        assert fresh.next.text().startswith("Next:")

    def test_a_damaged_marks_file_is_named_with_its_good_copy(self, fresh):
        shutil.rmtree(fresh.folder / "marks")
        path = damaged(fresh.folder)
        kept = contents(path.parent)
        fresh.marking.sessions.clear()
        layer = fresh.marking.image_layers()[0]
        for choose in (lambda: fresh.show_layer(layer), lambda: fresh.choices.species_chosen(1)):
            choose()
            for said in (fresh.next.text(), fresh.marking.overlay.drawing.banner):
                assert said.startswith(f"{FILM}.csv: line 2: ")
                assert f"last good copy (2 marks) is {FILM}.csv.bak" in said
            assert f"{path}.bak" in fresh.status.text()
            assert contents(path.parent) == kept
        os.replace(f"{path}.bak", path)
        fresh.run("next_image")
        fresh.run("previous_image")
        assert len(fresh.marking.session.round.marks) == 2
        assert fresh.marking.session.image is image_of_layer(layer)[0]

    def test_an_image_of_a_visit_that_cannot_be_read_is_shown_and_left(self, fresh, tmp_path):
        broken = tmp_path / "broken"
        (broken / "images").mkdir(parents=True)
        shutil.copy(fresh.folder / "images" / FILM, broken / "images" / "other.dcm")
        (broken / "visit.toml").write_text("[patient")
        own = fresh.marking.layer
        fresh.open_layers(layers([str(broken / "images" / "other.dcm")]))
        other = next(n for n in fresh.marking.image_layers() if n.name.startswith("other"))
        fresh.show_layer(other)
        assert fresh.marking.layer is other
        assert fresh.marking.session is None
        assert "is no valid TOML" in fresh.status.text()
        fresh.run("beside")
        fresh.run("beside")
        fresh.show_layer(own)
        assert fresh.marking.session is not None
