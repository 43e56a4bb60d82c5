"""Films and deposits on the crowns of the lit mouths (training only): where, how much, how old."""

from __future__ import annotations

import cv2
import numpy as np
from plaque_phantoms.lit_crowns import clouds, step

KINDS = (
    "clean",
    "all",
    "margin",
    "gaps",
    "patches",
    "flecks",
    "streaks",
    "smear",
    "pits",
    "drops",
    "rubbed",
    "pellicle",
)
ODDS = np.array([0.13, 0.11, 0.2, 0.09, 0.14, 0.05, 0.07, 0.06, 0.04, 0.03, 0.05, 0.03])


def habit(rng):
    """What the films of one mouth have in common."""
    odds = ODDS * np.exp(rng.normal(0, 0.5, ODDS.size))
    if rng.random() < 0.3:
        # A mouth stained nearly everywhere, or nearly nowhere.
        odds = odds * np.where(np.array(KINDS) == rng.choice(["clean", "all"]), 14, 1)
    if rng.random() < 0.4:
        base = rng.uniform(0.08, 0.4)
    else:
        base = np.exp(rng.uniform(np.log(0.1), np.log(1.8)))
    return odds / odds.sum(), float(base)


def cover(rng, kind, crown, away, size):
    """Where a film lies, 0 to 1."""
    u, v, here = crown.u, crown.v, crown.u.shape
    soft = float(np.exp(rng.uniform(np.log(0.006), np.log(0.15))))
    wander = rng.uniform(0.01, 0.14) * clouds(rng, here, size / rng.uniform(3, 14))
    if kind in ("clean", "all", "pellicle"):
        return np.full(here, float(kind != "clean"), np.float32)
    if kind == "margin":
        return step(rng.uniform(0.03, 0.8) + wander - away, soft)
    if kind == "gaps":
        flank = np.abs(u + rng.uniform(-0.3, 0.3)) - rng.uniform(0.3, 0.95) + wander
        return step(np.maximum(flank, rng.uniform(-0.3, 0.4) - away), soft)
    if kind == "streaks":
        long = size / rng.uniform(1, 3), size / rng.uniform(8, 25)
        return step(
            clouds(rng, here, long if rng.random() < 0.7 else long[::-1]) - rng.uniform(-0.6, 1.4),
            4 * soft,
        )
    if kind == "smear":
        turn = rng.uniform(0, 6.3)
        slope = np.cos(turn) * u + np.sin(turn) * (2 * v - 1)
        return np.clip(0.5 + rng.uniform(0.2, 1.2) * slope + 4 * wander, 0, 1)
    if kind == "pits":
        return np.clip(crown.groove * rng.uniform(0.6, 1.5) + step(0.1 + wander - away, soft), 0, 1)
    if kind == "drops":
        return drops(rng, here, size)
    if kind == "rubbed":
        # A brush takes what stands out.
        out = np.clip(1 - u**2 - 2 * (v - 0.5) ** 2, 0, 1)
        return 1 - rng.uniform(0.5, 1) * step(out + wander - rng.uniform(0.3, 0.9), 2 * soft)
    scale, level = (rng.uniform(10, 22), rng.uniform(0.7, 1.7)) if kind == "flecks" else (
        rng.uniform(2.5, 9),
        rng.uniform(-1.2, 1.2),
    )  # fmt: skip
    blotch = clouds(rng, here, size / scale) - rng.uniform(-0.3, 1.2) * (away - 0.5)
    return step(blotch - level, 4 * soft)


def drops(rng, here, size):
    """Dye dried in drops and runs, darker at the rim."""
    out = np.zeros(here, np.float32)
    for _ in range(int(rng.integers(1, 7))):
        at = int(rng.uniform(0, here[1])), int(rng.uniform(0, here[0]))
        axes = int(size * rng.uniform(0.03, 0.2)) + 1, int(size * rng.uniform(0.03, 0.35)) + 1
        cv2.ellipse(out, at, axes, rng.uniform(-25, 25), 0, 360, rng.uniform(0.4, 1.0), -1)
        if rng.random() < 0.5:
            cv2.ellipse(out, at, axes, 0, 0, 360, 1.0, 1, cv2.LINE_AA)
    return cv2.GaussianBlur(out, (0, 0), rng.uniform(0.4, 2.5))


def amount(rng, kind, crown, away, base, size, brown):
    """Concentration of dye on one crown, in densities at the dye's own band."""
    here = crown.u.shape
    if kind == "clean":
        return np.zeros(here, np.float32)
    own = base * np.exp(rng.uniform(0, 0.5) * rng.normal())
    if kind == "pellicle":
        own = rng.uniform(0.01, 0.14)
    lies = cover(rng, kind, crown, away, size)
    if kind not in ("all", "pellicle") and rng.random() < 0.3:
        other = str(rng.choice(["margin", "patches", "gaps", "pits", "streaks"]))
        lies = np.maximum(lies, rng.uniform(0.3, 1) * cover(rng, other, crown, away, size))
    uneven = rng.uniform(0.02, 0.45) * clouds(rng, here, size / rng.uniform(1.5, 9))
    uneven = uneven + rng.uniform(0, 0.15) * clouds(rng, here, rng.uniform(2.5, 6))
    film = own * np.exp(uneven)
    if rng.random() < 0.4 and kind != "pellicle":
        film = np.maximum(film, rng.uniform(0.14, 0.3))
    thicker = 1 + rng.uniform(0, 1.5) * crown.groove + rng.uniform(0, 0.8) * (brown > 0.1)
    thicker = thicker + rng.uniform(0, 1.0) * np.exp(-np.maximum(away, 0) / 0.06)
    film = film * thicker * lies
    if rng.random() < 0.25:
        # What is called clean has taken a little all the same.
        film = film + rng.uniform(0, 0.06) * np.exp(0.5 * clouds(rng, here, size / 4))
    return np.clip(film, 0, 2.0).astype(np.float32)


def ages(rng, crown, away, size, brown):
    """How much of the film is old, 0 to 1."""
    here = crown.u.shape
    wander = rng.uniform(0.02, 0.35) * clouds(rng, here, size / rng.uniform(2, 10))
    how = rng.random()
    if how < 0.6:
        old = step(rng.uniform(-0.15, 0.9) - away + wander, rng.uniform(0.004, 0.06))
    elif how < 0.75:
        old = step(wander + rng.uniform(-0.3, 0.3), rng.uniform(0.01, 0.1))
    elif how < 0.85:
        old = step(np.abs(crown.u) - rng.uniform(0.3, 0.9) + wander, 0.03)
    else:
        old = np.full(here, float(rng.random() < 0.5), np.float32)
    if rng.random() < 0.3:
        old = np.maximum(old, np.clip(crown.groove, 0, 1))
    return np.where(brown > 0.1, 1.0, old) if rng.random() < 0.5 else old


def deposit(rng, crown, away, size):
    """Calculus: brown, rough, from the margin; how much, and its relief in px."""
    here = crown.u.shape
    reach = rng.uniform(0.05, 0.8) + rng.uniform(0.03, 0.15) * clouds(rng, here, size / 5)
    crust = clouds(rng, here, rng.uniform(3, 9)) + 0.5 * clouds(rng, here, 2.5)
    lies = step(np.maximum(reach - away, np.abs(crown.u) - rng.uniform(0.7, 1.3)), 0.03)
    brown = rng.uniform(0.08, 1.1) * lies * np.clip(1 + rng.uniform(0, 0.35) * crust, 0.2, 2.2)
    return brown.astype(np.float32), (lies * (0.02 * size + rng.uniform(0, 0.8) * crust))
