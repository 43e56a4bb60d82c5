"""The chart and the visit file of a sample visit, from the same truth as its films."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from anatomy import crest_points

if TYPE_CHECKING:
    from anatomy import Tooth
    from patients import Radiograph
    from visits import SampleVisit

COLUMNS = (
    "tooth", "site", "pass", "probing_depth_mm", "margin_mm", "bleeding", "gingivitis_index",
    "plaque_index", "calculus_index", "furcation", "mobility", "status", "finding", "decision",
    "done", "note",
)  # fmt: skip


def _half(mm: float) -> float:
    return round(mm * 2) / 2


def _sites(radiograph: Radiograph, tooth: Tooth) -> list[tuple[str, float, float]]:
    """Give probing depth and margin at the six sites, to half a millimetre, from bone and gum."""
    line = np.array(crest_points(radiograph.scene))
    scene = radiograph.scene
    # Bone normally ends this far below the CEJ, more in a big jaw; attachment is lost beyond it.
    attached = 0.7 + 0.08 * scene.bone_mm
    first, last = tooth.front()[0], tooth.front()[-1]
    levels = {"mesio": first.mesial, "": (first.mesial + last.distal) / 2, "disto": last.distal}
    for defect in tooth.defects:
        levels["mesio" if defect.side == "mesial" else "disto"] = defect.base
    margins = {}
    for where, across in (("mesio", -0.5), ("disto", 0.5)):
        x, cej = tooth.world(across * tooth.width, 0.0)
        # Gum hangs from the most coronal bone nearby; it does not follow a narrow defect down.
        near = np.interp(np.linspace(x - 2, x + 2, 41), line[:, 0], line[:, 1]).min()
        margins[where] = float(near) - scene.gum_mm - cej
        if scene.recession:
            margins[where] += float(np.interp(x, *np.array(scene.recession).T))
        # A neighbour's higher bone does not lift the gum up a leaning canine.
        margins[where] = max(margins[where], -0.6 * scene.gum_mm)
    margins[""] = (margins["mesio"] + margins["disto"]) / 2
    found = [
        (where, max(_half(max(level - attached, 0.0) - _half(margins[where])), 0.5), margins[where])
        for where, level in levels.items()
    ]
    return [
        (f"{where}{side}", depth, _half(margin))
        for side in ("buccal", "lingual")
        for where, depth, margin in found
    ]


def _furcation(tooth: Tooth) -> str:
    """Give the AVDC furcation index that the bone between the roots would let a probe find."""
    if tooth.furcation is None:
        return ""
    first, last = tooth.front()[0], tooth.front()[-1]
    open_mm = max(first.distal, last.mesial) - tooth.furcation
    return "0" if open_mm < 0.1 else "1" if open_mm < 0.6 else "2" if open_mm < 2.0 else "3"


def write_chart(path: Path, visit: SampleVisit) -> None:
    """Write the chart: probed sites and findings of the teeth in view, and the missing teeth."""
    with path.open("w", newline="", encoding="utf-8") as file:
        table = csv.DictWriter(file, COLUMNS, lineterminator="\n", restval="")
        table.writeheader()
        for radiograph in visit.radiographs:
            for tooth in (t for t in radiograph.scene.teeth if t.marked):
                table.writerows(_rows(radiograph, tooth, visit))
        for number in visit.missing:
            table.writerow({"tooth": number, "pass": "before", "status": "missing"})


def _rows(radiograph: Radiograph, tooth: Tooth, visit: SampleVisit) -> list[dict[str, object]]:
    sites = _sites(radiograph, tooth)
    deepest = max(depth for _, depth, _ in sites)
    said = {number: (finding, decision) for number, finding, decision in visit.findings}
    finding, decision = said.get(tooth.number, ("", ""))
    whole = {
        "tooth": tooth.number, "pass": "before", "furcation": _furcation(tooth), "mobility": "0",
        "status": "present", "finding": finding, "decision": decision,
        "gingivitis_index": 2 if deepest > 3 else 1,
        "plaque_index": 2 if deepest > 3 else 1, "calculus_index": 2 if deepest > 3 else 1,
    }  # fmt: skip
    probed: list[dict[str, object]] = [
        {
            "tooth": tooth.number, "site": site, "pass": "before",
            "probing_depth_mm": f"{depth:g}", "margin_mm": f"{margin:g}",
            "bleeding": 1 if depth > 3 else 0,
        }
        for site, depth, margin in sites
    ]  # fmt: skip
    return [whole, *probed]


def _flag(value: bool) -> str:
    return "true" if value else "false"


def visit_toml(visit: SampleVisit) -> str:
    """Give the text of visit.toml."""
    who = visit.patient
    lines = [
        "[patient]",
        f'id = "{who.id}"', f'name = "{who.name}"', f'species = "{who.species}"',
        f'breed = "{who.breed}"', f'sex = "{who.sex}"', f"neutered = {_flag(who.neutered)}",
        f"birth_date = {who.birth_date}", f"weight_kg = {who.weight_kg}",
        "", "[owner]", f'name = "{visit.owner}"',
        "", "[visit]", f"date = {visit.date}", f'kind = "{visit.kind}"', "asleep = true",
        f'clinician = "{visit.clinician}"', f'practice = "{visit.practice}"',
    ]  # fmt: skip
    for film in visit.radiographs:
        teeth = ", ".join(map(str, film.teeth))
        lines += ["", "[[images]]", f'file = "images/{Path(film.path).name}"']
        lines += [f'view = "{film.view}"', f"teeth = [{teeth}]"]
    for name, when in visit.photos:
        lines += ["", "[[photos]]", f'file = "images/{name}"', f'when = "{when}"']
        lines += ['dye = "one-tone"', 'gum = "down"']
    for name, at in visit.steps:
        lines += ["", "[[steps]]", f'name = "{name}"', f"done = {_flag(at is not None)}"]
        lines += [] if at is None else [f"at = {visit.date}T{at}:00"]
    return "\n".join(lines) + "\n"
