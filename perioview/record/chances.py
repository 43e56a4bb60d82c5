"""Chances of the stages in words, for a person."""

from __future__ import annotations

import math
from collections.abc import Mapping


def chances(probability: Mapping[str, float] | None, between: str = ", ") -> str:
    """Stages that are at all likely, each with its chance in percent.

    Parameters
    ----------
    probability : mapping of str to float, or None
        By stage, 0 to 1; None where a tooth is not staged.
    between : str
        What stands between two stages.

    Returns
    -------
    str
        Whole percent. A chance just below 90 % has one digit more: rounded up it would read as
        enough, beside the word 'borderline'.
    """
    likely = {k: p for k, p in (probability or {}).items() if p >= 0.005}
    return between.join(f"{k}: {_percent(p)} %" for k, p in likely.items())


def _percent(p: float) -> str:
    if 0.895 <= p < 0.9:
        return f"{math.floor(1000 * p) / 10:.1f}"
    return f"{100 * p:.0f}"
