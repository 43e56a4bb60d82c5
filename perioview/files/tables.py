"""A marks file (CSV): read with every fault named, written whole or not at all."""

from __future__ import annotations

import csv
import io
import itertools
import math
from functools import partial
from pathlib import Path

from perioview.errors import InputRefused
from perioview.files.atomic import write_atomically
from perioview.marks import HOW, LANDMARKS, NEEDS, Mark, Marks, check_marks

COLUMNS = ("tooth", "root", "side", "landmark", "row", "col", "mm")
OURS = ("how", "object")


def read_text(path: Path) -> str:
    """Read a UTF-8 text file, with or without byte order mark.

    Raises
    ------
    InputRefused
        If it cannot be read or is not UTF-8.
    """
    try:
        return path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise InputRefused(
            f"{path}: cannot be read ({error.strerror}); check the name and the permissions."
        ) from error
    except UnicodeDecodeError as error:
        kind = "as CSV " if path.suffix.casefold() == ".csv" else ""
        raise InputRefused(
            f"{path}: is not UTF-8 text (byte {error.start}); save it {kind}in UTF-8."
        ) from error


def csv_rows(
    path: Path, columns: tuple[str, ...]
) -> tuple[list[str], list[tuple[int, dict[str, str]]]]:
    """Read a CSV file's header and its rows with their line numbers; blank rows are passed over.

    Raises
    ------
    InputRefused
        If it is empty, separated by anything but commas, or lacks a column.
    """
    text = read_text(path)
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    try:
        header = [h.strip() for h in next(reader, [])]
        if len(header) < 2 and any(s in text.split("\n", 1)[0] for s in ";\t"):
            raise InputRefused(
                f"{path}: columns are separated by semicolons or tabs; save it with commas "
                "and decimal points."
            )
        missing = [c for c in columns if c not in header]
        if missing:
            raise InputRefused(
                f"{path}: column {', '.join(missing)} is missing; the header must be "
                f"{','.join(columns)}."
            )
        twice = sorted({c for c in header if c and header.count(c) > 1})
        if twice:
            raise InputRefused(f"{path}: column {', '.join(twice)} is there twice; keep one.")
        lines: list[tuple[int, list[str]]] = []
        for cells in reader:
            if not any(c.strip() for c in cells):
                continue
            if len(cells) > len(header):
                raise InputRefused(
                    f"{path}: line {reader.line_num} has {len(cells)} fields for {len(header)} "
                    "columns (a decimal comma?); use decimal points."
                )
            padded = [c.strip() for c in cells] + [""] * (len(header) - len(cells))
            lines.append((reader.line_num, padded))
    except csv.Error as error:
        raise InputRefused(
            f"{path}: line {reader.line_num}: {error}; save it as plain CSV."
        ) from error
    # What stands under no name would be lost when the table is written again.
    for at, name in enumerate(header):
        if not name and any(cells[at] for _, cells in lines):
            numbers = range(at + 1, at + len(header) + 2)
            header[at] = next(n for k in numbers if (n := f"column {k}") not in header)
    return header, [(line, dict(zip(header, cells, strict=True))) for line, cells in lines]


def _number(text: str, what: str, where: str, faults: list[str]) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value) or "_" in text:
        hint = "use a decimal point" if "," in text else "give a number"
        faults.append(f"{where}: {what} '{text}' is no finite number; {hint}.")
        return math.nan
    return value


def _mark(row: dict[str, str], where: str, faults: list[str]) -> Mark | None:
    before = len(faults)
    landmark = row["landmark"]
    if landmark not in LANDMARKS:
        faults.append(
            f"{where}: landmark '{landmark}' is not known; use one of {', '.join(LANDMARKS)}."
        )
        return None
    needs = NEEDS[landmark]
    number: int | None = None
    if "tooth" in needs:
        if row["tooth"].isascii() and row["tooth"].isdigit():
            number = int(row["tooth"])
        else:
            faults.append(
                f"{where}: tooth '{row['tooth']}' is no tooth; use a modified Triadan number."
            )
    at = [_number(row[axis], axis, where, faults) for axis in ("row", "col")]
    mm = _number(row["mm"], "mm", where, faults) if "mm" in needs else None
    how = row.get("how", "") or "placed"
    if how not in HOW:
        faults.append(f"{where}: how '{how}' is not known; use one of {', '.join(HOW)}.")
    if len(faults) > before:
        return None
    extra = tuple((k, v) for k, v in row.items() if k not in COLUMNS + OURS and k)
    return Mark(
        landmark,
        at[0],
        at[1],
        number,
        row["root"] if "root" in needs else None,
        row["side"] if "side" in needs else None,
        mm,
        how,
        row.get("object", "") if "mm" in needs else "",
        extra,
    )


def read_marks(path: str | Path, *, species: str, rows: int, cols: int) -> Marks:
    """Read the marks of one image.

    Parameters
    ----------
    path : path
        A CSV file as written by `write_marks` or by hand.
    species : str
        ``dog`` or ``cat``.
    rows, cols : int
        Size of the image in px.

    Raises
    ------
    InputRefused
        With one line for every fault of the file.
    """
    path = Path(path)
    _, table = csv_rows(path, COLUMNS)
    faults: list[str] = []
    items = []
    for line, row in table:
        mark = _mark(row, f"{path}: line {line}", faults)
        if mark is not None:
            items.append(mark)
    marks = Marks(tuple(items))
    for check in (partial(check_marks, marks, species, rows, cols), partial(check_rulers, marks)):
        try:
            check(source=str(path))
        except InputRefused as error:
            faults += error.faults
    if faults:
        raise InputRefused(*faults)
    return marks


def check_rulers(marks: Marks, source: str) -> None:
    """Refuse ruler marks that coincide or run out of order along their ruler.

    Raises
    ------
    InputRefused
        With one line per ruler.
    """
    from perioview.geometry import line_coordinates

    faults = []
    for label, ruler in marks.rulers().items():
        if len(ruler) < 2:
            continue
        what = f"ruler{' ' + label if label else ''}"
        places = [(m.row, m.col) for m in ruler]
        if len(set(places)) < len(places):
            faults.append(f"{source}: two marks of the {what} coincide; move or remove one.")
            continue
        along, _ = line_coordinates(places)
        if any(b <= a for a, b in itertools.pairwise(along)):
            order = ", ".join(f"{m.mm:g}" for m in ruler)
            faults.append(
                f"{source}: the marks of the {what} at {order} mm do not follow one another "
                "along it; correct their distances or places."
            )
    if faults:
        raise InputRefused(*faults)


def marks_text(marks: Marks) -> str:
    """Write marks as the text of a marks file."""
    extra = list(dict.fromkeys(k for m in marks for k, _ in m.extra))
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([*COLUMNS, *OURS, *extra])
    for m in marks:
        kept = dict(m.extra)
        writer.writerow(
            [
                m.tooth if m.tooth is not None else "",
                m.root or "",
                m.side or "",
                m.landmark,
                repr(m.row),
                repr(m.col),
                "" if m.mm is None else repr(m.mm),
                m.how,
                m.object,
                *(kept.get(k, "") for k in extra),
            ]
        )
    return out.getvalue()


def write_marks(path: str | Path, marks: Marks) -> None:
    """Write a marks file whole or not at all, the last good one kept beside it as ``.bak``.

    Raises
    ------
    InputRefused
        If the folder cannot be written.
    """
    path = Path(path)
    if path.exists():
        write_atomically(path.with_name(path.name + ".bak"), path.read_bytes())
    write_atomically(path, marks_text(marks).encode())
