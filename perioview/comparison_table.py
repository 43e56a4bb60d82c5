"""A comparison as lines of text."""

from __future__ import annotations

from typing import Any

from perioview.plaque_reduction import less_or_more


def _number(value: float | None, digits: int = 1) -> str:
    # Nothing has no sign.
    return "-" if value is None else f"{round(value, digits) + 0.0:.{digits}f}"


def comparison_table(found: dict[str, Any]) -> list[str]:
    """Lay a comparison out for a person.

    Parameters
    ----------
    found : dict
        As `perioview.comparison_object` builds it.
    """
    lines = [
        f"aligned: {found['matches']} matches, residual "
        f"{_number(found['alignment_rms_px'], 2)} px, agreement {_number(found['agreement'], 2)}"
    ]
    if found["sites"]:
        lines += ["", f"{'tooth':<6}{'root':<14}{'side':<8}{'change %':>16}{'mm':>16}  real?"]
    for c in found["sites"]:
        pct = f"{_number(c['change_pct'])} ± {_number(c['change_pct_sd'])}"
        mm = f"{_number(c['change_mm'], 2)} ± {_number(c['change_mm_sd'], 2)}"
        lines.append(
            f"{c['tooth']:<6}{c['root']:<14}{c['side']:<8}{pct:>16}{mm:>16}  "
            f"{_real(c['detectable'])} {' '.join(c['flags'])}".rstrip()
        )
    if found.get("crests"):
        lines += ["", "crest moved toward the apex, read from the aligned pair"]
    for c in found.get("crests", ()):
        moved = f"{_number(c['moved'], 2)} ± {_number(c['moved_sd'], 2)} {c['unit']}"
        lines.append(
            f"{c['tooth']:<6}{c['root']:<14}{c['side']:<8}{moved:>19}  "
            f"{_real(c['detectable'], 'within its error')} {' '.join(c['flags'])}".rstrip()
        )
    for when in dict.fromkeys(t.get("when") for t in found["teeth"]):
        lines += _plaque_lines([t for t in found["teeth"] if t.get("when") == when], when)
    lines += _reduction_lines(found.get("reduction"))
    lines += found["home_care"]["sentences"] if found.get("home_care") else []
    return [*lines, "", *(f"caution: {w}" for w in found["warnings"])]


def short_table(found: dict[str, Any]) -> list[str]:
    """Lay the change of each site out for a narrow panel.

    Parameters
    ----------
    found : dict
        As `perioview.comparison_object` builds it.
    """
    lines = []
    if found["sites"]:
        lines.append("bone loss, both visits' marks; real?")
    for c in found["sites"]:
        pct = f"{_signed(c['change_pct'], 1)} ± {_number(c['change_pct_sd'])} %"
        lines.append(f"{_place(c)}  {pct:>14}  {_briefly(c['detectable'])}")
    if found.get("crests"):
        lines += ["", "crest moved, from the pair; real?"] if lines else [
            "crest moved, from the pair; real?"
        ]  # fmt: skip
    for c in found.get("crests", ()):
        moved = f"{_signed(c['moved'], 2)} ± {_number(c['moved_sd'], 2)} {c['unit']}"
        if c["moved"] is None:
            moved = ", ".join(c["flags"]).replace("_", " ")
        lines.append(f"{_place(c)}  {moved:>14}  {_briefly(c['detectable'])}")
    return lines


def _place(site: dict[str, Any]) -> str:
    where = site["side"] if site["root"] == "single" else f"{site['root']} {site['side']}"
    return f"{site['tooth']} {where:<14}"


def _signed(value: float | None, digits: int) -> str:
    if value is None:
        return "-"
    # Nothing has no sign.
    return f"{value:+.{digits}f}" if round(value, digits) else f"{0:.{digits}f}"


def _briefly(detectable: bool | None) -> str:
    return {None: "", True: "real", False: "no"}[detectable]


def _real(detectable: bool | None, no: str = "within repeat marking") -> str:
    if detectable is None:
        return "not known"
    return "yes" if detectable else no


def _plaque_lines(teeth: list[dict[str, Any]], when: str | None) -> list[str]:
    """A table of plaque; of two visits, `when` names the stage of the cleaning."""
    gum_lines = any(t["gum_line_pct"] is not None for t in teeth)
    names = ("before %", "after %", "removed, points")
    names = ("earlier %", "later %", "less, points") if when else names
    head = f"{'tooth':<6}{names[0]:>13}{names[1]:>13}{names[2]:>17}{'left, % of it':>15}"
    lines = ["", *([f"photos taken {when} cleaning, at either visit"] if when else [])]
    lines.append(head + ("  gum line, % of crown" if gum_lines else "") + "  go back to")
    for t in teeth:
        gum = f"  {_gum_line(t):<20}" if gum_lines else ""
        removed = f"{_number(t['removed_pct'])} ± {_number(t['removed_pct_sd'])}"
        lines.append(
            f"{t['tooth']:<6}{coverage_of(t, 'before'):>13}{coverage_of(t, 'after'):>13}"
            f"{removed:>17}{_number(t['residual_pct']):>15}{gum}  {places_of(t)}".rstrip()
        )
    return lines


def coverage_of(tooth: dict[str, Any], when: str) -> str:
    """Write a tooth's plaque coverage with its SD.

    Parameters
    ----------
    tooth : dict
        Of ``teeth``, as `perioview.comparison_object` builds it.
    when : str
        ``before`` or ``after``.
    """
    value, sd = tooth[f"{when}_pct"], tooth[f"{when}_pct_sd"]
    if value is None:
        return "-"
    return f"{_number(value)} ± {_number(sd)}"


def _gum_line(tooth: dict[str, Any]) -> str:
    if tooth["gum_line_pct"] is None:
        return "-"
    sure = _real(tooth["gum_line_detectable"], "within its error")
    return f"{tooth['gum_line_pct']:+.1f} ± {_number(tooth['gum_line_pct_sd'])} {sure}"


def places_of(tooth: dict[str, Any]) -> str:
    """Name what stays of a tooth, most stained first.

    Parameters
    ----------
    tooth : dict
        Of ``teeth``, as `perioview.comparison_object` builds it.
    """
    if tooth["after_pct"] is None:
        return "not known"
    parts = [f"{p['half']} {p['third']} {p['stained_pct']:.0f} %" for p in tooth["go_back"]]
    return ", ".join(parts) or ("-" if tooth["after_pct"] < 1 else "little, spread out")


def _reduction_lines(found: dict[str, Any] | None) -> list[str]:
    if not found:
        return []
    parts = (
        f"{name} {less_or_more(found[name]['reduction_pct'])}" for name in ("coverage", "index")
    )
    return ["", f"plaque against before, teeth in both photos: {', '.join(parts)}"]
