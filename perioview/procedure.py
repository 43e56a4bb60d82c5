"""The procedure as a checklist that is ticked with times; packs are counted in and out."""

from __future__ import annotations

import datetime as dt
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from perioview.chart_rules import data_table
from perioview.errors import InputRefused, reason

Table = Mapping[str, Any]
PHASES = ("before", "asleep", "after")


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the checklist, with where it is taught."""

    key: str
    name: str
    phase: str
    source: str
    asks: str = ""
    caution: str = ""


@dataclass(frozen=True, slots=True)
class PackCount:
    """Pharyngeal packs counted; None where nothing was recorded."""

    placed: int | None
    removed: int | None

    @property
    def all_out(self) -> bool:
        """Whether every pack placed was counted out, or none was placed."""
        return self.placed == 0 or (self.placed is not None and self.removed == self.placed)


def checklist(path: str | Path | None = None) -> tuple[Step, ...]:
    """Steps in their order: the commonly taught ones, or the practice's own file.

    Raises
    ------
    InputRefused
        If the practice's file cannot be used, one line per fault.
    """
    if path is None:
        rows = data_table("procedure.toml")["step"]
        return tuple(Step(**row) for row in rows)
    try:
        rows = tomllib.loads(Path(path).read_text("utf-8-sig")).get("step", [])
    except (OSError, ValueError) as error:
        raise InputRefused(
            f"{path}: cannot be read as a checklist ({reason(error)}); "
            "copy perioview's procedure.toml."
        ) from error
    faults = _row_faults(rows, str(path))
    if faults:
        raise InputRefused(*faults)
    return tuple(Step(**{"source": "the practice's own", **row}) for row in rows)


def _row_faults(rows: object, path: str) -> list[str]:
    if not isinstance(rows, list) or not rows:
        return [f"{path}: no [[step]] in it; copy perioview's procedure.toml."]
    faults = []
    known = {"key", "name", "phase", "source", "asks", "caution"}
    keys = [row.get("key") for row in rows if isinstance(row, dict)]
    for number, row in enumerate(rows, 1):
        where = f"{path}: step {number}"
        if not isinstance(row, dict) or not {"key", "name", "phase"} <= set(row):
            faults.append(f"{where} lacks key, name or phase; give all three.")
            continue
        faults += [
            f"{where}: '{k}' is not known or no text; use {', '.join(sorted(known))}."
            for k, v in row.items()
            if k not in known or not isinstance(v, str)
        ]
        if row["phase"] not in PHASES:
            faults.append(f"{where}: phase '{row['phase']}' is not known; use {', '.join(PHASES)}.")
        if keys.count(row["key"]) > 1:
            faults.append(f"{where}: key '{row['key']}' is there twice; rename one.")
    return faults


def ticked(
    steps: Sequence[Table], step: Step, at: dt.datetime, *, by: str = "", count: int | None = None
) -> tuple[Table, ...]:
    """Steps of the visit with one more done, at a time.

    Parameters
    ----------
    steps : sequence of mapping
        ``[[steps]]`` of the visit.
    step : Step
        From the checklist.
    at : datetime
        When it was done.
    by : str
        Who, where the step asks for it.
    count : int, optional
        How many, where the step asks for it (packs).

    Raises
    ------
    InputRefused
        If the step asks for a person or a number and none was given.
    """
    if step.asks == "who" and not by.strip():
        raise InputRefused(f"step '{step.name}': nobody is named; say who.")
    if step.asks == "count" and (count is None or count < 0):
        raise InputRefused(f"step '{step.name}': no number; count aloud and give it (0 for none).")
    done: dict[str, Any] = {"name": step.name, "key": step.key, "done": True, "at": at}
    if by:
        done["by"] = by
    if count is not None:
        done["count"] = count
    kept = [s for s in steps if not is_step(s, step)]
    return (*kept, done)


def unticked(steps: Sequence[Table], step: Step) -> tuple[Table, ...]:
    """Steps of the visit without this one."""
    return tuple(s for s in steps if not is_step(s, step))


def is_step(row: Table, step: Step) -> bool:
    """Whether a row of the visit is this step, by key or else by name."""
    if row.get("key"):
        return bool(row["key"] == step.key)
    return str(row.get("name", "")).strip().casefold() == step.name.casefold()


def open_steps(steps: Sequence[Table], of: Sequence[Step] | None = None) -> tuple[Step, ...]:
    """Steps of the checklist not yet done, in order."""
    return tuple(
        step
        for step in (checklist() if of is None else of)
        if not any(is_step(row, step) and row.get("done") for row in steps)
    )


def pack_count(steps: Sequence[Table]) -> PackCount:
    """Packs placed and removed, from the visit's steps by key or by their words."""
    placed = removed = None
    for row in steps:
        way = _pack_way(row)
        if way is None:
            continue
        number = int(row.get("count", 1)) if row.get("done") else 0
        if way == "in":
            placed = (placed or 0) + number
        else:
            removed = (removed or 0) + number
    return PackCount(placed, removed)


def _pack_way(row: Table) -> str | None:
    key = str(row.get("key", ""))
    if key in ("pack_in", "pack_out"):
        return key.removeprefix("pack_")
    words = str(row.get("name", "")).casefold().replace(",", " ").replace(":", " ").split()
    if not any(w.startswith(("pack", "gauze")) for w in words):
        return None
    out = {"out", "removed", "remove", "removal", "off"}
    return "out" if out & set(words) else "in"
