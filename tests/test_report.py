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
