"""Stained photographs before and after cleaning (made by make_radiographs.py).

Buccal view of a lower left arcade, gum below. Colours are linear light until the last step: enamel
and gum under a flash, one-tone dye as Beer-Lambert absorption in the plaque, glare on wet surfaces,
lens blur, photon noise, the sRGB curve, JPEG. Spectra are three numbers each; from memory.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np
from anatomy import Map, Tooth
from numpy.typing import NDArray
from patients import RADIOGRAPHS
from PIL import Image
from scipy.ndimage import distance_transform_edt, gaussian_filter
from solids import rounded

if TYPE_CHECKING:
    from pathlib import Path

    from visits import SampleVisit

Mask = NDArray[np.bool_]
Labels = NDArray[np.uint16]

ROWS, COLS, PX_PER_MM = 760, 1500, 42.0
CEJ_ROW, LEFT_MM = 430.0, -14.4
ENAMEL = np.array([0.66, 0.60, 0.47])
ROOT = np.array([0.60, 0.48, 0.30])
GUM = np.array([0.50, 0.17, 0.16])
# Optical density per unit of dye in red, green and blue: erythrosine absorbs most near 530 nm.
DYE = np.array([0.05, 1.0, 0.42])
TARTAR = np.array([0.18, 0.34, 0.62])
STAINED_OD = 0.15
# Mirrored light above this (linear, white is 1) counts as glare in the truth.
GLARE = 0.12
TRUTH = ("photo", "when", "tooth", "region_px", "glare_px", "coverage_pct", "coverage_matt_pct")
# Lightest to heaviest plaque per tooth: share of crown height it reaches, before and after.
PLAQUE = {
    306: (0.35, 0.02),
    307: (0.22, 0.0),
    308: (0.50, 0.10),
    309: (0.72, 0.24),
    310: (0.45, 0.30),
}


@dataclass(frozen=True, slots=True)
class Shot:
    """One exposure: camera pose as a homography of (col, row), light, and its noise."""

    when: str
    pose: NDArray[np.float64]
    light: tuple[float, float]
    gain: tuple[float, float, float]
    seed: int


SHOTS = (
    Shot("before", np.eye(3), (-0.35, -0.45), (1.04, 1.0, 0.93), 61),
    Shot(
        "after",
        np.array([[1.015, -0.035, 14.0], [0.032, 1.02, -26.0], [1.2e-5, -0.8e-5, 1.0]]),
        (0.25, -0.50),
        (0.99, 0.97, 0.98),
        62,
    ),
)


def write_photographs(folder: Path, visit: SampleVisit) -> None:
    """Write the photographs of one visit, their tooth regions and the true coverage."""
    for part in ("regions", "truth"):
        (folder / part).mkdir(exist_ok=True)
    scene = next(r.scene for r in RADIOGRAPHS if r.path.startswith(visit.folder))
    teeth = tuple(t for t in scene.teeth if t.number in PLAQUE)
    truth: list[tuple[object, ...]] = []
    for (name, when), shot in zip(visit.photos, SHOTS, strict=True):
        picture, labels, density, glare = _photograph(teeth, shot)
        Image.fromarray(picture).save(folder / "images" / name, quality=92, subsampling=0)
        Image.fromarray(labels).save(folder / "regions" / f"{name}.png")
        for tooth in teeth:
            region = labels == tooth.number
            matt = region & (glare < GLARE)
            shares = [100 * float(np.mean(density[m] > STAINED_OD)) for m in (region, matt)]
            sizes = [int(np.count_nonzero(m)) for m in (region, region & ~matt)]
            truth.append((name, when, tooth.number, *sizes, *(f"{v:.3f}" for v in shares)))
    with (folder / "truth" / "coverage.csv").open("w", newline="", encoding="utf-8") as file:
        table = csv.writer(file, lineterminator="\n")
        table.writerow(TRUTH)
        table.writerows(truth)


def _col(x_mm: float | Map) -> float | Map:
    return (x_mm - LEFT_MM) * PX_PER_MM


def _photograph(teeth: tuple[Tooth, ...], shot: Shot) -> tuple[NDArray[np.uint8], Labels, Map, Map]:
    anatomy = np.random.default_rng(60)
    camera = np.random.default_rng(shot.seed)
    gum_row = _gum_line(teeth)
    rows = np.arange(ROWS)[:, None] + np.zeros((1, COLS))
    labels = np.zeros((ROWS, COLS), np.uint16)
    albedo = _gum(rows - gum_row, anatomy)
    density, tartar = np.zeros((ROWS, COLS)), np.zeros((ROWS, COLS))
    relief = gaussian_filter(anatomy.standard_normal((ROWS, COLS)), 22)
    height = (
        0.9 * np.sqrt(np.clip(rows - gum_row, 0, 160) / 160) * 60
        + 90 * relief / relief.std() * 0.06
    )
    for tooth in teeth:
        mask = _crown(tooth) & (rows < gum_row)
        labels[mask] = tooth.number
        inside = distance_transform_edt(mask | (_crown(tooth) & (rows < gum_row + 60)))
        height = np.where(
            mask, 70 * np.sqrt(1 - (1 - np.clip(inside / 95, 0, 1)) ** 2) + 25, height
        )
        root = np.clip((rows - CEJ_ROW) / 10 + 0.5, 0, 1)[..., None]
        fade = np.clip(0.85 + 0.25 * (CEJ_ROW - rows) / 250, 0.8, 1.06)[..., None]
        albedo = np.where(mask[..., None], (ENAMEL * (1 - root) + ROOT * root) * fade, albedo)
        reach = PLAQUE[tooth.number][0 if shot.when == "before" else 1]
        plaque, stone = _deposit(tooth, rows, gum_row, reach, anatomy)
        density = np.where(mask, plaque, density)
        tartar = np.where(mask & (shot.when == "before"), stone, tartar)
    stray = gaussian_filter(anatomy.standard_normal((ROWS, COLS)), 14)
    on_gum = 0.10 * np.clip(stray / stray.std(), 0, 2) * (rows > gum_row)
    light = albedo * 10 ** -(DYE * (density + on_gum)[..., None] + TARTAR * tartar[..., None])
    shaded, glare = _lit(light, height, labels > 0, rows > gum_row, shot)
    return (
        _exposed(shaded, shot, camera),
        _moved(labels.astype(np.float32), shot, cv2.INTER_NEAREST).astype(np.uint16),
        _moved(density.astype(np.float32), shot),
        _moved(glare.astype(np.float32), shot),
    )


def _gum_line(teeth: tuple[Tooth, ...]) -> Map:
    """Give the row of the gum margin in every column: scalloped, with papillae between teeth."""
    x = np.arange(COLS) / PX_PER_MM + LEFT_MM
    margins = {306: -0.35, 307: -0.3, 308: -0.1, 309: 0.45, 310: 0.0}
    line = np.full(COLS, -0.9)
    for tooth in teeth:
        u = np.abs(x - tooth.x) / (tooth.width / 2 + 0.2)
        arch = margins[tooth.number] - (1.0 + margins[tooth.number]) * np.clip(u, 0, 1) ** 3
        line = np.where(u < 1, arch, line)
    return np.asarray(CEJ_ROW + PX_PER_MM * gaussian_filter(line, 7.0))


def _gum(depth: Map, rng: np.random.Generator) -> Map:
    """Give the colour of gum below its margin and of the dark mouth above it."""
    stipple = gaussian_filter(rng.standard_normal(depth.shape), 5)
    blotch = gaussian_filter(rng.standard_normal(depth.shape), 40)
    red = 1 + 0.05 * stipple / stipple.std() + 0.10 * blotch / blotch.std()
    rim = np.exp(-np.clip(depth, 0, None) / 45)[..., None]
    gum = GUM * red[..., None] * (1 - rim * np.array([0.02, 0.22, 0.16]))
    vein = np.clip((depth - 230) / 150, 0, 1)[..., None]
    gum = gum * (1 - vein * np.array([0.15, 0.35, 0.30]))
    mouth = np.array([0.045, 0.018, 0.016]) * (1 + 0.3 * blotch / blotch.std())[..., None]
    return np.asarray(np.where(depth[..., None] > 0, gum, np.clip(mouth, 0.004, 1)))


def _crown(tooth: Tooth) -> NDArray[np.bool_]:
    outline = rounded(tooth.crown, 4)
    half = tooth.width / 2 * 0.96
    closed = np.vstack([outline, [(half, 2.4), (-half, 2.4)]])
    points = np.column_stack([_col(closed[:, 0] + tooth.x), CEJ_ROW + PX_PER_MM * closed[:, 1]])
    mask = np.zeros((ROWS, COLS), np.uint8)
    cv2.fillPoly(mask, [np.round(points * 256).astype(np.int32)], 1, shift=8)
    return mask.astype(bool)


def _deposit(
    tooth: Tooth, rows: Map, gum_row: Map, reach: float, rng: np.random.Generator
) -> tuple[Map, Map]:
    """Give dye density and tartar over one tooth: heaviest at the gum, ragged at its upper edge."""
    tall = -min(p[1] for p in tooth.crown) * PX_PER_MM
    above = (gum_row - rows) / tall
    ragged = gaussian_filter(rng.standard_normal(rows.shape), 26)
    grain = gaussian_filter(rng.standard_normal(rows.shape), 4)
    stone = gaussian_filter(rng.standard_normal(rows.shape), 18)
    edge = reach * (1 + 0.45 * ragged / ragged.std()) - above
    film = np.clip(edge / 0.10, 0, 1) ** 1.2 * (0.35 + 0.9 * np.clip(edge, 0, 0.7))
    film = film * (1 + 0.22 * grain / grain.std())
    crust = 0.5 * np.clip((0.22 - above) / 0.10 + 0.8 * stone / stone.std() - 0.6, 0, 1)
    heavy = crust if tooth.number in (309, 310) else np.zeros_like(crust)
    return np.asarray(np.clip(film, 0, 1.4) * (reach > 0)), np.asarray(heavy)


def _lit(light: Map, height: Map, tooth: Mask, gum: Mask, shot: Shot) -> tuple[Map, Map]:
    """Shade by the surface's slope, add glare on wet enamel and gum, and the flash's fall-off."""
    smooth = gaussian_filter(height, 5)
    down, across = np.gradient(smooth)
    norm = np.sqrt(1 + (0.55 * down) ** 2 + (0.55 * across) ** 2)
    nx, ny, nz = -0.55 * across / norm, -0.55 * down / norm, 1 / norm
    lx, ly = shot.light
    lz = np.sqrt(1 - lx**2 - ly**2)
    diffuse = 0.35 + 0.75 * np.clip(nx * lx + ny * ly + nz * lz, 0, 1)
    half = np.array([lx, ly, lz + 1])
    half /= np.linalg.norm(half)
    mirror = np.clip(nx * half[0] + ny * half[1] + nz * half[2], 0, 1)
    glare = 1.6 * mirror**340 * tooth + 0.5 * mirror**160 * (gum & ~tooth)
    y, x = np.mgrid[0:ROWS, 0:COLS]
    fall = 1.06 - 0.30 * ((x / COLS - 0.5) ** 2 + (y / ROWS - 0.55) ** 2) * 2 - 0.06 * x / COLS
    depth = np.where(tooth | gum, 1.0, 0.9)
    lit = (light * diffuse[..., None] * depth[..., None] + glare[..., None]) * fall[..., None]
    return np.asarray(lit), np.asarray(glare)


def _moved(array: NDArray[np.float32], shot: Shot, flag: int = cv2.INTER_LINEAR) -> Map:
    """Resample a map of the arcade into the camera's pose."""
    size, edge = (COLS, ROWS), cv2.BORDER_REPLICATE
    return np.asarray(cv2.warpPerspective(array, shot.pose, size, flags=flag, borderMode=edge))


def _exposed(light: Map, shot: Shot, rng: np.random.Generator) -> NDArray[np.uint8]:
    """Move the camera, blur, add noise, encode as sRGB."""
    picture = _moved(gaussian_filter(light, (1.1, 1.1, 0)).astype(np.float32), shot)
    picture = picture.astype(float) * shot.gain * 1.05
    counts = rng.poisson(np.clip(picture, 0, None) * 6000) / 6000
    linear = np.clip(counts + rng.normal(0, 0.0012, picture.shape), 0, 1)
    coded = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    return np.asarray(np.round(coded * 255), np.uint8)
