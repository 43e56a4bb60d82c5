"""The awake examination beside what was found asleep."""

from __future__ import annotations

from pathlib import Path

import pytest

from perioview.awake import awake_caution, awake_examination, stage_pairs
from perioview.chart import Chart, ChartRow
from perioview.criteria import tooth_stages
from perioview.errors import InputRefused
from perioview.files.visit_folder import read_visit, write_visit
from perioview.visit import Visit


def visit(**awake: object) -> Visit:
    return Visit({"id": "PV-1", "species": "dog"}, other={"awake": awake})


def test_what_was_not_looked_at_is_not_normal() -> None:
    found = awake_examination(visit(symmetry="normal", occlusion=""))
    assert found.findings[0].text == "normal"
    assert "occlusion" in found.not_examined and "lymph nodes" in found.not_examined
    assert len(awake_examination(Visit({"id": "PV-1"})).not_examined) == 6


def test_the_provisional_stage_stays_beside_the_final_one(tmp_path: Path) -> None:
    (tmp_path / "visit.toml").write_text(
        '[patient]\nid = "PV-1"\nspecies = "dog"\n[awake]\nswelling = "none"\n'
        '[awake.stages]\n309 = "2"\n108 = "1"\n'
    )
    kept = read_visit(tmp_path)
    write_visit(tmp_path, kept)
    awake = awake_examination(read_visit(tmp_path))
    final = tooth_stages(Chart((ChartRow(309, furcation=3),)), [], {}, "dog")
    pairs = stage_pairs(awake, final)
    assert [(p.tooth, p.provisional, p.final) for p in pairs] == [(309, "2", "4"), (108, "1", None)]
    assert "awake 2, asleep stage 4" in pairs[0].sentence


def test_every_fault_is_named() -> None:
    wrong = visit(tail="wagging", stages={"105": "2", "112": "2", "x": "1", "309": "5"})
    with pytest.raises(InputRefused) as refused:
        awake_examination(wrong)
    assert len(refused.value.faults) == 4
    told = " ".join(refused.value.faults)
    for word in ("tail", "112", "'x'", "'5'"):
        assert word in told
    with pytest.raises(InputRefused, match="must be a table"):
        awake_examination(Visit({"id": "PV-1"}, other={"awake": "fine"}))


def test_how_far_an_awake_stage_is_trusted_bauer2018() -> None:
    # PLoS One 13(9):e0203930: 41.57 % agreement, weighted kappa 0.42, n = 89.
    for figure in ("42 %", "0.42", "89", "Bauer"):
        assert figure in awake_caution()
