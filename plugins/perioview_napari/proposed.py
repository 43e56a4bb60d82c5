"""A proposed mark, and how proposals are kept beside the round they belong to."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from dataclasses import dataclass

from perioview.errors import InputRefused
from perioview.marks import LANDMARKS, LOW_CONFIDENCE, Mark
from perioview.proposals import MARGIN_NOT_SEEN

CARRIED = "carried_from_earlier_visit"
KEY = "proposed"
_FIELDS = ("landmark", "row", "col", "tooth", "root", "side")


@dataclass(frozen=True, slots=True)
class Proposed:
    """A proposed mark: no measurement until it is accepted or moved."""

    mark: Mark
    sd_mm: float | None
    confidence: float
    flags: tuple[str, ...] = ()

    @property
    def doubtful(self) -> bool:
        """Whether the proposal itself says that it is not sure."""
        return self.confidence < LOW_CONFIDENCE

    @property
    def unseen(self) -> bool:
        """Whether the bone margin does not show: a place to look, which nobody can accept."""
        return MARGIN_NOT_SEEN in self.flags

    @property
    def carried(self) -> bool:
        """Whether it is a mark of an earlier visit."""
        return CARRIED in self.flags


def with_proposals(round_text: str, proposals: Iterable[Proposed]) -> str:
    """Add proposals to the text of a round, so that one file holds both, whole or not at all."""
    content = json.loads(round_text)
    content[KEY] = [
        {
            **{name: getattr(p.mark, name) for name in _FIELDS},
            "extra": [list(pair) for pair in p.mark.extra],
            "sd_mm": p.sd_mm if p.sd_mm is not None and math.isfinite(p.sd_mm) else None,
            "confidence": p.confidence,
            "flags": list(p.flags),
        }
        for p in proposals
    ]
    return json.dumps(content, indent=1) + "\n"


def proposals_from_text(round_text: str, source: str) -> tuple[Proposed, ...]:
    """Read the proposals kept in the text of a round; none where it has none.

    Raises
    ------
    InputRefused
        If they are not as `with_proposals` writes them.
    """
    try:
        return tuple(_proposed(row) for row in json.loads(round_text).get(KEY, ()))
    except (ValueError, KeyError, TypeError, AttributeError) as fault:
        raise InputRefused(
            f"{source}: its proposals cannot be read ({fault}); remove the file, the marks are "
            "kept apart from it."
        ) from fault


def _proposed(row: dict[str, object]) -> Proposed:
    values = {name: row[name] for name in _FIELDS}
    if values["landmark"] not in LANDMARKS:
        raise ValueError(f"landmark {values['landmark']}")
    numbers = [float(str(row[name])) for name in ("row", "col", "confidence")]
    if not all(math.isfinite(n) for n in numbers):
        raise ValueError(f"row, col and confidence {numbers}")
    pairs = row["extra"]
    flags = row["flags"]
    if not isinstance(pairs, list) or not isinstance(flags, list):
        raise TypeError("extra and flags must be lists")
    mark = Mark(
        str(values["landmark"]),
        numbers[0],
        numbers[1],
        None if values["tooth"] is None else int(str(values["tooth"])),
        None if values["root"] is None else str(values["root"]),
        None if values["side"] is None else str(values["side"]),
        None,
        "accepted",
        extra=tuple((str(k), str(v)) for k, v in pairs),
    )
    sd = row["sd_mm"]
    return Proposed(
        mark, None if sd is None else float(str(sd)), numbers[2], tuple(str(f) for f in flags)
    )
