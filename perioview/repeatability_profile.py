"""An observer's repeatability as a saved profile and as a table."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from typing import Any

from perioview.repeatability import LandmarkSd, Repeatability


def finite(value: float) -> float | None:
    """Return the number for JSON: None instead of NaN or infinity."""
    return value if math.isfinite(value) else None


def profile_text(result: dict[str, Any]) -> str:
    """Write a profile as JSON."""
    return json.dumps(result, indent=2, allow_nan=False) + "\n"


def profile_object(landmarks: Iterable[LandmarkSd], judged: Repeatability) -> dict[str, Any]:
    """Build the result as `repeatability` writes it, and as ``measure --mark-sd`` reads it."""
    landmarks = tuple(landmarks)
    return {
        "landmarks": [
            {
                "landmark": one.landmark,
                "n": one.n,
                "sd_mm": finite(one.sd_mm),
                "sd_px": finite(one.sd_px),
                "sd_px_low": finite(one.low_px),
                "sd_px_high": finite(one.high_px),
            }
            for one in landmarks
        ],
        "bone_loss_pct": {
            "n": judged.n,
            "repeats": judged.repeats,
            "dahlberg": finite(judged.dahlberg),
            "within_sd": finite(judged.within_sd),
            "smallest_detectable_change": finite(judged.smallest_detectable_change),
            "icc": finite(judged.icc.value),
            "icc_low": finite(judged.icc.low),
            "icc_high": finite(judged.icc.high),
            "icc_kind": "ICC(2,1)",
            "bias": finite(judged.limits.bias),
            "limits_low": finite(judged.limits.low),
            "limits_high": finite(judged.limits.high),
        },
        "warnings": _copied(landmarks),
    }


def _copied(landmarks: Iterable[LandmarkSd]) -> list[str]:
    """Say of which kinds no mark was placed anew: no hand repeats itself to 1/1024 px."""
    same = [one.landmark.replace("_", " ") for one in landmarks if one.sd_px == 0]
    if not same:
        return []
    return [
        f"{', '.join(same)}: at the very same place in every marking, so copied and not marked "
        "anew; error bars made with this profile would leave them out. Mark the image again "
        "from nothing."
    ]


def _shown(value: float | None, digits: int = 2) -> str:
    return "-" if value is None else f"{value:.{digits}f}"


def profile_table(result: dict[str, Any], repeats: int) -> list[str]:
    """Lay a profile out for a person.

    Parameters
    ----------
    result : dict
        As `profile_object` builds it.
    repeats : int
        Markings it rests on.
    """
    lines = [
        f"{repeats} markings; one SD of a mark along either axis",
        "",
        f"{'landmark':<13}{'n':>4}{'SD mm':>9}{'SD px':>9}  95 % interval px",
    ]
    lines += [
        f"{one['landmark']:<13}{one['n']:>4}{_shown(one['sd_mm'], 3):>9}{_shown(one['sd_px']):>9}"
        f"  {_shown(one['sd_px_low'])} to {_shown(one['sd_px_high'])}"
        for one in result["landmarks"]
    ]
    loss = result["bone_loss_pct"]
    lines += [
        "",
        f"bone loss, points of per cent ({loss['n']} sites)",
        f"  error of one measurement (Dahlberg)  {_shown(loss['dahlberg'])}",
        f"  within-observer SD                   {_shown(loss['within_sd'])}",
        f"  smallest detectable change           {_shown(loss['smallest_detectable_change'])}",
        f"  {loss['icc_kind']}                             {_shown(loss['icc'], 3)} "
        f"({_shown(loss['icc_low'], 3)} to {_shown(loss['icc_high'], 3)})",
        f"  later minus first, bias and limits   {_shown(loss['bias'])} "
        f"({_shown(loss['limits_low'])} to {_shown(loss['limits_high'])})",
    ]
    lines += ["", *(f"caution: {w}" for w in result["warnings"])] if result["warnings"] else []
    return lines
