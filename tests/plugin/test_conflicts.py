"""Another program's marks, a second panel, another species: nothing is lost, and it is said."""

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from perioview_napari.reader import layers
from perioview_napari.sessions import Sessions
from perioview_napari.visits import Visits
from PIL import Image as Picture
from test_saving import FILM, on_disk, opened_layer, place

from perioview.errors import InputRefused
from perioview.files.stray_files import stray_files


class Conflict:
    """A session of one mark whose file another program has changed, with two more marks since."""

    def __init__(self, visit):
        self.visit, self.film = visit, visit / "images" / FILM
        self.sessions = Sessions(Visits().marks_path)
        self.layer = opened_layer(self.film)
        self.session = self.sessions.open(self.layer)
        place(self.session, (100, 200))
        self.path = visit / "marks" / f"{FILM}.csv"
        self.foreign("104.0")
        for at in ((110, 200), (120, 200)):
            with pytest.raises(InputRefused, match="changed by another program"):
                place(self.session, at)

    def foreign(self, row):
        before = self.path.read_text()
        self.path.write_text(before.replace(",100.0,", f",{row},").replace(",104.0,", f",{row},"))
        assert self.path.read_text() != before

    def copy(self, ending=".unsaved"):
        return self.path.with_name(self.path.name + ending)

    def kept(self, ending=".unsaved"):
        return len(self.copy(ending).read_text().splitlines()) - 1


@pytest.fixture
def conflict(visit):
    return Conflict(visit)


def test_a_copy_put_in_place_counts_as_saved_and_the_round_goes_on(conflict):
    assert conflict.kept() == 3
    conflict.copy().replace(conflict.path)
    # Without a word in between, the next mark is saved as any other.
    place(conflict.session, (130, 200))
    assert len(on_disk(conflict.visit)) == 4
    assert not conflict.sessions.unsaved()
    assert sorted(p.name for p in conflict.path.parent.iterdir()) == [
        f"{FILM}.csv", f"{FILM}.csv.bak", f"{FILM}.round.json",
    ]  # fmt: skip


def test_opened_again_the_file_is_read_and_the_copy_is_told_of(conflict):
    assert conflict.sessions.open(conflict.layer) is conflict.session
    conflict.sessions.close(conflict.layer)
    again = conflict.sessions.open(opened_layer(conflict.film))
    assert [m.row for m in again.round.marks] == [104.0]
    assert not conflict.sessions.unsaved()
    assert conflict.kept() == 3
    assert f"{FILM}.csv.unsaved holds 3 marks that could not be saved" in again.file.copies_words()
    said = {s.file: s.sentence for s in stray_files(conflict.visit)}
    assert f"rename this one to {FILM}.csv" in said[f"marks/{FILM}.csv.unsaved"]
    assert f"rename it to {FILM}.round.json" in said[f"marks/{FILM}.round.json.unsaved"]


def test_a_copy_taken_away_stays_away_and_the_file_holds(conflict):
    conflict.copy().unlink()
    assert conflict.sessions.save_unsaved() == []
    assert not conflict.copy().exists()
    again = conflict.sessions.open(conflict.layer)
    assert [m.row for m in again.round.marks] == [104.0]
    assert not conflict.sessions.unsaved()


def test_the_copy_of_an_earlier_day_is_not_written_over(conflict):
    conflict.sessions.close(conflict.layer)
    again = conflict.sessions.open(opened_layer(conflict.film))
    conflict.foreign("106.0")
    with pytest.raises(InputRefused, match="unsaved-2"):
        place(again, (140, 210))
    assert (conflict.kept(), conflict.kept(".unsaved-2")) == (3, 2)
    # Taking everything back writes into the copy of this window alone.
    with pytest.raises(InputRefused):
        again.act(again.round.undo)
    assert (conflict.kept(), conflict.kept(".unsaved-2")) == (3, 1)


def test_a_file_changed_while_nothing_waits_is_read_when_its_image_is_shown(conflict):
    conflict.sessions.close(conflict.layer)
    layer = opened_layer(conflict.film)
    before = conflict.sessions.open(layer)
    assert len(before.round.marks) == 1
    # What the window says to do with the marks it kept; the round is forgotten.
    conflict.copy().replace(conflict.path)
    again = conflict.sessions.open(layer)
    assert before.closed and len(again.round.marks) == 3
    said = again.file.told()
    assert said.startswith(f"{FILM}.csv was changed by another program or window; its marks")
    rounds = f"{FILM}.round.json"
    assert f"{rounds}.unsaved (left out, teeth without loss)" in said
    assert "was changed by another" not in again.file.told()
    place(again, (130, 200))
    assert len(on_disk(conflict.visit)) == 4 and not conflict.copy(".unsaved-2").exists()
    # Gone, or no marks file: what was read holds, and no mark is lost.
    good = conflict.path.read_bytes()
    conflict.path.write_text("rubbish")
    with pytest.raises(InputRefused, match="is missing"):
        conflict.sessions.open(layer)
    conflict.path.unlink()
    assert conflict.sessions.open(layer) is again
    again.save()
    assert conflict.path.read_bytes() == good


def test_a_write_protected_marks_file_is_left_as_it_is(visit):
    sessions = Sessions(Visits().marks_path)
    place(sessions.open(opened_layer(visit / "images" / FILM)), (100, 200))
    path = visit / "marks" / f"{FILM}.csv"
    path.chmod(0o444)
    session = Sessions(Visits().marks_path).open(opened_layer(visit / "images" / FILM))
    assert session.file.refused == "the marks file is write-protected"
    with pytest.raises(InputRefused, match="is write-protected and is left as it is"):
        place(session, (110, 200))
    assert path.stat().st_mode & 0o777 == 0o444
    assert len(on_disk(visit)) == 1
    path.chmod(0o644)
    session.save()
    assert len(on_disk(visit)) == 2 and not session.file.refused


STEP = {"landmark": "cej", "tooth": 308, "root": "mesial", "side": "mesial", "mm": None}


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"teeth": [{"tooth": 308, "roots": []}]}, "308: no such roots: none"),
        ({"teeth": [{"tooth": 999, "roots": ["mesial"]}]}, "999 is no tooth"),
        ({"next": STEP | {"landmark": "foo"}}, "no such landmark: foo"),
        ({"next": STEP | {"landmark": "ruler"}}, "no such distance: None mm"),
        ({"asked": [STEP | {"side": "up"}]}, "no such root or side: mesial, up"),
        (b"\xe9", "is no UTF-8 text"),
    ],
)
def test_a_damaged_round_is_refused_in_one_line(visit, change, said):
    session = Sessions(Visits().marks_path).open(opened_layer(visit / "images" / FILM))
    place(session, (100, 200))
    content = json.loads(session.round_path.read_text())
    bad = change if isinstance(change, bytes) else json.dumps(content | change).encode()
    session.round_path.write_bytes(bad)
    with pytest.raises(InputRefused) as refused:
        Sessions(Visits().marks_path).open(opened_layer(visit / "images" / FILM))
    (line,) = refused.value.faults
    assert line.startswith(f"{session.round_path}: not a marking round (") and said in line
    assert line.endswith("; remove it, the marks are kept apart from it.")


def test_no_session_takes_a_species_the_image_is_not_of(visit):
    sessions = Sessions(Visits().marks_path)
    with pytest.raises(InputRefused, match="the image says dog, so it is not marked as a cat's"):
        sessions.open(opened_layer(visit / "images" / FILM), "cat")


@pytest.mark.window
class TestWindow:
    """The same as it is seen and done in the window."""

    @pytest.fixture
    def asked(self, monkeypatch):
        """Answer every question with the last of `answers`; returns what was asked."""
        from qtpy.QtWidgets import QMessageBox

        class Asked(list):
            answer = QMessageBox.StandardButton.No

        said = Asked()

        def question(window, title, text, *_):
            said.append(text)
            return said.answer

        monkeypatch.setattr(QMessageBox, "question", question)
        return said

    def test_a_conflict_is_told_shortly_and_closing_loses_nothing(self, fresh, asked, tmp_path):
        from perioview_napari.docking import BesideMarking
        from perioview_napari.report_button import ReportButton
        from qtpy.QtCore import QEvent

        fresh.marking.place(300, 300)
        path = fresh.folder / "marks" / f"{FILM}.csv"
        path.write_text(path.read_text().replace(",300.0,", ",304.0,", 1))
        fresh.marking.place(310, 300)
        assert fresh.next.text().startswith(
            "Not saved (the marks file was changed elsewhere). Next: 308"
        )
        fresh.run("next_image")
        fresh.run("previous_image")
        assert "Rename that to" in fresh.status.text()
        assert "make the folder writable" not in fresh.status.text()
        window = fresh.viewer.window._qt_window
        assert fresh.marking.saving.eventFilter(window, QEvent(QEvent.Type.Close))
        assert "kept in left-jaw.dcm.csv.unsaved" in asked[-1] and "No mark is lost." in asked[-1]
        # The report would be made of the other program's marks.
        tool = BesideMarking()
        tool.viewer = fresh.viewer
        button = ReportButton(lambda: (fresh.folder, 0))
        button.setParent(tool)
        button.make.click()
        assert f"without the unsaved marks of {FILM}?" in asked[-1]
        assert button.message.text() == "No report was made: marks are not saved."
        path.unlink()
        fresh.marking.saving.retry()
        assert len(on_disk(fresh.folder)) == 2
        assert fresh.next.text().startswith("Next:")

    def test_a_copy_of_an_earlier_day_is_told_of_whenever_the_image_is_shown(self, fresh):
        fresh.marking.place(300, 300)
        path = fresh.folder / "marks" / f"{FILM}.csv"
        shutil.copy(path, f"{path}.unsaved")
        fresh.run("next_image")
        fresh.run("previous_image")
        assert f"{FILM}.csv.unsaved holds 1 mark that" in fresh.status.text()
        Path(f"{path}.unsaved").unlink()

    def test_a_species_the_visit_is_not_of_is_refused_and_what_can_be_undone_stays(self, fresh):
        fresh.marking.place(300, 300)
        session = fresh.marking.session
        fresh.choices.species_chosen(2)
        assert "its visit.toml says dog, so it is not marked as a cat's" in fresh.status.text()
        assert fresh.marking.session is session and fresh.species.currentText() == "dog"
        # A choice that the marks refuse, of a film that names no species itself.
        fresh.visits._known[fresh.folder.resolve()].patient.pop("species")
        object.__setattr__(session.image, "species", None)
        fresh.marking.act(lambda: session.round.choose_teeth([310]))
        fresh.marking.place(310, 320)
        fresh.choices.species_chosen(2)
        assert "a cat has no tooth 310" in fresh.status.text()
        assert fresh.marking.session is session and session.round.can_undo

    def test_what_is_refused_is_shown_as_no_photograph(self, panel, tmp_path, qtbot):
        film = tmp_path / "broken" / "images" / "film.png"
        film.parent.mkdir(parents=True)
        Picture.fromarray(np.zeros((300, 400), np.uint8)).save(film)
        (tmp_path / "broken" / "visit.toml").write_text("[patient")
        data, kwargs, _ = layers(str(film))[0]
        layer = panel.viewer.add_image(data, **kwargs)
        try:
            panel.show_layer(layer)
            assert panel.marking.layer is layer and panel.marking.session is None
            for said in (panel.next.text(), panel.marking.overlay.drawing.banner):
                assert said.startswith("visit.toml: is no valid TOML")
            panel.run("keep")
            assert "photograph" not in panel.status.text() + panel.progress.text()
        finally:
            panel.viewer.layers.remove(layer)

    def test_a_panel_closed_by_its_x_lets_go_and_the_next_one_marks_alone(
        self, panel, visit, qtbot, asked
    ):
        from perioview_napari.docking import dock_of
        from perioview_napari.launch import open_window
        from qtpy.QtWidgets import QPushButton

        viewer = open_window([visit])
        viewer.window._qt_window.resize(1100, 700)
        first = next(iter(viewer.window.dock_widgets.values()))

        def close(closed):
            title = dock_of(closed).titleBarWidget()
            title.findChild(QPushButton, "QTitleBarCloseButton").click()
            qtbot.waitUntil(lambda: dock_of(closed) is None or asked, timeout=5000)
            qtbot.wait(100)

        def opened():
            made = type(first)(viewer)
            viewer.window.add_dock_widget(made, name="another", area="right")
            return made

        try:
            first.choose_teeth((308,))
            first.marking.place(300, 300)
            callbacks = len(viewer.mouse_drag_callbacks)
            # What is not saved keeps the panel, unless it is to be lost.
            marks, away = visit / "marks", visit / "away"
            marks.rename(away)
            first.marking.place(310, 300)
            close(first)
            assert f"lose what is not saved of {FILM}?" in asked.pop()
            qtbot.waitUntil(first.isVisible, timeout=5000)
            assert dock_of(first) is not None and not first.released
            away.rename(marks)
            close(first)
            assert first.released and not asked
            assert len(viewer.mouse_drag_callbacks) == callbacks - 1
            assert "marks" not in viewer.layers
            second = opened()
            assert len(second.marking.session.round.marks) == 2
            second.marking.place(320, 300)
            assert len(on_disk(visit)) == 3 and second.status.text() == "Saved: 3 marks."
            assert [la.name for la in viewer.layers if la.name.startswith("marks")] == ["marks"]
            # A second one beside it takes its place, with what is not saved.
            marks.rename(away)
            second.marking.place(330, 300)
            third = opened()
            assert second.released and dock_of(second) is None
            assert len(third.marking.session.round.marks) == 4
            away.rename(marks)
            third.marking.saving.retry()
            assert len(on_disk(visit)) == 4
            third.release()
        finally:
            viewer.close()
