"""Judging pictures of dog and cat jaws, made as from a specimen's scan: voxels, then shadows.

A separate hand's blind judge of the crest finder: written from interfaces.md and facts.md alone,
without sight of the finder or of any other generator. It is believable at best, not clinical truth:
nobody who made it looked at a patient. Anatomy and attenuation come from memory, as each scanned_*
module says; how often a pattern or a view occurs is my own choice.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from .scanned_bone import Jaw, sites
from .scanned_disease import diseased_jaw
from .scanned_film import developed
from .scanned_rows import CAT, VIEWS, row_of_teeth
from .scanned_teeth import ScannedTooth
from .scanned_truth import behind, clinician, crest
from .scanned_view import View, aimed
from .scanned_volume import Calculus, Fabric, shadow
from .scene import Key, Phantom, packed

SHARES = {
    "dog_premolars": 0.24,
    "dog_molars": 0.24,
    "dog_canine": 0.12,
    "dog_incisors": 0.14,
    "cat_cheek": 0.18,
    "cat_canine": 0.08,
}
TWO_PLATES_MM = 0.4
ERROR_MM = 0.1


def _severity(rng: np.random.Generator) -> float:
    """Draw the mean share of root without bone: a third healthy, the rest up to severe."""
    kind = rng.choice(4, p=[0.33, 0.32, 0.23, 0.12])
    low, high = ((0.0, 0.03), (0.05, 0.2), (0.2, 0.4), (0.4, 0.6))[int(kind)]
    return float(rng.uniform(low, high))


def _look(
    rng: np.random.Generator, name: str, teeth: list[ScannedTooth], scale: float, flip: bool
) -> View:
    sizes, _, film = VIEWS[name]
    cheek = name in ("dog_premolars", "dog_molars", "cat_cheek")
    bisecting = float(rng.uniform(12, 28)) if not cheek else float(rng.normal(0, 3))
    crown = max(t.height for t in teeth)
    root = max(r.end for t in teeth for r in t.roots.values())
    aim = np.array([0.0, (root - crown) / 2 + rng.normal(0.8, 0.8) * scale, 0.0])
    if name in ("dog_canine", "cat_canine"):
        aim[0] += 1.0 * scale
    if name == "dog_molars":
        aim[0] += rng.uniform(-1, 1)
    small = 1.0 if sizes is CAT else max(scale, 0.75)
    return aimed(
        aim,
        film=(film[0] * small, film[1] * small),
        pitch=float(rng.choice([0.033, 0.04, 0.05, 0.06])) * (0.8 if sizes is CAT else 1.0),
        bisecting=bisecting,
        vertical=float(rng.normal(0, 3 if cheek else 5)),
        horizontal=float(rng.normal(0, 5)),
        roll=float(rng.normal(0, 4)),
        flip=flip,
        distance=float(rng.uniform(200, 400)),
        clearance=float(rng.uniform(5, 12)),
    )


def _lumps(rng: np.random.Generator, teeth: list[ScannedTooth], amount: float) -> list[Calculus]:
    """Draw calculus on the proximal and broad faces about the neck."""
    found = []
    for tooth in teeth:
        for name, _, sign in sites(tooth):
            if rng.random() > amount:
                continue
            r = tooth.roots[name]
            v = rng.uniform(-0.25 * tooth.height, 0.5)
            w = float(rng.uniform(-0.7, 0.3) * tooth.depth)
            across = r.centre_u[0] + sign * np.linspace(0, 0.6 * tooth.width, 60)
            within = tooth.distance(across, np.full(60, v), np.full(60, w)) < 0
            if not within.any():
                continue
            u = float(across[within][-1])
            size = tooth.depth * rng.uniform(0.12, 0.35, 3)
            found.append(Calculus(tooth, (u, v, w), (size[0], 1.4 * size[1], 1.5 * size[2])))
    return found


def _inside(row: float, col: float, view: View, edge_mm: float) -> bool:
    edge = edge_mm / view.pitch
    return edge < row < view.rows - 1 - edge and edge < col < view.cols - 1 - edge


def _judge(
    rng: np.random.Generator, teeth: list[ScannedTooth], jaw: Jaw, view: View
) -> tuple[list, dict[Key, tuple[float, float]], dict[Key, tuple[str, ...]]]:
    """Return marks, truth and traits of the teeth that lie whole on the plate."""
    marks = []
    truth: dict[Key, tuple[float, float]] = {}
    traits: dict[Key, tuple[str, ...]] = {}
    for tooth in teeth:
        own = clinician(rng, [tooth], view, ERROR_MM)
        if not own or not all(_inside(m.row, m.col, view, 0.5) for m in own):
            continue
        marks += own
        for name, side, sign in sites(tooth):
            found = crest(tooth, name, side, sign, jaw, view)
            if found is None or not _inside(*found.place, view, 0.3):
                continue
            key = (tooth.number, name, side)
            truth[key] = (float(found.place[0]), float(found.place[1]))
            said = [
                ("two_plates", found.apart > TWO_PLATES_MM),
                ("angular", found.angular),
                ("overlap", behind(found.place, tooth, teeth, jaw, view)),
            ]
            traits[key] = tuple(word for word, true in said if true)
    return marks, truth, traits


def scanned_phantom(seed: int) -> Phantom:
    """Draw one picture with marks, scale, true crests and what makes each hard.

    Parameters
    ----------
    seed : int
        The same seed gives the same picture.

    Returns
    -------
    Phantom
        Marks are CEJs and apices of whole teeth; traits are ``two_plates``,
        ``angular`` and ``overlap`` (another tooth lies in the same ray).
    """
    rng = np.random.default_rng([20261128, seed])
    name = str(rng.choice(list(SHARES), p=list(SHARES.values())))
    cat = VIEWS[name][0] is CAT
    scale = float(rng.uniform(0.9, 1.1) if cat else rng.uniform(0.6, 1.1))
    right = bool(rng.random() < 0.5)
    teeth = row_of_teeth(rng, name, 4 if right else 3, scale)
    severity = _severity(rng)
    low = (11.0 if cat else 22.0) * scale * rng.uniform(0.9, 1.15)
    low = 60.0 if name == "dog_incisors" else max(low, 1.05 * max(_tip(t) for t in teeth))
    jaw = diseased_jaw(rng, teeth, cat, scale, severity, low)
    for tooth in teeth:
        tooth.sockets = {
            n: (r.grown(jaw.ligament), r.grown(jaw.ligament + jaw.lamina))
            for n, r in tooth.roots.items()
        }
    fabric = Fabric(
        struts=float(rng.uniform(0.35, 0.8)),
        coarse=float(rng.uniform(0.3, 0.5) if cat else rng.uniform(0.35, 0.7)),
        crest=float(rng.uniform(0.3, 1.0) if severity < 0.1 else rng.uniform(0.0, 0.7)),
        soft_edge=float(rng.uniform(0.15, 0.3 + 0.4 * min(severity * 3, 1))),
        demineralised=float(rng.uniform(0, 0.15 + 0.4 * min(severity * 3, 1))),
        gum=float(rng.uniform(0.5, 2.0) * scale),
        canal=0.0 if name == "dog_incisors" else float((0.6 if cat else 1.3) * scale),
        symphysis=name == "dog_incisors",
        cheek=float(rng.uniform(1.0, 8.0)),
    )
    lumps = _lumps(rng, teeth, 0.03 + rng.uniform(0, 0.5) * min(severity * 3, 1))
    view = _look(rng, name, teeth, scale, flip=right and name != "dog_incisors")
    integral = shadow(rng, teeth, jaw, fabric, lumps, view)
    pixels, inverted = developed(rng, integral, view.pitch)
    marks, truth, traits = _judge(rng, teeth, jaw, view)
    mm = view.pitch * _demagnified(view)
    image, kept, scale_of = packed(pixels, inverted, marks, mm, f"scanned_{seed}")
    image = replace(image, species="cat" if cat else "dog")
    return Phantom(image, kept, scale_of, truth, traits)


def _tip(tooth: ScannedTooth) -> float:
    return max(float(tooth.world(r.centre_u[-1], r.end, 0.0)[1]) for r in tooth.roots.values())


def _demagnified(view: View) -> float:
    """Return the teeth's size over their shadow's at the plate's middle."""
    near = np.linalg.norm(view.source - np.array([view.source[0], view.source[1], 0.0]))
    return float(near / abs(view.centre[2] - view.source[2]))
