"""The window's repeated marking: blind, in files of its own, ending in a profile measure takes."""

import json
import shutil
from pathlib import Path

import numpy as np
import pytest

pytestmark = pytest.mark.window


@pytest.fixture
def repeating(marked, qtbot):
    from perioview_napari.repeat_panel import RepeatPanel

    shutil.rmtree(marked.folder / "repeats", ignore_errors=True)
    panel = RepeatPanel(marked.viewer)
    qtbot.addWidget(panel)
    panel.observer.setText("A. B.")
    panel.passes.setValue(2)
    yield marked, panel
    panel.close()


def mark_all(window, rng):
    """Place every mark asked for where the visit's own marks lie, give or take 3 px."""
    session = window.marking.session
    while (step := session.round.state.cursor) is not None and session.round.state.open(step):
        own = next(m for m in repeated(window) if step == step_of(m))
        row, col = np.array((own.row, own.col)) + rng.normal(0, 3.0, 2)
        window.marking.place(float(row), float(col))


def step_of(mark):
    from perioview.marking_round import step_of

    return step_of(mark)


def repeated(window):
    from perioview.files.tables import read_marks

    image = window.marking.session.image
    return read_marks(
        window.folder / "marks" / f"{image.name}.csv", species="dog", rows=image.rows,
        cols=image.cols,
    )  # fmt: skip


def test_passes_are_blind_kept_apart_and_become_a_profile(repeating):
    window, panel = repeating
    image = window.marking.session.image
    own = window.folder / "marks" / f"{image.name}.csv"
    before = own.read_bytes()
    rng = np.random.default_rng(4)
    for number in (1, 2):
        panel.begin()
        session = window.marking.session
        assert not list(session.round.marks) and not session.proposals
        assert session.propose(308) == ()
        assert f"Pass {number} of 2" in panel.message.text() and not panel.go.isEnabled()
        mark_all(window, rng)
        assert not session.proposals and panel.go.isEnabled()
        assert (window.folder / "repeats" / f"{image.name}.A-B.{number}.csv").is_file()
    panel.begin()
    assert own.read_bytes() == before
    assert len(list(window.marking.session.round.marks)) == len(list(repeated(window)))
    profile = window.folder / "repeats" / f"{image.name}.A-B.json"
    found = json.loads(profile.read_text())
    crest = next(x for x in found["landmarks"] if x["landmark"] == "crest")
    # The scatter that was put in, within its own 95 % interval.
    assert crest["sd_px_low"] < 3.0 < crest["sd_px_high"]
    assert "crest" in panel.table.text() and not panel.picture.pixmap().isNull()
    from perioview.observer import mark_sd

    assert mark_sd(str(profile), True).crest == crest["sd_mm"]


def test_a_pass_that_was_left_is_gone_on_with(repeating):
    window, panel = repeating
    panel.begin()
    window.marking.place(200.0, 300.0)
    panel.leave()
    assert len(list(window.marking.session.round.marks)) > 1
    panel.begin()
    assert [(m.row, m.col) for m in window.marking.session.round.marks] == [(200.0, 300.0)]


def test_nobody_and_nothing_to_repeat_are_refused(repeating, qtbot):
    window, panel = repeating
    panel.observer.setText(" / ")
    panel.begin()
    assert "observer" in panel.message.text()
    panel.observer.setText("AB")
    image = window.marking.session.image
    (Path(window.folder) / "marks" / f"{image.name}.csv").unlink()
    window.marking.forget(window.marking.layer)
    window.show_layer(window.marking.layer)
    panel.begin()
    assert "no marks yet" in panel.message.text()
    assert window.marking.active and panel.go.isEnabled()
