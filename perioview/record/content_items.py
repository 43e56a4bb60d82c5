"""Content items of a report as they are read back: concept, code, number, place (PS3.3 C.17.3)."""

from __future__ import annotations

from collections.abc import Iterator

from pydicom.dataset import Dataset

from perioview.record import codes
from perioview.record.codes import code_value, unit_name


def children(parent: Dataset) -> list[Dataset]:
    """Items that a container, or an item, holds."""
    return list(parent.get("ContentSequence", None) or [])


def concept_of(item: Dataset) -> str:
    """Code of an item's concept name; empty without one."""
    names = item.get("ConceptNameCodeSequence", None) or []
    return code_value(names[0]) if names else ""


def code_of(item: Dataset) -> str:
    """Code that an item states; empty without one."""
    values = item.get("ConceptCodeSequence", None) or []
    return code_value(values[0]) if values else ""


def number_of(item: Dataset) -> tuple[float, str] | None:
    """Value and unit that an item states; None for an empty one."""
    values = item.get("MeasuredValueSequence", None) or []
    if not values:
        return None
    held = values[0]
    # NumericValue holds 16 characters; FloatingPointValue all 64 bits (PS3.3 C.18.1).
    value = held.get("FloatingPointValue")
    units = held.MeasurementUnitsCodeSequence[0]
    return float(held.NumericValue if value is None else value), unit_name(units)


def groups_of(dataset: Dataset) -> Iterator[list[Dataset]]:
    """Yield the measurement groups of a report, each as its items."""
    for container in children(dataset):
        if concept_of(container) == "126010":
            for group in children(container):
                if concept_of(group) == codes.MEASUREMENT_GROUP.value:
                    yield children(group)


def named(group: list[Dataset], concept: str) -> list[Dataset]:
    """Items of a group with this concept, in their order."""
    return [item for item in group if concept_of(item) == concept]


def finding_of(group: list[Dataset]) -> str:
    """Code of what a group is about; empty without one."""
    found = named(group, codes.FINDING.value)
    return code_of(found[0]) if found else ""


def place_of(group: list[Dataset]) -> tuple[int | None, str | None, str | None]:
    """Tooth, root and side a group is about."""
    tooth: int | None = None
    root: str | None = None
    side: str | None = None
    for site in named(group, codes.FINDING_SITE.value):
        for item in children(site):
            if concept_of(item) == codes.TOPOGRAPHICAL_MODIFIER.value:
                tooth = int(code_of(item))
            elif concept_of(item) == "root":
                root = code_of(item)
            elif concept_of(item) == "side":
                side = code_of(item)
    return tooth, root, side
