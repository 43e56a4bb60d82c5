"""Results as tables for a person."""

from __future__ import annotations

from perioview.measurement import shown
from perioview.record.chances import chances
from perioview.visit import Radiograph


def radiograph_table(radiograph: Radiograph) -> list[str]:
    """One radiograph: scale, sites, teeth, warnings."""
    scale = radiograph.calibration
    lines = [f"{radiograph.file}  ({radiograph.species})"]
    if scale.scaled:
        sd = 100 * (scale.relative_sd or 0.0)
        lines.append(
            f"scale {scale.row_mm:.5g} x {scale.col_mm:.5g} mm per px (± {sd:.1f} %), "
            f"{scale.method}"
        )
    else:
        lines.append("scale none")
    lines += [f"  note: {n}" for n in scale.notes]
    lines.append("")
    unit = scale.unit
    lines.append(
        f"{'tooth':<6}{'root':<14}{'side':<8}{'loss %':>14}{'loss ' + unit:>15}"
        f"{'root ' + unit:>16}{'infrabony':>15}  flags"
    )
    for s in radiograph.sites:
        lines.append(
            f"{s.tooth:<6}{s.root:<14}{s.side:<8}{shown(s.bone_loss_pct):>14}"
            f"{shown(s.bone_loss, 2):>15}{shown(s.root_length, 2):>16}"
            f"{shown(s.infrabony, 2):>15}  {' '.join(s.flags)}"
        )
    if not radiograph.sites:
        lines.append("No root has a mark: nothing is measured. Set CEJ, crest and apex first.")
    lines += ["", f"{'tooth':<6}{'stage':<7}{'loss %':>14}  {'worst site':<24}likely stages"]
    for t in radiograph.teeth:
        likely = chances(t.stage_probability, "; ")
        where = f"{t.root} root, {t.side}" if t.root else "-"
        doubt = "  borderline" if t.borderline else ""
        lines.append(
            f"{t.tooth:<6}{t.radiographic_stage or '-':<7}{shown(t.bone_loss_pct):>14}  "
            f"{where:<24}{likely}{doubt}"
        )
    lines.append("")
    lines += [f"caution: {w}" for w in radiograph.warnings]
    return lines
