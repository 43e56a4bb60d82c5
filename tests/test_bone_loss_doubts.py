"""Swapped marks and wrong scales are said, and nothing is said of sound ones."""

from dataclasses import replace

import numpy as np
import pytest

from perioview.bone_loss import MarkSd
from perioview.marks import Mark, Marks
from perioview.visit import measured
from tests.cases import blank, two_rooted


def warnings(marks, mm=0.06, species="dog"):
    image = blank(1300, 1300, (mm, mm))
    said = measured(image, marks, species).warnings
    return [w for w in said[1:] if "check" in w]


def swapped(marks, one, other):
    """The marks with the places of two of them exchanged."""

    def is_(m, wanted):
        return all(getattr(m, k) == v for k, v in wanted.items())

    (a,) = (m for m in marks if is_(m, one))
    (b,) = (m for m in marks if is_(m, other))
    places = {id(a): b, id(b): a}
    return Marks(
        tuple(replace(m, row=places.get(id(m), m).row, col=places.get(id(m), m).col) for m in marks)
    )


@pytest.mark.parametrize("seed", range(40))
def test_sound_marks_raise_no_doubt(seed):
    assert warnings(two_rooted(np.random.default_rng(seed))) == []


CEJ = {"landmark": "cej", "root": "mesial"}
CREST = {"landmark": "crest", "root": "mesial", "side": "mesial"}


@pytest.mark.parametrize("seed", range(10))
@pytest.mark.parametrize(
    ("one", "other", "said"),
    [
        (CREST, {**CREST, "side": "distal"}, "309 mesial root: mesial and distal crest"),
        (
            {"landmark": "apex", "root": "mesial"},
            {"landmark": "apex", "root": "distal"},
            "309: mesial and distal apex",
        ),
        (CEJ, {"landmark": "cej", "root": "distal"}, "other way round"),
    ],
)
def test_sides_and_roots_taken_for_each_other_are_said(seed, one, other, said):
    marks = swapped(two_rooted(np.random.default_rng(seed)), one, other)
    assert any(said in w for w in warnings(marks))


@pytest.mark.parametrize("seed", range(10))
def test_a_crest_far_coronal_to_the_cej_is_said(seed):
    """A root pointing the wrong way: the percentage stays signed and is doubted."""
    marks = two_rooted(np.random.default_rng(seed))
    at = {(m.landmark, m.root, m.side): np.array([m.row, m.col]) for m in marks}
    middle = (at["cej", "mesial", "mesial"] + at["cej", "distal", "distal"]) / 2
    turned = []
    for m in marks:
        if m.landmark == "apex":
            row, col = 2 * middle - at["apex", m.root, None]
            m = replace(m, row=row, col=col)
        turned.append(m)
    found = measured(blank(1300, 1300, (0.06, 0.06)), Marks(tuple(turned)), "dog")
    outer = [s for s in found.sites if (s.root, s.side) in (("mesial",) * 2, ("distal",) * 2)]
    assert all(s.bone_loss_pct.value < 0 for s in outer)
    said = [w for w in found.warnings if "coronal to the CEJ" in w]
    far = [s for s in found.sites if s.bone_loss_pct.value < -max(2 * s.bone_loss_pct.sd, 5)]
    assert len(said) == len(far) >= 1


@pytest.mark.parametrize(("mm", "species"), [(0.45, "dog"), (0.006, "dog"), (0.3, "cat")])
def test_a_root_of_impossible_length_is_said_once_per_root(mm, species):
    said = warnings(two_rooted(np.random.default_rng(1)), mm, species)
    assert sum("mm long" in w for w in said) == 2


def test_bone_beyond_the_apex_is_said():
    marks = two_rooted(np.random.default_rng(2))
    (apex,) = marks.of(landmark="apex", root="mesial")
    (crest,) = marks.of(landmark="crest", root="mesial", side="mesial")
    (cej,) = marks.of(landmark="cej", root="mesial")
    far = replace(
        crest,
        row=cej.row + 1.3 * (apex.row - cej.row),
        col=cej.col + 1.3 * (apex.col - cej.col),
    )
    assert any("beyond the apex" in w for w in warnings(marks.with_mark(far)))


@pytest.mark.parametrize(
    ("spacing", "sd", "said"),
    [
        ((0.06, 0.06), 4.0, "in mm"),
        (None, 0.19, "in px"),
        (None, 4.0, ""),
        ((0.06, 0.06), 0.19, ""),
    ],
)
def test_a_repeatability_in_the_other_unit_is_said(spacing, sd, said):
    found = measured(
        blank(3000, 3000, spacing),
        two_rooted(np.random.default_rng(3)),
        "dog",
        mark_sd=MarkSd(sd, sd, sd, sd, sd),
    )
    told = [w for w in found.warnings if "--mark-sd" in w]
    assert (said in told[0]) if said else told == []


@pytest.mark.parametrize("spacing", [None, (0.06, 0.06)])
def test_a_root_no_longer_than_its_error_is_said(spacing):
    marks = two_rooted(np.random.default_rng(4))
    (cej,) = marks.of(landmark="cej", root="mesial")
    (apex,) = marks.of(landmark="apex", root="mesial")
    (other,) = marks.of(landmark="cej", root="distal")
    level = np.array([other.row - cej.row, other.col - cej.col])
    row, col = np.array([cej.row, cej.col]) + 0.2 * level + (apex.row % 1, 0.5)
    found = measured(blank(1300, 1300, spacing), marks.with_mark(replace(apex, row=row, col=col)),
                     "dog")  # fmt: skip
    assert any("mesial root: its length" in w for w in found.warnings)


@pytest.mark.parametrize(
    ("number", "roots", "species", "left"),
    [
        (309, ["mesial"], "dog", "distal root;"),
        (309, ["mesial", "distal"], "dog", None),
        (104, ["single"], "dog", None),
        (108, ["mesial", "distal"], "dog", None),
        (108, ["distal"], "dog", "mesial root;"),
        (108, ["mesiobuccal", "distal"], "dog", "mesiopalatal root;"),
        (109, ["palatal"], "dog", "mesiobuccal, distobuccal roots;"),
        (107, ["mesial", "distal"], "dog", None),
        (106, ["single"], "cat", None),
        (106, ["mesial"], "cat", "distal root;"),
    ],
)
def test_roots_without_a_mark_are_named(number, roots, species, left):
    marks = Marks(tuple(Mark("apex", 100, 10 * i, number, r) for i, r in enumerate(roots)))
    said = [w for w in measured(blank(), marks, species).warnings if "no mark on" in w]
    assert said == [] if left is None else left in said[0] and len(said) == 1
