"""Which CEJs a root has of its own, and which way is mesial on the image."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from perioview.errors import InputRefused
from perioview.marking_round import tooth_steps
from perioview.marks import Mark, Marks
from perioview.teeth import Tooth, fitting_variant, tooth

Array = NDArray[np.float64]
WAYS = {"left": -1.0, "right": 1.0}


def own_sides(number: int, root: str, species: str, marks: Marks) -> tuple[str, ...]:
    """Sides on which a root has a CEJ of its own, as the marking round asks for them.

    Parameters
    ----------
    number : int
        Modified Triadan number.
    root : str
    species : str
    marks : Marks
        Roots of this tooth that are marked settle which variant it is.

    Returns
    -------
    tuple of str
        Of ``mesial`` and ``distal``: both on a single root, the outer one on the outermost
        roots of a tooth with several, none on a root between or behind them.

    Raises
    ------
    InputRefused
        If the species has no such tooth, or the tooth no such root.
    """
    known = tooth(number, species)
    variant = fitting_variant(known, (*marks.roots(number), root)) or fitting_variant(known, [root])
    if variant is None:
        raise InputRefused(
            f"{species} {number} has no {root or 'unnamed'} root; it has "
            f"{' or '.join(', '.join(v) for v in known.variants)}."
        )
    steps = tooth_steps(number, variant)
    return tuple(str(s.side) for s in steps if s.landmark == "cej" and s.root == root)


def _position(mark: Mark, known: Tooth) -> float | None:
    """How far mesial of a tooth a mark of another tooth lies, in places along the jaw."""
    if mark.tooth is None or mark.tooth == known.number:
        return None
    quadrant, place = divmod(mark.tooth, 100)
    own_quadrant, own_place = divmod(known.number, 100)
    right = (quadrant - 1) % 4 in (0, 3)
    if right == known.right:
        return float(own_place - place) or None
    upper = (quadrant - 1) % 4 in (0, 1)
    # Past the midline of the same jaw lies mesial.
    return float(own_place + place) if upper == ((own_quadrant - 1) % 4 in (0, 1)) else None


def _from_own_tooth(marks: Marks, known: Tooth, root: str, click: Array, pitch: Array) -> Array:
    """Mesial direction from marks of the clicked tooth itself; zeros if they do not tell."""
    way = np.zeros(2)
    for mark in marks.of(tooth=known.number):
        d = np.array([mark.row, mark.col]) * pitch - click
        if mark.landmark == "cej" and mark.root == root and mark.side:
            way += d if mark.side == "mesial" else -d
        elif mark.root and mark.root != root:
            name = mark.root
            if name.startswith("mesi") and not root.startswith("mesi"):
                way += d
            elif name.startswith("dist") and not root.startswith("dist"):
                way -= d
    return way


def mesial_way(
    marks: Marks, known: Tooth, root: str, click: Array, pitch: Array
) -> NDArray[np.float64] | None:
    """Direction that is mesial at a click, from the marks of this and other teeth.

    Parameters
    ----------
    marks : Marks
    known : Tooth
        The clicked one.
    root : str
    click : ndarray of float, shape (2,)
        In the unit of `pitch`.
    pitch : ndarray of float, shape (2,)

    Returns
    -------
    ndarray of float, shape (2,)
        Not of unit length; None where the marks do not tell.
    """
    way = np.zeros(2)
    for mark in marks:
        places = _position(mark, known)
        if places is not None:
            d = np.array([mark.row, mark.col]) * pitch - click
            way += np.sign(places) * d / max(float(np.hypot(*d)), 1e-9)
    if not way.any():
        way = _from_own_tooth(marks, known, root, click, pitch)
    return way if np.hypot(*way) > 1e-6 else None


def assumed_way(known: Tooth) -> Array:
    """Direction taken for mesial when nothing tells: the film seen from outside the mouth.

    The patient's right then lies left (labial mounting; common practice, no source), so that
    the midline is to the right of right-sided teeth.
    """
    return np.array([0.0, 1.0 if known.right else -1.0])
