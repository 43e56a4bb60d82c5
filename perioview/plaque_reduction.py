"""How much less plaque: between two visits of one mouth, or between two groups of mouths."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any

from perioview.errors import InputRefused
from perioview.plaque_index import Reduction, percent_reduction

Results = Mapping[str, Mapping[str, Any]]


def reduction_object(before: Results, after: Results) -> dict[str, Any]:
    """Percent reduction of mean index and coverage, as the public trial standard has it.

    Parameters
    ----------
    before, after : mapping of str to mapping
        Results as `perioview plaque` writes them, by the name of their file: earlier visit (or
        control group) and later visit (or test group).

    Returns
    -------
    dict
        ``index`` and ``coverage``, each with percent, SD (null with one mouth on a side) and
        whether the standard's limits, which are for groups of mouths, are reached (null with
        one mouth on a side); ``warnings``.

    Raises
    ------
    InputRefused
        If a file is no result of `plaque`, or a mean before is 0.

    References
    ----------
    .. [1] Veterinary Oral Health Council, trial protocol: 100 x (control - test) / control.
    """
    faults = [*_faults(before), *_faults(after)]
    if faults:
        raise InputRefused(*faults)
    found: dict[str, Any] = {
        name: _stated(
            percent_reduction(_scores(before, key), _scores(after, key)),
            groups=min(len(before), len(after)) > 1,
        )
        for name, key in (("index", "index"), ("coverage", "coverage_pct"))
    }
    found["mouths_before"], found["mouths_after"] = len(before), len(after)
    found["warnings"] = list(_warnings(before, after))
    return found


def less_or_more(reduction_pct: float, digits: int = 0, spread: str = "") -> str:
    """A reduction for a person: ``24 % less``; a negative one as ``24 % more``."""
    way = "more" if reduction_pct < 0 else "less"
    return f"{abs(reduction_pct):.{digits}f}{spread} % {way}"


def _faults(results: Results) -> Iterable[str]:
    for name, result in results.items():
        mouth = result.get("mouth")
        if not isinstance(mouth, Mapping) or not {"index", "coverage_pct"} <= mouth.keys():
            yield f"{name}: is no result of 'perioview plaque'; give a file it wrote with --json."
        elif not all(_is_score(mouth[key]) for key in ("index", "coverage_pct")):
            yield f"{name}: holds no score of the mouth (null); measure a photo that gives one."


def _is_score(value: Any) -> bool:
    number = isinstance(value, int | float) and not isinstance(value, bool)
    return number and math.isfinite(value)


def _scores(results: Results, key: str) -> list[float]:
    return [float(result["mouth"][key]) for result in results.values()]


def _stated(found: Reduction, groups: bool) -> dict[str, Any]:
    sd = found.percent.sd
    return {
        "reduction_pct": found.percent.value,
        "reduction_pct_sd": sd if math.isfinite(sd) else None,
        "reaches_mean_limit": found.reaches_mean_limit if groups else None,
        "reaches_each_limit": found.reaches_each_limit if groups else None,
        "source": found.source,
    }


def _warnings(before: Results, after: Results) -> Iterable[str]:
    for key, words in (("index_name", "index"), ("dye", "dye"), ("density", "density")):
        used = {str(r[key]) for r in (*before.values(), *after.values()) if key in r}
        if len(used) > 1:
            yield f"The results differ in {words} ({', '.join(sorted(used))}): not comparable."
    scored = {_teeth(r) for r in (*before.values(), *after.values())}
    if len(scored) > 1:
        yield "Not the same teeth were scored in all results; the means cover each its own."
    measured = {_measured(r) for r in (*before.values(), *after.values()) if "teeth" in r}
    if len(measured) > 1:
        yield "Not the same teeth were measured in all results; mean coverage covers each its own."
    if len(before) < 2 or len(after) < 2:
        yield "One mouth on a side: no SD, and the standard's limits, for groups, do not apply."


def _measured(result: Mapping[str, Any]) -> frozenset[Any]:
    """Teeth with a number of their own."""
    return frozenset(t.get("tooth") for t in result["teeth"] if t.get("coverage_pct") is not None)


def _teeth(result: Mapping[str, Any]) -> tuple[Any, ...]:
    return tuple(result["mouth"].get("index_teeth") or ())
