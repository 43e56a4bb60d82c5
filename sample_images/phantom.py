"""What the beam passes through: teeth in their jaw, under gum, with a probe if there is one.

Attenuation coefficients are linear, per mm, near 40 keV, after the published mass attenuation
coefficients and densities (from memory); they set the look, no measurement hangs on them.
"""

from __future__ import annotations

import numpy as np
from anatomy import Map, Probe, Scene, crest_points
from scipy.ndimage import gaussian_filter, gaussian_filter1d
from solids import PITCH_MM, smoothstep, tooth_paths

MU = {"enamel": 0.27, "dentine": 0.15, "cortical": 0.14, "strut": 0.14, "soft": 0.028, "steel": 2.4}
# Size (mm) and stretch along the arcade of the sheets of struts the beam crosses.
STRUT_LAYERS = ((0.16, 1.2), (0.20, 0.9), (0.24, 1.35), (0.30, 1.1), (0.36, 1.4), (0.18, 1.3))


def attenuation(scene: Scene) -> tuple[Map, tuple[float, float]]:
    """Give the line integral of attenuation on a fine square raster, and that raster's origin.

    Returns
    -------
    map : ndarray of float64, shape (rows, cols)
        Sum of coefficient times path length over the materials; no unit.
    origin : tuple of float
        (x, y) in mm of the centre of the raster's first pixel.
    """
    x, y = np.meshgrid(np.arange(*scene.x, PITCH_MM), np.arange(*scene.y, PITCH_MM), indexing="xy")
    rng = np.random.default_rng(scene.seed)
    jaw = _jaw(scene, x, y)
    parts = [tooth_paths(tooth, x, y) for tooth in scene.teeth]
    total = _bone(scene, jaw, parts, y, rng)
    total += _hard(parts)
    if scene.probe is not None:
        total += MU["steel"] * _steel(scene.probe, x, y)
    return total, (scene.x[0], scene.y[0])


def _curve(points: list[tuple[float, float]], x: Map, smooth_mm: float) -> Map:
    line = np.array(sorted(points))
    level = np.interp(x[0], line[:, 0], line[:, 1])
    return np.asarray(gaussian_filter1d(level, smooth_mm / PITCH_MM, mode="nearest"))


def _jaw(scene: Scene, x: Map, y: Map) -> dict[str, Map]:
    """Give depth below each surface of the jaw, in mm (negative: outside)."""
    crest = _curve(crest_points(scene), x, 0.08)
    gum = gaussian_filter1d(crest, 1.6 / PITCH_MM, mode="nearest") - scene.gum_mm
    if scene.recession:
        gum = gum + np.interp(x[0], *np.array(scene.recession).T)
    border = _curve(list(scene.far_border), x, 0.8)
    wave = np.sin(x[0] * 0.7 + scene.seed) * 0.5 + 0.5
    return {
        "crest": y - crest,
        "other_plate": y - (crest - scene.plates_apart * (0.3 + wave)),
        "gum": y - gum,
        "border": border - y,
    }


def struts(shape: tuple[int, int], rng: np.random.Generator, coarser: float = 1.0) -> Map:
    """Give the share of bone along the beam in cancellous bone: a coarse net, 0 to 1."""
    net = np.zeros(shape)
    for size_mm, stretch in STRUT_LAYERS:
        sigma = coarser * size_mm / PITCH_MM
        noise = gaussian_filter(
            rng.standard_normal(shape), (sigma / stretch, sigma * stretch), mode="wrap"
        )
        uneven = 0.5 + 0.5 * np.tanh(
            gaussian_filter(rng.standard_normal(shape), 2 * sigma) * 4 * sigma
        )
        net += uneven * np.exp(-((noise / (0.5 * noise.std())) ** 2))
    broad = gaussian_filter(rng.standard_normal(shape), 1.6 / PITCH_MM)
    fine = gaussian_filter(rng.standard_normal(shape), 0.07 / PITCH_MM)
    net = net / net.mean() * 0.30 * (1 + 0.16 * broad / broad.std() + 0.16 * fine / fine.std())
    return np.asarray(np.clip(net, 0.03, 1))


def _bone(
    scene: Scene, jaw: dict[str, Map], parts: list[dict[str, Map]], y: Map, rng: np.random.Generator
) -> Map:
    """Give the attenuation of jaw, ligament and gum around the teeth."""
    depth = np.clip(jaw["crest"], 0, None)
    within = (jaw["crest"] > 0) & (jaw["border"] > 0)
    swell = 0.30 + 0.70 * (1 - np.exp(-depth / (0.6 * scene.bone_mm)))
    rounded = (
        np.sqrt(np.clip(jaw["border"] / (0.22 * scene.bone_mm), 0, 1)) if not scene.upper else 1.0
    )
    width = np.where(within, scene.bone_mm * swell * rounded, 0.0)
    plate = 0.11 * scene.bone_mm * (0.45 + 0.55 * smoothstep(depth, 0, 0.8 * scene.bone_mm))
    plate = np.minimum(plate, width / 2)
    near = np.where(within, plate, 0.0)
    far = np.where((jaw["other_plate"] > 0) & (jaw["border"] > 0), plate, 0.0)
    hollow = np.clip(width - 2 * plate, 0, None)
    ligament, lamina, tooth = (
        np.max([p[name] for p in parts], axis=0) for name in ("ligament", "lamina", "all")
    )
    # Bone is thinnest over a root's prominence, so its margin fades out across the root.
    bulge = np.clip(tooth / (0.25 * scene.bone_mm), 0, 1) * (1 - smoothstep(depth, 0.1, 3.0))
    near, far = near * (1 - 0.85 * bulge), far * (1 - 0.85 * bulge)
    hollow = hollow * (1 - 0.6 * bulge)
    hole = np.minimum(ligament, hollow)
    lining = np.clip(np.minimum(lamina, hollow) - hole, 0, None)
    lining = lining * (1 - 0.8 * bulge)
    cap = np.exp(-((depth / 0.22) ** 2)) * within * (lamina <= 0)
    marrow = np.clip(hollow - hole - lining, 0, None)
    share = struts(y.shape, rng, np.sqrt(scene.bone_mm / 4.5))
    share = share + (0.95 - share) * np.clip(0.55 * cap, 0, 1)
    if not scene.upper:
        share = _mandible(jaw["border"], share, scene)
    bone = MU["cortical"] * (near + far + 0.95 * lining)
    bone += marrow * (MU["soft"] + (MU["strut"] - MU["soft"]) * share)
    if scene.upper:
        bone += _nasal(jaw["border"], rng, scene.bone_mm)
    envelope = (scene.bone_mm * 0.55 + 3.0) * np.sqrt(np.clip(jaw["gum"] / 3.5, 0, 1))
    beyond = scene.bone_mm + 3.0 if scene.upper else 5.0
    under = 0.0 if scene.upper else np.clip(-jaw["border"], 0, None)
    envelope = np.where(jaw["border"] > 0, np.maximum(envelope, 0), beyond * np.exp(-under / 9.0))
    envelope = gaussian_filter(envelope, 0.12 / PITCH_MM)
    hard_in = np.where(within, near + far + marrow + lining + np.minimum(tooth, hollow), tooth)
    return np.asarray(bone + MU["soft"] * np.clip(envelope - hard_in, 0, None))


def _mandible(border: Map, share: Map, scene: Scene) -> Map:
    """Thicken the ventral cortex and leave the mandibular canal free of struts."""
    rim = np.clip(1.1 - border / (0.22 * scene.bone_mm), 0, 1)
    share = share + (1 - share) * rim
    from_axis = np.abs(border - 0.42 * scene.bone_mm)
    radius = 0.13 * scene.bone_mm
    canal = smoothstep(radius - from_axis, -0.25, 0.25)
    wall = np.exp(-(((from_axis - radius - 0.15) / 0.15) ** 2))
    return np.asarray(share * (1 - 0.55 * canal) + 0.16 * wall)


def _nasal(border: Map, rng: np.random.Generator, bone_mm: float) -> Map:
    """Add the bright floor of the nasal cavity and fine scrolls beyond it."""
    floor = np.exp(-((border / 0.30) ** 2)) * 0.20 * bone_mm * MU["cortical"]
    scroll = gaussian_filter(rng.standard_normal(border.shape), (0.25 / PITCH_MM, 0.6 / PITCH_MM))
    lines = np.exp(-((scroll / (0.25 * scroll.std())) ** 2)) * (border < -0.3)
    beyond = np.where(border < 0, 0.22 * bone_mm * MU["cortical"], 0.0)
    return np.asarray(floor + beyond + gaussian_filter(lines, 3) * 0.07 * bone_mm * MU["cortical"])


def _hard(parts: list[dict[str, Map]]) -> Map:
    """Add the teeth; overlapping neighbours lie one behind the other, so they sum."""
    each = [
        MU["enamel"] * p["enamel"] + MU["dentine"] * p["dentine"] + MU["soft"] * p["pulp"]
        for p in parts
    ]
    return np.asarray(np.sum(each, axis=0))


def _steel(probe: Probe, x: Map, y: Map) -> Map:
    """Give the path through the probe: bands 3 mm long, turned down in every second one."""
    a = np.deg2rad(probe.direction_deg)
    along = (x - probe.x) * np.cos(a) + (y - probe.y) * np.sin(a)
    off = (y - probe.y) * np.cos(a) - (x - probe.x) * np.sin(a)
    edges = [np.hypot(*(np.array(probe.at(mm)) - (probe.x, probe.y))) for mm in (0, 3, 6, 9, 12)]
    band = np.searchsorted(np.array(edges), along, side="right")
    radius = np.where(along < 0, 0.0, np.where(band % 2 == 0, 0.19, 0.29))
    radius = np.where(band > 4, 0.29 + 0.012 * np.clip(along - edges[-1], 0, None), radius)
    return np.asarray(2 * np.sqrt(np.clip(radius**2 - off**2, 0, None)))
