"""Before you wake them: every gap planted is found, none is invented."""

from __future__ import annotations

import datetime as dt
import random
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest

from perioview.chart import Chart, ChartRow
from perioview.chart_rules import SITES
from perioview.closeout import KINDS, Gap, closeout_lines, gaps, next_gap
from perioview.criteria import tooth_stages
from perioview.errors import InputRefused
from perioview.image import Image
from perioview.procedure import checklist, open_steps, pack_count, ticked
from perioview.teeth import teeth
from perioview.visit import PhotoResult, Visit

NOON = dt.datetime(2026, 3, 5, 12, 0)


@dataclass(frozen=True)
class Region:
    tooth: int
    coverage_pct: float


@dataclass(frozen=True)
class Plaque:
    teeth: tuple[Region, ...]


def photo(pct: float, *absent: int) -> PhotoResult:
    image = Image(np.zeros((2, 2, 3), np.uint8), "after.jpg", "0" * 64)
    regions = (Region(108, pct), *(Region(number, 0.0) for number in absent))
    return PhotoResult("images/after.jpg", image, "after", "one-tone", None, Plaque(regions))


def complete(species: str) -> tuple[Visit, Chart, list[PhotoResult]]:
    """A visit with every kind of work in it, and nothing left open."""
    numbers = [t.number for t in teeth(species)]
    rows = [
        ChartRow(n, gingivitis_index=0, status="present", findings=("probed_within_normal",))
        for n in numbers
        if n not in (109, 108, 309, 409, 101)
    ]
    rows += [
        ChartRow(101, status="missing"),
        ChartRow(
            108,
            gingivitis_index=2,
            mobility=1,
            status="present",
            decision="root planing",
            done="12:40",
        ),
        *(ChartRow(108, s, probing_depth_mm=4.0, margin_mm=1.0) for s in SITES),
        ChartRow(
            309, gingivitis_index=3, furcation=3, status="present", decision="extract", done="13:05"
        ),
        *(ChartRow(309, s, probing_depth_mm=7.0) for s in SITES[:4]),
        ChartRow(309, when="after", status="extracted"),
        ChartRow(409, gingivitis_index=1, status="present", findings=("worn",), decision="monitor"),
        *(ChartRow(409, s, probing_depth_mm=1.0, margin_mm=-1.0) for s in SITES),
        ChartRow(109, status="unerupted", findings=("cyst_at_unerupted",), decision="refer"),
    ]
    steps: tuple[Any, ...] = ()
    for step in checklist():
        if step.phase != "after":
            steps = ticked(steps, step, NOON, by="A. Example", count=1)
    visit = Visit(
        {"id": "PV-1", "species": species, "weight_kg": 4.0 if species == "cat" else 12.0},
        visit={"asleep": True, "kind": "cleaning"},
        images=(
            {"file": "images/all.dcm", "view": "full mouth", "teeth": numbers},
            {"file": "images/proof.dcm", "view": "309 after extraction", "teeth": [309]},
        ),
        photos=({"file": "images/after.jpg", "when": "after", "dye": "one-tone"},),
        steps=steps,
    )
    return visit, Chart(tuple(rows)), [photo(2.0)]


def found(visit: Visit, chart: Chart, photos: list[PhotoResult]) -> tuple[Gap, ...]:
    species = str(visit.species)
    staged = tooth_stages(chart, [], {108: 15.0, 409: 15.0}, species, visit.patient["weight_kg"])
    return gaps(visit, chart, (), photos, staged)


@pytest.mark.parametrize("species", ["dog", "cat"])
def test_nothing_is_invented_in_a_complete_visit(species: str) -> None:
    assert found(*complete(species)) == ()
    assert "nothing is open" in closeout_lines(())[0]


def without(chart: Chart, *keys: tuple[int, str, str]) -> Chart:
    return Chart(tuple(r for r in chart if r.key not in keys), chart.columns)


def changed(chart: Chart, number: int, when: str = "before", **fields: Any) -> Chart:
    row = chart.row(number, "", when)
    assert row is not None
    return chart.with_row(replace(row, **fields))


def plant(kind: str) -> tuple[Visit, Chart, list[PhotoResult], int | None]:
    visit, chart, photos = complete("dog")
    images = list(visit.images)
    whole = list(images[0]["teeth"])
    tooth: int | None = 204
    if kind == "pack_not_out":
        steps = tuple(s for s in visit.steps if s.get("key") != "pack_out")
        return replace(visit, steps=steps), chart, photos, None
    if kind == "not_examined":
        chart = without(chart, (204, "", "before"))
    elif kind == "not_probed":
        chart = changed(chart, 204, findings=())
    elif kind == "partly_probed":
        tooth = 409
        chart = without(chart, *((409, s, "before") for s in SITES[:3]))
    elif kind in ("not_filmed", "missing_without_film", "unerupted_without_film"):
        tooth = {"not_filmed": 204, "missing_without_film": 101}.get(kind, 109)
        images[0] = {**images[0], "teeth": [n for n in whole if n != tooth]}
    elif kind == "margin_not_measured":
        tooth = 108
        row = chart.row(108, "buccal")
        assert row is not None
        for site in SITES:
            chart = chart.with_row(replace(row, site=site, margin_mm=None))
    elif kind == "absent_but_measured":
        tooth, photos = 101, [photo(2.0, 101)]
    elif kind == "finding_without_decision":
        tooth = 409
        chart = changed(chart, 409, decision="")
    elif kind == "decision_not_agreed":
        tooth = 309
        chart = replace(chart, columns=("agreed_by",))
    elif kind == "decision_not_done":
        tooth = 108
        chart = changed(chart, 108, done="")
    elif kind == "extraction_without_film":
        tooth, images = 309, images[:1]
    elif kind == "stain_left":
        tooth, photos = 108, [photo(31.0)]
    return replace(visit, images=tuple(images)), chart, photos, tooth


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_gap_is_found_and_only_that(kind: str) -> None:
    visit, chart, photos, tooth = plant(kind)
    open_ = found(visit, chart, photos)
    assert [(g.kind, g.tooth) for g in open_] == [(kind, tooth)]
    assert open_[0].screen in ("chart", "radiographs", "photos", "procedure")
    assert tooth is None or str(tooth) in open_[0].sentence


def test_all_gaps_planted_at_once_are_all_found_in_order_of_urgency() -> None:
    visit, chart, photos = complete("dog")
    visit = replace(visit, steps=(), images=())
    kinds = [g.kind for g in found(visit, Chart(chart.rows[:5]), photos)]
    assert kinds == sorted(kinds, key=KINDS.index)
    assert {"pack_not_out", "not_examined", "not_filmed"} == set(kinds)
    assert kinds.count("not_filmed") == 42


def several(kinds: set[str]) -> tuple[Visit, Chart, list[PhotoResult], list[tuple[str, Any]]]:
    """A complete visit with one gap of each of these kinds, on teeth that share none."""
    visit, chart, photos = complete("dog")
    images, steps = [dict(row) for row in visit.images], visit.steps
    expected: list[tuple[str, Any]] = []
    for kind in sorted(kinds, key=KINDS.index):
        tooth: int | None = {
            "not_examined": 201,
            "not_probed": 202,
            "partly_probed": 203,
            "not_filmed": 204,
            "missing_without_film": 101,
            "absent_but_measured": 101,
            "unerupted_without_film": 109,
            "margin_not_measured": 205,
            "finding_without_decision": 206,
            "decision_not_agreed": 309,
            "decision_not_done": 207,
            "extraction_without_film": 208,
            "stain_left": 108,
        }.get(kind)
        row = ChartRow(tooth or 0, gingivitis_index=0, status="present")
        if kind == "pack_not_out":
            steps = tuple(s for s in steps if s.get("key") != "pack_out")
        elif kind == "not_examined":
            chart = without(chart, (201, "", "before"))
        elif kind == "not_probed":
            chart = chart.with_row(row)
        elif kind == "partly_probed":
            chart = chart.with_row(row).with_row(ChartRow(203, "buccal", probing_depth_mm=2.0))
        elif (kind.endswith("_film") and kind != "extraction_without_film") or kind == "not_filmed":
            images[0]["teeth"] = [n for n in images[0]["teeth"] if n != tooth]
        elif kind == "margin_not_measured":
            chart = chart.with_row(replace(row, decision="monitor"))
            for site in SITES:
                chart = chart.with_row(ChartRow(205, site, probing_depth_mm=6.0))
        elif kind == "finding_without_decision":
            chart = changed(chart, 206, mobility=1)
        elif kind == "decision_not_agreed":
            chart = replace(chart, columns=("agreed_by",))
        elif kind == "decision_not_done":
            chart = changed(chart, 207, decision="polish", done="no")
        elif kind == "extraction_without_film":
            chart = changed(chart, 208, status="extracted", extra=(("agreed_by", "owner"),))
        elif kind == "absent_but_measured":
            photos = [photo(2.0, 101)]
        elif kind == "stain_left":
            photos = [photo(31.0, *([101] if "absent_but_measured" in kinds else []))]
        expected.append((kind, tooth))
    return replace(visit, images=tuple(images), steps=steps), chart, photos, expected


def test_any_mixture_of_gaps_is_found_whole_and_nothing_else() -> None:
    draw = random.Random(7)
    for _ in range(60):
        visit, chart, photos, expected = several(set(draw.sample(KINDS, draw.randint(0, 13))))
        assert [(g.kind, g.tooth) for g in found(visit, chart, photos)] == expected


def test_a_pup_is_asked_for_its_deciduous_teeth_not_for_those_to_come() -> None:
    visit, _, photos = complete("dog")
    whole = [t.number for d in (True, False) for t in teeth("dog", deciduous=d)]
    visit = replace(visit, images=({"file": "a.dcm", "teeth": whole},))
    normal = ("probed_within_normal",)
    rows = [
        ChartRow(t.number, status="present", findings=normal) for t in teeth("dog", deciduous=True)
    ]
    rows += [
        ChartRow(t.number, status="unerupted")
        for t in teeth("dog")
        if t.number % 100 in (5, 9, 10, 11)
    ]
    assert found(visit, Chart(tuple(rows)), photos) == ()
    assert [g.tooth for g in found(visit, Chart(tuple(rows[1:])), photos)] == [rows[0].tooth - 400]


@pytest.mark.parametrize(
    "finding", ["worn", "resorption=3", "oronasal_fistula", "something in free text"]
)
def test_any_finding_asks_for_a_decision(finding: str) -> None:
    visit, chart, photos = complete("dog")
    chart = changed(chart, 204, findings=("probed_within_normal", finding))
    assert [g.kind for g in found(visit, chart, photos)] == ["finding_without_decision"]


def test_four_sites_are_enough_and_stain_before_cleaning_is_no_gap() -> None:
    # dvm360: at least 4 sites per tooth.
    visit, chart, photos = complete("dog")
    four = without(chart, *((409, s, "before") for s in SITES[:2]))
    assert found(visit, four, photos) == ()
    assert found(visit, chart, [replace(photo(80.0), when="before")]) == ()


def test_what_can_be_done_when_awake_is_no_gap() -> None:
    # Loss in mm without a marked film cannot be staged, but the film can be marked later.
    visit, chart, photos = complete("dog")
    unmarked = tooth_stages(chart, [], {}, "dog", 12.0)
    assert next(a for a in unmarked if a.tooth == 108).stage is None
    assert gaps(visit, chart, (), photos, unmarked) == ()


def test_packs_are_counted_in_and_out() -> None:
    steps = {s.key: s for s in checklist()}
    two = ticked((), steps["pack_in"], NOON, count=2)
    one_out = ticked(two, steps["pack_out"], NOON, count=1)
    assert not pack_count(one_out).all_out
    assert pack_count(ticked(one_out, steps["pack_out"], NOON, count=2)).all_out
    assert pack_count(ticked((), steps["pack_in"], NOON, count=0)).all_out
    plain = ({"name": "pharyngeal pack in", "done": True}, {"name": "pack removed", "done": True})
    assert pack_count(plain).all_out
    assert not pack_count(plain[:1]).all_out


def test_a_step_that_asks_is_not_ticked_without_an_answer() -> None:
    steps = {s.key: s for s in checklist()}
    with pytest.raises(InputRefused, match="nobody is named"):
        ticked((), steps["monitor"], NOON)
    with pytest.raises(InputRefused, match="count aloud"):
        ticked((), steps["pack_out"], NOON)
    assert len(open_steps(ticked((), steps["monitor"], NOON, by="B. Example"))) == 15


def test_the_film_after_an_extraction_must_be_a_film_of_the_visit() -> None:
    visit, chart, photos, _ = plant("extraction_without_film")
    named = changed(chart, 309, "after", extra=(("film_after", "elsewhere.dcm"),))
    assert [g.kind for g in found(visit, named, photos)] == ["extraction_without_film"]
    named = changed(chart, 309, "after", extra=(("film_after", "all.dcm"),))
    assert found(visit, named, photos) == ()


def test_awake_examination_is_not_asked_for_films_and_packs() -> None:
    visit, _, photos = complete("dog")
    visit = replace(visit, visit={"asleep": False}, steps=(), images=())
    chart = Chart((ChartRow(409, findings=("worn",)),))
    assert [g.kind for g in found(visit, chart, photos)] == ["finding_without_decision"]


def test_one_key_goes_round_the_gaps() -> None:
    visit, chart, photos = complete("dog")
    open_ = found(replace(visit, images=()), chart, photos)
    at, seen = next_gap(open_), []
    for _ in open_:
        seen.append(at)
        at = next_gap(open_, at)
    assert tuple(seen) == open_ and at == open_[0]


def test_a_practice_checklist_names_its_faults(tmp_path: Any) -> None:
    path = tmp_path / "own.toml"
    path.write_text('[[step]]\nkey = "a"\nname = "A"\nphase = "later"\n[[step]]\nkey = "a"\n')
    with pytest.raises(InputRefused) as refused:
        checklist(path)
    assert len(refused.value.faults) == 3
    path.write_text('[[step]]\nkey = "a"\nname = "A"\nphase = "asleep"\n')
    assert [s.key for s in checklist(path)] == ["a"]
