"""A comparison as plain values: what `compare` writes and the report tells."""

from __future__ import annotations

import math
from typing import Any

from perioview.alignment import Alignment
from perioview.comparison import Comparison
from perioview.comparison_photos import PhotoComparison
from perioview.comparison_visits import RadiographPair, VisitComparison
from perioview.progression import detectable


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
    return {
        **_alignment_object(result.alignment),
        "sites": [],
        "teeth": [
            {
                "tooth": t.tooth,
                "before_pct": finite(t.before.value),
                "after_pct": finite(t.after.value),
                "removed_pct": finite(t.removed.value),
                "removed_pct_sd": finite(t.removed.sd),
                "residual_pct": finite(t.residual.value),
                "gum_line_pct": finite(t.gum_line.value),
                "gum_line_pct_sd": finite(t.gum_line.sd),
                "gum_line_detectable": detectable(t.gum_line),
            }
            for t in result.teeth
        ],
        "warnings": list(result.warnings),
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
                else photos_object(pair.result)
            ),
        }
        for pair in found.pairs
    ]
    first = pairs[0]
    return {
        **{k: first[k] for k in first if k not in ("files", "sites", "crests", "teeth")},
        "sites": [s for p in pairs for s in p["sites"]],
        "crests": [c for p in pairs for c in p.get("crests", ())],
        "teeth": [t for p in pairs for t in p["teeth"]],
        "pairs": [{k: v for k, v in p.items() if k not in ("sites", "teeth")} for p in pairs],
        "home_care": found.home.json_object() if found.home else None,
        "warnings": [
            *dict.fromkeys(w for p in pairs for w in p["warnings"]),
            *found.faults,
        ],
    }
