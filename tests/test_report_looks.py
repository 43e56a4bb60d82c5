"""Colours of the map for colour-blind eyes, and letters of any script in the PDF."""

import io
import itertools

import numpy as np
import pytest

from perioview.bone_loss import Site
from perioview.cli import main
from perioview.measurement import Measurement, missing
from perioview.record import letters, mouth_map, pages
from perioview.record.colours import BLACK, STAGE, WHITE
from perioview.record.mouth_map import BONE, ToothView, mouth_shapes

SIGHTS = (None, "Protanomaly", "Deuteranomaly", "Tritanomaly")


def _lab(colour, sight):
    """CIE L*a*b* of an sRGB colour as a dichromat sees it: Machado, Oliveira & Fernandes 2009.

    Severity 1 of their matrices, on linear light; by colour-science.
    """
    import colour as science

    linear = science.models.eotf_sRGB(np.array(colour) / 255)
    if sight:
        linear = science.blindness.matrix_cvd_Machado2009(sight, 1.0) @ linear
    xyz = science.RGB_to_XYZ(np.clip(linear, 0, 1), "sRGB", apply_cctf_decoding=False)
    return science.XYZ_to_Lab(xyz)


# colour-science warns that the matrix for tritan eyes is an approximation; so do its authors.
@pytest.mark.filterwarnings("ignore:.*tritanomaly")
@pytest.mark.parametrize("sight", SIGHTS)
def test_stages_darken_with_every_step_for_every_kind_of_sight(sight):
    """A just noticeable difference is about 2.3 in L*a*b* (Mahy et al. 1994, from memory)."""
    order = [None, "0", "0-1", "1", "2", "3", "4"]
    light = [_lab(STAGE[s], sight)[0] for s in order]
    assert all(a - b > 2.3 for a, b in itertools.pairwise(light)), light
    bands = [_lab(STAGE[s], sight) for s in ("0-1", "2", "3", "4")]
    assert all(np.linalg.norm(a - b) > 4 * 2.3 for a, b in itertools.combinations(bands, 2))
    assert abs(_lab(BONE, sight)[0] - _lab(WHITE, sight)[0]) > 20


def _contrast(one, other):
    """Contrast ratio as WCAG 2.1 defines it."""

    def luminance(colour):
        c = np.array(colour) / 255
        return np.where(c <= 0.03928, c / 12.92, ((c + 0.055) / 1.055) ** 2.4) @ (
            0.2126, 0.7152, 0.0722,
        )  # fmt: skip

    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def _site(loss, sd):
    return Site(
        304, "single", "distal", missing("mm"), missing("mm"), Measurement(loss, sd, "%"),
        missing("mm"), (), 12.5, None,
    )  # fmt: skip


@pytest.mark.parametrize("stage", ["0", "1", "0-1", "2", "3", "4"])
def test_a_digit_on_its_disc_reads_at_4_5_to_1(stage):
    """WCAG 2.1, 1.4.3."""
    shapes = mouth_shapes("dog", {304: ToothView(stage)})
    (digit,) = [s for s in shapes if s.tooth == 304 and s.text == stage]
    assert _contrast(digit.fill, STAGE[stage]) >= 4.5
    others = [s for s in shapes if s.kind == "text" and s.tooth is None]
    assert all(_contrast(s.fill, WHITE) >= 4.5 for s in others)


def test_doubt_is_drawn_without_colour():
    sure = mouth_shapes("dog", {304: ToothView("3", False, "", (_site(30, 2),))})
    doubt = mouth_shapes("dog", {304: ToothView("3", True, "", (_site(30, 8),))})

    def disc(shapes):
        return next(s for s in shapes if s.tooth == 304 and s.fill == STAGE["3"])

    def whisker(shapes):
        (line,) = [s for s in shapes if s.tooth == 304 and s.kind == "line"]
        return line, float(np.linalg.norm(np.subtract(*line.points)))

    assert disc(doubt).dashed and disc(doubt).width > 2 * disc(sure).width
    assert not disc(sure).dashed
    # In the picture the borderline ring is broken, the other is not.
    drawn = [np.asarray(mouth_map.mouth_picture(s)) for s in (sure, doubt)]
    x, y = np.mean(disc(sure).points, axis=0)

    def gaps(picture):
        """Degrees of the ring at which no dark pixel lies within two units of its radius."""
        return sum(
            min(
                picture[round(2 * (y + r * np.sin(t))), round(2 * (x + r * np.cos(t)))].sum()
                for r in np.arange(15, 19.1, 0.25)
            )
            > 150
            for t in np.radians(range(360))
        )

    broken = [gaps(picture) for picture in drawn]
    assert broken[1] > 100 > 20 > broken[0], broken
    # Two SD of a root drawn 130 units long.
    assert whisker(doubt)[1] == pytest.approx(2 * 8 / 100 * mouth_map._ROOT)
    assert whisker(sure)[1] == pytest.approx(2 * 2 / 100 * mouth_map._ROOT)
    assert _contrast(whisker(doubt)[0].stroke, BONE) >= 3 and whisker(doubt)[0].stroke == BLACK
    assert "30 ± 8 %" in mouth_map.mouth_svg(doubt)


def _pdf_text(pdf):
    from pypdf import PdfReader

    reader = PdfReader(io.BytesIO(bytes(pdf.output())))
    return "\n".join(p.extract_text() for p in reader.pages)


@pytest.fixture
def no_other_fonts(monkeypatch):
    monkeypatch.setattr(letters, "installed_fonts", lambda: ())


def test_a_letter_without_a_font_is_told_not_dropped(no_other_fonts, caplog):
    pdf = pages.document()
    pdf.add_page()
    pages.text(pdf, "Name: A\u540dB \U0001f436")
    (said,) = pdf.letter_warnings()
    assert "U+540D" in said and "U+1F436" in said
    assert "A\u25a1B" in _pdf_text(pdf)
    assert not caplog.records


def test_a_letter_of_another_font_is_drawn_with_it():
    """Any installed font that draws a letter DejaVu lacks, read back by pypdf."""
    lacking = [c for c in "\u540d\uc624\u0e01\u0905" if any(letters.fonts_with(c))]
    if not lacking:
        pytest.skip("no font of another script is installed")
    pdf = pages.document()
    pdf.add_page()
    pages.heading(pdf, lacking[0])
    pages.text(pdf, "".join(lacking))
    assert not pdf.without_font
    assert lacking[0] in _pdf_text(pdf)


# fontTools leaves the damaged file open.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.filterwarnings("ignore:unclosed file:ResourceWarning")
def test_a_damaged_font_is_passed_over(tmp_path, monkeypatch):
    broken = tmp_path / "broken.ttf"
    broken.write_bytes(b"no font")
    monkeypatch.setattr(letters, "installed_fonts", lambda: (broken,))
    monkeypatch.setattr(letters, "letters_of", lambda path: frozenset(range(0x110000)))
    pdf = pages.document()
    pdf.add_page()
    pages.text(pdf, "\u540d")
    assert "\u540d" in pdf.without_font and pdf.output()


@pytest.mark.parametrize(
    "names",
    [
        ("Ωμέγα^Ж ñ ł ő", "محمد^عمر", "שלום", "नमस्ते"),
        ("名^前", "🐶^🐱", "e\u0301\u200d\ufe0f", "tab\there"),
        ("a" * 400, "<b>&amp;^\"'", "^", ""),
    ],
)
def test_no_name_breaks_the_report(tmp_path, names):
    from dataclasses import replace

    from perioview.files.visit_folder import read_visit, write_visit

    visit = tmp_path / "visit"
    assert main(["new", str(visit), "--patient", "X", "--name", "A", "--species", "cat"]) == 0
    told = read_visit(visit)
    name, owner, clinician, practice = names
    more = {**told.visit, "clinician": clinician, "practice": practice}
    patient = {**told.patient, "name": name}
    write_visit(visit, replace(told, patient=patient, owner={"name": owner}, visit=more))
    assert main(["report", str(visit)]) == 0
    assert "<b>" not in (visit / "record" / "owner.html").read_text("utf-8")
