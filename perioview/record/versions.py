"""Every version of a measurement: which report replaced which, who answers for it, since when."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

from pydicom.dataset import Dataset

from perioview.record import codes
from perioview.record.codes import code_value
from perioview.record.history import (
    image_uid,
    is_report,
    measurements_from_report,
    predecessor_uids,
    species_of,
)

_SAME = ("tooth", "root", "side", "quantity")


def versions(patient: str, reports: Iterable[Dataset]) -> dict[str, Any]:
    """Reports of a patient as versions, in the order in which they replaced each other.

    Parameters
    ----------
    patient : str
        Patient ID.
    reports : iterable of Dataset
        Objects of the patient; what is no report of ours is passed over.

    Returns
    -------
    dict
        ``patient``, and ``versions``: for each report ``date`` (of the study), ``image_uid``,
        ``version`` (counted from 1 along its predecessors), ``report_uid``,
        ``predecessor_uid``, ``verified``, ``by`` and ``at`` (who verified it and when; of an
        unverified one who measured, and on what day), ``current``, ``measurements`` (as
        `history` has them) and ``changes`` against the predecessor: ``tooth, root, side,
        quantity, before, after, unit``, with None where there was, or is, no such number.
    """
    ours = {
        str(r.SOPInstanceUID): r
        for r in reports
        if is_report(r) and str(r.get("PatientID", "")) == patient
    }
    replaced = {uid for r in ours.values() for uid in predecessor_uids(r)}
    rows = [_version(r, ours, replaced) for r in ours.values()]
    rows.sort(key=lambda r: (r["date"] or "", r["image_uid"], r["version"], r["report_uid"]))
    species = species_of(next(iter(ours.values()))) if ours else None
    return {"patient": {"id": patient, "species": species}, "versions": rows}


def _version(report: Dataset, ours: dict[str, Dataset], replaced: set[str]) -> dict[str, Any]:
    before = next(iter(predecessor_uids(report)), None)
    depth, seen, uid = 1, {str(report.SOPInstanceUID)}, before
    while uid and uid not in seen:  # damage may have made a ring
        depth += 1
        seen.add(uid)
        uid = next(iter(predecessor_uids(ours[uid])), None) if uid in ours else None
    by, at = _who(report)
    rows = measurements_from_report(report)
    earlier = measurements_from_report(ours[before]) if before in ours else []
    return {
        "date": _day(str(report.get("StudyDate", ""))),
        "image_uid": image_uid(report),
        "version": depth,
        "report_uid": str(report.SOPInstanceUID),
        "predecessor_uid": before,
        "verified": report.get("VerificationFlag") == "VERIFIED",
        "by": by,
        "at": at,
        "current": str(report.SOPInstanceUID) not in replaced,
        "measurements": rows,
        "changes": list(_changes(earlier, rows)) if before in ours else [],
    }


def _who(report: Dataset) -> tuple[str | None, str | None]:
    """Who verified a report and when, else who measured and on what day."""
    for observer in report.get("VerifyingObserverSequence", None) or []:
        stamp = str(observer.get("VerificationDateTime", ""))
        return str(observer.VerifyingObserverName).rstrip("^"), _moment(stamp)
    for item in report.get("ContentSequence", None) or []:
        names = item.get("ConceptNameCodeSequence", None) or []
        if names and code_value(names[0]) == codes.PERSON_NAME.value:
            person = str(item.PersonName).rstrip("^")
            return person, _day(str(report.get("ContentDate", "")))
    return None, _day(str(report.get("ContentDate", "")))


def _day(text: str) -> str | None:
    return f"{text[:4]}-{text[4:6]}-{text[6:8]}" if len(text) >= 8 else None


def _moment(text: str) -> str | None:
    """A DT value (PS3.5 6.2) as ISO 8601, as far as it goes."""
    day = _day(text)
    clock = text[8:14]
    if day is None or len(clock) < 6 or not clock.isdigit():
        return day
    zone = next((text[n:] for n in range(14, len(text)) if text[n] in "+-"), "")
    zone = f"{zone[:3]}:{zone[3:5]}" if len(zone) == 5 else ""
    return f"{day}T{clock[:2]}:{clock[2:4]}:{clock[4:]}{zone}"


def _changes(before: list[dict[str, Any]], after: list[dict[str, Any]]) -> Iterator[dict[str, Any]]:
    def keyed(rows: list[dict[str, Any]]) -> dict[tuple[Any, ...], dict[str, Any]]:
        return {tuple(row[k] for k in _SAME): row for row in rows}

    old, new = keyed(before), keyed(after)
    for key in dict.fromkeys([*old, *new]):
        was, now = old.get(key), new.get(key)
        values = (was and was["value"], now and now["value"])
        if values[0] != values[1]:
            told = now or was or {}
            yield {
                **dict(zip(_SAME, key, strict=True)),
                "before": values[0],
                "after": values[1],
                "unit": told["unit"],
            }
