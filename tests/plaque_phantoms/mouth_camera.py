"""Light on glazed mouths and the camera before them: relief, lamps, wet gloss, raw to file."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from .mouth_optics import Array
from .mouth_shapes import Mouth, field


def _normals(height: Array, softness: float) -> Array:
    smooth = ndimage.gaussian_filter(height, softness)
    gy, gx = np.gradient(smooth)
    n = np.dstack([-gx, -gy, np.ones_like(gx)])
    return (n / np.linalg.norm(n, axis=2, keepdims=True)).astype(np.float32)


def lit(
    rng: np.random.Generator, place: Mouth, size: int, gloss: float
) -> tuple[Array, Array, Array]:
    """Diffuse light of the main lamp and of the room, and gloss off the wet surface."""
    shape = place.height.shape
    bend = np.linspace(-1, 1, shape[1], dtype=np.float32)[None, :] * float(rng.uniform(0.2, 0.6))
    rough = place.height + 0.0015 * size * field(rng, shape, 0.05 * size)
    body = _normals(rough, 0.012 * size)
    body = body + np.dstack([bend + 0 * rough, 0 * rough, 0 * rough])
    body /= np.linalg.norm(body, axis=2, keepdims=True)
    # Saliva fills fine relief and pools along the gum margin.
    pool = np.exp(-((place.from_gum / 0.03) ** 2)) * (place.regions > 0)
    wet = ndimage.gaussian_filter(place.height, 0.03 * size) + 0.03 * size * pool
    wet = wet + 0.004 * size * field(rng, shape, 0.09 * size)
    skin = _normals(wet, 0.01 * size) + np.dstack([bend + 0 * wet, 0 * wet, 0 * wet])
    skin /= np.linalg.norm(skin, axis=2, keepdims=True)
    ring = [(s * rng.uniform(0.15, 0.4), rng.uniform(-0.2, 0.2), 1.0, 0.5) for s in (-1, 1)]
    roof = [(rng.uniform(-0.6, 0.6), -rng.uniform(0.4, 1.0), rng.uniform(0.5, 1.0), 1.0)]
    depth = ndimage.gaussian_filter(place.height, 0.08 * size) - place.height
    open_ = np.clip(1 - 2.2 * np.clip(depth, 0, None) / size, 0.35, 1)
    open_ = np.where((place.regions == 0) & ~place.gum, 0.55 * open_, open_)
    shine = np.zeros(shape, dtype=np.float32)
    width = float(rng.uniform(0.1, 0.22))
    shares = []
    for group, power in ((ring, 1.0), (roof, float(rng.uniform(0.1, 0.4)))):
        diffuse = np.zeros(shape, dtype=np.float32)
        for x, y, z, part in group:
            way = np.array([x, y, z], dtype=np.float32) / np.sqrt(x * x + y * y + z * z)
            diffuse += part * np.clip(body @ way, 0, None)
            half = way + np.array([0, 0, 1], dtype=np.float32)
            cosine = np.clip(skin @ (half / np.linalg.norm(half)), 1e-3, 1)
            slope2 = (1 - cosine**2) / cosine**2
            shine += power * part * 1.3 * np.exp(-slope2 / width**2).astype(np.float32)
        shares.append((power * diffuse * open_).astype(np.float32))
    film = np.clip(0.7 + 0.5 * field(rng, shape, 0.3 * size), 0.05, 1.6)
    shine = shine * film * gloss * np.where(place.regions > 0, 1.0, np.where(place.gum, 0.6, 0.08))
    return shares[0] + 0.12 * open_, shares[1], shine


def developed(
    rng: np.random.Generator,
    raw: Array,
    matrix: NDArray[np.float64],
    noise: float,
    jpeg: int,
    tone: float,
) -> NDArray[np.uint8]:
    """From camera light (balanced, 1 clips) to the file: mosaic, matrix, tone curve, JPEG."""
    grain = rng.normal(size=raw.shape).astype(np.float32)
    noisy = raw + grain * noise * np.sqrt(0.15 + 0.85 * np.clip(raw, 0, 1))
    levels = np.rint(np.clip(noisy, 0, 1) * 60000).astype(np.uint16)
    mosaic = levels[..., 1].copy()
    mosaic[0::2, 0::2] = levels[0::2, 0::2, 0]
    mosaic[1::2, 1::2] = levels[1::2, 1::2, 2]
    full = cv2.cvtColor(mosaic, cv2.COLOR_BayerBG2BGR)[..., ::-1].astype(np.float32) / 60000
    light = np.clip(full @ matrix.T.astype(np.float32), 0, 1)
    shown = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    shown = shown + tone * (shown * shown * (3 - 2 * shown) - shown)
    small = np.rint(255 * np.clip(shown, 0, 1)).astype(np.uint8)
    if jpeg:
        done, code = cv2.imencode(".jpg", small[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, jpeg])
        small = cv2.imdecode(code, cv2.IMREAD_COLOR)[..., ::-1] if done else small
    return np.ascontiguousarray(small)
