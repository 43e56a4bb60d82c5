"""One measured radiograph, and its identity, for the tests of the record (invented)."""

from __future__ import annotations

import datetime

import numpy as np

from perioview.bone_loss import default_mark_sd, sites
from perioview.calibration import Calibration
from perioview.image import FileSpacing, Image
from perioview.marks import Mark, Marks
from perioview.record.identity import Identity, identity_from_visit
from perioview.staging import radiographic_stages
from perioview.visit import Radiograph

PATIENT = {
    "id": "PV-0001",
    "name": "Birch^Juniper",
    "species": "dog",
    "breed": "mixed",
    "sex": "F",
    "neutered": True,
    "birth_date": datetime.date(2019, 4, 2),
    "weight_kg": 6.4,
}
OWNER = {"name": "Birch^Alder"}
VISIT = {
    "date": datetime.date(2026, 3, 5),
    "kind": "cleaning",
    "clinician": "Maple^Rowan",
    "practice": "Invented practice",
}


def example_identity() -> Identity:
    return identity_from_visit(PATIENT, OWNER, VISIT)


def example_marks(shift: float = 0.0) -> Marks:
    items = []
    for tooth, start in ((308, 0), (309, 200)):
        for root, at in (("mesial", 100), ("distal", 160)):
            for side, aside in (("mesial", 15), ("distal", -15)):
                col = start + at + aside
                items.append(Mark("cej", 50.3, col, tooth, root, side))
                crest = 80.77 + aside / 3 + shift
                items.append(Mark("crest", crest, col, tooth, root, side, how="accepted"))
            items.append(Mark("apex", 250.123, start + at + 1, tooth, root, how="moved"))
        items.append(Mark("furcation", 90, start + 130, tooth))
    items.append(Mark("defect_base", 131.7, 115, 308, "mesial", "mesial"))
    items += [
        Mark("ruler", 10, 10 + 30.1 * mm, mm=mm, object="probe", extra=(("note", "band"),))
        for mm in (0.0, 3.0, 6.0)
    ]
    return Marks(tuple(items))


def example_image(name: str = "left-jaw.png", seed: int = 0) -> Image:
    pixels = np.random.default_rng(seed).integers(0, 4096, (300, 500)).astype(np.uint16)
    return Image(pixels, name, f"{seed:064x}", "IO", FileSpacing(), species="dog")


def example_radiograph(shift: float = 0.0) -> Radiograph:
    marks = example_marks(shift)
    scale = Calibration(0.03, 0.031, 0.02, "pixel_spacing_calibrated", ("a note",), 0.03 / 0.031)
    measured = sites(marks, scale, default_mark_sd(True))
    staged, teeth = radiographic_stages(measured, "dog", scaled=True)
    return Radiograph(
        "images/left-jaw.png", example_image(), "dog", scale, marks, staged, teeth, ()
    )
