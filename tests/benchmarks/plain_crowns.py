"""Plainly drawn crowns, flat in light and colour, with stain whose edges run anywhere across.

The generators draw stain that follows the gum; on a picture without shading or relief only the
order of colours tells a stain's edge from a crown's, and a network has to have seen that.
"""

from __future__ import annotations

import numpy as np

Picture = tuple[np.ndarray, np.ndarray]


def _slow(rng, shape, size):
    """Slowly varying field of about unit spread, finest waves `size` px long."""
    import cv2

    coarse = rng.normal(0, 1, (max(2, shape[0] // size), max(2, shape[1] // size)))
    return cv2.resize(coarse.astype(np.float32), shape[::-1], interpolation=cv2.INTER_CUBIC)


def _coat(rng):
    """Light log R, G and B lose to a dye, from pink to purple and blue."""
    pink = np.array([rng.uniform(0.02, 0.3), 1.0, rng.uniform(0.25, 0.7)])
    blue = np.array([1.0, rng.uniform(0.75, 1.1), rng.uniform(0.05, 0.5)])
    mix = rng.choice([0, 0, 1, rng.random()])
    return rng.uniform(0.25, 1.3) * ((1 - mix) * pink + mix * blue)


def _stained(rng, rows, cols, centre, half):
    """Share of stain, 0 to 1, over the whole picture, for one crown."""
    along = rng.choice([np.pi / 2, -np.pi / 2, 0, np.pi])
    turn = along + rng.choice([0, rng.normal(0, 0.35)])
    x, y = (cols - centre[1]) / half[1], (rows - centre[0]) / half[0]
    depth = x * np.cos(turn) + y * np.sin(turn)
    side = -x * np.sin(turn) + y * np.cos(turn)
    if rng.random() < 0.5:
        depth = depth + rng.uniform(0, 0.25) * np.sin(rng.uniform(2, 9) * side + rng.uniform(0, 6))
    if rng.random() < 0.3:
        depth = depth + rng.uniform(0.05, 0.3) * _slow(rng, rows.shape, int(0.5 * half.min()) + 2)
    soft = rng.choice([0.01, 0.03, rng.uniform(0.03, 0.3)])
    return 1 / (1 + np.exp(-np.clip((depth - rng.uniform(-0.9, 0.95)) / soft, -40, 40)))


def _cusped(rng, rows, cols, centre, half):
    """Inside a crown of one to four cusps on a curved neck; its free end points any way."""
    flip, wide = rng.choice([-1, 1]), half[1]
    x = (cols - centre[1]) / wide
    v = flip * (rows - centre[0]) / half[0]
    count = int(rng.integers(1, 5))
    middles = np.linspace(-1, 1, 2 * count + 1)[1::2] + rng.normal(0, 0.12 / count, count)
    heights = rng.uniform(0.35, 1.0, count)
    heights[rng.integers(count)] = 1.0
    power = rng.uniform(0.8, 1.9)
    profile = np.full(rows.shape, -1.0, np.float32)
    for middle, height in zip(middles, heights, strict=True):
        reach = rng.uniform(0.9, 1.5) * max(1 / count, 0.35)
        slope = np.abs(x - middle - rng.uniform(-0.1, 0.1) * v) / reach
        profile = np.maximum(
            profile, -0.75 + (0.75 + height) * (1 - np.minimum(slope, 1.2) ** power)
        )
    low = rng.uniform(-0.6, 0.35)
    profile = np.maximum(profile, low - 0.3 * np.abs(x) ** 4)
    neck = -1 + rng.uniform(0, 0.35) * x**2
    return (v < profile) & (v > neck) & (np.abs(x) < 1 - 0.15 * np.maximum(0, -v) ** 2)


def _glare(rng, logs, regions):
    """Bright patches with a soft rim on the crowns, as wet enamel has."""
    rows, cols = np.mgrid[: regions.shape[0], : regions.shape[1]].astype(np.float32)
    inside = np.argwhere(regions > 0)
    for _ in range(rng.integers(0, 7)):
        row, col = inside[rng.integers(len(inside))]
        long, short = rng.uniform(4, 22), rng.uniform(2, 8)
        turn = rng.uniform(0, np.pi)
        a = (rows - row) * np.sin(turn) + (cols - col) * np.cos(turn)
        b = (rows - row) * np.cos(turn) - (cols - col) * np.sin(turn)
        away = (a / long) ** 2 + (b / short) ** 2
        light = 1 / (1 + np.exp(np.clip((away - 1) / rng.uniform(0.1, 1.5), -40, 40)))
        light = light * (regions > 0)
        logs = logs + light[..., None] * (0.05 - logs)
    return logs


def picture(seed: int) -> Picture:
    """A picture and the tooth number of every pixel, 0 outside.

    Parameters
    ----------
    seed : int
    """
    import cv2

    rng = np.random.default_rng(seed)
    crowns, cusped = int(rng.integers(1, 5)), bool(rng.random() < 0.6)
    half = np.array([rng.uniform(38, 85), rng.uniform(32, 65)])
    if cusped:
        half = np.array([rng.uniform(25, 70), rng.uniform(32, 100)])
    gap = rng.choice([0, 0, rng.uniform(2, 40)])
    margin = rng.uniform(15, 90, 4)
    wide = int(crowns * 2 * half[1] + (crowns - 1) * gap + margin[:2].sum())
    shape = (int(2 * half[0] + margin[2:].sum()), wide)
    rows, cols = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    gum = np.array([rng.uniform(110, 225), rng.uniform(35, 120), rng.uniform(40, 130)])
    gum = np.where(rng.random() < 0.15, rng.uniform(5, 60) * np.ones(3), gum)
    logs = np.log(gum / 255) * np.ones((*shape, 1))
    if rng.random() < 0.4:
        cheek = np.array([rng.uniform(15, 150), rng.uniform(8, 70), rng.uniform(8, 70)])
        edge = margin[2] + half[0] * rng.uniform(0.7, 1.6) + 4 * _slow(rng, shape, 60)
        far = 1 / (1 + np.exp(-np.clip((rows - edge) / rng.uniform(0.5, 6), -40, 40)))
        logs = logs + far[..., None] * (np.log(cheek / 255) - logs)
    logs = logs + rng.uniform(0, 0.15) * _slow(rng, shape, 50)[..., None]
    regions = np.zeros(shape, np.uint8)
    enamel = np.array([rng.uniform(190, 250), rng.uniform(0.9, 1.0), rng.uniform(0.72, 0.97)])
    enamel[1:] *= enamel[0]
    coat, left = _coat(rng), margin[0]
    for number in range(1, crowns + 1):
        size = half * rng.uniform(0.88, 1.0, 2)
        centre = np.array([margin[2] + half[0] + rng.normal(0, 4), left + size[1]])
        left += 2 * size[1] + gap
        power = rng.choice([2.0, rng.uniform(1.8, 5)])
        away = np.abs((rows - centre[0]) / size[0]) ** power
        away = away + np.abs((cols - centre[1]) / size[1]) ** power
        inside = _cusped(rng, rows, cols, centre, size) if cusped else away < 1
        drawn = inside & (regions == 0)
        regions[drawn] = number
        colour = np.log(enamel * np.exp(rng.normal(0, 0.03, 3)) / 255)[None, None]
        colour = colour + rng.uniform(0, 0.05) * _slow(rng, shape, 40)[..., None]
        # Roundness: a crown darkens towards its outline, or not at all.
        colour = colour - rng.choice([0, rng.uniform(0, 0.4)]) * (away**2)[..., None]
        for _ in range(rng.choice([0, 1, 1, 1, 2])):
            other = coat if rng.random() < 0.7 else _coat(rng)
            colour = colour - _stained(rng, rows, cols, centre, size)[..., None] * other
        if rng.random() < 0.12:
            colour = colour - coat
        logs = np.where(drawn[..., None], colour, logs)
    if gap == 0:
        # Where crowns touch a dark seam parts them, or nothing could.
        core = cv2.erode(regions, np.ones((3, 3), np.uint8))
        bulk = cv2.dilate(regions, np.ones((3, 3), np.uint8))
        seam = (regions > 0) & (core != bulk) & (core > 0) & (bulk > 0)
        logs = logs - seam[..., None] * rng.uniform(0.4, 1.2)
    if rng.random() < 0.5:
        # Gum throws a shadow on the crown's edge, or saliva lies along it.
        rim = cv2.GaussianBlur((regions == 0).astype(np.float32), (0, 0), rng.uniform(1, 4))
        logs = logs - (rng.uniform(0, 1.2) * rim * (regions > 0))[..., None]
    if rng.random() < 0.6 and regions.any():
        logs = _glare(rng, logs, regions)
    light = rng.uniform(0, 0.3) * rng.choice([-1, 1]) * rows / shape[0]
    light = light + rng.uniform(0, 0.3) * rng.choice([-1, 1]) * cols / shape[1]
    logs = logs + (light - light.max() * 0.7 + np.log(rng.uniform(0.75, 1.05)))[..., None]
    rgb = 255 * np.exp(logs)
    if rng.random() < 0.7:
        rgb = cv2.GaussianBlur(rgb, (0, 0), rng.uniform(0.4, 1.6))
    rgb = rgb + rng.normal(0, rng.uniform(0, 6), rgb.shape)
    return np.clip(rgb, 0, 255).astype(np.uint8), regions
