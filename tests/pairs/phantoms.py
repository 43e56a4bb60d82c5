"""Invented pairs of radiographs with a known map between them.

No clinical truth: the shapes are drawn, the texture is filtered noise. What they hold is the
geometry (two depth layers, tilt, turn, other sensor), the exposure and the kinds of change.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from scipy import fft
from scipy.special import expit

MARGIN = 0.16


@dataclass(frozen=True)
class Change:
    """What differs at the later visit: crest lowered (px), tooth gone, restoration put in."""

    crest_px: float = 0.0
    crest_tooth: int = 1
    crest_layers: tuple[int, ...] = (0, 1)
    extracted: int | None = None
    restored: int | None = None


@dataclass(frozen=True)
class Pose:
    """Where the sensor was: degrees, px, scale, shear, perspective (per image width)."""

    turn: float = 0.0
    shift: tuple[float, float] = (0.0, 0.0)
    scale: float = 1.0
    shear: float = 0.0
    tilt: tuple[float, float] = (0.0, 0.0)
    parallax: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True)
class Exposure:
    """How it was taken and stored."""

    dose: float = 4000.0
    gamma: float = 1.0
    blur: float = 0.8
    inverted: bool = False
    mirrored: bool = False
    bits: int = 12
    shape: tuple[int, int] | None = None


@dataclass(frozen=True)
class Pair:
    """Two images, the true map of (row, col, 1) LATER onto EARLIER, and landmarks of teeth."""

    earlier: np.ndarray
    later: np.ndarray
    transform: np.ndarray
    landmarks: np.ndarray
    crest: np.ndarray = field(default_factory=lambda: np.zeros((0, 2)))
    axis: np.ndarray = field(default_factory=lambda: np.array([1.0, 0.0]))


def texture(rng: np.random.Generator, shape: tuple[int, int], power: float) -> np.ndarray:
    """Filtered noise, spectrum falling with the given power, unit variance."""
    rows, cols = shape
    down, across = np.fft.fftfreq(rows)[:, None], np.fft.rfftfreq(cols)[None]
    far = np.hypot(down, across)
    far[0, 0] = 1
    gain = far ** (-power) * np.exp(-((far / 0.16) ** 2)) * (far > 3 / max(shape))
    noise = rng.standard_normal(shape, dtype=np.float32)
    made = fft.irfft2(fft.rfft2(noise) * gain.astype(np.float32), shape)
    return (made / made.std()).astype(np.float32)


def _shape(canvas: tuple[int, int], points: np.ndarray) -> np.ndarray:
    mask = np.zeros(canvas, np.uint8)
    cv2.fillPoly(mask, [np.round(points * 16).astype(np.int32)], 255, cv2.LINE_AA, shift=4)
    return mask.astype(np.float32) / 255


def _round_thickness(mask: np.ndarray, radius: float) -> np.ndarray:
    made = np.zeros_like(mask)
    x, y, w, h = cv2.boundingRect((mask > 0.5).astype(np.uint8))
    part = np.s_[max(y - 2, 0) : y + h + 2, max(x - 2, 0) : x + w + 2]
    inside = (mask[part] > 0.5).astype(np.uint8)
    far = np.minimum(cv2.distanceTransform(inside, cv2.DIST_L2, 5), np.float32(radius))
    made[part] = np.sqrt(np.maximum(2 * radius * far - far**2, 0)) / radius * mask[part]
    return made


def _tooth(rng, canvas, x, crest, w, unit):
    """Crown and two roots: (crown, roots, pulp) masks; sizes in canvas px."""
    top, neck = crest - w * rng.uniform(0.9, 1.15), crest - 0.18 * w
    t = np.linspace(0, 1, 40)
    cusp = top + 0.12 * w * np.cos(2 * np.pi * (t * 2 + rng.uniform())) * np.sin(np.pi * t)
    crown = np.column_stack(
        [
            np.concatenate([x - w * 0.48 + t * w * 0.96, [x + 0.42 * w, x - 0.42 * w]]),
            np.concatenate([cusp, [neck, neck]]),
        ]
    )
    roots, pulps = [], []
    for side in (-1, 1):
        length, lean = w * rng.uniform(1.1, 1.5), side * rng.uniform(0.02, 0.14) * w
        centre = x + side * 0.24 * w + lean * t**1.5
        wide = 0.2 * w * (1 - 0.75 * t**2)
        depth = neck + t * length
        outline = np.concatenate(
            [np.column_stack([centre - wide, depth]), np.column_stack([centre + wide, depth])[::-1]]
        )
        roots.append(outline)
        canal = 0.035 * w * (1 - 0.7 * t) + 0.004 * w
        pulps.append(
            np.concatenate(
                [
                    np.column_stack([centre - canal, depth]),
                    np.column_stack([centre + canal, depth])[::-1],
                ]
            )
        )
    trunk = np.array(
        [
            [x - 0.42 * w, neck],
            [x + 0.42 * w, neck],
            [x + 0.4 * w, neck + 0.35 * w],
            [x - 0.4 * w, neck + 0.35 * w],
        ]
    )
    return crown, [trunk, *roots], pulps


def layers(
    seed: int, shape: tuple[int, int], change: Change | None = None
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Attenuation of a near and a far layer, tooth landmarks (x, y), crest point (x, y)."""
    change = change or Change()
    rng = np.random.default_rng(seed)
    rows, cols = (round(n * (1 + 2 * MARGIN)) for n in shape)
    canvas = (rows, cols)
    unit = cols / 4.6
    base, count = rows * rng.uniform(0.4, 0.5), 5
    x = np.linspace(0.06, 0.94, count) * cols + rng.uniform(-0.08, 0.08, count) * unit
    widths = unit * rng.uniform(0.68, 0.86, count)
    across = np.arange(cols, dtype=np.float32)
    wave = sum(
        rng.uniform(0.01, 0.05) * unit * np.sin(2 * np.pi * (k * across / cols + rng.uniform()))
        for k in (1, 2, 3, 7)
    )
    crest = base + 0.1 * unit + wave
    lowered = np.abs(across - (x[change.crest_tooth] + 0.56 * unit)) < 0.22 * unit
    drop = cv2.GaussianBlur(
        lowered.astype(np.float32)[None] * change.crest_px, (0, 0), 0.03 * unit
    )[0]
    teeth = [_tooth(rng, canvas, x[k], base, widths[k], unit) for k in range(count)]
    down = np.arange(rows, dtype=np.float32)[:, None]
    border = rows * 0.86 + 0.3 * wave[::-1]
    soft = 0.25 / (1 + np.exp(-(down - (crest - 0.35 * unit)[None]) / (0.02 * unit)))
    two, marks = [], []
    for layer in (0, 1):
        grain = texture(rng, canvas, 0.9)
        fine = texture(rng, canvas, 0.2)
        edge = crest + (drop if layer in change.crest_layers else 0)
        inside = expit((down - edge[None]) / 1.5) * expit((border[None] - down) / 3)
        bone = inside * (0.42 + 0.09 * grain + 0.05 * np.abs(fine))
        plate = np.exp(-(((down - border[None] + 12) / 10) ** 2)) * 0.3
        total = soft + bone + plate
        for k, (crown, roots, pulps) in enumerate(teeth):
            offset = np.array([0.0, 0.0]) if layer == 0 else rng.uniform(-0.03, 0.03, 2) * unit
            if k == change.extracted:
                continue
            root = np.maximum.reduce([_shape(canvas, p + offset) for p in roots])
            cap = _shape(canvas, crown + offset)
            ligament = cv2.dilate(root, np.ones((9, 9))) - root
            total *= 1 - 0.35 * ligament * inside
            total += 0.55 * _round_thickness(root, 0.2 * widths[k])
            total += 0.9 * _round_thickness(cap, 0.12 * widths[k])
            hollow = np.maximum.reduce([_shape(canvas, p + offset) for p in pulps])
            total -= 0.2 * hollow
            if k == change.restored:
                spot = (round(float(x[k])), round(base - 0.6 * widths[k]))
                cv2.ellipse(
                    total, spot, (round(0.2 * unit), round(0.12 * unit)), 20, 0, 360, 2.6, -1
                )
            if layer == 0 and k != change.restored:
                marks += [crown[0], crown[20], crown[39], roots[1][39], roots[2][39], crown[40]]
        two.append(total.astype(np.float32))
    at = x[change.crest_tooth] + 0.56 * unit
    point = np.array([[at, np.interp(at, across, crest)]])
    return two[0], two[1], np.array(marks), point


def _matrix(pose: Pose, exposure: Exposure, shape, out) -> tuple[np.ndarray, np.ndarray]:
    """Map (x, y, 1) of a scene view of `shape` to the image of `out`: near layer, far layer."""
    rows, cols = shape
    a = np.deg2rad(pose.turn)
    to_middle = np.array([[1, 0, -(cols - 1) / 2], [0, 1, -(rows - 1) / 2], [0, 0, 1.0]])
    back = np.array([[1, 0, (out[1] - 1) / 2], [0, 1, (out[0] - 1) / 2], [0, 0, 1.0]])
    turn = pose.scale * np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 0]])
    turn[2, 2] = 1
    shear = np.array([[1, pose.shear, 0], [0, 1, 0], [0, 0, 1.0]])
    tilt = np.eye(3)
    tilt[2, :2] = np.array(pose.tilt) / cols
    size = np.diag([out[1] / cols, out[1] / cols, 1.0])
    shift = np.array([[1, 0, pose.shift[0]], [0, 1, pose.shift[1]], [0, 0, 1.0]])
    flip = np.diag([-1.0 if exposure.mirrored else 1.0, 1, 1])
    near = back @ flip @ size @ shift @ tilt @ shear @ turn @ to_middle
    apart = np.array([[1, 0, pose.parallax[0]], [0, 1, pose.parallax[1]], [0, 0, 1.0]])
    return near, near @ apart


def render(two, pose: Pose, exposure: Exposure, shape, rng) -> tuple[np.ndarray, np.ndarray]:
    """Take a radiograph of two layers; the image, and (x, y, 1) of the canvas onto it."""
    out = exposure.shape or shape
    near, far = _matrix(pose, exposure, shape, out)
    edge = np.array([round(n * (1 + 2 * MARGIN)) - n for n in shape]) / 2
    to_view = np.array([[1, 0, -edge[1]], [0, 1, -edge[0]], [0, 0, 1.0]])
    drawn = sum(
        cv2.warpPerspective(
            layer, m @ to_view, out[::-1], flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT
        )
        for layer, m in zip(two, (near, far), strict=True)
    )
    signal = np.exp(-np.maximum(drawn, 0) * 1.1)
    signal = cv2.GaussianBlur(signal, (0, 0), exposure.blur)
    signal = signal + rng.standard_normal(out).astype(np.float32) * np.sqrt(signal / exposure.dose)
    dense = -np.log(np.maximum(signal, 1e-3))
    low, high = np.percentile(dense[::4, ::4], (0.2, 99.8))
    level = np.clip((dense - low) / (high - low), 0, 1) ** exposure.gamma
    level = 1 - level if exposure.inverted else level
    full = 2**exposure.bits - 1
    kind = np.uint8 if exposure.bits == 8 else np.uint16
    return np.round(level * full).astype(kind), near @ to_view


def pair(
    seed: int,
    shape: tuple[int, int],
    pose: Pose,
    exposure: Exposure | None = None,
    change: Change | None = None,
    first: Exposure | None = None,
) -> Pair:
    """Make two visits of one invented jaw."""
    rng = np.random.default_rng(seed + 10_000)
    before = layers(seed, shape)
    after = layers(seed, shape, change) if change else before
    still = Pose(turn=rng.uniform(-1, 1), shift=tuple(rng.uniform(-3, 3, 2)))
    earlier, to_earlier = render(before[:2], still, first or Exposure(), shape, rng)
    later, to_later = render(after[:2], pose, exposure or Exposure(), shape, rng)
    swap = np.array([[0, 1, 0], [1, 0, 0], [0, 0, 1.0]])
    truth = swap @ to_earlier @ np.linalg.inv(to_later) @ swap
    marks = _carried(swap @ to_later, after[2])
    kept = ((marks >= 0) & (marks <= np.array(later.shape) - 1)).all(axis=1)
    crest = _carried(swap @ to_earlier, after[3])
    axis = _carried(swap @ to_earlier, after[3] + [[0, 100.0]]) - crest
    return Pair(
        earlier, later, truth / truth[2, 2], marks[kept], crest, (axis / np.hypot(*axis[0]))[0]
    )


def _carried(matrix: np.ndarray, xy: np.ndarray) -> np.ndarray:
    lifted = np.column_stack([xy, np.ones(len(xy))]) @ matrix.T
    return lifted[:, :2] / lifted[:, 2:]


def warped(image: np.ndarray, seed: int, pose: Pose, exposure: Exposure | None = None) -> Pair:
    """Take a real image twice: turned, re-exposed, noise added to both."""
    exposure = exposure or Exposure()
    rng = np.random.default_rng(seed)
    shape = image.shape
    level = image.astype(np.float32)
    low, high = np.percentile(level, (0.2, 99.8))
    level = np.clip((level - low) / (high - low), 0, 1)
    still = Pose(turn=rng.uniform(-1, 1), shift=tuple(rng.uniform(-3, 3, 2)), scale=0.98)
    out = exposure.shape or shape
    made = []
    for where, how, size in ((still, Exposure(), shape), (pose, exposure, out)):
        matrix, _ = _matrix(where, how, shape, size)
        drawn = cv2.warpPerspective(level, matrix, size[::-1], flags=cv2.INTER_CUBIC)
        drawn = np.clip(drawn, 0, 1) ** how.gamma
        drawn = drawn + rng.standard_normal(size) * 0.012
        drawn = 1 - drawn if how.inverted else drawn
        made.append((np.round(np.clip(drawn, 0, 1) * 4095).astype(np.uint16), matrix))
    swap = np.array([[0, 1, 0], [1, 0, 0], [0, 0, 1.0]])
    truth = swap @ made[0][1] @ np.linalg.inv(made[1][1]) @ swap
    # Landmarks are corners of the clean image: where nothing is shown nothing can be aligned.
    clean = cv2.warpPerspective(level.astype(np.float32), made[1][1], out[::-1])
    clean = cv2.GaussianBlur(clean, (0, 0), 2)
    frame = np.zeros(shape, np.uint8)
    edge = max(shape) // 20
    frame[edge:-edge, edge:-edge] = 1
    frame = cv2.warpPerspective(frame, made[1][1], out[::-1], flags=cv2.INTER_NEAREST)
    corners = cv2.goodFeaturesToTrack(clean, 60, 0.01, max(out) / 30, mask=frame, blockSize=15)
    marks = corners[:, 0, ::-1].astype(float)
    landed = _carried(truth, marks)
    kept = ((landed >= 0) & (landed <= np.array(shape) - 1)).all(axis=1)
    return Pair(made[0][0], made[1][0], truth / truth[2, 2], marks[kept])


def some_pose(rng: np.random.Generator, unit: float = 1.0, parallax: float = 0.0) -> Pose:
    """Draw the difference between two visits: up to 10 degrees, 60 px (of 2000), 5 %."""
    return Pose(
        turn=rng.uniform(-10, 10),
        shift=tuple(rng.uniform(-60, 60, 2) * unit),
        scale=rng.uniform(0.95, 1.05),
        shear=rng.uniform(-0.03, 0.03),
        tilt=tuple(rng.uniform(-0.03, 0.03, 2)),
        parallax=tuple(rng.uniform(-1, 1, 2) * parallax),
    )


def some_exposure(rng: np.random.Generator, shape: tuple[int, int]) -> Exposure:
    """Draw another dose, curve, sharpness, sensor, polarity and handedness."""
    return Exposure(
        dose=float(rng.choice([800, 2000, 5000])),
        gamma=rng.uniform(0.6, 1.6),
        blur=rng.uniform(0.6, 1.6),
        inverted=bool(rng.random() < 0.2),
        mirrored=bool(rng.random() < 0.15),
        bits=int(rng.choice([8, 12])),
        shape=tuple(round(n * 0.8) for n in shape) if rng.random() < 0.25 else None,
    )
