"""The chart and its file: attachment level, indices, faults, round trip."""

from __future__ import annotations

import csv
import tomllib
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from perioview.chart import Chart, ChartRow, attachment, is_extraction, mean_index, tooth_index
from perioview.chart_checks import row_faults
from perioview.chart_rules import SITES, finding_kinds, normal_depth_mm
from perioview.errors import InputRefused
from perioview.files.chart_table import COLUMNS, chart_text, read_chart, write_chart

REFERENCE = Path(__file__).parent / "reference"
DATA = Path(__file__).parents[1] / "perioview" / "data"


def reference(name: str) -> list[dict[str, str]]:
    lines = (REFERENCE / name).read_text("utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def written(tmp_path: Path, *lines: str, header: str = ",".join(COLUMNS)) -> Path:
    path = tmp_path / "chart.csv"
    path.write_text("\n".join([header, *lines]) + "\n", "utf-8")
    return path


@pytest.mark.parametrize("example", reference("attachment_examples.csv"))
def test_attachment_level_of_published_examples(example: dict[str, str]) -> None:
    row = ChartRow(
        409,
        "buccal",
        probing_depth_mm=float(example["probing_depth_mm"]),
        margin_mm=float(example["margin_mm"]),
    )
    assert attachment(row, "dog").attachment_loss.value == float(example["attachment_loss_mm"])


def test_blank_margin_is_not_zero() -> None:
    cal = attachment(ChartRow(409, "buccal", probing_depth_mm=6.0), "dog", 20, 18.0)
    assert not cal.attachment_loss.known and not cal.attachment_loss_pct.known
    assert cal.beyond_normal is True and cal.pseudopocket is None
    assert "margin_not_measured" in cal.flags


def test_the_normal_depth_itself_is_normal() -> None:
    # Bellows: abnormal is MORE than 4 mm in a large dog, more than 1 mm in a cat.
    four, one = (ChartRow(409, "buccal", probing_depth_mm=mm) for mm in (4.0, 1.0))
    assert attachment(four, "dog", 40).beyond_normal is False
    assert attachment(one, "cat", 4).beyond_normal is False
    assert attachment(replace(four, probing_depth_mm=4.5), "dog", 40).beyond_normal is True


def test_pseudopocket_is_a_pocket_that_ends_at_the_cej() -> None:
    # Facts 1c: probing depth enlarged, no attachment loss, margin coronal.
    row = ChartRow(409, "buccal", probing_depth_mm=5.0, margin_mm=-5.0)
    assert attachment(row, "dog", 20).pseudopocket is True
    assert attachment(replace(row, margin_mm=-3.0), "dog", 20).pseudopocket is False


def test_attachment_in_percent_of_the_root_analytic() -> None:
    row = ChartRow(409, "mesiobuccal", probing_depth_mm=4.0, margin_mm=1.0)
    pct = attachment(row, "dog", 20, 10.0, sd_mm=0.5).attachment_loss_pct
    assert (pct.value, pct.sd) == (50.0, 5.0)


@pytest.mark.parametrize(
    ("species", "kg", "mm"),
    # Bellows: abnormal above 4 mm large dog, 2 mm small dog, 1 mm cat; Merck: dog 1 to 3 mm.
    [("cat", 4, 1), ("dog", 4, 2), ("dog", 40, 4), ("dog", None, 3), ("cat", None, 1)],
)
def test_normal_depth_by_size_bellows_merck(species: str, kg: float | None, mm: float) -> None:
    assert normal_depth_mm(species, kg) == mm


def test_index_of_a_tooth_is_the_mean_of_its_surfaces_loe1967() -> None:
    surfaces = ("mesiobuccal", "buccal", "distobuccal", "lingual")
    rows = [
        ChartRow(409, s, gingivitis_index=g) for s, g in zip(surfaces, (2, 1, 1, 2), strict=True)
    ]
    chart = Chart((*rows, ChartRow(410, gingivitis_index=0), ChartRow(411)))
    assert tooth_index(chart, 409, "gingivitis_index") == 1.5
    assert mean_index(chart, "gingivitis_index").value == 0.75


def test_indices_and_findings_take_the_published_values() -> None:
    rules = tomllib.loads((DATA / "chart.toml").read_text("utf-8"))["index"]
    for name in ("furcation", "mobility", "gingivitis_index", "plaque_index"):
        published = {int(r["value"]) for r in reference("avdc_indices.csv") if r["index"] == name}
        # AVDC's furcation index starts at 1; 0 is in use for none (facts 1b).
        assert published == set(rules[name]["values"]) - ({0} if name == "furcation" else set())
    for name in ("resorption", "resorption_type"):
        stages = {r["value"] for r in reference("avdc_indices.csv") if r["index"] == name}
        assert stages == set(finding_kinds()[name].values)


def test_every_data_row_names_its_source() -> None:
    for name in ("chart", "criteria", "options", "cautions", "procedure"):
        data = tomllib.loads((DATA / f"{name}.toml").read_text("utf-8"))
        rows = [r for v in data.values() if isinstance(v, list) for r in v]
        for row in rows:
            assert row["source"].strip(), row


FAULTY = [
    ("409,buccal,before,45,,,,,,,,,,,,", "45"),
    ("104,,before,,,,,,,2,,,,,,", "single root"),
    ("412,,before,,,,,,,,,present,,,,", "412"),
    ("409,inside,before,3,,,,,,,,,,,,", "inside"),
    ("409,,during,,,,,,,,,present,,,,", "during"),
    ("409,,before,,,,4,,,,,,,,,", "gingivitis index 4"),
    ("409,,before,,,,,,,,5,,,,,", "mobility 5"),
    ("409,,before,,,,1.5,,,,,,,,,", "1.5"),
    ("409,buccal,before,three,,,,,,,,,,,,", "three"),
    ("409,buccal,before,nan,,,,,,,,,,,,", "nan"),
    ("409,,before,3,,,,,,,,,,,,", "without a site"),
    ("409,,before,,-2,,,,,,,,,,,", "gum margin -2"),
    ("409,buccal,before,,99,,,,,,,,,,,", "99"),
    ("409,buccal,before,3,,maybe,,,,,,,,,,", "maybe"),
    ("409,,before,,,,,,,,,gone,,,,", "gone"),
    ("409,,before,,,,,,,,,,resorption=7,,,", "resorption=7"),
    ("4O9,,before,,,,,,,,,present,,,,", "4O9"),
    ("409,buccal,before,-1,,,,,,,,,,,,", "-1"),
]


@pytest.mark.parametrize(("line", "value"), FAULTY)
def test_a_fault_is_named_with_its_line_and_value(tmp_path: Path, line: str, value: str) -> None:
    path = written(tmp_path, "408,,before,,,,,,,,,present,,,,", line)
    with pytest.raises(InputRefused) as refused:
        read_chart(path, "dog")
    assert len(refused.value.faults) == 1
    assert "line 3" in refused.value.faults[0] and value in refused.value.faults[0]


def test_every_fault_of_a_file_is_named_at_once(tmp_path: Path) -> None:
    path = written(tmp_path, *(line for line, _ in FAULTY))
    with pytest.raises(InputRefused) as refused:
        read_chart(path, "dog")
    for _, value in FAULTY:
        assert any(value in fault for fault in refused.value.faults), value


def test_rows_that_contradict_each_other_are_refused(tmp_path: Path) -> None:
    probed = "409,buccal,before,3,,,,,,,,,,,,"
    with pytest.raises(InputRefused, match="keep one"):
        read_chart(written(tmp_path, probed, probed), "dog")
    with pytest.raises(InputRefused, match="missing but was probed"):
        read_chart(written(tmp_path, probed, "409,,before,,,,,,,,,missing,,,,"), "dog")


def test_a_column_that_is_missing_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputRefused, match="margin_mm"):
        read_chart(written(tmp_path, header="tooth,site,pass,probing_depth_mm"), "dog")


def test_teeth_of_the_other_species_are_refused(tmp_path: Path) -> None:
    # Facts 2b: a cat has no 105, 305, 306, 405, 406.
    path = written(
        tmp_path, *(f"{n},,before,,,,,,,,,present,,,," for n in (105, 305, 306, 405, 406))
    )
    with pytest.raises(InputRefused) as refused:
        read_chart(path, "cat")
    assert len(refused.value.faults) == 5
    assert read_chart(path, "dog").teeth() == (105, 305, 306, 405, 406)


def test_cat_106_may_carry_a_furcation_and_a_dog_104_may_not() -> None:
    # Verstraete & Terpak 1997: 106 has two roots in 9.2 % of cats.
    assert not row_faults(ChartRow(106, furcation=1), "cat")
    assert row_faults(ChartRow(104, furcation=1), "dog")


def test_unknown_columns_and_free_text_are_kept(tmp_path: Path) -> None:
    header = ",".join([*COLUMNS, "agreed_by", "own"])
    path = written(
        tmp_path,
        '409,,before,,,,,,,,,present,"worn; odd, very",extract,,"a ""note""",phone,x',
        header=header,
    )
    chart = read_chart(path, "dog")
    assert chart.findings(409) == ("worn", "odd, very")
    again = tmp_path / "again.csv"
    write_chart(again, chart)
    assert read_chart(again, "dog") == chart
    assert chart.rows[0].extra == (("agreed_by", "phone"), ("own", "x"))


def test_palatal_is_lingual_and_bom_and_crlf_are_read(tmp_path: Path) -> None:
    path = tmp_path / "chart.csv"
    text = ",".join(COLUMNS) + "\r\n108,mesiopalatal,,2.5,-1,yes,,,,,,,,,,\r\n"
    path.write_bytes(b"\xef\xbb\xbf" + text.encode())
    row = read_chart(path, "dog").rows[0]
    assert (row.site, row.when, row.probing_depth_mm, row.margin_mm, row.bleeding) == (
        "mesiolingual",
        "before",
        2.5,
        -1.0,
        True,
    )


def test_a_failed_write_leaves_the_old_chart(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = written(tmp_path, "409,,before,,,,,,,,,present,,,,")
    before = path.read_bytes()

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.replace", full)
    with pytest.raises(InputRefused, match="No space left"):
        write_chart(path, Chart())
    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path]


_mm = st.none() | st.integers(0, 120).map(lambda n: n / 4)
_index = st.none() | st.integers(0, 3)
_text = st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs"]), max_size=8).map(
    str.strip
)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.lists(
        st.builds(
            ChartRow,
            tooth=st.sampled_from([108, 309, 409]),
            site=st.sampled_from(SITES),
            when=st.sampled_from(["before", "after"]),
            probing_depth_mm=_mm,
            margin_mm=st.none() | st.integers(-40, 40).map(lambda n: n / 4),
            bleeding=st.none() | st.booleans(),
            gingivitis_index=_index,
            furcation=_index,
            note=_text,
            decision=_text,
        ),
        unique_by=lambda row: row.key,
        max_size=12,
    )
)
def test_what_is_written_is_read_back(
    tmp_path_factory: pytest.TempPathFactory, rows: list[ChartRow]
) -> None:
    path = tmp_path_factory.mktemp("chart") / "chart.csv"
    path.write_text(chart_text(Chart(tuple(rows))), "utf-8")
    assert read_chart(path, "dog").rows == tuple(rows)


@pytest.mark.parametrize(
    ("text", "taken_out"),
    [
        ("extract", True),
        ("Extraction, surgical", True),
        ("do not extract", False),
        ("discuss extraction", False),
        ("(extract)", True),
        ("", False),
    ],
)
def test_an_extraction_is_known_by_its_word(text: str, taken_out: bool) -> None:
    assert is_extraction(text) is taken_out
