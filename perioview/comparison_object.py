"""A comparison as plain values: what `compare` writes and the report tells."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from perioview.alignment import Alignment
from perioview.comparison import Comparison
from perioview.comparison_photos import PhotoComparison
from perioview.comparison_visits import RadiographPair, VisitComparison
from perioview.errors import InputRefused
from perioview.progression import detectable

if TYPE_CHECKING:
    from perioview.plaque_result import PlaqueResult, ToothPlaque


def finite(value: float | None) -> float | None:
    """Return the number for JSON: None instead of NaN or infinity."""
    return value if value is not None and math.isfinite(value) else None


def _alignment_object(alignment: Alignment) -> dict[str, Any]:
    return {
        "transform": [[float(v) for v in row] for row in alignment.transform],
        "alignment_rms_px": finite(alignment.rms_px),
        "matches": alignment.matches,
        "mirrored": alignment.mirrored,
        "inverted": alignment.inverted,
        "agreement": finite(alignment.agreement),
    }


def radiographs_object(result: Comparison) -> dict[str, Any]:
    """Build the result as `compare` writes it."""
    found = result.difference
    shared = max(int(found.known.sum()), 1)
    return {
        **_alignment_object(result.alignment),
        "sites": [
            {
                "tooth": c.tooth,
                "root": c.root,
                "side": c.side,
                "change_pct": finite(c.pct.value),
                "change_pct_sd": finite(c.pct.sd),
                "change_mm": finite(c.mm.value),
                "change_mm_sd": finite(c.mm.sd),
                "detectable": c.detectable,
                "flags": list(c.flags),
            }
            for c in result.sites
        ],
        "crests": [
            {
                "tooth": c.tooth,
                "root": c.root,
                "side": c.side,
                "moved": finite(c.moved.value),
                "moved_sd": finite(c.moved.sd),
                "unit": c.moved.unit,
                "detectable": c.detectable,
                "flags": list(c.moved.flags),
            }
            for c in result.crests
        ],
        "teeth": [],
        "difference": {
            "noise_sd": finite(found.noise_sd),
            "gain_share_pct": 100 * int(found.gain.sum()) / shared,
            "loss_share_pct": 100 * int(found.loss.sum()) / shared,
        },
        "warnings": list(result.warnings),
    }


def photos_object(result: PhotoComparison) -> dict[str, Any]:
    """Build the result as `compare` writes it for photographs."""
    lessened, doubt = plaque_lessened([result])
    return {
        **_alignment_object(result.alignment),
        "sites": [],
        "teeth": [
            {
                "tooth": t.tooth,
                "before_pct": finite(t.before.value),
                "before_pct_sd": finite(t.before.sd),
                "after_pct": finite(t.after.value),
                "after_pct_sd": finite(t.after.sd),
                "removed_pct": finite(t.removed.value),
                "removed_pct_sd": finite(t.removed.sd),
                "residual_pct": finite(t.residual.value),
                "gum_line_pct": finite(t.gum_line.value),
                "gum_line_pct_sd": finite(t.gum_line.sd),
                "gum_line_detectable": detectable(t.gum_line),
                "go_back": [
                    {"half": p.half, "third": p.third, "stained_pct": p.stained_pct}
                    for p in t.places
                ],
            }
            for t in result.teeth
        ],
        "reduction": lessened,
        "grey_cards": [result.before.grey_card, result.after.grey_card],
        "warnings": [*result.warnings, *doubt],
    }


def plaque_lessened(
    results: Sequence[PhotoComparison],
) -> tuple[dict[str, Any] | None, list[str]]:
    """Percent reduction of one mouth over the teeth both of its photos give a number for.

    Parameters
    ----------
    results : sequence of PhotoComparison
        Every photo pair of the mouth.

    Returns
    -------
    dict or None
        As `perioview.plaque_reduction.reduction_object` has it; None without a score before.
    list of str
        Why not, in sentences.
    """
    from perioview.plaque_reduction import reduction_object

    shared = [_in_both(r, lambda t: t.coverage.known) for r in results]
    # A tooth that one photo cuts off has an index in the other alone.
    scored = [_in_both(r, lambda t: math.isfinite(t.index)) for r in results]
    mouths = [
        mouth_of_teeth(
            [
                t if t.tooth in indexed else replace(t, index=math.nan)
                for r, kept, indexed in zip(part, shared, scored, strict=True)
                for t in r.teeth
                if t.tooth in kept
            ],
            part[0],
        )
        for part in ([r.before for r in results], [r.after for r in results])
    ]
    try:
        found = reduction_object({"before": mouths[0]}, {"after": mouths[1]})
    except InputRefused as refused:
        return None, [f"Percent reduction is not known: {fault}" for fault in refused.faults]
    # One mouth is what a comparison is of: not a doubt worth repeating.
    found["warnings"] = [w for w in found["warnings"] if not w.startswith("One mouth")]
    return found, []


def _in_both(result: PhotoComparison, has: Callable[[ToothPlaque], bool]) -> set[int]:
    """Teeth of which something is known in either photo."""
    before, after = ({t.tooth for t in r.teeth if has(t)} for r in (result.before, result.after))
    return before & after


def mouth_of_teeth(teeth: Sequence[ToothPlaque], named: PlaqueResult) -> dict[str, Any]:
    """A mouth's scores over some teeth, as `plaque` writes them.

    Parameters
    ----------
    teeth : sequence of ToothPlaque
        Of one or more photos of the mouth, each surface once.
    named : PlaqueResult
        Says which index, dye and density.
    """
    scores = [t.index for t in teeth if math.isfinite(t.index)]
    counted = sum(t.region_px - t.glare_px for t in teeth)
    return {
        "mouth": {
            "index": sum(scores) / len(scores) if scores else None,
            "coverage_pct": 100 * sum(t.stained_px for t in teeth) / counted if counted else None,
            "index_teeth": sorted({t.tooth for t in teeth if math.isfinite(t.index)}),
        },
        "index_name": named.index_name,
        "dye": named.dye,
        "density": named.density,
    }


def visits_object(found: VisitComparison) -> dict[str, Any]:
    """Build the result of two visits; the first pair's alignment stands at the top.

    Parameters
    ----------
    found : VisitComparison
        Of at least one pair.
    """
    pairs = [
        {
            "files": list(pair.files),
            **(
                radiographs_object(pair.result)
                if isinstance(pair, RadiographPair)
                else {"when": pair.earlier.when, **photos_object(pair.result)}
            ),
        }
        for pair in found.pairs
    ]
    first = pairs[0]
    # What grew since last time is what the cleaning found; what it left is another question.
    photos = [pair.result for pair in found.photos if pair.earlier.when == "before"]
    lessened, doubt = plaque_lessened(photos) if photos else (None, [])
    if len({pair.earlier.when for pair in found.photos}) > 1:
        doubt = ["Percent reduction is that of the photos taken before cleaning.", *doubt]
    doubt += _twice([r.regions for r in photos])
    return {
        **{k: first[k] for k in first if k not in ("files", "sites", "crests", "teeth", "when")},
        "sites": [s for p in pairs for s in p["sites"]],
        "crests": [c for p in pairs for c in p.get("crests", ())],
        "teeth": [{"when": p.get("when"), **t} for p in pairs for t in p["teeth"]],
        "pairs": [{k: v for k, v in p.items() if k not in ("sites", "teeth")} for p in pairs],
        **({"reduction": lessened} if photos else {}),
        "home_care": found.home.json_object() if found.home else None,
        "warnings": [
            *found.warnings,
            *dict.fromkeys(w for p in pairs for w in p["warnings"]),
            *doubt,
            *found.faults,
        ],
    }


def _twice(drawn: Sequence[NDArray[np.uint16]]) -> list[str]:
    """Say which teeth more than one photo shows: of each surface, or of one in part."""
    teeth = [int(t) for regions in drawn for t in np.flatnonzero(np.bincount(regions.ravel())) if t]
    twice = sorted({t for t in teeth if teeth.count(t) > 1})
    if not twice:
        return []
    named = ", ".join(map(str, twice))
    return [f"More than one pair of photos shows {named}; each of them counts in the reduction."]
