"""A comparison as lines of text."""

from __future__ import annotations

from typing import Any


def _number(value: float | None, digits: int = 1) -> str:
    return "-" if value is None else f"{value:.{digits}f}"


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
    lines += _plaque_lines(found["teeth"])
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


def _plaque_lines(teeth: list[dict[str, Any]]) -> list[str]:
    if not teeth:
        return []
    lines = ["", f"{'tooth':<6}{'before %':>9}{'after %':>9}{'removed':>9}{'residual %':>12}"]
    lines[1] += "  gum line, % of crown"
    for t in teeth:
        gum = ""
        if t["gum_line_pct"] is not None:
            gum = f"  {t['gum_line_pct']:+.1f} ± {_number(t['gum_line_pct_sd'])}"
            gum += f"  {_real(t['gum_line_detectable'], 'within its error')}"
        lines.append(
            f"{t['tooth']:<6}{_number(t['before_pct']):>9}{_number(t['after_pct']):>9}"
            f"{_number(t['removed_pct']):>9}{_number(t['residual_pct']):>12}{gum}"
        )
    return lines
