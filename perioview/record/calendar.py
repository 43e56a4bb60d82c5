"""The rechecks as an iCalendar file with reminders.

RFC 5545: sections 3.1 (content lines, folded at 75 octets), 3.3.11 (escaped text), 3.6.1, 3.6.6.
"""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Sequence

from perioview.home_care import Recheck

_SPACE = uuid.UUID("7c1f4b0e-5a0f-5d6e-9a53-0b8a3f6f1d21")


def _escaped(text: str) -> str:
    for raw, safe in (("\\", "\\\\"), (";", "\\;"), (",", "\\,"), ("\n", "\\n"), ("\r", "")):
        text = text.replace(raw, safe)
    return text


def _folded(line: str) -> str:
    """Fold a line so that no part exceeds 75 octets and no letter is cut."""
    parts, room = [""], 75
    for letter in line:
        size = len(letter.encode())
        if size > room:
            parts.append(" ")
            room = 74
        parts[-1] += letter
        room -= size
    return "\r\n".join(parts)


def calendar(patient_id: str, pet: str, rechecks: Sequence[Recheck], made: dt.datetime) -> str:
    """Write the rechecks, each a span of whole days with a reminder three days before.

    Parameters
    ----------
    patient_id, pet : str
        Number and call name of the patient.
    rechecks : sequence of Recheck
    made : datetime
        In UTC.

    Returns
    -------
    str
        With CRLF line ends.
    """
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//perioview//recheck//EN"]
    for r in rechecks:
        uid = uuid.uuid5(_SPACE, f"{patient_id} {r.first.isoformat()} {r.text}")
        summary = _escaped(f"{pet}: {r.text}")
        last = r.last + dt.timedelta(days=1)
        lines += [
            "BEGIN:VEVENT",
            f"UID:{uid}",
            f"DTSTAMP:{made:%Y%m%dT%H%M%SZ}",
            f"DTSTART;VALUE=DATE:{r.first:%Y%m%d}",
            f"DTEND;VALUE=DATE:{last:%Y%m%d}",
            f"SUMMARY:{summary}",
            f"DESCRIPTION:{_escaped('Please call the practice for a time within these days.')}",
            "TRANSP:TRANSPARENT",
            "BEGIN:VALARM",
            "ACTION:DISPLAY",
            f"DESCRIPTION:{summary}",
            "TRIGGER:-P3D",
            "END:VALARM",
            "END:VEVENT",
        ]
    lines.append("END:VCALENDAR")
    return "\r\n".join(_folded(line) for line in lines) + "\r\n"
