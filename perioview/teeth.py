"""Which teeth a dog or a cat has, by modified Triadan number, and the roots of each."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from perioview.errors import InputRefused

SPECIES = ("dog", "cat")
SIDES = ("mesial", "distal")
ROOTS = (
    "single",
    "mesial",
    "distal",
    "mesiobuccal",
    "mesiopalatal",
    "distobuccal",
    "palatal",
)


@dataclass(frozen=True, slots=True)
class Tooth:
    """One tooth of a species.

    Parameters
    ----------
    number : int
        Modified Triadan number, three digits.
    species : str
        ``dog`` or ``cat``.
    name : str
        In words, without side and jaw.
    deciduous, upper, right : bool
        Dentition, jaw and side of the patient.
    variants : tuple of tuple of str
        Sets of roots that occur, the nominal one first.
    """

    number: int
    species: str
    name: str
    deciduous: bool
    upper: bool
    right: bool
    variants: tuple[tuple[str, ...], ...]

    @property
    def roots(self) -> tuple[str, ...]:
        """The nominal roots."""
        return self.variants[0]

    @property
    def may_have_furcation(self) -> bool:
        """Whether any variant has more than one root."""
        return any(len(v) > 1 for v in self.variants)

    @property
    def words(self) -> str:
        """The tooth in words, for example 'left mandibular first molar'."""
        side = "right" if self.right else "left"
        jaw = "maxillary" if self.upper else "mandibular"
        return f"{side} {jaw} {'deciduous ' if self.deciduous else ''}{self.name}"


@cache
def _table(species: str) -> dict[int, Tooth]:
    data = tomllib.loads((files("perioview") / "data" / "teeth.toml").read_text("utf-8"))[species]
    table: dict[int, Tooth] = {}
    for quadrant in range(1, 9):
        deciduous = quadrant > 4
        upper = is_upper(100 * quadrant)
        rows = data[("deciduous_" if deciduous else "") + ("upper" if upper else "lower")]
        for position, row in rows.items():
            number = quadrant * 100 + int(position)
            table[number] = Tooth(
                number,
                species,
                row["name"],
                deciduous,
                upper,
                quadrant in (1, 4, 5, 8),
                tuple(tuple(v) for v in row["roots"]),
            )
    return table


def is_upper(number: int) -> bool:
    """Whether a modified Triadan number is one of the upper jaw."""
    return number // 100 in (1, 2, 5, 6)


def check_species(species: str) -> str:
    """Return the species if it is one perioview knows.

    Raises
    ------
    InputRefused
        If it is neither ``dog`` nor ``cat``.
    """
    if species not in SPECIES:
        raise InputRefused(f"species '{species}' is not known; use dog or cat.")
    return species


def tooth(number: int, species: str) -> Tooth:
    """Look up a tooth.

    Raises
    ------
    InputRefused
        If the species has no tooth of that number.
    """
    found = _table(check_species(species)).get(number)
    if found is None:
        raise InputRefused(
            f"a {species} has no tooth {number}; use a modified Triadan number of this species."
        )
    return found


def has_tooth(number: int, species: str) -> bool:
    """Whether a species has a tooth of this modified Triadan number."""
    return number in _table(check_species(species))


def teeth(species: str, *, deciduous: bool = False) -> tuple[Tooth, ...]:
    """All teeth of a dentition in the order of the mouth.

    From the back of the right upper jaw round to the left, then from the back of the
    left lower jaw round to the right.
    """
    table = _table(check_species(species)).values()
    rows = [t for t in table if t.deciduous == deciduous]

    def order(t: Tooth) -> tuple[int, int]:
        quadrant, position = divmod(t.number, 100)
        quadrant -= 4 if t.deciduous else 0
        return quadrant, -position if quadrant in (1, 3) else position

    return tuple(sorted(rows, key=order))


def fitting_variant(of: Tooth, roots: Iterable[str]) -> tuple[str, ...] | None:
    """Return the first variant that holds all the given roots, or None."""
    wanted = set(roots)
    return next((v for v in of.variants if wanted <= set(v)), None)
