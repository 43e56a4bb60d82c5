"""Ten marks files against values worked by hand (tests/reference/worked/expected.toml)."""

import tomllib
from pathlib import Path

import pytest

from perioview.files.tables import read_marks
from perioview.visit import measured
from tests.cases import blank

WORKED = Path(__file__).parent / "reference" / "worked"
EXPECTED = tomllib.loads((WORKED / "expected.toml").read_text("utf-8"))


def none(value):
    return None if value == "none" else value


@pytest.mark.parametrize("name", EXPECTED)
def test_worked_by_hand(name):
    expected = EXPECTED[name]
    spacing = tuple(expected.get("spacing", [0.1, 0.1]))
    image = blank(spacing=spacing or None)
    marks = read_marks(WORKED / f"{name}.csv", species="dog", rows=400, cols=400)
    found = measured(image, marks, "dog").json_object()
    assert len(found["sites"]) == len(expected["site"])
    for site, row in zip(found["sites"], expected["site"], strict=True):
        tooth, root, side, mm, root_mm, pct, infrabony, flags = row
        assert (site["tooth"], site["root"], site["side"]) == (tooth, root, side)
        for key, value in (
            ("bone_loss_mm", mm),
            ("root_length_mm", root_mm),
            ("bone_loss_pct", pct),
            ("infrabony_mm", infrabony),
        ):
            if none(value) is None:
                assert site[key] is None, (root, side, key)
            else:
                assert site[key] == pytest.approx(value, abs=1e-6), (root, side, key)
        assert sorted(site["flags"]) == sorted(flags), (root, side)
    for shown, row in zip(found["teeth"], expected["tooth"], strict=True):
        tooth, pct, root, side, stage, flags = row
        assert shown["tooth"] == tooth
        assert shown["bone_loss_pct"] == (None if pct == "none" else pytest.approx(pct, abs=1e-6))
        assert (shown["root"], shown["side"]) == (none(root), none(side))
        assert shown["radiographic_stage"] == none(stage)
        assert sorted(shown["flags"]) == sorted(flags)
        if none(stage) is None:
            assert shown["stage_probability"] is None
        else:
            assert sum(shown["stage_probability"].values()) == pytest.approx(1)
