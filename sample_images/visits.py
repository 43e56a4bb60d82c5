"""The visits of the invented patients: who, when, what was probed, what was done."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date

from patients import RADIOGRAPHS, Radiograph


@dataclass(frozen=True, slots=True)
class Patient:
    """An invented animal."""

    id: str
    name: str
    species: str
    breed: str
    sex: str
    neutered: bool
    birth_date: date
    weight_kg: float


@dataclass(frozen=True, slots=True)
class SampleVisit:
    """One visit folder."""

    folder: str
    patient: Patient
    owner: str
    date: date
    kind: str
    clinician: str = "Sample^Clinician"
    practice: str = "Invented practice"
    photos: tuple[tuple[str, str], ...] = ()
    steps: tuple[tuple[str, str | None], ...] = ()
    findings: tuple[tuple[int, str, str], ...] = ()
    missing: tuple[int, ...] = field(default=())

    @property
    def radiographs(self) -> tuple[Radiograph, ...]:
        """The films of this visit, in the order taken."""
        return tuple(r for r in RADIOGRAPHS if r.path.startswith(f"{self.folder}/"))


_PIP = Patient("PV-0101", "Sample^Pip", "dog", "Toy Poodle", "F", True, date(2017, 5, 14), 3.1)
_BRAN = Patient(
    "PV-0102", "Specimen^Bran", "dog", "Labrador Retriever", "M", True, date(2019, 9, 2), 34.0
)
_MISO = Patient(
    "PV-0103", "Example^Miso", "cat", "Domestic Shorthair", "M", True, date(2018, 3, 30), 4.6
)

_CLEANED = (
    ("history and examination awake", "09:20"),
    ("anaesthesia, cuffed tube, monitoring", "09:50"),
    ("pharyngeal pack in", "10:00"),
    ("photograph with disclosing dye", "10:06"),
    ("radiographs", "10:10"),
    ("probing and charting", "10:40"),
    ("scaling above the gum", "11:00"),
    ("scaling below the gum", "11:10"),
    ("polishing", "11:35"),
    ("photograph after cleaning", "11:45"),
    ("pharyngeal pack out", "11:50"),
)

VISITS: tuple[SampleVisit, ...] = (
    SampleVisit(
        "toy-dog-cleaning", _PIP, "Sample^Owner", date(2026, 3, 5), "cleaning",
        photos=(("left-lower-before.jpg", "before"), ("left-lower-after.jpg", "after")),
        steps=_CLEANED,
        findings=(
            (108, "root exposed, furcation open through and through", "discuss extraction"),
            (309, "furcation open, calculus", "root planing, recheck in six months"),
        ),
        missing=(305, 411),
    ),
    SampleVisit(
        "toy-dog-recheck", _PIP, "Sample^Owner", date(2026, 9, 10), "recheck",
        steps=(("anaesthesia, cuffed tube, monitoring", "09:40"), ("radiographs", "10:10"),
               ("probing and charting", "10:30")),
        findings=((309, "distal pocket deeper than in March", ""),),
        missing=(305, 411),
    ),
    SampleVisit(
        "large-dog", _BRAN, "Specimen^Owner", date(2026, 4, 21), "examination",
        steps=(("anaesthesia, cuffed tube, monitoring", "09:40"), ("radiographs", "10:10"),
               ("probing and charting", None)),
        findings=((409, "deep pocket at the mesial root", ""),),
    ),
    SampleVisit(
        "cat", _MISO, "Example^Owner", date(2026, 5, 12), "cleaning",
        steps=_CLEANED[:3] + _CLEANED[4:9],
    ),
)  # fmt: skip
