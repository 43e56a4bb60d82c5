"""Crowns of generator H: outlines by kind of tooth, their dentin and enamel, and calculus."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from .jaw_mix import Mix
from .jaw_teeth import JawTooth

Array = NDArray[Any]


def crown_outline(rng: np.random.Generator, tooth: JawTooth) -> Array:
    """Closed outline of the crown, (x, y) in mm, from the CEJ and back along it."""
    a, b = tooth.ends[0], tooth.ends[-1]
    left, right = (a.edge(a.cej[0], 0), a.cej[0]), (b.edge(b.cej[1], 1), b.cej[1])
    wide, high, n = right[0] - left[0], tooth.crown, tooth.number % 100
    bulge = wide * rng.uniform(0.0, 0.16) * np.array([rng.uniform(0.4, 1.2), rng.uniform(0.4, 1.2)])
    if n == 4:
        tip = rng.normal(-0.25, 0.2)
        tops = [
            (0.12 + tip * 0.4, 0.55),
            (0.45 + tip, 1.0),
            (0.55 + tip, 1.0),
            (0.85 + tip * 0.4, 0.5),
        ]
    elif n < 4 or len(tooth.ends) == 1:
        r = rng.uniform(0.0, 0.35)
        tops = [(r * 0.6, 0.85), (0.3, 1.0), (0.5, 0.96), (0.7, 1.0), (1 - r * 0.6, 0.8)]
    elif n >= 9:
        heights = rng.uniform(0.35, 1.0, 4)
        places = np.linspace(0.1, 0.9, 4) + rng.normal(0, 0.03, 4)
        tops = [(float(p), float(h)) for p, h in zip(places, heights, strict=True)]
        tops.insert(2, (0.5, float(min(heights[1], heights[2]) * rng.uniform(0.5, 0.9))))
    else:
        at = rng.uniform(0.35, 0.6)
        tops = [
            (0.03, 0.3),
            (at * 0.6, 0.6),
            (at, 1.0),
            (at + 0.15, 0.6),
            (0.85, 0.42),
            (0.97, 0.25),
        ]
    base = [left[1] + u * (right[1] - left[1]) for u, _ in tops]
    points = [left, (left[0] - bulge[0], left[1] - high * rng.uniform(0.12, 0.3))]
    points += [(left[0] + u * wide, y - h * high) for (u, h), y in zip(tops, base, strict=True)]
    points += [(right[0] + bulge[1], right[1] - high * rng.uniform(0.12, 0.3)), right]
    sag = high * rng.uniform(-0.06, 0.12)
    scallop = rng.uniform(-0.05, 0.1) * high if len(tooth.ends) > 1 else 0.0
    low = [
        (right[0] + (left[0] - right[0]) * t, right[1] + (left[1] - right[1]) * t + lift)
        for t, lift in ((0.2, sag), (0.5, sag - scallop), (0.8, sag))
    ]
    outline = np.array(points + low)
    for _ in range(2):  # corners cut
        after = np.roll(outline, -1, axis=0)
        outline = np.stack([0.75 * outline + 0.25 * after, 0.25 * outline + 0.75 * after], 1)
        outline = outline.reshape(-1, 2)
    return outline


def crowns(mix: Mix, x: Array, y: Array, teeth: list[JawTooth], fine: float) -> tuple[Array, Array]:
    """Dentin and enamel of the crowns; a crown may be seen twice, its sides projected apart."""
    rng, shape = mix.rng, (len(y), len(x))
    body, enamel = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
    shell, coat = rng.uniform(0.15, 0.7), rng.uniform(0.2, 1.0)
    heart, flat = rng.uniform(0.5, 1.1), rng.uniform(0, 0.5)
    slid = rng.uniform(-0.9, 0.5) * mix.on(0.35)
    for tooth in teeth:
        outline = crown_outline(rng, tooth)
        for shift, share in ((0.0, 1.0),) if not slid else ((0.0, 0.6), (slid, 0.4)):
            px = (outline - [x[0], y[0] - shift]) / fine
            low = np.clip(np.floor(px.min(0)).astype(int) - 2, 0, None)
            high = np.minimum(np.ceil(px.max(0)).astype(int) + 3, [len(x), len(y)])
            if (high - low < 3).any():
                continue
            mask = np.zeros((high - low)[::-1], np.uint8)
            cv2.fillPoly(mask, [np.round((px - low) * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
            deep = cv2.distanceTransform((mask > 127).astype(np.uint8), cv2.DIST_L2, 5) * fine
            on = mask.astype(np.float32) / 255
            cej = (tooth.ends[0].cej[0] + tooth.ends[-1].cej[1]) / 2
            up = np.clip((cej + shift - (y[low[1] : high[1]])) / (0.35 * tooth.crown), 0.15, 1)
            rim = np.exp(-((deep / (shell * up[:, None].astype(np.float32))) ** 2))
            part = (slice(low[1], high[1]), slice(low[0], high[0]))
            thick = on * np.clip(deep / (0.12 * tooth.crown + 0.3), 0.25, 1)
            body[part] += np.float32(share * heart) * thick
            enamel[part] += np.float32(share * coat) * on * (flat + (1 - flat) * rim)
    return body, enamel


def deposits(
    mix: Mix, x: Array, y: Array, teeth: list[JawTooth], fine: float, bright: Array
) -> None:
    """Calculus: spurs on the outer sides, between the crown and the crest."""
    rng = mix.rng
    if not mix.on(0.25):
        return
    layer = np.zeros(bright.shape, np.uint8)
    for tooth in teeth:
        for root in tooth.ends:
            for k in (0, 1):
                room = root.crest[k] - root.cej[k] - 0.4
                if not root.outer[k] or rng.random() < 0.5:
                    continue
                at = root.cej[k] + rng.uniform(-0.8, max(min(room, 1.5), -0.3))
                c = (root.edge(at, k) - x[0]) / fine
                size = rng.uniform(0.1, 0.5, 2) / fine
                cv2.ellipse(
                    layer,
                    ((c, (at - y[0]) / fine), (2 * size[0], 2 * size[1]), rng.uniform(0, 180)),
                    255,
                    -1,
                )
    soft = cv2.GaussianBlur(layer, (0, 0), max(0.08 / fine, 0.5)).astype(np.float32)
    bright += soft * np.float32(rng.uniform(0.1, 0.6) / 255)
