"""Codes of the record: standard ones where they exist, one private scheme for the rest.

A private code's value is the name the marks file and the JSON use, so that what is read back
needs no dictionary. Concepts are taken from DICOM's own context groups (PS3.16); what they do
not hold (bone loss, CEJ, apex, veterinary stages, modified Triadan numbers) is private rather
than a human code that means something else.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from pydicom.dataset import Dataset
from pydicom.sr.coding import Code

from perioview.errors import InputRefused

SCHEME = "99PERIOVIEW"
SCHEME_NAME = "perioview periodontal measurement codes"
VISIT_PROCEDURE = "visit_procedure"


@dataclass(frozen=True, slots=True)
class PrivateCode:
    """One row of the private scheme: value, meaning in words, and whose definition it is."""

    value: str
    meaning: str
    source: str


_NOMENCLATURE = "AVDC nomenclature, stages of periodontal disease"
_TEXTBOOK = "dental anatomy, textbook term"
_OURS = "perioview's own definition"

PRIVATE_CODES: tuple[PrivateCode, ...] = (
    # Landmarks.
    PrivateCode("cej", "Cementoenamel junction", _TEXTBOOK),
    PrivateCode("crest", "Alveolar crest beside a root", _TEXTBOOK),
    PrivateCode("defect_base", "Deepest bone level of a vertical defect", _TEXTBOOK),
    PrivateCode("furcation", "Roof of the furcation", _TEXTBOOK),
    PrivateCode("apex", "Root apex", _TEXTBOOK),
    PrivateCode("ruler", "Point at a known distance along a known object", _OURS),
    # Quantities of a site, a tooth, a photo, the scale.
    PrivateCode("bone_loss", "CEJ to bone level along the root axis", _NOMENCLATURE),
    PrivateCode("root_length", "CEJ to apex along the root axis", _NOMENCLATURE),
    PrivateCode("bone_loss_pct", "Bone loss as a share of the root length", _NOMENCLATURE),
    PrivateCode("infrabony", "Crest to defect base along the root axis", _OURS),
    PrivateCode("furcation_pct", "CEJ to furcation roof, share of root", _OURS),
    PrivateCode("normal_limit_pct", "Normal CEJ to crest distance, share of root", _OURS),
    PrivateCode("probability_0-1", "Probability of radiographic stage 0 or 1", _OURS),
    PrivateCode("probability_2", "Probability of radiographic stage 2", _OURS),
    PrivateCode("probability_3", "Probability of radiographic stage 3", _OURS),
    PrivateCode("probability_4", "Probability of radiographic stage 4", _OURS),
    PrivateCode("coverage_pct", "Plaque coverage of the visible crown", _OURS),
    PrivateCode("gingival_half_pct", "Plaque coverage of the gingival half", _OURS),
    PrivateCode("coronal_half_pct", "Plaque coverage of the coronal half", _OURS),
    PrivateCode("gingival_half_thickness", "Plaque thickness score, gingival half", _OURS),
    PrivateCode("coronal_half_thickness", "Plaque thickness score, coronal half", _OURS),
    PrivateCode("older_pct", "Coverage by older plaque, two-tone dye", _OURS),
    PrivateCode("newer_pct", "Coverage by newer plaque, two-tone dye", _OURS),
    PrivateCode("index", "Plaque index of the tooth", _OURS),
    PrivateCode("region_px", "Visible crown in the photo", _OURS),
    PrivateCode("glare_px", "Glare left out of the crown", _OURS),
    PrivateCode("stained_px", "Stained part of the crown", _OURS),
    PrivateCode("row_mm", "Row spacing at the measured object", _OURS),
    PrivateCode("col_mm", "Column spacing at the measured object", _OURS),
    PrivateCode("ratio", "Row spacing over column spacing", _OURS),
    PrivateCode("relative_sd", "Relative standard deviation of the scale", _OURS),
    PrivateCode("mm", "Known distance along the object", _OURS),
    # What is said in codes.
    PrivateCode("site", "Bone level at one side of a root", _OURS),
    PrivateCode("tooth", "Tooth as a whole", _OURS),
    PrivateCode("scale", "Scale of the image", _OURS),
    PrivateCode("plaque", "Disclosed dental plaque on a crown", _OURS),
    PrivateCode("root", "Root of the tooth", _TEXTBOOK),
    PrivateCode("side", "Side of the root", _TEXTBOOK),
    PrivateCode("mesial", "Mesial", _TEXTBOOK),
    PrivateCode("distal", "Distal", _TEXTBOOK),
    PrivateCode("single", "Single root", _TEXTBOOK),
    PrivateCode("mesiobuccal", "Mesiobuccal root", _TEXTBOOK),
    PrivateCode("mesiopalatal", "Mesiopalatal root", _TEXTBOOK),
    PrivateCode("distobuccal", "Distobuccal root", _TEXTBOOK),
    PrivateCode("palatal", "Palatal root", _TEXTBOOK),
    PrivateCode("how", "How the mark came to be", _OURS),
    PrivateCode("placed", "Placed by the observer", _OURS),
    PrivateCode("accepted", "Proposed by the tool, accepted as it was", _OURS),
    PrivateCode("moved", "Proposed by the tool, moved by the observer", _OURS),
    PrivateCode("object", "Object the ruler marks belong to", _OURS),
    PrivateCode("extra", "Further column of the marks file", _OURS),
    PrivateCode("flag", "Condition that qualifies the measurement", _OURS),
    PrivateCode("furcation_index", "Furcation index, by probing", "AVDC nomenclature"),
    PrivateCode("mobility_index", "Mobility index", "AVDC nomenclature"),
    PrivateCode("gingivitis_index", "Gingival index", "Loee and Silness 1963"),
    PrivateCode("probing_depth", "Deepest probing depth of the tooth", _TEXTBOOK),
    PrivateCode("pattern", "Pattern of bone loss", _TEXTBOOK),
    PrivateCode("horizontal", "Horizontal bone loss", _TEXTBOOK),
    PrivateCode("vertical", "Vertical bone loss", _TEXTBOOK),
    PrivateCode("deciding_root", "Root whose site decides", _OURS),
    PrivateCode("deciding_side", "Side whose site decides", _OURS),
    PrivateCode("stage", "Radiographic stage of periodontal disease", _NOMENCLATURE),
    PrivateCode("0-1", "Radiographic stage 0 or 1", _NOMENCLATURE),
    PrivateCode("2", "Radiographic stage 2", _NOMENCLATURE),
    PrivateCode("3", "Radiographic stage 3", _NOMENCLATURE),
    PrivateCode("4", "Radiographic stage 4", _NOMENCLATURE),
    PrivateCode("borderline", "Stage is not certain", _OURS),
    PrivateCode("true", "Yes", _OURS),
    PrivateCode("false", "No", _OURS),
    PrivateCode("method", "Where the scale came from", _OURS),
    PrivateCode("none", "No scale", _OURS),
    PrivateCode("given", "Scale given by the user", _OURS),
    PrivateCode("pixel_spacing_calibrated", "Calibrated pixel spacing", "DICOM PS3.3 10.7.1"),
    PrivateCode("pixel_spacing", "Pixel spacing of unknown kind", "DICOM PS3.3 10.7.1"),
    PrivateCode(
        "imager_pixel_spacing_demagnified",
        "Detector spacing over magnification factor",
        "DICOM PS3.3 10.7.1",
    ),
    PrivateCode("imager_pixel_spacing", "Detector spacing", "DICOM PS3.3 10.7.1"),
    PrivateCode("when", "Before or after cleaning", _OURS),
    PrivateCode("before", "Before cleaning", _OURS),
    PrivateCode("after", "After cleaning", _OURS),
    PrivateCode("procedure", "Periodontal measurement of an intraoral image", _OURS),
    PrivateCode("photo_procedure", "Plaque measurement of a disclosed photo", _OURS),
    # The chart, and what else was entered in a visit.
    PrivateCode(VISIT_PROCEDURE, "Periodontal examination, as charted", _OURS),
    PrivateCode("chart_site", "Chart entry of one probed site", _OURS),
    PrivateCode("chart_tooth", "Chart entry of the tooth as a whole", _OURS),
    PrivateCode("chart_column", "Further column of the chart", _OURS),
    PrivateCode("probing_site", "Site probed", _TEXTBOOK),
    PrivateCode("site_mesiobuccal", "Mesiobuccal site", _TEXTBOOK),
    PrivateCode("site_buccal", "Buccal site", _TEXTBOOK),
    PrivateCode("site_distobuccal", "Distobuccal site", _TEXTBOOK),
    PrivateCode("site_mesiolingual", "Mesiolingual or mesiopalatal site", _TEXTBOOK),
    PrivateCode("site_lingual", "Lingual or palatal site", _TEXTBOOK),
    PrivateCode("site_distolingual", "Distolingual or distopalatal site", _TEXTBOOK),
    PrivateCode("probing_depth_mm", "Probing depth as charted", _TEXTBOOK),
    PrivateCode("margin_mm", "CEJ to gum margin, apical positive", _TEXTBOOK),
    PrivateCode("plaque_index", "Plaque index, as charted", "Loee 1967"),
    PrivateCode("calculus_index", "Calculus index, as charted", _TEXTBOOK),
    PrivateCode("bleeding", "Bleeding on probing", _TEXTBOOK),
    PrivateCode("status", "Whether the tooth is there", _OURS),
    PrivateCode("present", "Tooth present", _TEXTBOOK),
    PrivateCode("missing", "Tooth missing", _TEXTBOOK),
    PrivateCode("unerupted", "Tooth unerupted", _TEXTBOOK),
    PrivateCode("extracted", "Tooth extracted", _TEXTBOOK),
    PrivateCode("not_examined", "Tooth not examined", _OURS),
    PrivateCode("finding", "Finding of the chart", _OURS),
    PrivateCode("decision", "What was decided for the tooth", _OURS),
    PrivateCode("done", "What was done to the tooth", _OURS),
    PrivateCode("note", "Note of the chart", _OURS),
    PrivateCode("tooth_region", "Visible crown, outlined in the photo", _OURS),
    PrivateCode("visit", "Visit as a whole", _OURS),
    PrivateCode("visit_file", "Rest of the visit, as TOML 1.0", _OURS),
    # Flags, as the JSON names them.
    PrivateCode("no_cej", "No CEJ mark to measure from", _OURS),
    PrivateCode("no_crest", "No bone level marked", _OURS),
    PrivateCode("no_apex", "No apex marked", _OURS),
    PrivateCode("no_axis", "No root axis can be drawn", _OURS),
    PrivateCode("axis_from_one_cej", "Root axis rests on one CEJ mark", _OURS),
    PrivateCode("reference_derived", "Reference derived from the tooth's CEJ line", _OURS),
    PrivateCode("side_from_bone", "Apical direction taken from the bone marks", _OURS),
    PrivateCode("crest_coronal_to_cej", "Bone level coronal to the CEJ", _OURS),
    PrivateCode("beyond_apex", "Bone level beyond the apex", _OURS),
    PrivateCode("defect_base_coronal_to_crest", "Defect base coronal to the crest", _OURS),
    PrivateCode("furcation_not_marked", "Furcation roof not marked", _OURS),
    PrivateCode("furcation_exposed", "Bone level apical to the furcation roof", _OURS),
    PrivateCode("normal_distance_unknown", "Normal distance unknown without a scale", _OURS),
    PrivateCode("within_normal_distance", "Within the normal CEJ to crest distance", _OURS),
    PrivateCode("incomplete", "Sites without a percentage", _OURS),
    PrivateCode("deciduous", "Deciduous tooth, not staged", _OURS),
    PrivateCode("mesial_roots_not_separated", "Mesial roots not told apart", _OURS),
)
_MEANINGS = {row.value: row.meaning for row in PRIVATE_CODES}

# Standard concepts, PS3.16 Annex D and the context groups named.
TOOTH = Code("38199008", "SCT", "Tooth")  # CID 4028
TOPOGRAPHICAL_MODIFIER = Code("106233006", "SCT", "Topographical modifier")  # TID 1501
LATERALITY = Code("272741003", "SCT", "Laterality")
RIGHT = Code("24028007", "SCT", "Right")  # CID 244
LEFT = Code("7771000", "SCT", "Left")
STANDARD_DEVIATION = Code("386136009", "SCT", "Standard Deviation")  # CID 3488
DOG = Code("448771007", "SCT", "Canis lupus familiaris")  # CID 7454
CAT = Code("448169003", "SCT", "Felis catus")
SPECIES = {"dog": DOG, "cat": CAT}
SUBJECT_CLASS = Code("121024", "DCM", "Subject Class")  # TID 1006
PATIENT = Code("121025", "DCM", "Patient")
SUBJECT_SPECIES = Code("121034", "DCM", "Subject Species")  # TID 1007
SUBJECT_ID = Code("121030", "DCM", "Subject ID")
COMMENT = Code("121106", "DCM", "Comment")
MEASUREMENT_GROUP = Code("125007", "DCM", "Measurement Group")
FINDING = Code("121071", "DCM", "Finding")
FINDING_SITE = Code("363698007", "SCT", "Finding Site")
IMAGE_REGION = Code("111030", "DCM", "Image Region")
SOURCE = Code("260753009", "SCT", "Source")  # TID 320
SOURCE_OF_MEASUREMENT = Code("121112", "DCM", "Source of Measurement")  # TID 1501
TRACKING_ID = Code("112039", "DCM", "Tracking Identifier")
TRACKING_UID = Code("112040", "DCM", "Tracking Unique Identifier")
ALGORITHM_NAME = Code("111001", "DCM", "Algorithm Name")  # TID 4019
ALGORITHM_VERSION = Code("111003", "DCM", "Algorithm Version")
REPORT = Code("126000", "DCM", "Imaging Measurement Report")  # TID 1500
IMAGING_MEASUREMENTS = Code("126010", "DCM", "Imaging Measurements")
PROCEDURE_REPORTED = Code("121058", "DCM", "Procedure reported")
LANGUAGE = Code("121049", "DCM", "Language of Content Item and Descendants")  # TID 1204
ENGLISH = Code("en-US", "RFC5646", "English (United States)")
OBSERVER_TYPE = Code("121005", "DCM", "Observer Type")  # TID 1002
PERSON = Code("121006", "DCM", "Person")
PERSON_NAME = Code("121008", "DCM", "Person Observer Name")
DEVICE = Code("121007", "DCM", "Device")
DEVICE_UID = Code("121012", "DCM", "Device Observer UID")
DEVICE_NAME = Code("121013", "DCM", "Device Observer Name")
DEVICE_MANUFACTURER = Code("121014", "DCM", "Device Observer Manufacturer")
DEVICE_MODEL = Code("121015", "DCM", "Device Observer Model Name")

_UNITS = {
    "mm": Code("mm", "UCUM", "millimeter"),
    "%": Code("%", "UCUM", "percent"),
    "px": Code("{pixels}", "UCUM", "pixels"),
    "1": Code("1", "UCUM", "no units"),
}


@lru_cache(maxsize=1024)
def private_code(value: str, meaning: str = "") -> Code:
    """Code of the private scheme; a name the table lacks keeps itself as its meaning."""
    return Code(value, SCHEME, (meaning or _MEANINGS.get(value, value.replace("_", " ")))[:64])


@lru_cache(maxsize=256)
def tooth_code(number: int, species: str) -> Code:
    """Modified Triadan number as a code: no DICOM context group holds animals' teeth."""
    from perioview.teeth import tooth

    try:
        name = tooth(number, species).name
    except InputRefused:
        name = "tooth"
    return private_code(str(number), f"{number} {name}, modified Triadan")


def unit_code(unit: str) -> Code:
    """UCUM code of a unit (PS3.16 CID 82)."""
    return _UNITS[unit]


def unit_name(item: Dataset) -> str:
    """Unit of a coded entry, as perioview writes it."""
    value = code_value(item)
    return next((name for name, code in _UNITS.items() if code.value == value), value)


def code_value(item: Dataset) -> str:
    """Value of a coded entry, short or long (PS3.3 8.8)."""
    for keyword in ("CodeValue", "LongCodeValue", "URNCodeValue"):
        value = item.get(keyword)
        if value:
            return str(value)
    return ""


def is_private(item: Dataset) -> bool:
    """Whether a coded entry belongs to perioview's scheme."""
    return str(item.get("CodingSchemeDesignator", "")) == SCHEME


def coded_item(code: Code) -> Dataset:
    """Coded entry for a code sequence (PS3.3 8.8)."""
    item = Dataset()
    setattr(item, "CodeValue" if len(code.value) <= 16 else "LongCodeValue", code.value)
    item.CodingSchemeDesignator = code.scheme_designator
    item.CodeMeaning = code.meaning
    return item


def coding_scheme_identification() -> list[Any]:
    """Items that say whose the private scheme is (PS3.3 C.12.1, 0008,0110)."""
    item = Dataset()
    item.CodingSchemeDesignator = SCHEME
    item.CodingSchemeName = SCHEME_NAME
    item.CodingSchemeResponsibleOrganization = "perioview"
    return [item]
