"""Where the crest truly is, from the profile film's geometry and nothing else.

By the definition of interfaces.md: the most coronal point beside the root at which the ligament
space keeps its normal width; where the buccal and lingual margins project apart, the more
apical one. "Keeps" is read as up to 1.5 times the ligament's width. Healthy furcal bone ends at
the furcation's roof.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .film_beam import Camera
from .film_bone import Jaw
from .film_teeth import Root, Tooth, surfaces

WIDE = 1.5  # of the normal ligament space
STEP = 0.05  # mm, of the patch on which distances are worked out


def _distances(
    tooth: Tooth, x: NDArray[np.float64], z: NDArray[np.float64], y: float
) -> NDArray[np.float64]:
    """Distance of points (x, z) at depth y to the root, from a patch around them."""
    from scipy import ndimage

    xs = np.arange(x.min() - 0.3, x.max() + 0.3, STEP)
    zs = np.arange(z.min() - 0.3, z.max() + 0.3, STEP)
    gx, gz = np.meshgrid(xs, zs)
    field = surfaces(tooth, gx, y, gz, STEP)[0]
    at = np.stack([(z - zs[0]) / STEP, (x - xs[0]) / STEP])
    return np.asarray(ndimage.map_coordinates(field.astype(float), at, order=1, mode="nearest"))


def _side_way(tooth: Tooth, side: str) -> int:
    """+1 where the side looks toward greater x of the jaw."""
    return tooth.sense * (1 if side == "distal" else -1)


def roof(tooth: Tooth, jaw: Jaw, y: float) -> tuple[float, float]:
    """Most coronal point (x, z) between the roots where the ligament's arch ends, at depth y."""
    low, high = sorted(r.x0 for r in tooth.roots)
    mid = tooth.placed((low + high) / 2, 0.0, tooth.trunk)
    x = np.arange(mid[0] - 1.2, mid[0] + 1.2, STEP)
    z = np.arange(mid[2] - 0.8 * tooth.trunk, mid[2] + 1.5 * tooth.trunk + 2.0, STEP / 2)
    gx, gz = np.meshgrid(x, z)
    free = surfaces(tooth, gx, y, gz, STEP)[0] >= jaw.ligament
    # Only what lies below the crown counts: from the last covered point of each column on.
    covered = ~free
    last = len(z) - 1 - np.argmax(covered[::-1], axis=0)
    last = np.where(covered.any(axis=0), last, 0)
    inside = last < len(z) - 2
    if not inside.any():
        return float(mid[0]), float(mid[2] + tooth.trunk)
    best = int(np.argmin(np.where(inside, last, len(z))))
    return float(x[best]), float(z[last[best]])


def plate_point(
    tooth: Tooth, root: Root, side: str, jaw: Jaw, plate: str, room: float
) -> tuple[float, float] | None:
    """Where one plate's margin meets the widest ligament space that is still normal, as (x, z).

    None where the margin reaches no such place within `room` mm, as under a furcation's roof.
    """
    way = _side_way(tooth, side)
    at = float(jaw.margin(np.array([tooth.placed(root.x0, 0.0, 0.0)[0]]), plate)[0])
    start, deep = 0.0, tooth.y
    for _ in range(3):
        t = float(np.clip((at - tooth.z) / root.length, 0, 1))
        start, deep, _ = tooth.placed(float(root.centre(t)), 0.0, t * root.length)
        at = float(jaw.margin(np.array([start]), plate)[0])
    x = start + way * np.arange(0.0, room + root.half_x, 0.01)
    z = jaw.margin(x, plate)
    d = _distances(tooth, x, z, deep)
    beyond = d >= WIDE * jaw.ligament
    if beyond.any():
        first = int(np.argmax(beyond))
        return float(x[first]), float(z[first])
    return None


def site_points(
    tooth: Tooth, root: Root, side: str, jaw: Jaw, room: float, furcal: bool
) -> list[NDArray[np.float64]]:
    """Both margins (buccal, lingual) of one site as points of the jaw."""
    points = []
    for plate, y in (("buccal", -jaw.margin_y), ("lingual", jaw.margin_y)):
        found = plate_point(tooth, root, side, jaw, plate, room)
        if furcal:
            tops = [(*roof(tooth, jaw, tooth.y + s * 0.5 * root.half_y), s) for s in (-1, 0, 1)]
            x, z, s = max(tops, key=lambda p: p[1])
            if found is None or found[1] < z:
                points.append(np.array([x, tooth.y + s * 0.5 * root.half_y, z]))
                continue
        if found is None:
            way = _side_way(tooth, side)
            x = tooth.placed(root.x0, 0.0, 0.0)[0] + way * (root.half_x + room)
            found = (x, float(jaw.margin(np.array([x]), plate)[0]))
        points.append(np.array([found[0], y, found[1]]))
    return points


def crest(
    points: list[NDArray[np.float64]],
    axis: tuple[NDArray[np.float64], NDArray[np.float64]],
    camera: Camera,
) -> tuple[NDArray[np.float64], float]:
    """Truth in px and how far apart (mm on the film, along the root) the margins project."""
    neck, apex = axis
    u = (apex - neck) / np.linalg.norm(apex - neck)
    seen = camera.pixel(np.array(points))
    along = (seen - neck) @ u
    return seen[int(np.argmax(along))], float(np.ptp(along)) * camera.pitch
