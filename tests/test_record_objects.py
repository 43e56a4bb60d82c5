"""The record's objects, judged by dicom3tools, dcmtk, highdicom and plain pydicom."""

from __future__ import annotations

import copy
import dataclasses
import functools
import gzip
import io
import re
from pathlib import Path

import highdicom
import numpy as np
import pydicom
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image as Pillow
from pydicom.uid import ExplicitVRLittleEndian, ImplicitVRLittleEndian

from perioview.errors import InputRefused
from perioview.image import Image
from perioview.marks import Mark, Marks
from perioview.measurement import Measurement
from perioview.plaque_result import PlaqueResult, ToothPlaque
from perioview.record.codes import PRIVATE_CODES, SCHEME, private_code
from perioview.record.history import calibration_from_report, marks_from_report
from perioview.record.objects import patient_faults, record_objects
from perioview.record.segmentation import stained_by_tooth
from perioview.record.structured_report import measurement_report, site_values
from perioview.visit import Examination, PhotoResult, Visit
from tests.record_examples import (
    PATIENT,
    VISIT,
    example_identity,
    example_image,
    example_radiograph,
)
from tests.record_validators import DCMTK, output, remarks, saved


def png(pixels: np.ndarray) -> bytes:
    buffer = io.BytesIO()
    Pillow.fromarray(pixels).save(buffer, "PNG")
    return buffer.getvalue()


def example_photo() -> PhotoResult:
    pixels = np.random.default_rng(1).integers(0, 256, (61, 83, 3)).astype(np.uint8)
    image = Image(pixels, "left-before.jpg", "ab" * 32, species="dog")
    labels = np.zeros((61, 83), np.int32)
    labels[10:40, 5:30], labels[10:40, 40:70] = 308, 309
    stain = np.zeros((61, 83), np.uint8)
    stain[30:40, 5:30], stain[31, 6], stain[12:15, 41:50] = 40, 255, 130
    tooth = ToothPlaque(
        308,
        750,
        1,
        249,
        Measurement(100 * 249 / 749, 1.7, "%"),
        62.4,
        float("nan"),
        2,
        None,
        float("nan"),
        float("nan"),
        8.0,
        2,
        "4",
        ("gum_side_assumed",),
    )
    result = PlaqueResult(
        {},
        (tooth,),
        Measurement(20.5, 1.0, "%"),
        8.0,
        (308,),
        "test index",
        "one-tone",
        0.15,
        350.0,
        ("a warning",),
        stain,
    )
    return PhotoResult("images/left-before.jpg", image, "before", "one-tone", labels, result)


def example_examination() -> Examination:
    visit = Visit(PATIENT, {"name": "Birch^Alder"}, VISIT)
    return Examination(visit, "dog", (example_radiograph(),), (example_photo(),))


@functools.cache
def draft_objects() -> tuple[pydicom.Dataset, ...]:
    return all_objects()


def all_objects(**more: object) -> tuple[pydicom.Dataset, ...]:
    exam = example_examination()
    pictures = {
        exam.radiographs[0].file: png(np.full((30, 51, 3), 90, np.uint8)),
        exam.photos[0].file: png(np.full((31, 50, 3), 20, np.uint8)),
    }
    return record_objects(exam, b"%PDF-1.4\n%%EOF\n", pictures, **more)  # type: ignore[arg-type]


def of(objects: tuple[pydicom.Dataset, ...], modality: str) -> list[pydicom.Dataset]:
    return [o for o in objects if o.Modality == modality]


@pytest.mark.validator
def test_every_object_passes_dciodvfy_and_dcmtk(tmp_path: Path) -> None:
    # The private scheme is unknown to any validator; nothing else may be remarked on.
    objects = all_objects(verify="Maple^Rowan")
    kinds = sorted(o.Modality for o in objects)
    assert kinds == ["DOC", "OT", "OT", "OT", "PR", "SEG", "SR", "SR", "XC"]
    for path in saved(objects, tmp_path):
        assert remarks(path) == [], path.name
        dumped = output("dcmdump", DCMTK, str(path))
        assert dumped.returncode == 0 and not re.search(r"^[WE]:", dumped.stderr, re.M)
        if "-SR" in path.name:
            told = output("dsrdump", DCMTK, str(path))
            assert told.returncode == 0, told.stderr
            assert "Imaging Measurement Report" in told.stdout


@pytest.mark.validator
def test_colour_and_inverted_radiographs_pass_dciodvfy(tmp_path: Path) -> None:
    exam = example_examination()
    plain = exam.radiographs[0]
    colour = Image(np.zeros((300, 500, 3), np.uint8), "c.jpg", "cd" * 32)
    negative = dataclasses.replace(example_image(), inverted=True, sha256="ef" * 32)
    for image in (colour, negative):
        changed = dataclasses.replace(plain, image=image)
        objects = record_objects(dataclasses.replace(exam, radiographs=(changed,), photos=()))
        for path in saved(objects, tmp_path):
            assert remarks(path) == [], path.name


def numbers_in(item: pydicom.Dataset) -> list[tuple[str, float, str]]:
    """All numbers of a report by concept, found without any code of perioview."""
    found = []
    if item.get("ValueType") == "NUM":
        name = item.ConceptNameCodeSequence[0]
        held = item.MeasuredValueSequence[0]
        unit = held.MeasurementUnitsCodeSequence[0].CodeValue
        found.append((name.get("CodeValue") or name.LongCodeValue, held.FloatingPointValue, unit))
    for child in item.get("ContentSequence", []):
        found += numbers_in(child)
    return found


def test_pydicom_finds_every_number_bit_for_bit(tmp_path: Path) -> None:
    path = saved(of(draft_objects(), "SR")[:1], tmp_path)[0]
    found = numbers_in(pydicom.dcmread(path))
    radiograph = example_radiograph()
    for site in radiograph.sites:
        for concept, measured in site_values(site):
            if not measured.known:
                continue
            unit = {"px": "{pixels}"}.get(measured.unit, measured.unit)
            assert (concept, measured.value, unit) in found
            if np.isfinite(measured.sd):
                # (386136009, SCT, "Standard Deviation"), in the unit of the value.
                assert ("386136009", measured.sd, unit) in found
    for tooth in radiograph.teeth:
        for band, probability in (tooth.stage_probability or {}).items():
            assert (f"probability_{band}", probability, "1") in found


def test_highdicom_reads_groups_and_marks(tmp_path: Path) -> None:
    path = saved(of(draft_objects(), "SR")[:1], tmp_path)[0]
    report = highdicom.sr.srread(path)
    radiograph = example_radiograph()
    groups = report.content.get_planar_roi_measurement_groups()
    assert len(groups) == len(radiograph.marks)
    for group, mark in zip(groups, radiograph.marks, strict=True):
        # SCOORD is column, row from the corner of the first pixel (PS3.3 C.18.6).
        col, row = group.roi.value[0]
        assert (col, row) == (mark.col + 0.5, mark.row + 0.5)
        assert group.finding_type == highdicom.sr.CodedConcept(*private_code(mark.landmark))
    sites = report.content.get_image_measurement_groups(finding_type=private_code("site"))
    assert len(sites) == len(radiograph.sites)


@settings(max_examples=8, deadline=None)
@given(
    st.lists(st.tuples(st.floats(-0.5, 16382.5), st.floats(-0.5, 16382.5)), min_size=1, max_size=5)
)
def test_marks_come_back_bit_for_bit(places: list[tuple[float, float]]) -> None:
    marks = Marks(
        tuple(
            Mark("ruler", row, col, mm=3.0 * i + row / 7, object="r", how="moved")
            for i, (row, col) in enumerate(places)
        )
    )
    radiograph = example_radiograph()
    image = of(draft_objects(), "OT")[0]
    report = measurement_report(example_identity(), image, marks, radiograph.calibration, (), ())
    buffer = io.BytesIO()
    report.save_as(buffer, enforce_file_format=True)
    again = pydicom.dcmread(io.BytesIO(buffer.getvalue()))
    assert marks_from_report(again) == marks
    assert calibration_from_report(again) == radiograph.calibration


def encoded(dataset: pydicom.Dataset) -> bytes:
    out = io.BytesIO()
    dataset.save_as(out, enforce_file_format=True)
    return out.getvalue()


def test_the_same_visit_gives_the_same_bytes() -> None:
    first, second = draft_objects(), all_objects()
    for one, other in zip(first, second, strict=True):
        assert one.SOPInstanceUID == other.SOPInstanceUID
        # Encoded, as the name says: writing settles pixel data "OB or OW", equality would not.
        assert encoded(one) == encoded(other)
    assert len({o.StudyInstanceUID for o in first}) == 1
    assert len({o.SOPInstanceUID for o in first}) == len(first)


def test_references_point_into_the_study() -> None:
    objects = draft_objects()
    uids = {o.SOPInstanceUID for o in objects}

    def referenced(item: pydicom.Dataset) -> set[str]:
        found: set[str] = set()
        for element in item:
            if element.keyword == "ReferencedSOPInstanceUID":
                found.add(element.value)
            elif element.VR == "SQ":
                for child in element.value:
                    found |= referenced(child)
        return found

    for o in objects:
        pointed = referenced(o)
        assert pointed <= uids
        # Wrapped images stand by themselves; all else says what it is about.
        assert bool(pointed) == (o.SeriesNumber not in (7001, 7002))


def test_pixels_are_kept() -> None:
    objects = draft_objects()
    exam = example_examination()
    radiograph, *_ = of(objects, "OT")
    np.testing.assert_array_equal(radiograph.pixel_array, exam.radiographs[0].image.pixels)
    np.testing.assert_array_equal(of(objects, "XC")[0].pixel_array, exam.photos[0].image.pixels)


def test_segments_are_the_stained_pixels() -> None:
    photo = example_photo()
    segmentation = of(draft_objects(), "SEG")[0]
    stained = stained_by_tooth(photo.result.stain_map, photo.regions)
    assert stained[308].sum() == photo.result.teeth[0].stained_px == 249
    # A tooth without a number has no segment: nobody knows what is stained there.
    known = [t.tooth for t in photo.result.teeth if t.coverage.known]
    assert [s.SegmentLabel for s in segmentation.SegmentSequence] == [f"Plaque {t}" for t in known]
    frames = segmentation.pixel_array.reshape(len(known), *stained[308].shape)
    for frame, tooth in zip(frames, known, strict=True):
        np.testing.assert_array_equal(frame.astype(bool), stained[tooth])


def test_presentation_draws_marks_and_values() -> None:
    radiograph = example_radiograph()
    state = of(draft_objects(), "PR")[0]
    annotation = state.GraphicAnnotationSequence[0]
    points = [
        tuple(g.GraphicData) for g in annotation.GraphicObjectSequence if g.GraphicType == "POINT"
    ]
    # Sub-pixel origin at the corner of the first pixel (PS3.3 C.10.5.1.2).
    assert points == [(m.col + 0.5, m.row + 0.5) for m in radiograph.marks]
    texts = [t.UnformattedTextValue for t in annotation.TextObjectSequence]
    assert len(texts) == sum(s.bone_loss_pct.known for s in radiograph.sites)
    worst = max(radiograph.sites, key=lambda s: s.bone_loss_pct.value)
    assert any(t.startswith(f"{worst.bone_loss_pct.value:.0f} ±") for t in texts)


def test_patient_is_an_animal_with_an_owner() -> None:
    for o in draft_objects():
        assert o.PatientID == "PV-0001"
        code = o.PatientSpeciesCodeSequence[0]
        # CID 7454: Canis lupus familiaris.
        assert (code.CodeValue, code.CodingSchemeDesignator) == ("448771007", "SCT")
        assert (o.PatientSexNeutered, o.PatientSex) == ("ALTERED", "F")
        assert (o.ResponsiblePerson, o.ResponsiblePersonRole) == ("Birch^Alder", "OWNER")
        assert o.PatientBreedDescription == "mixed"


def test_unverified_until_a_clinician_signs() -> None:
    draft = of(draft_objects(), "SR")
    assert {(r.CompletionFlag, r.VerificationFlag) for r in draft} == {("PARTIAL", "UNVERIFIED")}
    signed = of(all_objects(verify="Rowan Maple", earlier=draft), "SR")
    for before, after in zip(draft, signed, strict=True):
        assert (after.CompletionFlag, after.VerificationFlag) == ("COMPLETE", "VERIFIED")
        assert after.VerifyingObserverSequence[0].VerifyingObserverName == "Rowan Maple^"
        named = after.PredecessorDocumentsSequence[0].ReferencedSeriesSequence[0]
        assert named.ReferencedSOPSequence[0].ReferencedSOPInstanceUID == before.SOPInstanceUID
    # Attached again, signed or not, nothing new is said.
    assert not of(all_objects(verify="Rowan Maple", earlier=[*draft, *signed]), "SR")
    assert not of(all_objects(earlier=[*draft, *signed]), "SR")


def inferred(item: pydicom.Dataset) -> list[tuple[float, float]]:
    """Points, as column and row, that a number is inferred from (PS3.16 TID 300, 320)."""
    return [
        tuple(child.GraphicData[n : n + 2])
        for child in item.get("ContentSequence", [])
        if child.RelationshipType == "INFERRED FROM" and child.ValueType == "SCOORD"
        for n in range(0, len(child.GraphicData), 2)
    ]


def test_numbers_are_inferred_from_the_marks_they_rest_on(tmp_path: Path) -> None:
    path = saved(of(draft_objects(), "SR")[:1], tmp_path)[0]
    report = highdicom.sr.srread(path)
    marks = example_radiograph().marks

    def places(*kinds: str, side: str | None = None) -> set[tuple[float, float]]:
        return {
            (m.col + 0.5, m.row + 0.5)
            for m in marks
            if (m.tooth, m.root) == (308, "mesial")
            and m.landmark in kinds
            and side in (None, m.side)
        }

    groups = report.content.get_image_measurement_groups(finding_type=private_code("site"))
    first = groups[0]  # 308, mesial root, mesial side: the one with a vertical defect
    found = {
        m[0].ConceptNameCodeSequence[0].CodeValue: inferred(m[0]) for m in first.get_measurements()
    }
    axis = places("cej", "apex")
    bone = places("defect_base", side="mesial")
    assert len(axis) == 3 and len(bone) == 1
    assert set(found["bone_loss"]) == set(found["bone_loss_pct"]) == axis | bone
    assert set(found["root_length"]) == axis
    assert set(found["infrabony"]) == axis | bone | places("crest", side="mesial")
    everywhere = {(m.col + 0.5, m.row + 0.5) for m in marks}
    for group in groups:
        for measurement in group.get_measurements():
            points = inferred(measurement[0])
            assert points and set(points) <= everywhere


def recoded(dataset: pydicom.Dataset, syntax: str) -> pydicom.Dataset:
    """The data set as pydicom decodes it and encodes it in another transfer syntax."""
    changed = copy.deepcopy(dataset)
    changed.file_meta.TransferSyntaxUID = syntax
    buffer = io.BytesIO()
    pydicom.dcmwrite(buffer, changed, implicit_vr=syntax == ImplicitVRLittleEndian)
    buffer.seek(0)
    return pydicom.dcmread(buffer)


def test_content_is_encoded_as_pydicom_would() -> None:
    # Our encoder against pydicom's: all of it decoded and encoded anew, byte for byte.
    for report in of(all_objects(verify="Maple^Rowan"), "SR"):
        there = recoded(report, ImplicitVRLittleEndian)
        assert encoded(there) != encoded(report)
        assert encoded(recoded(there, ExplicitVRLittleEndian)) == encoded(report)


def test_reports_of_the_first_layout_are_still_read() -> None:
    file = Path(__file__).parent / "reference" / "record_layout_1.dcm.gz"
    report = pydicom.dcmread(io.BytesIO(gzip.decompress(file.read_bytes())))
    assert marks_from_report(report) == example_radiograph().marks
    assert calibration_from_report(report) == example_radiograph().calibration
    found = numbers_in(report)
    for site in example_radiograph().sites:
        assert ("bone_loss_pct", site.bone_loss_pct.value, "%") in found


def test_a_changed_measurement_replaces_and_changing_back_replaces_again() -> None:
    exam = example_examination()
    other = dataclasses.replace(exam, radiographs=(example_radiograph(4.0),), photos=())
    exam = dataclasses.replace(exam, photos=())
    held: list[pydicom.Dataset] = []
    for now in (exam, other, exam):
        made = of(record_objects(now, earlier=held), "SR")
        assert len(made) == 1
        if held:
            named = made[0].PredecessorDocumentsSequence[0].ReferencedSeriesSequence[0]
            uid = named.ReferencedSOPSequence[0].ReferencedSOPInstanceUID
            assert uid == held[-1].SOPInstanceUID
        held += made
        assert not of(record_objects(now, earlier=held), "SR")
    assert len({r.SOPInstanceUID for r in held}) == 3


def test_wrong_patient_is_told_without_names() -> None:
    exam = example_examination()
    image = dataclasses.replace(
        example_image(),
        attributes={
            "patient_id": "PV-0002",
            "patient_name": "Oak^Acorn",
            "study_date": "2026-03-04",
        },
        species="cat",
    )
    exam = dataclasses.replace(
        exam, radiographs=(dataclasses.replace(exam.radiographs[0], image=image),)
    )
    faults = patient_faults(exam)
    assert len(faults) == 3
    assert "PV-0002" in faults[0] and "cat" in faults[1] and "2026-03-04" in faults[2]
    assert not any("Oak" in f or "Birch" in f for f in faults)
    assert patient_faults(example_examination()) == ()


def test_a_visit_without_a_date_is_refused() -> None:
    exam = example_examination()
    undated = dataclasses.replace(exam, visit=dataclasses.replace(exam.visit, visit={}))
    with pytest.raises(InputRefused, match="has no date"):
        record_objects(undated)


def test_private_codes_are_few_words_each_with_a_source() -> None:
    assert SCHEME.startswith("99")  # PS3.16 8.2: private designators
    values = [row.value for row in PRIVATE_CODES]
    assert len(values) == len(set(values))
    for row in PRIVATE_CODES:
        assert row.meaning and row.source
        assert len(row.meaning) <= 64 and len(row.value) <= 64  # VR LO
    assert private_code("a_flag_of_tomorrow").meaning == "a flag of tomorrow"


def test_odd_names_are_kept_as_far_as_dicom_can(tmp_path: Path) -> None:
    exam = example_examination()
    patient = exam.visit.patient | {"name": "Müller^小雪", "breed": "mix\\terrier " + 30 * "long "}
    visit = dataclasses.replace(exam.visit, patient=patient, visit=VISIT | {"practice": "Α\\Ω"})
    exam = dataclasses.replace(exam, visit=visit, photos=())
    for path in saved(record_objects(exam), tmp_path):
        read = pydicom.dcmread(path)
        assert read.PatientName == "Müller^小雪"
        assert read.PatientBreedDescription.startswith("mix/terrier long")
        assert len(read.PatientBreedDescription) <= 64  # VR LO, PS3.5 6.2
        assert read.InstitutionName == "Α/Ω"
        assert remarks(path) == []
    backslash = dataclasses.replace(visit, patient=patient | {"id": "PV\\1"})
    with pytest.raises(InputRefused, match="cannot be an identifier"):
        record_objects(dataclasses.replace(exam, visit=backslash))
