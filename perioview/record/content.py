"""Content items of a structured report, encoded as they lie in the file (PS3.3 C.17.3).

A report has thousands of small elements that say the same few things again and again. As data
sets they take ten times as long to make and to write as here, where every code is encoded once.
Explicit little endian, UTF-8 and defined lengths throughout (PS3.5 7.1.2, 7.5.1), so that a
reader need not open what it does not ask for.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Sequence
from functools import lru_cache

from pydicom.sr.coding import Code
from pydicom.valuerep import format_number_as_ds

_LONG = frozenset(("SQ", "UT", "UC"))
_NUL_PADDED = frozenset(("UI",))
CONTENT = (0x0040, 0xA730)
MOST_POINTS = 8191
"""A value of FL in explicit VR is shorter than 64 KiB (PS3.5 7.1.2)."""

# Relationship types (PS3.3 C.17.3.2.4).
CONTAINS = "CONTAINS"
CONCEPT_MOD = "HAS CONCEPT MOD"
OBS_CONTEXT = "HAS OBS CONTEXT"
PROPERTIES = "HAS PROPERTIES"
INFERRED_FROM = "INFERRED FROM"
SELECTED_FROM = "SELECTED FROM"


def element(group: int, number: int, vr: str, value: bytes) -> bytes:
    """One data element, padded to even length."""
    if len(value) % 2:
        value += b"\0" if vr in _NUL_PADDED else b" "
    if vr in _LONG:
        return struct.pack("<HH2sHI", group, number, vr.encode(), 0, len(value)) + value
    return struct.pack("<HH2sH", group, number, vr.encode(), len(value)) + value


def sequence(group: int, number: int, items: Iterable[bytes]) -> bytes:
    """A sequence of data sets, each given as its elements."""
    held = b"".join(struct.pack("<HHI", 0xFFFE, 0xE000, len(item)) + item for item in items)
    return element(group, number, "SQ", held)


@lru_cache(maxsize=1024)
def coded(group: int, number: int, code: Code) -> bytes:
    """A code sequence with its one item (PS3.3 8.8)."""
    # Sixteen characters fit the short value, longer ones have an element of their own.
    short = len(code.value) <= 16
    item = element(0x0008, 0x0100, "SH", code.value.encode()) if short else b""
    item += element(0x0008, 0x0102, "SH", code.scheme_designator.encode())
    item += element(0x0008, 0x0104, "LO", code.meaning.encode())
    item += b"" if short else element(0x0008, 0x0119, "UC", code.value.encode())
    return sequence(group, number, [item])


@lru_cache(maxsize=256)
def _start(relation: str, kind: str, concept: Code) -> bytes:
    return (
        element(0x0040, 0xA010, "CS", relation.encode())
        + element(0x0040, 0xA040, "CS", kind.encode())
        + coded(0x0040, 0xA043, concept)
    )


def _children(items: Sequence[bytes]) -> bytes:
    return sequence(*CONTENT, items) if items else b""


def code_item(relation: str, concept: Code, value: Code, children: Sequence[bytes] = ()) -> bytes:
    """Statement in a code."""
    start = _start(relation, "CODE", concept)
    return start + coded(0x0040, 0xA168, value) + _children(children)


def text_item(relation: str, concept: Code, text: str) -> bytes:
    """Statement in words."""
    return _start(relation, "TEXT", concept) + element(0x0040, 0xA160, "UT", text.encode())


def name_item(relation: str, concept: Code, name: str) -> bytes:
    """Name of a person."""
    return _start(relation, "PNAME", concept) + element(0x0040, 0xA123, "PN", name.encode())


def uid_item(relation: str, concept: Code, uid: str) -> bytes:
    """Unique identifier."""
    return _start(relation, "UIDREF", concept) + element(0x0040, 0xA124, "UI", uid.encode())


def number_item(
    relation: str, concept: Code, value: float, unit: Code, children: Sequence[bytes] = ()
) -> bytes:
    """Number with its unit: 16 characters, and all 64 bits beside them (PS3.3 C.18.1)."""
    measured = (
        coded(0x0040, 0x08EA, unit)
        + element(0x0040, 0xA161, "FD", struct.pack("<d", value))
        + element(0x0040, 0xA30A, "DS", format_number_as_ds(float(value)).encode())
    )
    start = _start(relation, "NUM", concept)
    return start + sequence(0x0040, 0xA300, [measured]) + _children(children)


def image_item(relation: str, concept: Code, sop_class: str, sop_uid: str) -> bytes:
    """Reference to an image (PS3.3 C.18.4)."""
    reference = element(0x0008, 0x1150, "UI", sop_class.encode())
    reference += element(0x0008, 0x1155, "UI", sop_uid.encode())
    return sequence(0x0008, 0x1199, [reference]) + _start(relation, "IMAGE", concept)


def points_item(
    relation: str,
    concept: Code,
    points: Sequence[tuple[float, float]],
    children: Sequence[bytes],
    *,
    kind: str = "",
) -> bytes:
    """Points in an image, column before row from the corner of its first pixel (C.18.6).

    Of a kind other than points, as ``POLYLINE``, where one is given; at most `MOST_POINTS`.
    """
    data = struct.pack(f"<{2 * len(points)}f", *(v for point in points for v in point))
    kind = kind or ("POINT" if len(points) == 1 else "MULTIPOINT")
    return (
        _start(relation, "SCOORD", concept)
        + _children(children)
        + element(0x0070, 0x0022, "FL", data)
        + element(0x0070, 0x0023, "CS", kind.encode())
    )


def container_item(concept: Code, template: str, children: Sequence[bytes]) -> bytes:
    """Container with what it holds, by a template of PS3.16."""
    return _start(CONTAINS, "CONTAINER", concept) + contents(template, children)


def contents(template: str, children: Sequence[bytes]) -> bytes:
    """What makes a data set a container: continuity, template, content."""
    known = element(0x0008, 0x0105, "CS", b"DCMR")
    known += element(0x0040, 0xDB00, "CS", template.encode())
    return (
        element(0x0040, 0xA050, "CS", b"CONTINUOUS")
        + (sequence(0x0040, 0xA504, [known]) if template else b"")
        + sequence(*CONTENT, children)
    )
