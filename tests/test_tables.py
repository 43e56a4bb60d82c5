"""Marks files: spreadsheets, faults, and nothing lost."""

import pytest

from perioview.errors import InputRefused
from perioview.files.tables import read_marks, write_marks

HEADER = "tooth,root,side,landmark,row,col,mm"
GOOD = "309,mesial,mesial,cej,10,20,"


def read(tmp_path, text, encoding="utf-8", species="dog"):
    path = tmp_path / "marks.csv"
    path.write_bytes(text.encode(encoding))
    return read_marks(path, species=species, rows=100, cols=200)


def test_spreadsheet_bom_and_crlf(tmp_path):
    marks = read(tmp_path, f"{HEADER}\r\n{GOOD}\r\n", "utf-8-sig")
    assert marks.items[0].row == 10


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("309,mesial,mesial,cej,ten,20,", "'ten' is no finite number"),
        ("309,mesial,mesial,cej,nan,20,", "no finite number"),
        ("309,mesial,mesial,cej,inf,20,", "no finite number"),
        ('309,mesial,mesial,cej,"10,5",20,', "decimal point"),
        ("309,mesial,buccal,cej,10,20,", "side 'buccal'"),
        ("309,palatal,mesial,cej,10,20,", "no palatal root"),
        ("309,root,mesial,cej,10,20,", "root 'root'"),
        ("312,mesial,mesial,cej,10,20,", "no tooth 312"),
        ("309,mesial,mesial,margin,10,20,", "landmark 'margin'"),
        ("309,mesial,mesial,cej,10,200,", "outside the image"),
        ("309,mesial,mesial,cej,-0.6,20,", "outside the image"),
        ("104,,,furcation,10,20,", "single root"),
        (f"{GOOD}\n{GOOD}", "twice"),
        (",,,ruler,10,20,", "mm '' is no finite"),
        (",,,ruler,10,20,0\n,,,ruler,10,20,3", "coincide"),
        (",,,ruler,10,20,0\n,,,ruler,10,40,3\n,,,ruler,10,30,6", "do not follow"),
        ("208,mesial,mesial,cej,1,2,\n208,mesiobuccal,mesial,cej,3,4,", "do not occur together"),
    ],
)
def test_faults_are_named(tmp_path, line, said):
    with pytest.raises(InputRefused, match=said):
        read(tmp_path, f"{HEADER}\n{line}\n")


def test_every_fault_is_named_not_only_the_first(tmp_path):
    with pytest.raises(InputRefused) as refused:
        read(tmp_path, f"{HEADER}\n999,mesial,mesial,cej,10,20,\n309,mesial,mesial,cej,x,20,\n")
    assert len(refused.value.faults) == 2


@pytest.mark.parametrize("text", ["", "tooth;root;side;landmark;row;col;mm\n", "tooth,root\n"])
def test_header(tmp_path, text):
    with pytest.raises(InputRefused, match=r"missing|semicolons"):
        read(tmp_path, text)


def test_edges_of_the_image_are_inside(tmp_path):
    assert len(read(tmp_path, f"{HEADER}\n309,mesial,mesial,cej,-0.5,199.5,\n")) == 1


def test_unneeded_columns_are_ignored_and_unknown_ones_kept(tmp_path):
    text = f"{HEADER},by,how\n309,mesial,distal,apex,10,20,7,nurse,accepted\n"
    marks = read(tmp_path, text)
    assert marks.items[0].side is None and marks.items[0].how == "accepted"
    path = tmp_path / "again.csv"
    write_marks(path, marks)
    assert "nurse" in path.read_text()
    assert read_marks(path, species="dog", rows=100, cols=200) == marks


def test_rewriting_keeps_the_last_good_file(tmp_path):
    marks = read(tmp_path, f"{HEADER}\n{GOOD}\n")
    path = tmp_path / "kept.csv"
    write_marks(path, marks)
    first = path.read_bytes()
    write_marks(path, marks.without(marks.items[0]))
    assert (tmp_path / "kept.csv.bak").read_bytes() == first
    assert sorted(p.name for p in tmp_path.iterdir()) == ["kept.csv", "kept.csv.bak", "marks.csv"]


def test_what_stands_in_a_column_without_a_name_is_kept(tmp_path):
    marks = read(tmp_path, f"{HEADER},,\n{GOOD},,see film 2\n{GOOD.replace('mesial', 'distal')}\n")
    write_marks(tmp_path / "again.csv", marks)
    written = (tmp_path / "again.csv").read_text()
    assert "see film 2" in written and "column 9" in written and "column 8" not in written
    assert read(tmp_path, written) == marks


def test_a_column_without_a_name_takes_none_that_is_there(tmp_path):
    marks = read(tmp_path, f"{HEADER},,column 8\n{GOOD},see film 2,see film 3\n")
    write_marks(tmp_path / "again.csv", marks)
    written = (tmp_path / "again.csv").read_text()
    assert "see film 2" in written and "see film 3" in written
    assert read(tmp_path, written) == marks
