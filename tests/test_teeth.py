"""The tooth and root tables against the published ones."""

import pytest

from perioview.errors import InputRefused
from perioview.teeth import fitting_variant, teeth, tooth


@pytest.mark.parametrize(("species", "count", "roots"), [("dog", 42, 68), ("cat", 30, 42)])
def test_permanent_teeth_and_roots_merck_bellows(species, count, roots):
    """Merck Veterinary Manual, "Dentition, dog"; Bellows, Feline Dentistry 1.17 (nominal cat)."""
    found = teeth(species)
    assert len(found) == count
    assert sum(len(t.roots) for t in found) == roots


@pytest.mark.parametrize(("species", "count"), [("dog", 28), ("cat", 26)])
def test_deciduous_teeth_wikivet_formula(species, count):
    assert len(teeth(species, deciduous=True)) == count


@pytest.mark.parametrize("number", [105, 205, 305, 306, 405, 406, 110, 311])
def test_cat_lacks_floyd1991(number):
    """Floyd 1991: numbers of absent teeth are skipped (the cat's 05, lower 06, second molars)."""
    with pytest.raises(InputRefused):
        tooth(number, "cat")


@pytest.mark.parametrize(
    ("number", "species", "roots"),
    [
        (108, "dog", 3), (309, "dog", 2), (409, "dog", 2), (411, "dog", 1), (105, "dog", 1),
        (109, "dog", 3), (104, "cat", 1), (409, "cat", 2), (108, "cat", 3),
    ],
)  # fmt: skip
def test_roots_merck(number, species, roots):
    assert len(tooth(number, species).roots) == roots


def test_no_three_rooted_teeth_in_the_mandible():
    """True of both species (Merck; Bellows)."""
    for species in ("dog", "cat"):
        assert all(len(v) < 3 for t in teeth(species) if not t.upper for v in t.variants)


def test_variants_verstraete1997():
    """Verstraete & Terpak 1997: the cat's 106 and 109 have one root or two."""
    for number in (106, 109):
        assert fitting_variant(tooth(number, "cat"), ["single"])
        assert fitting_variant(tooth(number, "cat"), ["mesial", "distal"])
        assert fitting_variant(tooth(number, "cat"), ["single", "distal"]) is None


def test_sides_and_jaws_floyd1991():
    assert tooth(804, "dog").words == "right mandibular deciduous canine"
    assert tooth(108, "dog").words == "right maxillary fourth premolar"
    assert tooth(309, "cat").words == "left mandibular first molar"
    with pytest.raises(InputRefused):
        tooth(805, "dog")
