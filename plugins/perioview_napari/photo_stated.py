"""What the visit says of a photograph: read from its row of visit.toml, and written there."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from perioview.errors import InputRefused

BY_THE_JAW = "by the jaw"
GUM = (BY_THE_JAW, "up", "down", "left", "right")
DYES = ("one-tone", "two-tone")
NOT_STAINED = "none"
KEYS = {"gum": "gum", "dye": "dye", "card": "grey_card"}
"""What a setting is called in visit.toml."""
STAGES = ("before", "after")


def stated(file: Path) -> dict[str, Any]:
    """Return what the visit says of a photo: of gum, dye and card those it does state.

    Raises
    ------
    InputRefused
        If the visit cannot be read, or states what cannot be.
    """
    from perioview.comparison_photos import stated_card
    from perioview.verbs.plaque import stated_in_visit

    row = stated_in_visit(file)
    faults = [
        f"{file.name}: {name} is '{row[name]}' in visit.toml; give {' or '.join(known)}."
        for name, known in (("gum", GUM[1:]), ("dye", (*DYES, NOT_STAINED)))
        if row.get(name, known[0]) not in known
    ]
    if faults:
        raise InputRefused(*faults)
    said = {"gum": row.get("gum"), "dye": row.get("dye"), "card": stated_card(row)}
    return {name: value for name, value in said.items() if value is not None}


def state(file: Path, chosen: Mapping[str, Any]) -> bool:
    """Write what was chosen for a photo into its row of visit.toml; False if it is of no visit.

    Parameters
    ----------
    file : Path
    chosen : mapping
        Of gum, dye and card those that were chosen; all else in the file stays.

    Raises
    ------
    InputRefused
        If the visit does not list the photo, cannot be read or cannot be written.
    """
    from perioview.files.visit_folder import visit_of_image, write_visit

    # Read again: the file may have been changed elsewhere meanwhile.
    visit = visit_of_image(file)
    if visit is None:
        return False
    if not any(_is_of(row, file) for row in visit.photos):
        raise InputRefused(f"{file.name}: is not among the photos of visit.toml; list it there.")
    photos = tuple(_changed(row, chosen) if _is_of(row, file) else row for row in visit.photos)
    if photos != visit.photos:
        write_visit(file.absolute().parent.parent, replace(visit, photos=photos))
    return True


def _is_of(row: Mapping[str, Any], file: Path) -> bool:
    return Path(str(row["file"])).name == file.name


def _changed(row: Mapping[str, Any], chosen: Mapping[str, Any]) -> dict[str, Any]:
    changed = dict(row)
    for name, value in chosen.items():
        # Unsaid, the gum lies by the jaw.
        if value is None or value == BY_THE_JAW:
            changed.pop(KEYS[name], None)
        else:
            changed[KEYS[name]] = list(value) if name == "card" else value
    return changed


def check_earlier(other: Path, file: Path) -> None:
    """Refuse to compare a photo with one that its visit says was taken after it.

    Raises
    ------
    InputRefused
        In one line; also if a visit cannot be read.
    """
    if _taken_after(other, file):
        raise InputRefused(
            f"{file.name}: was taken before {other.name}, as the visit says; go to {other.name} "
            f"(PgDown) and choose {file.name} beside 'outlined photo'."
        )


def _taken_after(other: Path, file: Path) -> bool:
    from perioview.files.visit_folder import visit_of_image
    from perioview.home_history import visit_day
    from perioview.verbs.plaque import stated_in_visit

    visits = [visit_of_image(path) for path in (other, file)]
    if visits[0] is None or visits[1] is None:
        return False
    days = [visit_day(visit) for visit in visits if visit is not None]
    if days[0] is not None and days[1] is not None and days[0] != days[1]:
        return days[0] > days[1]
    return tuple(stated_in_visit(path).get("when") for path in (file, other)) == STAGES
