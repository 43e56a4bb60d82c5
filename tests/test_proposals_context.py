"""Which sites tell of one another, and that proposals do not hang on how they are asked for."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from phantoms.painted import painted_phantom

from perioview.calibration import Calibration
from perioview.marks import Mark, Marks
from perioview.proposals import crest_proposals
from perioview.proposals_context import links, teeth_apart
from perioview.proposals_frame import side_frames

SCALE = Calibration(0.1, 0.1, 0.0, "given", (), 1.0)


def two_rooted(tooth: int, col: float) -> tuple[Mark, ...]:
    return (
        Mark("cej", 20, col, tooth, "mesial", "mesial"),
        Mark("cej", 20, col + 80, tooth, "distal", "distal"),
        Mark("apex", 120, col + 15, tooth, "mesial"),
        Mark("apex", 120, col + 65, tooth, "distal"),
    )


# Modified Triadan: the first incisors of either side are neighbours; the upper fourth premolar is
# 108, so the first molar 109 follows it (Floyd 1991, J Vet Dent 8(4):18-19; from memory).
@pytest.mark.parametrize(
    ("a", "b", "apart"),
    [(307, 307, 0), (307, 308, 1), (101, 201, 1), (301, 401, 1), (102, 201, 2), (108, 408, 99)],
)
def test_places_apart_along_the_arcade(a: int, b: int, apart: int) -> None:
    assert teeth_apart(a, b) == teeth_apart(b, a) == apart


def test_sites_face_across_gap_and_furcation() -> None:
    marks = Marks((*two_rooted(307, 10), *two_rooted(308, 110), *two_rooted(405, 300)))
    frames = side_frames(marks, SCALE, "dog")
    found = links(frames)
    names = [(f.tooth, f.root, f.side) for f in frames]
    faced = {names[i]: names[int(row.argmax())] for i, row in enumerate(found.facing) if row.any()}
    assert faced[307, "mesial", "distal"] == (307, "distal", "mesial")
    assert faced[307, "distal", "distal"] == (308, "mesial", "mesial")
    assert faced[308, "mesial", "mesial"] == (307, "distal", "distal")
    assert (307, "mesial", "mesial") not in faced
    assert all(
        names[int(r.argmax())][:2] == n[:2] for n, r in zip(names, found.opposite, strict=True)
    )
    far = [i for i, n in enumerate(names) if n[0] == 405]
    assert not found.around[:8, far].any()
    np.testing.assert_allclose(found.around.sum(axis=1), 1)
    assert not np.diag(found.around).any()


def test_roots_seen_at_other_scales_are_not_laid_side_by_side() -> None:
    long = tuple(replace(m, row=20 + 3.4 * (m.row - 20)) for m in two_rooted(308, 110))
    frames = side_frames(Marks((*two_rooted(307, 10), *long)), SCALE, "dog")
    assert {round(float(f.unit_mm), 2) for f in frames} != {1.0}
    found = links(frames)
    first, second = slice(0, 4), slice(4, 8)
    assert not found.around[first, second].any()
    assert not found.facing[first, second].any()


def test_asking_for_one_tooth_proposes_the_same_as_asking_for_all() -> None:
    phantom = painted_phantom(0)
    args = (phantom.image, phantom.marks, phantom.calibration, "dog")
    every = crest_proposals(*args)
    kept: dict = {}
    for tooth in phantom.marks.teeth():
        asked = crest_proposals(*args, teeth=(tooth,), kept=kept)
        whole = [p for p in every if p.tooth == tooth]
        assert [(p.root, p.side) for p in asked] == [(p.root, p.side) for p in whole]
        for p, q in zip(asked, whole, strict=True):
            assert p.row == pytest.approx(q.row, abs=1e-3)
            assert p.confidence == pytest.approx(q.confidence, abs=1e-3)
    assert kept
