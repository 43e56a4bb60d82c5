"""The measuring contract (interfaces), worked out a second time without the package's code.

Reference: the formulas of the interface page, written anew from its text; SDs by central
differences instead of the package's complex step.  Random shapes are geometry, not anatomy.
"""

from __future__ import annotations

import json
import math
import random
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from perioview.cli import main

HEADER = "tooth,root,side,landmark,row,col,mm\n"
SIZE = 1200
Place = NDArray[np.float64]
Key = tuple[str, str, str]  # root, side, landmark
ROOTS = {304: ["single"], 306: ["mesial", "distal"], 209: ["mesiobuccal", "distobuccal", "palatal"]}


@pytest.fixture(scope="module")
def picture(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("contract") / "film.png"
    noise = np.random.default_rng(0).integers(0, 255, (SIZE, SIZE), dtype=np.uint8)
    Image.fromarray(noise).save(path)
    return path


def measured(
    picture: Path, text: str, *options: str, capsys: pytest.CaptureFixture[str]
) -> dict[str, Any]:
    table = picture.with_name("marks.csv")
    table.write_text(text)
    words = ["measure", str(picture), "--marks", str(table), "--species", "dog"]
    assert main([*words, "--json", "-", *options]) == 0
    result: dict[str, Any] = json.loads(capsys.readouterr().out)
    return result


def cej_pair(p: dict[Key, Place]) -> tuple[Key, Key] | None:
    """The mesial and distal CEJ marks farthest apart."""
    pairs = [
        (m, d) for m in p for d in p if m[1:] == ("mesial", "cej") and d[1:] == ("distal", "cej")
    ]
    return max(pairs, key=lambda q: math.dist(p[q[0]], p[q[1]]), default=None)


def quantities(
    p: dict[Key, Place], root: str, side: str, line: tuple[Key, Key] | None
) -> tuple[float | None, float | None, float | None]:
    """Bone loss, percentage and furcation depth (percent, derived reference only)."""
    apex = p.get((root, "", "apex"))
    bone = p.get((root, side, "defect_base"), p.get((root, side, "crest")))
    own = [p[k] for k in p if k[0] == root and k[2] == "cej"]
    if apex is None or bone is None:
        return None, None, None
    if len(own) == 2:
        origin = (own[0] + own[1]) / 2
    elif line:
        a, b = p[line[0]], p[line[1]]
        along = (b - a) / math.dist(a, b)
        origin = a + along * np.dot(apex - a, along)
    elif own:
        origin = own[0]
    else:
        return None, None, None
    u = (apex - origin) / math.dist(apex, origin)
    cej = p.get((root, side, "cej"))
    derived = cej is None
    if cej is None:
        if root == "single" or line is None:
            return None, None, None
        cej = origin
    length = float(np.dot(apex - cej, u))
    loss = float(np.dot(bone - cej, u))
    roof = p.get(("", "", "furcation"))
    depth = 100 * float(np.dot(roof - cej, u)) / length if derived and roof is not None else None
    return loss, 100 * loss / length, depth


def slope_sd(p: dict[Key, Place], root: str, side: str, sd_mm: float, which: int) -> float:
    """First-order SD by central differences, the choice of the CEJ pair held."""
    line, total = cej_pair(p), 0.0
    for k in p:
        for axis in (0, 1):
            step = np.zeros(2)
            step[axis] = 1e-5
            up = quantities(p | {k: p[k] + step}, root, side, line)[which]
            down = quantities(p | {k: p[k] - step}, root, side, line)[which]
            assert up is not None and down is not None
            total += ((up - down) / 2e-5 * sd_mm) ** 2
    return math.sqrt(total)


def random_tooth(seed: int) -> tuple[int, dict[Key, tuple[float, float]]]:
    """Marks of one tooth anywhere, at any angle, some missing."""
    r = random.Random(seed)
    number = r.choice(list(ROOTS))
    roots = ROOTS[number]
    angle, long, gone = r.uniform(0, 2 * math.pi), r.uniform(150, 300), r.choice([0, 0.15])
    u = np.array([math.sin(angle), math.cos(angle)])
    v = np.array([u[1], -u[0]])
    marks: dict[Key, tuple[float, float]] = {}

    def put(k: Key, across: float, down: float, missing: float = gone) -> None:
        if r.random() >= missing:
            at = 600 + v * (across + r.gauss(0, 3)) + u * (down + r.gauss(0, 3))
            marks[k] = (round(at[0] * 1024) / 1024, round(at[1] * 1024) / 1024)

    for i, root in enumerate(roots):
        middle = (i - (len(roots) - 1) / 2) * 100
        for side, half in (("mesial", -40), ("distal", 40)):
            outer = (i == 0 and half < 0) or (i == len(roots) - 1 and half > 0)
            put((root, side, "cej"), middle + half, 0, gone if outer else 0.8)
            put((root, side, "crest"), middle + half, long * r.uniform(0, 0.8))
            put((root, side, "defect_base"), middle + half, long * r.uniform(0.3, 0.9), 0.8)
        put((root, "", "apex"), middle, long)
    if len(roots) > 1:
        put(("", "", "furcation"), 0, long * 0.2, 0.4)
    return number, marks


@pytest.mark.parametrize("seed", range(60))
def test_a_second_implementation_agrees(
    seed: int, picture: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    number, marks = random_tooth(seed)
    rows = [f"{number},{k[0]},{k[1]},{k[2]},{m[0]!r},{m[1]!r},\n" for k, m in marks.items()]
    result = measured(picture, HEADER + "".join(rows), "--mm-per-px", "0.03", capsys=capsys)
    p = {k: np.array(m) * 0.03 for k, m in marks.items()}
    staged = []
    for site in result["sites"]:
        root, side = site["root"], site["side"]
        loss, percent, depth = quantities(p, root, side, cej_pair(p))
        if percent is None or loss is None:
            assert site["bone_loss_pct"] is None
            assert set(site["flags"]) & {"no_cej", "no_apex", "no_crest", "no_axis"}
            continue
        assert site["bone_loss_pct"] == pytest.approx(percent, abs=1e-6)
        assert site["bone_loss_mm"] == pytest.approx(loss, abs=1e-6)
        assert site["bone_loss_pct_sd"] == pytest.approx(slope_sd(p, root, side, 0.19, 1), rel=1e-5)
        assert site["bone_loss_mm_sd"] == pytest.approx(slope_sd(p, root, side, 0.19, 0), rel=1e-5)
        limit = max(min(12.5, 100 * 2.0 / (100 * loss / percent)), depth or 0)
        stage = "0-1" if percent <= limit else "2" if percent < 25 else "43"[percent <= 50]
        staged.append((stage, percent, root, side))
    (tooth,) = result["teeth"]
    worst = max(staged, default=None)
    found = tooth["radiographic_stage"], tooth["root"], tooth["side"]
    assert found == ((worst[0], *worst[2:]) if worst else (None, None, None))


@pytest.mark.parametrize(
    ("row", "stage"), [(150, "0-1"), (151, "2"), (199, "2"), (200, "3"), (300, "3"), (301, "4")]
)
def test_limits_belong_to_the_band_the_page_says(
    row: int, stage: str, picture: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # Root 400 px of 0.029 mm: 2 mm would be 17 %, so the 12.5 % cap is the limit.
    text = HEADER + (
        f"304,single,mesial,cej,100,100,\n304,single,distal,cej,100,200,\n"
        f"304,single,mesial,crest,{row},100,\n304,single,,apex,500,150,\n"
    )
    result = measured(picture, text, "--mm-per-px", "0.029", capsys=capsys)
    assert result["teeth"][0]["radiographic_stage"] == stage


def test_every_fault_of_mark_sd_has_its_line(
    picture: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table = picture.with_name("empty.csv")
    table.write_text(HEADER)
    words = ["measure", str(picture), "--marks", str(table), "--species", "dog", "--json", "-"]
    assert main([*words, "--mark-sd", "cej=-1,foo=2,apex=1,apex=1"]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert [line.split(":")[0] for line in said.err.splitlines()] == [
        "--mark-sd cej",
        "--mark-sd",
        "--mark-sd",
    ]
