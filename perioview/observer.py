"""How well one observer repeats a mark: from a number, per landmark, or a saved profile."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

from perioview.bone_loss import MarkSd, default_mark_sd
from perioview.errors import InputRefused, reason
from perioview.marks import LANDMARKS


def _sd(text: str, what: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value) or value < 0:
        named = f"--mark-sd {what}".rstrip()
        raise InputRefused(f"{named}: '{text}' is no SD; give a number of 0 or more.")
    return value


def _from_profile(path: Path, scaled: bool) -> MarkSd:
    try:
        data = json.loads(path.read_text("utf-8-sig"))
        rows: list[dict[str, Any]] = data["landmarks"]
        found = {str(r["landmark"]): r["sd_mm" if scaled else "sd_px"] for r in rows}
        in_px = {str(r["landmark"]): r["sd_px"] for r in rows}
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise InputRefused(
            f"--mark-sd {path}: is no repeatability profile ({reason(error)}); "
            "write one with perioview repeatability."
        ) from error
    if scaled and not any(v is not None for v in found.values()):
        raise InputRefused(
            f"--mark-sd {path}: holds no millimetres; run perioview repeatability with --image."
        )
    if "ruler" in found:
        found["ruler"] = in_px["ruler"]
    known = {k: v for k, v in found.items() if k in LANDMARKS and v is not None}
    for kind, value in known.items():
        _sd(str(value), f"{path}: {kind}")
    return replace(default_mark_sd(scaled), **{k: float(v) for k, v in known.items()})


def mark_sd(given: str | None, scaled: bool) -> MarkSd:
    """Repeatability of the marks as the user states it.

    Parameters
    ----------
    given : str or None
        A number for all marks (mm with a scale, else px), ``cej=S,apex=S,...`` (a kind left out
        keeps its default, ``ruler=`` is in px), or a file that ``perioview repeatability`` wrote.
    scaled : bool
        Whether the image has a scale.

    Raises
    ------
    InputRefused
        If it is none of these.
    """
    default = default_mark_sd(scaled)
    if given is None:
        return default
    if Path(given).is_file():
        return _from_profile(Path(given), scaled)
    if given.lower().endswith(".json"):
        raise InputRefused(
            f"--mark-sd {given}: there is no such file; write one with perioview repeatability."
        )
    if "=" not in given:
        sd = _sd(given, "")
        return replace(default, cej=sd, crest=sd, defect_base=sd, furcation=sd, apex=sd)
    chosen: dict[str, float] = {}
    faults: list[str] = []
    for part in given.split(","):
        kind, _, text = part.partition("=")
        kind = kind.strip()
        if kind not in LANDMARKS:
            faults.append(f"--mark-sd: '{kind}' is no landmark; use {', '.join(LANDMARKS)}.")
        elif kind in chosen:
            faults.append(f"--mark-sd: {kind} is given twice; keep one.")
        else:
            chosen[kind] = 0.0
            try:
                chosen[kind] = _sd(text, kind)
            except InputRefused as error:
                faults += error.faults
    if faults:
        raise InputRefused(*faults)
    return replace(default, **chosen)
