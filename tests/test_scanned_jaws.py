"""The scanned jaws: the same each time, truth beside its root, and crests whose place is known."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from phantoms.scanned_bone import Jaw
from phantoms.scanned_jaws import scanned_phantom
from phantoms.scanned_teeth import ScannedTooth, cusp, root
from phantoms.scanned_truth import clinician, crest
from phantoms.scanned_view import View, aimed
from phantoms.scanned_volume import Fabric, shadow
from phantoms.scene import Phantom

from perioview.marks import check_marks

SEEDS = (3, 10)
INNER = 2.4
HALF = 3.0  # thickness of the flat jaw on either side, mm


@pytest.fixture(scope="module")
def pictures() -> dict[int, Phantom]:
    return {seed: scanned_phantom(seed) for seed in SEEDS}


def test_same_seed_same_picture(pictures: dict[int, Phantom]) -> None:
    again = scanned_phantom(SEEDS[0])
    first = pictures[SEEDS[0]]
    assert np.array_equal(again.image.pixels, first.image.pixels)
    assert again.marks == first.marks
    assert again.truth == first.truth
    assert not np.array_equal(pictures[SEEDS[1]].image.pixels, first.image.pixels)


@pytest.mark.parametrize("seed", SEEDS)
def test_truth_lies_beside_its_root(pictures: dict[int, Phantom], seed: int) -> None:
    picture = pictures[seed]
    image, mm = picture.image, picture.calibration.col_mm
    assert mm is not None and picture.truth and picture.truth.keys() == picture.traits.keys()
    check_marks(picture.marks, image.species or "", image.rows, image.cols)
    for (tooth, name, side), place in picture.truth.items():
        assert 0 <= place[0] <= image.rows - 1 and 0 <= place[1] <= image.cols - 1
        (apex,) = picture.marks.of(tooth=tooth, root=name, landmark="apex")
        necks = {
            m.side: np.array([m.row, m.col]) for m in picture.marks.of(tooth=tooth, landmark="cej")
        }
        line = necks["distal"] - necks["mesial"]
        tip, at = np.array([apex.row, apex.col]), np.array(place)
        normal = np.array([-line[1], line[0]]) / np.hypot(*line)
        length, loss = (tip - necks["mesial"]) @ normal, (at - necks["mesial"]) @ normal
        assert -0.15 < loss / length < 0.97
        # Off the axis of a single root towards its own side, by no more than the tooth's width.
        off = (at - tip) @ line / np.hypot(*line) * (1 if side == "distal" else -1)
        if name == "single" and tooth % 100 != 4:
            assert 0 < off * mm < 6
        assert abs(off) * mm < 20


def flat_jaw(buccal: float, lingual: float) -> Jaw:
    x = np.arange(-40, 40, 0.05)
    return Jaw(
        start=-40.0,
        buccal=np.full(len(x), buccal),
        lingual=np.full(len(x), lingual),
        middle=np.zeros(len(x)),
        top_half=np.full(len(x), HALF),
        body_half=HALF,
        top=0.0,
        low=1000.0,
        bow=0.0,
        split=0.7,  # the lingual plate's level holds from INNER outwards
        abrupt=0.2,
        plate_top=0.8,
        plate_body=0.8,
        ligament=0.25,
        lamina=0.25,
        lamina_share=1.0,
        defects=(),
    )


def upright_tooth() -> ScannedTooth:
    single = root(12.0, 2.0, 2.0)
    return ScannedTooth(
        number=405,
        mesial=-1,
        origin=np.zeros(3),
        turn=np.eye(3),
        roots={"single": single},
        crown=[cusp(4.0, 2.0, 2.0)],
        pulp=[],
        enamel=0.4,
        depth=2.0,
        height=4.0,
        width=4.0,
        scallop=0.0,
        sockets={"single": (single.grown(0.25), single.grown(0.5))},
    )


def looking(vertical: float) -> View:
    """Aim from so far that the beam is parallel; row and col are then mm times 20."""
    return aimed(
        np.array([0.0, 4.0, 0.0]),
        film=(20.0, 20.0),
        pitch=0.05,
        bisecting=0.0,
        vertical=vertical,
        horizontal=0.0,
        roll=0.0,
        flip=False,
        distance=1e5,
        clearance=8.0,
    )


@pytest.mark.parametrize(
    ("buccal", "lingual", "vertical"),
    [(3.0, 3.0, 0.0), (2.0, 3.5, 0.0), (3.0, 3.0, 8.0), (2.0, 3.5, 8.0)],
)
def test_crest_of_a_flat_jaw(buccal: float, lingual: float, vertical: float) -> None:
    tooth, view = upright_tooth(), looking(vertical)
    slope = np.tan(np.radians(vertical))
    # The beam sinks from cheek to tongue: the buccal margin falls lower on the plate.
    margins = (buccal + HALF * slope, lingual - (INNER if lingual > buccal else HALF) * slope)
    beam = view.project(np.array([[0.0, max(margins), 0.0]]))[0]
    for side, sign in (("mesial", -1), ("distal", 1)):
        found = crest(tooth, "single", side, sign, flat_jaw(buccal, lingual), view)
        assert found is not None
        assert found.place[0] == pytest.approx(beam[0], abs=0.1 / 0.05)
        if vertical == 0 or buccal == lingual:
            assert found.apart == pytest.approx(abs(margins[0] - margins[1]), abs=0.35)
        half = tooth.roots["single"].a[tooth.roots["single"].at(np.array(max(margins)))]
        assert found.place[1] == pytest.approx(beam[1] + sign * (half + 0.125) / 0.05, abs=1.5)


def test_marks_at_the_neck_and_the_tip() -> None:
    tooth, view = upright_tooth(), looking(0.0)
    marks = clinician(np.random.default_rng(0), [tooth], view, 0.0)
    points = np.array([[-2.0, 0.0, 0.0], [2.0, 0.0, 0.0], [0.0, 12.0, 0.0]])
    assert [m.landmark for m in marks] == ["cej", "cej", "apex"]
    found = np.array([[m.row, m.col] for m in marks])
    assert found == pytest.approx(view.project(points), abs=0.5)


def test_shadow_steps_where_the_margin_is() -> None:
    tooth, view, jaw = upright_tooth(), looking(0.0), flat_jaw(3.0, 3.0)
    plain = Fabric(0.0, 0.5, 0.0, 0.15, 0.0, 1.0, 0.0, False, 0.0)
    dense = shadow(np.random.default_rng(0), [tooth], jaw, plain, [], view)
    row = view.project(np.array([[0.0, 3.0, 0.0]]))[0, 0]
    column = dense[:, 40:60].mean(1)
    bone, gum = column[round(row) + 10], column[round(row) - 10]
    step = np.interp(
        (bone + gum) / 2, column[round(row) - 10 : round(row) + 10], np.arange(-10, 10)
    )
    assert step + round(row) == pytest.approx(row, abs=0.06 / 0.05)
