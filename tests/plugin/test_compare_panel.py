"""Two visits in the window: crest readings, marks carried as proposals, points by hand."""

import shutil

import numpy as np
import pytest
from perioview_napari.convert import image_of_layer

from perioview.files.tables import read_marks

pytestmark = pytest.mark.window


@pytest.fixture
def comparing(marked, tmp_path, qtbot):
    """The sample patient's first visit in the window, and the second without its marks."""
    from perioview_napari.compare_panel import ComparePanel
    from perioview_napari.reader import layers
    from perioview_napari.sample_data import sample_visit

    folder = tmp_path / "recheck"
    shutil.copytree(sample_visit().parent / "toy-dog-recheck", folder)
    marks = folder / "marks" / "left-jaw.dcm.csv"
    truth = read_marks(marks, species="dog", rows=760, cols=1040)
    shutil.rmtree(folder / "marks")
    data, kwargs, _ = layers([str(folder / "images" / "left-jaw.dcm")])[0]
    first = marked.marking.image_layers()[0]
    later = marked.viewer.add_image(data, **kwargs | {"units": first.units})
    panel = ComparePanel(marked.viewer)
    qtbot.addWidget(panel)
    panel.earlier.setCurrentText(first.name)
    panel.later.setCurrentText(later.name)
    yield marked, panel, later, truth
    panel.close()
    for name in [la.name for la in marked.viewer.layers if la.name.startswith(("later", "change"))]:
        marked.viewer.layers.remove(name)
    marked.marking.forget(later)
    marked.viewer.layers.remove(later)


def aligned(panel, qtbot):
    panel.align()
    qtbot.waitUntil(lambda: "aligned within" in panel.message.text(), timeout=90_000)


def test_earlier_marks_come_as_proposals_and_crests_wait_for_a_look(comparing, qtbot):
    window, panel, later, truth = comparing
    aligned(panel, qtbot)
    # The sample's own account: 308 has not changed between the visits.
    row = next(x for x in panel.table.text().splitlines() if x.startswith("308 mesial"))
    assert row.endswith(" no")
    panel.carry_marks()
    session = window.marking.session
    assert window.marking.layer is later and not list(session.round.marks)
    proposed = {(p.mark.landmark, p.mark.tooth, p.mark.root, p.mark.side): p.mark
                for p in session.proposals}  # fmt: skip
    assert len(proposed) == len(list(truth))
    for mark in truth:
        if (mark.tooth, mark.side) != (309, "distal"):
            at = proposed[(mark.landmark, mark.tooth, mark.root, mark.side)]
            assert np.hypot(at.row - mark.row, at.col - mark.col) < 3.0
    window.actions.jump(308)
    window.actions.keep()
    kinds = {m.landmark for m in session.round.marks.of(tooth=308)}
    assert kinds == {"cej", "apex", "furcation"}
    qtbot.waitUntil(lambda: not window.marking.waiting, timeout=60_000)
    # What was found meanwhile does not push the carried crests out.
    left = [p for p in session.proposals if p.mark.tooth == 308]
    assert len(left) == 4 and all("carried_from_earlier_visit" in p.flags for p in left)
    # The window is closed and the visit opened again: they are still there to be looked at.
    window.marking.forget(later)
    window.show_layer(later)
    again = window.marking.session
    assert again is not session and set(again.proposals) == set(session.proposals)
    qtbot.waitUntil(lambda: not window.marking.waiting, timeout=60_000)
    assert all(p.carried for p in again.proposals if p.mark.tooth == 308)


def test_points_clicked_on_both_images_align_them(comparing, qtbot):
    window, panel, later, truth = comparing
    before = tuple(later.translate), tuple(later.scale)
    panel.point.setChecked(True)
    earlier = panel.pairs.layers[0]
    assert (
        later.visible
        and earlier.visible
        and later.translate[-1] > earlier.extent.data[1][1] * (earlier.scale[-1])
    )
    own = list(window.marking.sessions[id(earlier)].round.marks)
    later_of = {(m.landmark, m.tooth, m.root, m.side): m for m in truth}
    apices = [m for m in own if m.landmark in ("apex", "cej")][:5]
    panel.align()
    assert "at least 3" in panel.message.text()
    for number, mark in enumerate(apices, 1):
        twin = later_of[(mark.landmark, mark.tooth, mark.root, mark.side)]
        panel.pairs.click(earlier.data_to_world((mark.row, mark.col)))
        assert "later (right)" in panel.message.text()
        panel.pairs.click(later.data_to_world((twin.row, twin.col)))
        assert panel.message.text().startswith(f"{number} pairs")
    panel.pairs.click(earlier.data_to_world((10, 10)))
    panel.undo.click()
    assert len(panel.pairs.pairs) == 5 and len(panel.pairs.points[0]) == 5
    aligned(panel, qtbot)
    assert panel.pairs is None and (tuple(later.translate), tuple(later.scale)) == before
    assert panel.alignment[2].method.startswith("points") and window.marking.active
    landed = panel.alignment[2].earlier_from_later([(m.row, m.col) for m in truth][:4])
    there = [(m.row, m.col) for m in own][:4]
    assert np.abs(landed - np.array(there)).max() < 3.0


def test_an_earlier_visit_opens_beside_the_one_that_is_open(marked, qtbot):
    from perioview_napari.compare_panel import ComparePanel
    from perioview_napari.sample_data import sample_visit

    before = marked.marking.layer
    panel = ComparePanel(marked.viewer)
    qtbot.addWidget(panel)
    folder = sample_visit().parent / "toy-dog-recheck"
    panel.open_earlier(folder / "marks")
    assert "visit.toml" in panel.message.text()
    panel.open_earlier(folder)
    added = [la for la in marked.marking.image_layers() if " of 20" in la.name]
    try:
        assert len(added) == 2 and not any(la.visible for la in added)
        assert marked.marking.layer is before
        assert panel.earlier.currentText().startswith("left-jaw.dcm of 20")
        assert panel.later.currentText() == "left-jaw.dcm"
        # Each has its own marks file, in its own visit.
        assert marked.visits.marks_path(image_of_layer(added[0])[1]).parent.parent == folder
    finally:
        panel.close()
        for layer in added:
            marked.viewer.layers.remove(layer)
