"""One tooth as solids: path lengths of the beam through its materials, and the shells around it."""

from __future__ import annotations

import cv2
import numpy as np
from anatomy import PDL_MM, Map, Tooth, roof_x
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt

PITCH_MM = 0.025
LAMINA_MM = 0.23


def rounded(points: tuple[tuple[float, float], ...], times: int = 3) -> Map:
    """Round a polyline's corners, its ends kept."""
    line = np.array(points, dtype=float)
    for _ in range(times):
        near, far = line[:-1] * 0.75 + line[1:] * 0.25, line[:-1] * 0.25 + line[1:] * 0.75
        line = np.vstack([line[:1], np.stack([near, far], 1).reshape(-1, 2), line[-1:]])
    return line


def smoothstep(value: Map, low: float, high: float) -> Map:
    """Rise from 0 at ``low`` to 1 at ``high`` without a corner."""
    t = np.clip((value - low) / (high - low), 0, 1)
    return np.asarray(t * t * (3 - 2 * t))


def tooth_paths(tooth: Tooth, x: Map, y: Map) -> dict[str, Map]:
    """Give path lengths of one tooth's materials, and of the shells around its roots, in mm."""
    u, v = tooth.own(x, y)
    roots = [r.solid(u, v, 0.0, tooth.thickness) for r in tooth.roots]
    front = np.max([t for t, r in zip(roots, tooth.roots, strict=True) if not r.behind], axis=0)
    trunk = _trunk(tooth, u, v)
    below = np.maximum(front, trunk)
    crown = _crown_mask(tooth, x, y)
    inside = distance_transform_edt(crown | (below > 0)) * PITCH_MM
    height = -min(p[1] for p in tooth.crown)
    bulk = tooth.thickness * (1.05 - 0.45 * np.clip(-v / height, 0, 1))
    reach = min(tooth.width * 0.45, 2.6)
    coat = tooth.enamel * np.sqrt(np.clip(-v / (0.35 * height), 0, 1))
    whole = bulk * _dome(inside / reach)
    enamel = np.maximum(whole - bulk * _dome((inside - coat) / reach), np.minimum(2 * coat, whole))
    enamel = np.where(crown & (v < 0), enamel, 0.0)
    mix = smoothstep(v, -0.5, 0.5)
    hard = np.where((crown & (v < 0.5)) | (below > 0), whole * (1 - mix) + below * mix, 0.0)
    hard = np.where(v >= 0.5, below, hard)
    back = sum(
        (t * smoothstep(v, -0.6, 2.4) for t, r in zip(roots, tooth.roots, strict=True) if r.behind),
        np.zeros_like(hard),
    )
    # A root behind the trunk adds to the beam's path only by what the trunk does not hold already.
    hard = hard + 0.75 * back
    pulp = np.minimum(_pulp(tooth, u, v, height), 0.8 * hard)
    ligament = np.maximum(_shell(tooth, u, v, PDL_MM), trunk)
    lamina = np.maximum(_shell(tooth, u, v, PDL_MM + LAMINA_MM), trunk)
    roof = _roof_gap(tooth, u, v)
    return {
        "enamel": enamel,
        "dentine": np.clip(hard - enamel - pulp, 0, None),
        "all": hard,
        "ligament": np.maximum(ligament, roof[0]),
        "lamina": np.maximum(lamina, roof[1]),
        "pulp": pulp,
    }


def _dome(share: Map) -> Map:
    return np.asarray(np.sqrt(1 - (1 - np.clip(share, 0, 1)) ** 2))


def _shell(tooth: Tooth, u: Map, v: Map, grown: float) -> Map:
    return np.asarray(np.max([r.solid(u, v, grown, tooth.thickness) for r in tooth.roots], axis=0))


def _arch(tooth: Tooth, u: Map) -> tuple[Map, Map]:
    """Give the roof's depth along x between the two roots, and the distance across it (share)."""
    depth = tooth.furcation or 0.0
    first, last = tooth.front()[0], tooth.front()[-1]
    low, high = first.edge(depth + 0.5, "distal"), last.edge(depth + 0.5, "mesial")
    middle, half = roof_x(tooth), max((high - low) / 2, 0.25) + 0.25
    share = np.clip(np.abs(u - middle) / half, 0, 1)
    return depth + half * 0.9 * (1 - np.sqrt(1 - share**2)), share


def _trunk(tooth: Tooth, u: Map, v: Map) -> Map:
    if tooth.furcation is None:
        return np.zeros_like(u)
    first, last = tooth.front()[0], tooth.front()[-1]
    left = first.centre(v) - first.half(v)
    right = last.centre(v) + last.half(v)
    across = np.clip(np.abs(2 * u - left - right) / (right - left), 0, 1)
    roof, _ = _arch(tooth, u)
    between = (u > first.centre(v)) & (u < last.centre(v))
    rounding = np.sqrt(np.clip((roof - v) / 0.6, 0, 1))
    fading = 1 - smoothstep(v, tooth.furcation - 0.9, tooth.furcation + 0.9)
    weight = np.where(between, rounding * np.maximum(fading, 0.6), fading)
    bulk = tooth.thickness * np.sqrt(1 - across**4) * weight
    keep = (v > -0.6) & (~between | (v < roof))
    return np.asarray(np.where(keep, bulk, 0.0))


def _roof_gap(tooth: Tooth, u: Map, v: Map) -> tuple[Map, Map]:
    """Give ligament and lamina solids under the furcation's roof."""
    if tooth.furcation is None:
        return np.zeros_like(u), np.zeros_like(u)
    first, last = tooth.front()[0], tooth.front()[-1]
    between = (u > first.centre(v)) & (u < last.centre(v))
    roof, _ = _arch(tooth, u)
    bulk = 0.7 * tooth.thickness

    def cap(grown: float) -> Map:
        keep = between & (v < roof + grown) & (v > -0.6)
        return np.asarray(np.where(keep, bulk, 0.0))

    return cap(PDL_MM), cap(PDL_MM + LAMINA_MM)


def _crown_mask(tooth: Tooth, x: Map, y: Map) -> NDArray[np.bool_]:
    line = rounded(tooth.crown)
    outline = [tooth.world(float(px), float(py)) for px, py in line]
    outline += [tooth.world(float(line[-1, 0]), 0.3), tooth.world(float(line[0, 0]), 0.3)]
    points = (np.array(outline) - (x[0, 0], y[0, 0])) / PITCH_MM
    mask = np.zeros(x.shape, np.uint8)
    cv2.fillPoly(mask, [np.round(points * 256).astype(np.int32)], 1, shift=8)
    return mask.astype(bool)


def _pulp(tooth: Tooth, u: Map, v: Map, height: float) -> Map:
    """Give the path through the pulp: a canal in each root, a chamber with horns above."""
    paths = [np.zeros_like(u)]
    for root in tooth.roots:
        top = -0.45 * height if tooth.furcation is None else min(0.0, tooth.furcation - 1.6)
        share = np.clip((v - top) / (root.length - top), 0, 1)
        half = tooth.pulp * root.half(np.maximum(v, 0)) * (1 - 0.45 * share)
        half = np.where(v < top, 0, half * np.clip((v - top) / (0.25 * height), 0, 1) ** 0.5)
        half = np.where(v > root.length - 0.45, 0, half)
        with np.errstate(divide="ignore", invalid="ignore"):
            across = np.where(half > 0, (u - root.centre(np.maximum(v, 0))) / half, 2)
        paths.append(1.5 * tooth.pulp * tooth.thickness * np.sqrt(np.clip(1 - across**2, 0, 1)))
    if tooth.furcation is not None:
        deep = tooth.furcation - 0.25 * tooth.width * 0.6
        flat = ((u - roof_x(tooth)) / (0.36 * tooth.width)) ** 2
        flat = flat + ((v - deep + 0.3) / (0.11 * tooth.width)) ** 2
        paths.append(1.1 * tooth.pulp * tooth.thickness * np.clip(1 - flat, 0, 1))
    return np.asarray(np.max(paths, axis=0))
