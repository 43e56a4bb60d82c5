"""Fields of visit.toml that a person wrote by hand and no record can hold as they are."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping
from typing import Any

from perioview.visit import Visit


def day_from(value: Any) -> dt.date | None:
    """Date of a field, as TOML date or as ISO 8601 text; None where it is neither."""
    if isinstance(value, dt.datetime):
        return value.date()
    if isinstance(value, dt.date):
        return value
    try:
        return dt.date.fromisoformat(value) if isinstance(value, str) else None
    except ValueError:
        return None


def visit_faults(visit: Visit) -> list[str]:
    """One line per date or weight that cannot be one.

    Parameters
    ----------
    visit : Visit

    Returns
    -------
    list of str
        Empty where all is well; what is left out is no fault.
    """
    faults = _date_fault("visit", "date", visit.visit)
    faults += _date_fault("patient", "birth_date", visit.patient)
    weight = visit.patient.get("weight_kg")
    if weight not in (None, "") and not _is_weight(weight):
        faults.append(
            f"visit.toml: [patient] weight_kg {weight!r} is no weight; "
            "give kilograms as a number, as weight_kg = 6.4."
        )
    return faults


def _is_weight(value: Any) -> bool:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    return math.isfinite(value) and value > 0


def _date_fault(table: str, name: str, fields: Mapping[str, Any]) -> list[str]:
    value = fields.get(name)
    if value in (None, "") or day_from(value):
        return []
    return [
        f"visit.toml: [{table}] {name} {str(value)!r} is no date; write it as {name} = 2026-03-05."
    ]
