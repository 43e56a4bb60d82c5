"""Plaque of a photo, and how much less it is, as lines a person reads."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from perioview.plaque_reduction import less_or_more

if TYPE_CHECKING:
    from perioview.plaque_result import PlaqueResult


def plaque_table(result: PlaqueResult) -> Iterator[str]:
    """Lines a person reads: a row per tooth, the mouth, and the warnings.

    Parameters
    ----------
    result : PlaqueResult
        The measurement.
    """
    yield f"{result.image['file']}: {result.dye} dye"
    yield f"{'tooth':>5} {'coverage %':>13} {'gum half %':>13} {'crown half %':>13} " + (
        f"{'older %':>8} {'index':>5} {'Turesky':>7}  flags"
    )
    for tooth in result.teeth:
        coverage = f"{_shown(tooth.coverage.value)} ± {_shown(tooth.coverage.sd)}"
        yield (
            f"{tooth.tooth:>5} {coverage:>13} "
            f"{_half(tooth.gingival_half_pct, tooth.gingival_half_sd):>13} "
            f"{_half(tooth.coronal_half_pct, tooth.coronal_half_sd):>13} "
            f"{_shown(tooth.older_pct):>8} {_shown(tooth.index, 0):>5} "
            f"{tooth.turesky or '-':>7}  {', '.join(tooth.flags)}"
        )
    mouth = result.coverage
    yield f"mouth {_shown(mouth.value)} ± {_shown(mouth.sd)} %, index {_shown(result.index)}"
    yield f"Index: {result.index_name}"
    low, high = (_shown(band) for band in result.turesky)
    yield f"Turesky mean {low if low == high else f'{low} to {high} (no scale in mm)'}"
    if result.grey_card is not None:
        red, blue = (result.grey_card[f"{c}_over_green"] for c in ("red", "blue"))
        yield f"Light by the grey card: red {red:.2f}, blue {blue:.2f} of green"
    yield from result.warnings


def _shown(value: float, digits: int = 1) -> str:
    return f"{value:.{digits}f}" if math.isfinite(value) else "-"


def _half(value: float, sd: float) -> str:
    return f"{_shown(value)} ± {_shown(sd)}" if math.isfinite(value) else "-"


def reduction_lines(found: dict[str, Any] | None) -> Iterator[str]:
    """Lines a person reads: how much less plaque, and what to doubt about it.

    Parameters
    ----------
    found : dict or None
        As `perioview.plaque_reduction.reduction_object` builds it.
    """
    if found is None:
        return
    for name in ("index", "coverage"):
        part = found[name]
        sd = part["reduction_pct_sd"]
        spread = "" if sd is None else f" ± {sd:.1f}"
        yield (
            f"{name} of the mouth: {less_or_more(part['reduction_pct'], 1, spread)} than before "
            f"({found['mouths_after']} against {found['mouths_before']})"
        )
    yield from found["warnings"]
