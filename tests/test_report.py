"""What leaves the room: PDF, owner's page, map and calendar, read back by other programs."""

import datetime as dt
import io
import json
import shutil
import xml.etree.ElementTree as ET
from html.parser import HTMLParser

import pytest

from perioview.chart import Chart, ChartRow
from perioview.cli import main
from perioview.files.samples import sample_visits
from perioview.home_care import Recheck, home_plan
from perioview.record.calendar import calendar
from tests.report_visits import empty_visit, extracted_dog, healthy_cat


@pytest.fixture(scope="module")
def record(tmp_path_factory):
    """The record of the sample visit with most radiographs."""
    sample = max(sample_visits(), key=lambda p: len(list((p / "images").iterdir())))
    visit = tmp_path_factory.mktemp("report") / "visit"
    shutil.copytree(sample, visit)
    before = {p.name: p.read_bytes() for p in (visit / "images").iterdir()}
    assert main(["report", str(visit)]) == 0
    assert {p.name: p.read_bytes() for p in (visit / "images").iterdir()} == before
    return visit / "record"


def pdf_text(data):
    from pypdf import PdfReader

    return "\n".join(page.extract_text() for page in PdfReader(io.BytesIO(data)).pages)


def test_every_percentage_of_the_json_is_in_the_pdf_read_by_pypdf(record):
    text = pdf_text((record / "report.pdf").read_bytes())
    found = json.loads((record / "measurements.json").read_text("utf-8"))
    count = 0
    for radiograph in found["radiographs"]:
        assert radiograph["image"]["file"] in text
        for site in radiograph["sites"]:
            if site["bone_loss_pct"] is not None:
                assert f"{site['bone_loss_pct']:.1f} ± {site['bone_loss_pct_sd']:.1f}" in text
                count += 1
    assert count >= 8
    assert "under-read" in text and "the clinician decides" in text.lower()


def test_pdf_pictures_have_alternative_texts(record):
    from pypdf import PdfReader

    reader = PdfReader(io.BytesIO((record / "report.pdf").read_bytes()))
    assert "/StructTreeRoot" in reader.trailer["/Root"]
    assert reader.outline


class _Images(HTMLParser):
    def __init__(self):
        super().__init__()
        self.alts, self.links = [], []

    def handle_starttag(self, tag, attributes):
        values = dict(attributes)
        if tag == "img":
            self.alts.append(values.get("alt"))
        self.links += [v for k, v in attributes if k in ("src", "href")]


def test_owner_page_is_self_contained_and_described(record):
    page = (record / "owner.html").read_text("utf-8")
    seen = _Images()
    seen.feed(page)
    assert seen.alts and all(seen.alts)
    assert all(link.startswith("data:") for link in seen.links)
    assert 'lang="en"' in page and "Brush every day" in page


def test_owner_page_reads_easily_flesch1948():
    """Flesch 1948, J Appl Psychol 32:221-233: reading ease 70 and more is 'fairly easy'."""
    import re
    import tomllib
    from importlib.resources import files

    rows = tomllib.loads((files("perioview") / "data" / "home_care.toml").read_text("utf-8"))
    text = " ".join(r["text"] for r in rows["advice"])
    sentences = len(re.findall(r"[.!?](?:\s|$)", text))
    words = re.findall(r"[A-Za-z']+", text)
    syllables = sum(max(1, len(re.findall(r"[aeiouy]+", w.lower().rstrip("e")))) for w in words)
    ease = 206.835 - 1.015 * len(words) / sentences - 84.6 * syllables / len(words)
    assert ease >= 70, ease


def test_mouth_map_is_well_formed_and_holds_every_tooth(record):
    root = ET.fromstring((record / "mouth.svg").read_text("utf-8"))
    texts = {e.text for e in root.iter("{http://www.w3.org/2000/svg}text")}
    assert {"101", "210", "311", "411"} <= texts or {"101", "209", "309", "409"} <= texts


def test_calendar_read_by_the_icalendar_library():
    """RFC 5545, read back by an independent library."""
    from icalendar import Calendar

    name = "Mögli, der Große; " + "wow " * 30
    day = Recheck(dt.date(2026, 3, 15), dt.date(2026, 3, 19), "A look at the gums")
    text = calendar("PV-1", name, [day], dt.datetime(2026, 3, 5, 12))
    assert all(len(line.encode()) <= 75 for line in text.split("\r\n"))
    (event,) = Calendar.from_ical(text).walk("VEVENT")
    assert event["SUMMARY"] == f"{name}: {day.text}"
    assert event["DTSTART"].dt == day.first
    # RFC 5545 3.6.1: DTEND of whole days is exclusive.
    assert event["DTEND"].dt == dt.date(2026, 3, 20)
    assert len(event.walk("VALARM")) == 1


def test_recheck_10_to_14_days_common_practice_no_source():
    plan = home_plan(dt.date(2026, 3, 5), Chart(), ["0", "2"])
    assert (plan.rechecks[0].first, plan.rechecks[0].last) == (
        dt.date(2026, 3, 15),
        dt.date(2026, 3, 19),
    )
    assert plan.rechecks[1].first == dt.date(2026, 9, 5)


def test_after_an_extraction_no_brushing_chews_or_barrier_until_healed():
    """Common practice, no source."""
    chart = Chart((ChartRow(tooth=309, decision="extract", done="yes"),))
    plan = home_plan(dt.date(2026, 3, 5), chart, ["4"])
    titles = [a.title for a in plan.advice]
    assert plan.wound_teeth == (309,)
    assert titles[0] == "Until the mouth has healed"
    assert not any("barrier" in t or "Chews" in t for t in titles)
    assert "wound" in plan.rechecks[0].text


def test_a_visit_without_anything_still_reports(tmp_path):
    visit = tmp_path / "empty visit ü"
    assert main(["new", str(visit), "--patient", "X", "--name", "名^前", "--species", "cat"]) == 0
    assert main(["report", str(visit)]) == 0
    assert "Nothing has been marked" in pdf_text((visit / "record" / "report.pdf").read_bytes())


def test_report_refuses_what_is_no_visit(tmp_path, capsys):
    assert main(["report", str(tmp_path)]) == 2
    assert capsys.readouterr().err.count("\n") == 1


def _reported(tmp_path, make, *options):
    visit = make(tmp_path / "visit")
    assert main(["report", str(visit), *options]) == 0
    found = json.loads((visit / "record" / "measurements.json").read_text("utf-8"))
    return visit / "record", found


def test_healthy_cat_is_told_as_healthy_on_few_pages(tmp_path):
    from pypdf import PdfReader

    record, found = _reported(tmp_path, healthy_cat)
    assert found["mouth"]["teeth_per_stage"]["0"] == 30
    owner = pdf_text((record / "owner.pdf").read_bytes())
    assert "30 teeth: healthy gums" in owner and "We took out" not in owner
    # Only what was ticked is told as done.
    assert "above the gum line" in owner and "below the gum line, where" not in owner
    assert len(PdfReader(record / "report.pdf").pages) <= 2


def test_dog_with_twelve_extractions_gets_advice_for_wounds(tmp_path):
    """Common practice, no source: no brush, chew or barrier on a wound; the recheck looks at it."""
    from icalendar import Calendar

    record, found = _reported(tmp_path, extracted_dog)
    owner = (record / "owner.html").read_text("utf-8")
    assert "We took out 12 teeth" in owner and "Until the mouth has healed" in owner
    for absent in ("Plaque barrier", "Chews that bend", "once a week", "food made to clean"):
        assert absent not in owner
    first = Calendar.from_ical((record / "recheck.ics").read_text("utf-8")).walk("VEVENT")[0]
    assert "wound" in first["SUMMARY"]
    report = " ".join(pdf_text((record / "report.pdf").read_bytes()).split())
    assert len(found["courses"]) == 12 and report.count("owner, by phone") == 12
    assert found["mouth"]["absent"]["extracted"] == 12 and "12 extracted" in report


def test_empty_visit_of_an_examination_plans_nothing(tmp_path):
    from dataclasses import replace

    from perioview.files.visit_folder import read_visit, write_visit

    visit = empty_visit(tmp_path / "visit")
    assert main(["report", str(visit)]) == 0
    assert (visit / "record" / "recheck.ics").is_file()
    told = read_visit(visit)
    write_visit(visit, replace(told, visit={**told.visit, "kind": "examination"}))
    assert main(["report", str(visit)]) == 0
    assert not (visit / "record" / "recheck.ics").exists()
    assert "tell you when to come back" in (visit / "record" / "owner.html").read_text("utf-8")


def test_surgery_without_extraction_is_a_wound_too():
    """Common practice, no source."""
    chart = Chart((ChartRow(108, decision="open root planing (flap)", done="flap, sutured"),))
    plan = home_plan(dt.date(2026, 3, 5), chart, ["3"], cleaned=False)
    assert plan.operated == (108,) and not plan.wound_teeth
    assert plan.advice[0].title == "Until the mouth has healed"
    assert "wound" in plan.rechecks[0].text
    planned = Chart((ChartRow(108, decision="open root planing (flap)"),))
    assert not home_plan(dt.date(2026, 3, 5), planned, ["3"]).operated


def test_every_length_and_every_plaque_value_of_the_json_is_in_the_pdf(record):
    text = " ".join(pdf_text((record / "report.pdf").read_bytes()).split())
    found = json.loads((record / "measurements.json").read_text("utf-8"))
    lengths = plaque = 0
    for site in (s for r in found["radiographs"] for s in r["sites"]):
        for name in ("bone_loss_mm", "root_length_mm", "infrabony_mm"):
            if site[name] is not None:
                assert f"{site[name]:.2f} ± {site[f'{name}_sd']:.2f}" in text
                lengths += 1
    for tooth in (t for p in found["photos"] for t in p["teeth"]):
        if tooth["coverage_pct"] is not None:
            shown = f"{tooth['tooth']} {tooth['coverage_pct']:.1f} ± {tooth['coverage_pct_sd']:.1f}"
            halves = (
                f"{tooth[name]:.1f} ± {tooth[f'{name}_sd']:.1f}"
                for name in ("gingival_half_pct", "coronal_half_pct")
            )
            assert " ".join([shown, *halves]) in text
            plaque += 1
    assert lengths >= 16 and plaque >= 2


def test_every_number_of_the_tables_of_stages_is_in_the_json(record):
    """The other way round: no value with an error bar in the PDF that the JSON does not hold."""
    import re

    text = pdf_text((record / "report.pdf").read_bytes())
    found = json.loads((record / "measurements.json").read_text("utf-8"))
    known = set()

    def gather(value):
        if isinstance(value, dict):
            for name, number in value.items():
                sd = value.get(f"{name}_sd")
                if isinstance(number, float | int) and isinstance(sd, float | int):
                    known.update(f"{number:.{n}f} ± {sd:.{n}f}" for n in (0, 1, 2))
                gather(number)
        elif isinstance(value, list):
            for item in value:
                gather(item)

    gather(found)
    written = re.findall(r"-?\d+\.?\d* ± \d+\.?\d*", text.replace("\n", " "))
    assert len(written) > 20
    assert not [w for w in written if w not in known]


def test_since_last_time_in_pdf_and_json(tmp_path):
    visits = {p.name: p for p in sample_visits()}
    for name in ("toy-dog-cleaning", "toy-dog-recheck"):
        shutil.copytree(visits[name], tmp_path / name)
    now, before = tmp_path / "toy-dog-recheck", tmp_path / "toy-dog-cleaning"
    assert main(["report", str(now), "--previous", str(before)]) == 0
    found = json.loads((now / "record" / "measurements.json").read_text("utf-8"))["since_last"]
    text = " ".join(pdf_text((now / "record" / "report.pdf").read_bytes()).split())
    assert "Since last time (2026-03-05)" in text
    real = [s for s in found["sites"] if s["detectable"]]
    assert real and len(list((now / "record").glob("*.since-last.png"))) == 2
    for s in real:
        line = f"{s['tooth']} {s['root']} {s['side']} {s['change_pct']:+.1f} ± "
        assert line + f"{s['change_pct_sd']:.1f}" in text


def test_previous_visit_of_another_patient_or_later_is_refused(tmp_path, capsys):
    visits = {p.name: p for p in sample_visits()}
    for name in ("cat", "toy-dog-cleaning", "toy-dog-recheck"):
        shutil.copytree(visits[name], tmp_path / name)
    first, second = tmp_path / "toy-dog-cleaning", tmp_path / "toy-dog-recheck"
    for visit, previous, word in (
        (second, tmp_path / "cat", "patient"),
        (first, second, "earlier visit"),
    ):
        assert main(["report", str(visit), "--previous", str(previous)]) == 2
        told = capsys.readouterr().err
        assert told.count("\n") == 1 and word in told
        assert not (visit / "record").exists()


def test_previous_visit_as_of_another_species_is_refused(tmp_path, capsys):
    for day, species in (("2026-01-05", "cat"), ("2026-03-05", "dog")):
        (tmp_path / day).mkdir()
        (tmp_path / day / "visit.toml").write_text(
            f'[patient]\nid = "PV-0101"\nspecies = "{species}"\n[visit]\ndate = {day}\n'
        )
    visit, previous = tmp_path / "2026-03-05", tmp_path / "2026-01-05"
    assert main(["report", str(visit), "--previous", str(previous)]) == 2
    told = capsys.readouterr().err
    assert told.count("\n") == 1 and "is of a dog" in told and "of a cat" in told
    assert not (visit / "record").exists()


def test_awake_stage_stands_beside_the_one_found_asleep(tmp_path):
    visit = healthy_cat(tmp_path / "visit")
    with (visit / "visit.toml").open("a", encoding="utf-8") as file:
        file.write('\n[awake]\nsymmetry = "normal"\n[awake.stages]\n309 = "2"\n')
    assert main(["report", str(visit)]) == 0
    found = json.loads((visit / "record" / "measurements.json").read_text("utf-8"))
    assert found["awake"]["stages"] == [{"tooth": 309, "provisional": "2", "final": "0"}]
    assert found["awake"]["findings"]["lymph_nodes"] is None
    text = " ".join(pdf_text((visit / "record" / "report.pdf").read_bytes()).split())
    assert "309: awake 2, asleep stage 0" in text and "Not looked at awake" in text


def test_caution_stands_beside_an_option_before_anyone_decides(record):
    """AAHA 2019: radiographs again after extractions, as the caution's own source says."""
    found = json.loads((record / "measurements.json").read_text("utf-8"))
    weighed = {o["tooth"] for o in found["options"] if o["name"] == "extraction"}
    filmed = {c["tooth"] for c in found["cautions"] if c["key"] == "extraction_needs_film"}
    assert weighed and weighed <= filmed
